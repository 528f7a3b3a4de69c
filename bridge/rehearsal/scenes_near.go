package rehearsal

import (
	"context"
	"errors"
	"time"

	"clearback/supervision/keysystem"
)

func runNearEndFirst(ctx context.Context, p *sceneRun) error {
	l := p.lines["props"]
	f, err := p.callIn(ctx, l)
	if err != nil {
		return err
	}
	if err := p.meanwhile(ctx, l); err != nil {
		return err
	}
	p.zeroOn(l.name, "sends BYE")
	if l.habit.reboot > 0 {
		p.zeroOn(l.name, "hangs up") // the restarted adapter knows no call that it could end
	}
	p.add(time.Now(), l.name, "near end", "hangs up")
	l.lineModel.hangUp(telephoneSet)
	if err := p.until(ctx, "the far end is cleared", func() bool { return f.is(phoneCleared) }); err != nil {
		return err
	}
	return p.watch(ctx)
}

func checkNearEndFirst(p *sceneRun, v *sceneResult) {
	l := p.lines["props"]
	checkNeverOpened(v, l)
	if s := l.lineModel.state(); s.OffHook || s.Current || s.Lamp != keysystem.Dark && l.habit.splash == 0 {
		v.fail("props: the line is not at rest (lamp %v)", s.Lamp)
	}
	if how := p.phones[0].ending(); how != "BYE" {
		v.fail("the far end's call ended by %q and not by BYE", how)
	}
	v.note("props: the loop stayed closed for %v after the near end had hung up", watchFor)
}

const (
	// listenFor is the policy's Listening in the scene "listens".
	listenFor = 5 * time.Second
	// listenTime is how long the near end listens after the far end has hung up. It is longer than the time until the
	// first check of the line.
	listenTime = 2 * time.Second
)

func runListening(ctx context.Context, p *sceneRun) error {
	l := p.lines["coat-check"]
	f, err := p.callIn(ctx, l)
	if err != nil {
		return err
	}
	if err := p.meanwhile(ctx, l); err != nil {
		return err
	}
	p.hangUp(f)
	if err := pause(ctx, listenTime); err != nil {
		return err
	}
	looked := func() bool { _, ok := p.find(l.name, "clearback", "probe-answered", "hook=off"); return ok }
	if err := ctxOnly(ctx, await(ctx, stepFor, looked)); err != nil { // a busy machine takes longer
		return err
	}
	p.add(time.Now(), l.name, "near end", "hangs up")
	l.lineModel.hangUp(telephoneSet)
	return ctxOnly(ctx, await(ctx, listenFor+stepFor, func() bool { _, ok := p.outcome(l); return ok }))
}

// checkListening checks that the line was off hook at the first check, and that no incident followed, since the near
// end simply had not hung up yet.
func checkListening(p *sceneRun, v *sceneResult) {
	l := p.lines["coat-check"]
	if _, ok := p.checkOneOpening(v, l, l.policy.Interval, l.policy.Interval+late); !ok {
		return
	}
	off, looked := p.find(l.name, "clearback", "probe-answered", "hook=off")
	onHook, seen := first(p.since(l), keysystem.PortOnHook)
	switch {
	case !looked:
		v.fail("coat-check: the daemon did not check the line while the near end listened")
	case !seen || onHook.Before(off.at):
		v.fail("coat-check: the near end did not listen for long enough")
	}
	if e, longer := p.find(l.name, "clearback", "report next-interval"); longer {
		v.fail("coat-check: nothing was wrong with the interval, and the report says %q", e.text)
	}
	p.checkReported(v, l)
	v.note("coat-check: off hook at the first check, on hook at the second; no incident, and the interval stays")
}

// keying is how long a fast dialler takes for a number of seven digits (our own figure; adapters recognise tones of 40
// ms, from memory).
const keying = 7 * 50 * time.Millisecond

// runNearEndCalls makes a call come while the loop is open. Lifting a handset cannot be detected behind an open
// contact. But a near end that was talking has dial tone as soon as the adapter has accepted the BYE. Here the
// adapter's responses to the BYE are lost until a dialler has keyed the next number, so the interruption begins only
// after the next retransmission (T1 = 500 ms) or after the lead. The adapter waits briefly for more digits, and so
// places the call while the loop is open.
func runNearEndCalls(ctx context.Context, p *sceneRun) error {
	l := p.lines["paint-shop"]
	f, err := p.callIn(ctx, l)
	if err != nil {
		return err
	}
	supplier, err := p.newPhone()
	if err != nil {
		return err
	}
	if err := p.meanwhile(ctx, l); err != nil {
		return err
	}
	l.port.loseByeResponses(true)
	p.hangUp(f)
	if err := p.until(ctx, "the adapter accepts the BYE", func() bool { return !l.port.inCall() }); err != nil {
		return err
	}
	if l.habit.dialTone() {
		p.add(time.Now(), l.name, "near end", "has dial tone and lets a dialler key "+supplier.number)
	}
	if err := pause(ctx, keying); err != nil {
		return err
	}
	if all := openings(p.since(l)); len(all) > 0 {
		return errors.New("the loop opened while digits were keyed; the adapter cannot have received them")
	}
	l.port.loseByeResponses(false)
	if err := p.until(ctx, "the loop opens", func() bool { return !l.lineModel.state().ContactClosed }); err != nil {
		return err
	}
	if err := pause(ctx, 100*time.Millisecond); err != nil {
		return err
	}
	if !l.habit.dialTone() {
		if err := p.liftAgain(ctx, l); err != nil {
			return err
		}
		p.add(time.Now(), l.name, "near end", "keys "+supplier.number)
	}
	if err := l.port.dial(supplier.number); err != nil {
		return err
	}
	return ctxOnly(ctx, p.talk(ctx, l, supplier))
}

// liftAgain does what people do when there is no dial tone: hang up and lift again.
func (p *sceneRun) liftAgain(ctx context.Context, l *line) error {
	p.add(time.Now(), l.name, "near end", "has no dial tone and hangs up")
	l.lineModel.hangUp(telephoneSet)
	if err := p.until(ctx, l.name+" is seen on hook", func() bool { return !l.lineModel.state().OffHook }); err != nil {
		return err
	}
	return p.lift(ctx, l)
}

func checkNearEndCalls(p *sceneRun, v *sceneResult) {
	l := p.lines["paint-shop"]
	if !l.habit.dialTone() {
		p.checkLiftedAgain(v, l)
		return
	}
	// the whole interval would mean that the call did not cut it short; the rest is a margin for a busy machine
	open, ok := p.checkOneOpening(v, l, 0, l.policy.Interval*3/4)
	if !ok {
		return
	}
	e, found := p.find(l.name, "adapter", "sends INVITE to "+p.phones[1].number)
	if !found || e.at.Before(open.began) || e.at.After(open.end) {
		v.fail("paint-shop: the call did not come while the loop was open")
	}
	if _, on := first(p.since(l), keysystem.PortOnHook); on {
		v.fail("paint-shop: the adapter took the opening for a hang-up")
	}
	if !p.phones[1].is(phoneTalking) || !l.port.inCall() {
		v.fail("paint-shop: the call did not go through")
	}
	v.note("paint-shop: the loop closed %s ms after the near end's INVITE (open for %s of %s ms), and the call went through",
		millis(open.end.Sub(e.at)), millis(open.lasted()), millis(l.policy.Interval))
}

// checkLiftedAgain checks a near end without dial tone. It hangs up, which nothing signals. So the opening lasts its
// full length, and the call that follows goes through.
func (p *sceneRun) checkLiftedAgain(v *sceneResult, l *line) {
	open, ok := p.checkOneOpening(v, l, l.policy.Interval, l.policy.Interval+late)
	if !ok {
		return
	}
	if e, found := p.find(l.name, "adapter", "sends INVITE to "+p.phones[1].number); !found || e.at.Before(open.end) {
		v.fail("paint-shop: the call came while the loop was open")
	}
	if !p.phones[1].is(phoneTalking) || !l.port.inCall() {
		v.fail("paint-shop: the call did not go through")
	}
	v.note("paint-shop: without dial tone the near end hung up and lifted again; the loop was open for %s ms, and the next call went through",
		millis(open.lasted()))
}
