package rehearsal

import (
	"context"
	"fmt"
	"time"

	"clearback/supervision"
	"clearback/supervision/keysystem"
)

// scene is one scenario of the rehearsal. It shares nothing with other scenes except the daemon, the PBX and the boards
// that it names.
type scene struct {
	name, about string
	lines       []lineSetup
	// without: the scene also runs without the daemon, to show the problem.
	without bool
	// clearing: the scene can also run with each habit of the adapter.
	clearing bool
	// named: the scene runs only if Options.Scenes names it and Options.Tune is set.
	named bool
	// ending: the scene continues until the daemon has shut down, and is checked after that.
	ending bool
	// run drives the scene until everything it needs has happened, or has not happened in time. An error means that the
	// scene itself failed: it was stopped, or it did not get as far as the hang-up.
	//
	// check examines what the model, the boards and the telephones recorded, not what the daemon reports about itself.
	run   func(ctx context.Context, p *sceneRun) error
	check func(p *sceneRun, v *sceneResult)
}

// lineSetup describes a line of a scene. A zero value means the default of the test bed.
type lineSetup struct {
	name, number string
	board        string
	interval     time.Duration // of the policy; default: supervision.DefaultPolicy
	release      time.Duration // of the line card
	// if set, returns the source of the line card's release times, one for each hold; replaces release
	releases     func() func() time.Duration
	timed        bool   // the board ends each opening by itself
	direct       bool   // RTP does not pass through the daemon
	plainAdapter bool   // its adapter has no habit, whatever the habit of the test bed
	habit        string // of its adapter, instead of the test bed's
	hasSensor    bool   // the board has a trusted loop-current input for the line
	// the adapter calls offHookNumber when the line has been off hook for this long; 0: never
	offHookAfter time.Duration
	set          func(*supervision.Policy)
}

// sceneResult is the result of a scene: what was observed, and what is wrong.
type sceneResult struct {
	seen     []string
	problems []string
}

func (v *sceneResult) note(format string, a ...any) {
	v.seen = append(v.seen, fmt.Sprintf(format, a...))
}

func (v *sceneResult) fail(format string, a ...any) {
	v.problems = append(v.problems, fmt.Sprintf(format, a...))
}

func (v *sceneResult) ok() bool { return len(v.problems) == 0 }

// runScene runs the scene. If the scene does not need the end of the daemon, runScene also checks it.
func (p *sceneRun) runScene(ctx context.Context) {
	began := time.Now()
	p.err = p.scene.run(ctx, p)
	p.took = time.Since(began)
	if !p.ending {
		p.checkScene()
	}
}

// checkScene checks the scene.
func (p *sceneRun) checkScene() {
	_, ok := p.hungUp()
	switch {
	case p.err != nil:
		p.verdict.fail("the scene could not be run: %v", p.err)
	case !ok:
		p.verdict.fail("nobody hung up")
	case p.without:
		p.checkWithout(&p.verdict)
	default:
		p.checkRecovered(&p.verdict)
	}
}

func (p *sceneRun) checkRecovered(v *sceneResult) {
	p.check(p, v)
	for _, part := range p.scene.lines {
		p.checkNoFalseReport(v, p.lines[part.name])
	}
}

// until waits for one step of the scene.
func (p *sceneRun) until(ctx context.Context, what string, so func() bool) error {
	if err := await(ctx, stepFor, so); err != nil {
		return fmt.Errorf("%s: %w", what, err)
	}
	return nil
}

// opening is one opening of the contact; end is zero while the contact is open.
type opening struct{ began, end time.Time }

func (o opening) lasted() time.Duration { return o.end.Sub(o.began) }

// openings returns the openings of the contact. Bouncing belongs to the movement before it: an opening lasts from the
// first parting of the contacts to the first touch of the closing that lasts.
func openings(past []modelChange) []opening {
	bounce := parts().Bounce
	var all []opening
	for _, h := range past {
		last := len(all) - 1
		switch h.Kind {
		case keysystem.ContactOpened:
			if last < 0 || h.at.Sub(all[last].end) >= bounce {
				all = append(all, opening{began: h.at})
			} else if all[last].lasted() < bounce {
				all[last].end = time.Time{} // it had only bounced
			}
		case keysystem.ContactClosed:
			if last >= 0 && all[last].end.IsZero() {
				all[last].end = h.at
			}
		}
	}
	return all
}

// since returns what happened on the line since the hang-up.
func (p *sceneRun) since(l *line) []modelChange {
	zero, _ := p.hungUp()
	var out []modelChange
	for _, h := range l.lineModel.history() {
		if !h.at.Before(zero) {
			out = append(out, h)
		}
	}
	return out
}

// first returns the time of the first change of that kind.
func first(past []modelChange, k keysystem.Kind) (time.Time, bool) {
	for _, h := range past {
		if h.Kind == k {
			return h.at, true
		}
	}
	return time.Time{}, false
}

// newPhone adds a far end to the scene.
func (p *sceneRun) newPhone() (*phone, error) {
	p.testBed.mu.Lock()
	far := p.testBed.nextFarEnd
	p.testBed.nextFarEnd++
	p.testBed.mu.Unlock()
	if far > lastFarEnd {
		return nil, fmt.Errorf("there is no number left for another far end; the last is 555-0%d", lastFarEnd)
	}
	number := fmt.Sprintf("555-0%d", far)
	return p.phoneAt(number)
}

func (p *sceneRun) phoneAt(number string) (*phone, error) {
	f, err := openPhone(number, p.testBed.pbx, func(text string) { p.add(time.Now(), number, "far end", text) })
	if err == nil {
		p.phones = append(p.phones, f)
	}
	return f, err
}

// telephoneSet is the name of the telephone set that the near end uses.
const telephoneSet = "set 1"

// callIn makes a far end call the line and the near end answer.
func (p *sceneRun) callIn(ctx context.Context, l *line) (*phone, error) {
	f, err := p.newPhone()
	if err != nil {
		return nil, err
	}
	if err := f.dial(l.number); err != nil {
		return nil, err
	}
	return f, p.answer(ctx, l, f)
}

// answer lifts the handset when the lamp flashes, and waits until both ends receive each other's audio.
func (p *sceneRun) answer(ctx context.Context, l *line, f *phone) error {
	if err := p.until(ctx, l.name+" rings", func() bool {
		return l.port.rings() &&
			l.lineModel.state().Lamp == keysystem.Flash
	}); err != nil {
		return err
	}
	p.add(time.Now(), l.name, "near end", "lifts")
	l.lineModel.lift(telephoneSet)
	return p.talk(ctx, l, f)
}

// talk waits until the line and the far end receive each other's audio.
func (p *sceneRun) talk(ctx context.Context, l *line, f *phone) error {
	return p.until(ctx, fmt.Sprintf("%s and %s talk", l.name, f.number), func() bool {
		return f.is(phoneTalking) && l.port.inCall() && f.heard() > 2 && l.port.heard() > 2
	})
}

// hold makes the near end put the call on hold.
func (p *sceneRun) hold(ctx context.Context, l *line) error {
	p.add(time.Now(), l.name, "near end", "presses hold")
	l.lineModel.hold(telephoneSet)
	return p.until(ctx, l.name+" is held", func() bool { return l.lineModel.state().Held })
}

// lift takes the line off hook for an outgoing call.
func (p *sceneRun) lift(ctx context.Context, l *line) error {
	p.add(time.Now(), l.name, "near end", "lifts")
	l.lineModel.lift(telephoneSet)
	return p.until(ctx, l.name+" is seen off hook", func() bool { return l.lineModel.state().OffHook })
}

// dial dials the number on a line that is off hook.
func (p *sceneRun) dial(l *line, number string) error {
	p.add(time.Now(), l.name, "near end", "keys "+number)
	return l.port.dial(number)
}

// hangUp makes the far end hang up. If the scene has no zero of its times yet, this is it.
func (p *sceneRun) hangUp(f *phone) {
	p.zeroOn(f.number, "sends BYE")
	f.hangUp()
}

// awaitOnHook waits until the adapter sees the line on hook again, but only for a limited time.
func (p *sceneRun) awaitOnHook(ctx context.Context, l *line) error {
	if p.without {
		return p.watchHeldLine(ctx, l)
	}
	err := await(ctx, stepFor, func() bool {
		s := l.lineModel.state()
		return !s.Held && !s.OffHook && s.ContactClosed
	})
	if err != nil {
		return ctx.Err() // the scene's check reports a timeout
	}
	return p.awaitOutcome(ctx, l)
}

// awaitOutcome waits until the daemon has reported the outcome of the clearing, but only for a limited time.
func (p *sceneRun) awaitOutcome(ctx context.Context, l *line) error {
	return ctxOnly(ctx, await(ctx, stepFor, func() bool { _, ok := p.outcome(l); return ok }))
}

// outcome returns the daemon's first report on the outcome of the clearing.
func (p *sceneRun) outcome(l *line) (entry, bool) {
	return p.first(l.name, "clearback", "report interrupted", "report incident ", "report suppressed",
		"report cancelled")
}

// meanwhile makes the adapter do what its habit is during a call, before the far end hangs up.
func (p *sceneRun) meanwhile(ctx context.Context, l *line) error {
	if p.without {
		return nil
	}
	// A lost link on a very busy machine proves nothing. The scene's check reports a board without a master.
	if err := ctxOnly(ctx, await(ctx, stepFor/3, l.board.hasMaster)); err != nil {
		return err
	}
	switch h := &l.habit; {
	case h.reboot > 0:
		l.port.restart()
		return p.until(ctx, l.name+": the adapter is back", l.port.running)
	case h.newPort:
		before := l.port.askedInside()
		if err := l.port.move(); err != nil {
			return err
		}
		if err := p.until(ctx, l.name+": the adapter is registered from another port",
			func() bool { ok, _ := l.port.bound(); return ok }); err != nil {
			return err
		}
		// The daemon then asks at the new port whether the adapter still knows the call. If it does not ask, the
		// scene's check reports that.
		return ctxOnly(ctx, await(ctx, stepFor/3, func() bool { return l.port.askedInside() > before }))
	case h.splash > 0:
		p.testBed.pbx.notify(l.port.addr())
	}
	return nil
}

// ctxOnly drops every error but that of ctx. The scene's check reports what did not happen.
func ctxOnly(ctx context.Context, err error) error {
	if err == nil {
		return nil
	}
	return ctx.Err()
}

// watch waits for the time in which nothing should happen.
func (p *sceneRun) watch(ctx context.Context) error { return pause(ctx, watchFor) }

// watchHeldLine watches a held line without the daemon, and then makes a far end call it.
func (p *sceneRun) watchHeldLine(ctx context.Context, l *line) error {
	if err := pause(ctx, stuckFor); err != nil {
		return err
	}
	f, err := p.newPhone()
	if err != nil {
		return err
	}
	p.strandedLine = l
	if err := f.dial(l.number); err != nil {
		return err
	}
	return p.until(ctx, "the next caller gets a response",
		func() bool { return f.is(phoneCleared) || f.is(phoneRinging) })
}

// checkWithout checks that no loop opened, that the line whose far end hung up is still held, and that the next caller
// got busy.
func (p *sceneRun) checkWithout(v *sceneResult) {
	for _, part := range p.scene.lines {
		if len(openings(p.lines[part.name].lineModel.history())) > 0 {
			v.fail("%s: the loop opened although nothing could open it", part.name)
		}
	}
	l, caller := p.strandedLine, p.phones[len(p.phones)-1]
	if _, let := first(p.since(l), keysystem.HoldReleased); let || !l.lineModel.state().Held {
		v.fail("%s: the hold cleared, so the problem did not appear", l.name)
	}
	if how := caller.ending(); how != "486" {
		v.fail("%s: the next caller got %q instead of busy", l.name, how)
	}
	v.note("%s STAYS HELD: its far end was gone for %v, the lamp kept winking, the next caller got busy", l.name,
		stuckFor)
}

// late is how much later than requested a contact may close on a busy machine before the scene counts as wrong.
const late = 500 * time.Millisecond

// checkOneOpening checks that the loop opened exactly once since the hang-up, closed again, and was open for least to
// most. It returns the opening.
func (p *sceneRun) checkOneOpening(v *sceneResult, l *line, least, most time.Duration) (opening, bool) {
	all := openings(p.since(l))
	switch {
	case len(all) == 0:
		why := ""
		if e, told := p.outcome(l); told {
			why = fmt.Sprintf("; the report says %q", e.text)
		}
		v.fail("%s: the loop never opened%s", l.name, why)
	case len(all) > 1:
		v.fail("%s: the loop opened %d times", l.name, len(all))
	case all[0].end.IsZero():
		v.fail("%s: the loop is still open", l.name)
	// An opening may be short by half a millisecond at most. The model's contact takes equally long in both directions.
	case all[0].lasted() < least-500*time.Microsecond || all[0].lasted() > most:
		v.fail("%s: the loop was open for %s ms; expected %s to %s ms", l.name, millis(all[0].lasted()), millis(least),
			millis(most))
	default:
		return all[0], true
	}
	return opening{}, false
}

// checkNeverOpened checks that the contact never moved, before or after the hang-up.
func checkNeverOpened(v *sceneResult, l *line) {
	if n := len(openings(l.lineModel.history())); n > 0 {
		v.fail("%s: the loop opened %d times and must not open", l.name, n)
	}
}

// millis formats a duration in milliseconds, as the reports print it.
func millis(d time.Duration) string {
	return fmt.Sprintf("%.1f", float64(d)/float64(time.Millisecond))
}
