package rehearsal

import (
	"context"
	"fmt"
	"time"

	"clearback/supervision"
	"clearback/supervision/keysystem"
)

// scene is a piece to play. Nothing in it is shared with another scene but the daemon, the PBX and the boards it names.
type scene struct {
	name, about string
	lines       []lineSetup
	// without: the scene shows the trouble when the daemon is left out.
	without bool
	// clearing: it is played with every habit of the adapter.
	clearing bool
	// named: it is played only if it is named, and if Options.Tune is there.
	named bool
	// ending: the scene goes on until the daemon has ended, and is judged after that.
	ending bool
	// run drives the scene until all that it is about has happened or did not happen in time. An error is one of the
	// play itself: it did not get as far as its far end's hang-up, or was stopped.
	run func(ctx context.Context, p *sceneRun) error
	// check looks at what the model, the boards and the telephones went through, not at what the daemon says of itself.
	check func(p *sceneRun, v *verdict)
}

// lineSetup is a line's part in a scene. The zero values are the stage's own.
type lineSetup struct {
	name, number string
	board        string
	interval     time.Duration               // the policy's, default supervision.DefaultPolicy
	release      time.Duration               // the line card's
	releases     func() func() time.Duration // a source of the line card's, one for each hold, instead of release
	timed        bool                        // the board ends each opening by itself
	direct       bool                        // RTP does not pass the daemon
	plainAdapter bool                        // its adapter is a plain one, whatever habit is played
	habit        string                      // its adapter's, instead of the stage's
	byeAfter     time.Duration               // if not 0, its adapter answers a BYE so late
	hasSensor    bool                        // the board has a loop-current input for the line, and that is what is trusted
	offHookAfter time.Duration               // the adapter calls offHookNumber when the line is left off hook for so long; 0: it does not
	set          func(*supervision.Policy)
}

// verdict is what is said of a scene: what was seen, and what is not as it should be.
type verdict struct {
	seen     []string
	problems []string
}

func (v *verdict) saw(format string, a ...any) { v.seen = append(v.seen, fmt.Sprintf(format, a...)) }

func (v *verdict) wrong(format string, a ...any) {
	v.problems = append(v.problems, fmt.Sprintf(format, a...))
}

func (v *verdict) ok() bool { return len(v.problems) == 0 }

// runScene plays, and judges what does not wait for the daemon's end.
func (p *sceneRun) runScene(ctx context.Context) {
	began := time.Now()
	p.err = p.scene.run(ctx, p)
	p.took = time.Since(began)
	if !p.ending {
		p.checkScene()
	}
}

// checkScene judges.
func (p *sceneRun) checkScene() {
	_, ok := p.hungUp()
	switch {
	case p.err != nil:
		p.verdict.wrong("the scene could not be played: %v", p.err)
	case !ok:
		p.verdict.wrong("nobody hung up")
	case p.without:
		p.checkWithout(&p.verdict)
	default:
		p.checkRecovered(&p.verdict)
	}
}

func (p *sceneRun) checkRecovered(v *verdict) {
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

// opening is one time that the contact stood open; end is zero while it still does.
type opening struct{ began, end time.Time }

func (o opening) lasted() time.Duration { return o.end.Sub(o.began) }

// openings puts together what the contact did. The bouncing after a movement belongs to it: an opening lasts from the
// first parting of the contacts to the first touch when they close for good.
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
				all[last].end = time.Time{} // it had not opened for good
			}
		case keysystem.ContactClosed:
			if last >= 0 && all[last].end.IsZero() {
				all[last].end = h.at
			}
		}
	}
	return all
}

// since returns what happened on the line from the hang-up on.
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

// first returns the first change of that kind.
func first(past []modelChange, k keysystem.Kind) (time.Time, bool) {
	for _, h := range past {
		if h.Kind == k {
			return h.at, true
		}
	}
	return time.Time{}, false
}

// phone puts a far end on the stage.
func (p *sceneRun) phone() (*phone, error) {
	p.testBed.mu.Lock()
	far := p.testBed.far
	p.testBed.far++
	p.testBed.mu.Unlock()
	if far > lastFarEnd {
		return nil, fmt.Errorf("no number is left for another far end; the last is 555-0%d", lastFarEnd)
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

// set is the name of the telephone set that the near end uses.
const set = "set 1"

// callIn lets a far end call the line and the near end answer.
func (p *sceneRun) callIn(ctx context.Context, l *line) (*phone, error) {
	f, err := p.phone()
	if err != nil {
		return nil, err
	}
	if err := f.dial(l.number); err != nil {
		return nil, err
	}
	return f, p.answer(ctx, l, f)
}

// answer lifts the set when the lamp flashes, and waits until both hear each other.
func (p *sceneRun) answer(ctx context.Context, l *line, f *phone) error {
	if err := p.until(ctx, l.name+" rings", func() bool {
		return l.port.rings() &&
			l.lineModel.state().Lamp == keysystem.Flash
	}); err != nil {
		return err
	}
	p.add(time.Now(), l.name, "near end", "lifts")
	l.lineModel.lift(set)
	return p.talk(ctx, l, f)
}

// talk waits until the line and the far end hear each other.
func (p *sceneRun) talk(ctx context.Context, l *line, f *phone) error {
	return p.until(ctx, fmt.Sprintf("%s and %s talk", l.name, f.number), func() bool {
		return f.is(phoneTalking) && l.port.inCall() && f.heard() > 2 && l.port.heard() > 2
	})
}

// hold lets the near end hold.
func (p *sceneRun) hold(ctx context.Context, l *line) error {
	p.add(time.Now(), l.name, "near end", "presses hold")
	l.lineModel.hold(set)
	return p.until(ctx, l.name+" is held", func() bool { return l.lineModel.state().Held })
}

// lift takes the line for a call out.
func (p *sceneRun) lift(ctx context.Context, l *line) error {
	p.add(time.Now(), l.name, "near end", "lifts")
	l.lineModel.lift(set)
	return p.until(ctx, l.name+" is seen off hook", func() bool { return l.lineModel.state().OffHook })
}

// dial keys the number on a lifted line.
func (p *sceneRun) dial(l *line, number string) error {
	p.add(time.Now(), l.name, "near end", "keys "+number)
	return l.port.dial(number)
}

// hangUp lets the far end hang up; that is the zero of the scene, if it has none yet.
func (p *sceneRun) hangUp(f *phone) {
	p.zeroOn(f.number, "sends BYE")
	f.hangUp()
}

// awaitOnHook waits until the adapter sees the line on hook again, or for long enough.
func (p *sceneRun) awaitOnHook(ctx context.Context, l *line) error {
	if p.without {
		return p.watchHeldLine(ctx, l)
	}
	err := await(ctx, stepFor, func() bool {
		s := l.lineModel.state()
		return !s.Held && !s.OffHook && s.ContactClosed
	})
	if err != nil {
		return ctx.Err() // that is for the judge
	}
	return p.awaitOutcome(ctx, l)
}

// awaitOutcome waits until the daemon has said what became of the clearing, or for long enough.
func (p *sceneRun) awaitOutcome(ctx context.Context, l *line) error {
	return ctxOnly(ctx, await(ctx, stepFor, func() bool { _, ok := p.outcome(l); return ok }))
}

// outcome is the first that the daemon says of what became of the clearing.
func (p *sceneRun) outcome(l *line) (entry, bool) {
	return p.first(l.name, "clearback", "report interrupted", "report incident ", "report suppressed",
		"report cancelled")
}

// meanwhile lets the adapter do what it is in the habit of doing in a call, before the far end hangs up.
func (p *sceneRun) meanwhile(ctx context.Context, l *line) error {
	if p.without {
		return nil
	}
	// a machine so busy that the link was lost proves nothing; a board without a master is for the judge
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
		// The daemon then asks there whether the adapter still knows the call; one that does not is for the judge.
		return ctxOnly(ctx, await(ctx, stepFor/3, func() bool { return l.port.askedInside() > before }))
	case h.splash > 0:
		p.testBed.pbx.notify(l.port.addr())
	}
	return nil
}

// ctxOnly forgets that something did not happen: that is for the judge.
func ctxOnly(ctx context.Context, err error) error {
	if err == nil {
		return nil
	}
	return ctx.Err()
}

// watch lets pass the time in which nothing should happen.
func (p *sceneRun) watch(ctx context.Context) error { return pause(ctx, watchFor) }

// watchHeldLine watches a line without the daemon, then lets somebody call it.
func (p *sceneRun) watchHeldLine(ctx context.Context, l *line) error {
	if err := pause(ctx, stuckFor); err != nil {
		return err
	}
	f, err := p.phone()
	if err != nil {
		return err
	}
	p.strandedLine = l
	if err := f.dial(l.number); err != nil {
		return err
	}
	return p.until(ctx, "the next caller is answered somehow",
		func() bool { return f.is(phoneCleared) || f.is(phoneRinging) })
}

// checkWithout: nothing opened a loop, the line whose far end hung up is still held, and the next caller got busy.
func (p *sceneRun) checkWithout(v *verdict) {
	for _, part := range p.scene.lines {
		if len(openings(p.lines[part.name].lineModel.history())) > 0 {
			v.wrong("%s: the loop opened although nobody could open it", part.name)
		}
	}
	l, caller := p.strandedLine, p.phones[len(p.phones)-1]
	if _, let := first(p.since(l), keysystem.HoldReleased); let || !l.lineModel.state().Held {
		v.wrong("%s: the hold cleared, so there is no trouble to be seen", l.name)
	}
	if how := caller.ending(); how != "486" {
		v.wrong("%s: the next caller did not get busy but %q", l.name, how)
	}
	v.saw("%s STAYS HELD: its far end was gone for %v, the lamp winked on, the next caller got busy", l.name, stuckFor)
}

// late is how much later than asked a contact may close on a busy machine before a scene is not as it should be.
const late = 500 * time.Millisecond

// checkOneOpening: exactly one opening since the hang-up, which ended, and how long it may have been.
func (p *sceneRun) checkOneOpening(v *verdict, l *line, least, most time.Duration) (opening, bool) {
	all := openings(p.since(l))
	switch {
	case len(all) == 0:
		v.wrong("%s: the loop never opened", l.name)
	case len(all) > 1:
		v.wrong("%s: the loop opened %d times", l.name, len(all))
	case all[0].end.IsZero():
		v.wrong("%s: the loop is still open", l.name)
	// never short by more than half a millisecond; the model's contact takes equally long both ways
	case all[0].lasted() < least-500*time.Microsecond || all[0].lasted() > most:
		v.wrong("%s: the loop was open for %s ms, %s to %s are right", l.name, millis(all[0].lasted()), millis(least),
			millis(most))
	default:
		return all[0], true
	}
	return opening{}, false
}

// checkNeverOpened: the contact never moved, before or after the hang-up.
func checkNeverOpened(v *verdict, l *line) {
	if n := len(openings(l.lineModel.history())); n > 0 {
		v.wrong("%s: the loop opened %d times and should not have", l.name, n)
	}
}

// millis is a time in milliseconds, as the reports print it.
func millis(d time.Duration) string {
	return fmt.Sprintf("%.1f", float64(d)/float64(time.Millisecond))
}
