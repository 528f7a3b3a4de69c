package rehearsal

import (
	"errors"
	"fmt"
	"slices"
	"time"

	"clearback/supervision"
	"clearback/supervision/keysystem"
)

// ErrNoHabit means that Options.Habits has an unknown name.
var ErrNoHabit = errors.New("rehearsal: there is no habit")

// habit is how an adapter differs from a plain one, and how its line must then be configured. The zero value is a plain
// adapter. Times that last a minute in practice are shortened, so that they fit into a scene.
type habit struct {
	name, about string

	// always is the status of the response to every OPTIONS. 0 means the status that an INVITE would get (RFC 3261
	// section 11.2).
	always int
	// busyFor is how long after on hook the port is still busy.
	busyFor time.Duration
	// waiting: a second call is offered while a call is up. OPTIONS gets the response that an INVITE would get: 200
	// during a call, and 486 off hook without a call, since there is no call then for a second one to wait beside.
	waiting bool
	// A BYE is answered after byeAfter, or never if byeSilent.
	byeAfter  time.Duration
	byeSilent bool
	// denial is how long the port interrupts the battery by itself when it receives BYE.
	denial time.Duration
	// after lists what the near end gets after the far end has cleared.
	after []lineTreatment
	// reboot is how long the battery is off when the adapter restarts during the call. The adapter registers again
	// later.
	reboot time.Duration
	// newPort: the adapter registers from another port during the call.
	newPort bool
	// flashInfo: a hook flash is reported by INFO in the dialog of the port's last call.
	flashInfo bool
	// splash is how long the port rings for a waiting message. It rings when it has been on hook for splashAfter.
	splash, splashAfter time.Duration

	// untrusted: `check --live` would not find 200 on hook, 486 during a held call and 486 off hook without a call.
	untrusted bool
	// recognition is the line's onhook_recognition; 0: the default.
	recognition time.Duration
	// lead is the line's lead, for a slow adapter; 0: the default.
	lead time.Duration
}

// lineTreatment is what the near end gets from a certain time after the clearing.
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
	toneLockOut // no tone, and only enough current to detect whether the line is on hook
)

func (t tone) String() string {
	return [...]string{"nothing", "dial tone", "reorder tone", "howler", "lock-out"}[t]
}

// takesDigits reports whether the port accepts digits from the near end.
func (t tone) takesDigits() bool { return t == toneNone || t == toneDial }

const (
	// onHookMargin is what `check` adds to the recognition time that it measured.
	onHookMargin = 300 * time.Millisecond
	// registersAfter is how long a restarted adapter needs before it registers again.
	registersAfter = 300 * time.Millisecond
)

// habits returns all habits, in the order of the report.
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
		{name: "bye-unanswered", about: "BYE is accepted and never answered", byeSilent: true},
		{name: "bye-late", about: "BYE is answered after 450 ms", byeAfter: 450 * time.Millisecond},
		// 500 ms is the pulse of a line-card driver (common practice)
		{
			name:   "power-denial",
			about:  "the adapter itself interrupts the battery for 500 ms at the BYE, and answers the BYE afterwards",
			denial: 500 * time.Millisecond, byeAfter: 500 * time.Millisecond, lead: time.Second,
		},
		{name: "dial-tone", about: "dial tone at once after the far end's clearing",
			after: []lineTreatment{{0, toneDial}}},
		{name: "reorder", about: "reorder tone after the far end's clearing, and no digits are accepted",
			after: []lineTreatment{reorder}},
		{name: "howler", about: "reorder tone, then howler, and no digits are accepted",
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
	return habit{}, fmt.Errorf("%w named %q; see the list of habits", ErrNoHabit, name)
}

// configure sets the line's policy as its user would after `check --live`.
func (h *habit) configure(p *supervision.Policy) {
	p.ProbeTrusted = !h.untrusted
	if h.recognition > 0 {
		p.OnHookRecognition = h.recognition
	}
	if h.lead > 0 {
		p.Lead = h.lead
	}
}

// interval returns how long the loop of the line has to open after a clearing.
func (h *habit) interval(p *supervision.Policy) time.Duration {
	if h.byeSilent {
		return unconfirmed(p)
	}
	return p.Interval
}

// unconfirmed returns the interval for a clearing whose BYE the adapter did not answer in time (invariant 3).
func unconfirmed(p *supervision.Policy) time.Duration {
	if p.FlashMax == 0 {
		return p.Interval
	}
	return max(p.Interval, p.FlashMax+100*time.Millisecond)
}

// byItself reports whether the adapter itself clears a hold that has this release time.
func (h *habit) byItself(release time.Duration) bool { return max(h.denial, h.reboot) > release }

// dialTone reports whether the near end can dial after the far end's clearing.
func (h *habit) dialTone() bool { return len(h.after) == 0 || h.after[0].tone.takesDigits() }

// locksOut reports whether the port stops feeding the line some time after the clearing.
func (h *habit) locksOut() bool {
	return slices.ContainsFunc(h.after, func(t lineTreatment) bool { return t.tone == toneLockOut })
}

// flashed handles a hook flash at the port.
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

// beginTreatment gives the near end what follows the far end's clearing.
func (p *port) beginTreatment() {
	p.clearing++
	of := p.clearing
	for _, t := range p.habit.after {
		play := func() {
			if p.clearing != of || !p.off || p.call != nil {
				return // in another call, or on hook
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

// endTreatment ends the treatment, since the line is on hook or in a call.
func (p *port) endTreatment() {
	p.clearing++
	if p.tone == toneLockOut {
		p.lineModel.lockOut(false)
	}
	p.tone = toneNone
}

// deny interrupts the battery for the habit's denial.
func (p *port) deny() {
	if p.habit.denial == 0 {
		return
	}
	p.ua.report("interrupts the battery by itself")
	p.lineModel.battery(false)
	p.ua.after(p.habit.denial, func() { p.lineModel.battery(true) })
}

// restart restarts the adapter. The adapter loses every call. Until it is back, the line has no battery and nothing is
// answered. restart returns at once. running reports when the adapter answers again. A little later the adapter
// registers.
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

// move makes the adapter register from another port. bound reports when it has done so.
func (p *port) move() (err error) {
	p.setRegistered(false, "")
	p.ua.ask(func() {
		if err = p.ua.move(); err != nil {
			return
		}
		p.ua.report("continues on another port, and registers from there")
		p.register(registerFor)
	})
	return err
}

// askedInside returns how many OPTIONS came inside dialogs so far.
func (p *port) askedInside() (n int) {
	p.ua.ask(func() { n = p.ua.asked })
	return n
}

// notified handles a message-waiting notification (RFC 3842). The ring splash does not depend on the user.
func (p *port) notified() {
	if p.habit.splash == 0 {
		return
	}
	p.message = true
	p.splash()
}

// splash rings briefly, as soon as the line is on hook.
func (p *port) splash() {
	if !p.message || p.off || p.call != nil {
		return
	}
	p.message = false
	p.ua.after(p.habit.splashAfter, func() {
		if p.off || p.call != nil {
			return
		}
		p.ua.report("rings briefly: a message is waiting")
		p.lineModel.ringing(true)
		p.ua.after(p.habit.splash, func() {
			if p.call == nil {
				p.lineModel.ringing(false)
			}
		})
	})
}
