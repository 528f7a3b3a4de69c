package rehearsal

import (
	"errors"
	"fmt"
	"slices"
	"time"

	"clearback/supervision"
	"clearback/supervision/keysystem"
)

// ErrNoHabit: Options.Habits names one that there is not.
var ErrNoHabit = errors.New("rehearsal: there is no such habit")

// habit is what an adapter does besides the plain way, and what its line must be configured with for that. The zero
// value is the plain adapter. Times that last a minute in a house are shortened, so that they matter within a scene.
type habit struct {
	name, about string

	// always is the answer to every OPTIONS; 0: the one that an INVITE would get (RFC 3261 section 11.2).
	always int
	// busyFor is how long after on hook the port is still busy.
	busyFor time.Duration
	// waiting: a second call is offered beside a call that is up. OPTIONS is answered as an INVITE would be: 200 in a
	// call, 486 off hook without one (there is no call then that another could wait beside).
	waiting bool
	// A BYE is answered after byeAfter, or never.
	byeAfter  time.Duration
	byeSilent bool
	// denial is how long the port takes the battery away by itself when it gets BYE.
	denial time.Duration
	// after is what the near end gets when the far end has cleared, in turn.
	after []lineTreatment
	// reboot is how long the battery is away when the adapter restarts in the call. It registers anew later.
	reboot time.Duration
	// newPort: the adapter registers from another port in the call.
	newPort bool
	// flashInfo: a hook flash is reported by INFO in the dialog that the port had last.
	flashInfo bool
	// splash is how long the port rings when a message waits, as soon as it is on hook and splashAfter has passed.
	splash, splashAfter time.Duration

	// untrusted: `check --live` would not see 200 on hook, 486 held in a call and 486 off hook without a call.
	untrusted bool
	// recognition is the line's onhook_recognition; 0: the default.
	recognition time.Duration
	// lead is the line's, for an adapter that needs so long; 0: the default.
	lead time.Duration
}

// lineTreatment is what the near end gets from some time after the clearing on.
type lineTreatment struct {
	after time.Duration
	tone  tone
}

type tone uint8

const (
	toneNone tone = iota
	toneDial
	toneReorder
	toneHowler
	toneLockOut // nothing, and no more current than it takes to see whether the line is on hook
)

func (t tone) String() string {
	return [...]string{"nothing", "dial tone", "reorder tone", "howler", "lock-out"}[t]
}

// takesDigits reports whether the port listens to what the near end keys.
func (t tone) takesDigits() bool { return t == toneNone || t == toneDial }

const (
	// onHookMargin is what check adds to the recognition that it saw.
	onHookMargin = 300 * time.Millisecond
	// registersAfter is how long a restarted adapter needs to register anew.
	registersAfter = 300 * time.Millisecond
)

// habits are all there are, in the order of the report.
func habits() []habit {
	reorder := lineTreatment{0, toneReorder}
	howler := lineTreatment{300 * time.Millisecond, toneHowler}
	return []habit{
		{name: "always-200", about: "OPTIONS is always answered 200: not trusted", always: 200, untrusted: true},
		{
			name: "late-486", about: "486 for 1.5 s after on hook", busyFor: 1500 * time.Millisecond,
			recognition: parts().OnHook + 1500*time.Millisecond + onHookMargin,
		},
		{
			name:    "call-waiting",
			about:   "a second call is offered in a call, and OPTIONS is answered 200 then: not trusted",
			waiting: true, untrusted: true,
		},
		{name: "bye-unanswered", about: "BYE is taken and never answered", byeSilent: true},
		{name: "bye-late", about: "BYE is answered after 450 ms", byeAfter: 450 * time.Millisecond},
		// 500 ms is the pulse of a line-card driver (common practice)
		{
			name:   "power-denial",
			about:  "the adapter itself takes the battery away for 500 ms at the BYE, and answers it then",
			denial: 500 * time.Millisecond, byeAfter: 500 * time.Millisecond, lead: time.Second,
		},
		{name: "dial-tone", about: "dial tone at once after the far end's clearing",
			after: []lineTreatment{{0, toneDial}}},
		{name: "reorder", about: "reorder tone after the far end's clearing, and no digits are taken",
			after: []lineTreatment{reorder}},
		{name: "howler", about: "reorder tone, then howler, and no digits are taken",
			after: []lineTreatment{reorder, howler}},
		{
			name: "lock-out", about: "reorder tone, howler, then the line is locked out until it is on hook",
			after: []lineTreatment{reorder, howler, {time.Second, toneLockOut}},
		},
		{name: "reboot", about: "the adapter restarts in the call: no battery for 600 ms, and it knows no call afterwards",
			reboot: 600 * time.Millisecond},
		{name: "new-port", about: "the adapter registers from another port in the call", newPort: true},
		{name: "flash-info", about: "a break in the flash window is reported by INFO", flashInfo: true},
		{
			name: "mwi-splash", about: "a message waits: the port rings for 500 ms when it is on hook",
			splash: 500 * time.Millisecond, splashAfter: 400 * time.Millisecond,
		},
	}
}

func habitNamed(name string) (habit, error) {
	for _, h := range habits() {
		if h.name == name {
			return h, nil
		}
	}
	return habit{}, fmt.Errorf("%w as %q; see the list of habits", ErrNoHabit, name)
}

// configure sets the line up as its user would after `check --live`.
func (h *habit) configure(p *supervision.Policy) {
	p.ProbeTrusted = !h.untrusted
	if h.recognition > 0 {
		p.OnHookRecognition = h.recognition
	}
	if h.lead > 0 {
		p.Lead = h.lead
	}
}

// interval is how long the loop of the line is to be opened after a clearing.
func (h *habit) interval(p *supervision.Policy) time.Duration {
	if h.byeSilent {
		return unconfirmed(p)
	}
	return p.Interval
}

// unconfirmed is that interval where the adapter's answer to BYE did not come in time: invariant 3.
func unconfirmed(p *supervision.Policy) time.Duration {
	if p.FlashMax == 0 {
		return p.Interval
	}
	return max(p.Interval, p.FlashMax+100*time.Millisecond)
}

// byItself reports whether the adapter lets a hold go that needs so long without current.
func (h *habit) byItself(release time.Duration) bool { return max(h.denial, h.reboot) > release }

// dialTone reports whether the near end can dial after the far end's clearing.
func (h *habit) dialTone() bool { return len(h.after) == 0 || h.after[0].tone.takesDigits() }

// locksOut reports whether the port stops feeding the line some time after the clearing.
func (h *habit) locksOut() bool {
	return slices.ContainsFunc(h.after, func(t lineTreatment) bool { return t.tone == toneLockOut })
}

// flashed is what the port does with a hook flash.
func (p *port) flashed(c keysystem.Change) {
	of := p.call
	if of == nil {
		of = p.last
	}
	if !p.habit.flashInfo || of == nil {
		return
	}
	req := of.request("INFO")
	req.add("Content-Type", "application/hook-flash") // no standard; common practice
	req.body = []byte("signal=hf")
	p.ua.start(req, of.hop(), func(*message) {})
}

// beginTreatment gives the near end what comes after the far end's clearing.
func (p *port) beginTreatment() {
	p.clearing++
	of := p.clearing
	for _, t := range p.habit.after {
		play := func() {
			if p.clearing != of || !p.off || p.call != nil {
				return // another call, or on hook
			}
			p.tone = t.tone
			p.ua.report("gives the near end: %v", t.tone)
			if t.tone == toneLockOut {
				p.lineModel.lockOut(true)
			}
		}
		if t.after == 0 {
			play()
		} else {
			p.ua.after(t.after, play)
		}
	}
}

// endTreatment: the line is on hook, or in a call.
func (p *port) endTreatment() {
	p.clearing++
	if p.tone == toneLockOut {
		p.lineModel.lockOut(false)
	}
	p.tone = toneNone
}

// deny takes the battery away for a while.
func (p *port) deny() {
	if p.habit.denial == 0 {
		return
	}
	p.ua.report("takes the battery away by itself")
	p.lineModel.battery(false)
	p.ua.after(p.habit.denial, func() { p.lineModel.battery(true) })
}

// restart is a restart of the adapter: it forgets every call, the line has no battery meanwhile and nothing is
// answered. It returns at once; running tells when the adapter answers again, and it registers a little later.
func (p *port) restart() {
	p.ua.ask(func() {
		p.ua.report("restarts: no battery")
		if p.call != nil {
			p.ua.forget(p.call)
			p.ua.calls = map[string]*call{}
			p.call, p.last, p.waiting = nil, nil, nil
		}
		p.down, p.ua.ignoresAll = true, true
		p.lineModel.ringing(false)
		p.lineModel.battery(false)
		p.ua.after(p.habit.reboot, func() {
			p.down, p.ua.ignoresAll, p.off = false, false, false
			p.lineModel.resetPort()
			p.lineModel.battery(true)
			p.ua.report("is back and knows no call")
			p.ua.after(registersAfter, func() { p.register(registerFor) })
		})
	})
}

// running reports whether the adapter answers.
func (p *port) running() (ok bool) {
	p.ua.ask(func() { ok = !p.down })
	return ok
}

// move lets the adapter register from another port; bound tells when it has.
func (p *port) move() (err error) {
	p.setRegistered(false, "")
	p.ua.ask(func() {
		if err = p.ua.move(); err != nil {
			return
		}
		p.ua.report("goes on from another port, and registers from there")
		p.register(registerFor)
	})
	return err
}

// askedInside counts the OPTIONS inside calls so far.
func (p *port) askedInside() (n int) {
	p.ua.ask(func() { n = p.ua.asked })
	return n
}

// notified takes word of a waiting message: RFC 3842. The ringing does not wait for the user.
func (p *port) notified() {
	if p.habit.splash == 0 {
		return
	}
	p.message = true
	p.splash()
}

// splash rings for a moment, as soon as the line is on hook.
func (p *port) splash() {
	if !p.message || p.off || p.call != nil {
		return
	}
	p.message = false
	p.ua.after(p.habit.splashAfter, func() {
		if p.off || p.call != nil {
			return
		}
		p.ua.report("rings for a moment: a message waits")
		p.lineModel.ringing(true)
		p.ua.after(p.habit.splash, func() {
			if p.call == nil {
				p.lineModel.ringing(false)
			}
		})
	})
}
