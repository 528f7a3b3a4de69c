package rehearsal

import (
	"context"
	"slices"
	"strings"
	"time"

	"clearback/supervision"
	"clearback/supervision/keysystem"
)

const cabinet = "cabinet" // the board that most lines share

// scenes returns all scenes, in the order of the report.
func scenes() []scene {
	return slices.Concat(callScenes(), boardScenes(), endScenes(), incidentScenes(), []scene{tuneScene()})
}

func callScenes() []scene {
	return []scene{
		{
			name: "held-call", clearing: true, about: "a call is held, the far end hangs up: the hold clears",
			without: true,
			lines:   []lineSetup{{name: "box-office", number: "555-0101", board: cabinet}},
			run:     runHeldCall,
			check:   func(p *sceneRun, v *sceneResult) { p.checkCleared(v, p.lines["box-office"]) },
		},
		{
			name: "house-call", clearing: true,
			about: "one line calls another through the PBX, the called one holds, the caller hangs up", without: true,
			lines: []lineSetup{
				{name: "stage-door", number: "555-0102", board: cabinet, direct: true, plainAdapter: true},
				{name: "workshop", number: "555-0103", board: cabinet, direct: true},
			},
			run: runInternalCall, check: checkInternalCall,
		},
		{
			name: "others-stay", clearing: true,
			about: "three lines are held, one far end hangs up: the other two keep their calls", without: true,
			lines: []lineSetup{
				{name: "green-room", number: "555-0104", board: cabinet},
				{name: "foyer", number: "555-0105", board: cabinet, plainAdapter: true},
				{name: "wardrobe", number: "555-0106", board: cabinet, plainAdapter: true},
			},
			run: runOthersStay, check: checkOthersStay,
		},
		{
			name: "near-end-first", clearing: true, about: "the near end hangs up: nothing opens the loop",
			lines: []lineSetup{{name: "props", number: "555-0107", board: cabinet}},
			run:   runNearEndFirst, check: checkNearEndFirst,
		},
		{
			name: "listens", about: "the near end listens for 2 s to a call that the far end has ended, then hangs up: one interruption, and no incident",
			lines: []lineSetup{{
				name: "coat-check", number: "555-0130", board: cabinet,
				set: func(p *supervision.Policy) { p.Listening, p.Steps = listenFor, []time.Duration{time.Second} },
			}},
			run: runListening, check: checkListening,
		},
		{
			name: "short-interval", clearing: true,
			about: "the interval is shorter than the line card's release time: the hold stays and the report says so",
			lines: []lineSetup{{
				name: "lighting", number: "555-0108", board: cabinet,
				// inside the flash window, not counting the bouncing; the card has the long setting of common practice
				interval: 330 * time.Millisecond, release: 450 * time.Millisecond,
			}},
			run: runShortInterval, check: checkShortInterval,
		},
		{
			name: "emergency-call", clearing: true,
			about: "a call to the emergency centre is held and the centre hangs up: nothing opens the loop, and the report says why",
			lines: []lineSetup{{name: "fly-loft", number: "555-0109", board: cabinet}},
			run:   runEmergency, check: checkEmergency,
		},
		{
			name: "next-caller", clearing: true,
			about: "the next caller's INVITE comes 20 ms after the BYE: the hold clears, then it rings", without: true,
			lines: []lineSetup{{name: "ticket-desk", number: "555-0110", board: cabinet}},
			run:   runNextCaller, check: checkNextCaller,
		},
		{
			name: "near-end-calls", clearing: true,
			about: "the near end's next call comes while the loop is open: the loop closes at once, the call goes through",
			lines: []lineSetup{{name: "paint-shop", number: "555-0111", board: cabinet,
				// a busy machine keys late
				set: func(p *supervision.Policy) { p.Lead = time.Second }}},
			run: runNearEndCalls, check: checkNearEndCalls,
		},
	}
}

func endScenes() []scene {
	return []scene{{
		name: "daemon-ends", clearing: true,
		about: "the daemon is stopped while a call is held: both sides are cleared, and the hold clears before it ends",
		lines: []lineSetup{{name: "dressing-room", number: "555-0115", board: cabinet}}, ending: true,
		run: runDaemonEnds, check: checkDaemonEnds,
	}}
}

// heldCall brings the line into a held call, and then lets the adapter follow its habit.
func (p *sceneRun) heldCall(ctx context.Context, l *line) (*phone, error) {
	f, err := p.callIn(ctx, l)
	if err != nil {
		return nil, err
	}
	if err := p.hold(ctx, l); err != nil {
		return nil, err
	}
	if l.hasSensor && !p.without {
		if err := p.until(ctx, "the loop current is seen", func() bool {
			_,
				ok := p.find(l.name, "clearback", "seized")
			return ok
		}); err != nil {
			return nil, err
		}
	}
	return f, p.meanwhile(ctx, l)
}

func runHeldCall(ctx context.Context, p *sceneRun) error {
	l := p.lines["box-office"]
	f, err := p.heldCall(ctx, l)
	if err != nil {
		return err
	}
	p.hangUp(f)
	return p.awaitOnHook(ctx, l)
}

func runInternalCall(ctx context.Context, p *sceneRun) error {
	from, to := p.lines["stage-door"], p.lines["workshop"]
	if err := p.lift(ctx, from); err != nil {
		return err
	}
	if err := p.dial(from, to.number); err != nil {
		return err
	}
	if err := p.until(ctx, "workshop rings",
		func() bool { return to.lineModel.state().Lamp == keysystem.Flash }); err != nil {
		return err
	}
	p.add(time.Now(), to.name, "near end", "lifts")
	to.lineModel.lift(telephoneSet)
	if err := p.until(ctx, "the two lines talk", func() bool {
		return from.port.inCall() && to.port.inCall() && from.port.heard() > 2 && to.port.heard() > 2
	}); err != nil {
		return err
	}
	if err := p.hold(ctx, to); err != nil {
		return err
	}
	if to.habit.reboot > 0 {
		p.zeroOn(to.name, "is back and knows no call") // the call ends before the adapter sees the caller on hook
	}
	if err := p.meanwhile(ctx, to); err != nil {
		return err
	}
	if to.habit.reboot == 0 {
		p.zeroOn(from.name, "sends BYE") // when the adapter has recognised on hook
	}
	p.add(time.Now(), from.name, "near end", "hangs up")
	from.lineModel.hangUp(telephoneSet)
	if err := p.until(ctx, "the adapter sees the caller on hook",
		func() bool { return !from.lineModel.state().OffHook }); err != nil {
		return err
	}
	return p.awaitOnHook(ctx, to)
}

func checkInternalCall(p *sceneRun, v *sceneResult) {
	p.checkCleared(v, p.lines["workshop"])
	if p.lines["workshop"].habit.reboot == 0 { // otherwise stage-door is the line whose far end went away
		checkNeverOpened(v, p.lines["stage-door"])
	}
	if p.lines["stage-door"].lineModel.state().OffHook {
		v.fail("stage-door: still off hook")
	}
}

func runOthersStay(ctx context.Context, p *sceneRun) error {
	var phones []*phone
	for _, part := range p.scene.lines {
		f, err := p.callIn(ctx, p.lines[part.name])
		if err == nil {
			err = p.hold(ctx, p.lines[part.name])
		}
		if err != nil {
			return err
		}
		phones = append(phones, f)
	}
	if err := p.meanwhile(ctx, p.lines["green-room"]); err != nil {
		return err
	}
	p.hangUp(phones[0])
	if err := p.awaitOnHook(ctx, p.lines["green-room"]); err != nil || p.without {
		return err
	}
	before := phones[1].heard()
	if err := await(ctx, stepFor, func() bool { return phones[1].heard() > before+2 }); err != nil {
		p.verdict.fail("foyer: the far end receives no more audio")
	}
	return ctx.Err()
}

func checkOthersStay(p *sceneRun, v *sceneResult) {
	p.checkCleared(v, p.lines["green-room"])
	for i, name := range []string{"foyer", "wardrobe"} {
		l := p.lines[name]
		checkNeverOpened(v, l)
		if !l.lineModel.state().Held || !l.port.inCall() || !p.phones[i+1].is(phoneTalking) {
			v.fail("%s: its held call has ended", name)
			continue
		}
		v.note("%s is still held", name)
	}
}

func runShortInterval(ctx context.Context, p *sceneRun) error {
	l := p.lines["lighting"]
	f, err := p.heldCall(ctx, l)
	if err != nil {
		return err
	}
	p.hangUp(f)
	if p.shortEnough(l) {
		return p.awaitOnHook(ctx, l)
	}
	if err := p.awaitOutcome(ctx, l); err != nil || !l.policy.ProbeTrusted {
		return err
	}
	if e, _ := p.outcome(l); strings.Contains(e.text, "hook=on") {
		return nil // the scene's check reports this case
	}
	lasts := func() bool { _, ok := p.find(l.name, "clearback", "incident lasts: "); return ok }
	if err := ctxOnly(ctx, await(ctx, stepFor, lasts)); err != nil || !lasts() || l.habit.locksOut() {
		return err
	}
	if err := endByCall(ctx, p, l); err != nil {
		return err
	}
	return ctxOnly(ctx, await(ctx, stepFor, func() bool {
		_, ok := p.find(l.name, "clearback",
			"report incident-ended")
		return ok
	}))
}

// incident returns the daemon's report of an incident on the line.
func (p *sceneRun) incident(l *line) (entry, bool) {
	return p.find(l.name, "clearback", "report incident ")
}

// shortEnough reports whether the adapter's habit clears a hold that the line's interval does not clear.
func (p *sceneRun) shortEnough(l *line) bool {
	return l.habit.byItself(l.release) || l.habit.interval(&l.policy) > l.release
}

func checkShortInterval(p *sceneRun, v *sceneResult) {
	l := p.lines["lighting"]
	if p.shortEnough(l) {
		p.checkCleared(v, l)
		return
	}
	open, ok := p.checkOneOpening(v, l, l.policy.Interval, l.policy.Interval+late)
	if !ok {
		return
	}
	if open.lasted() >= l.release { // a busy machine closed the contact late, so the hold has to clear
		v.note("lighting: the contact closed so late that the loop was open long enough for the card's %v", l.release)
		p.checkCleared(v, l)
		return
	}
	if went, let := first(p.since(l), keysystem.HoldReleased); let && (!l.habit.locksOut() || went.Before(open.end)) {
		v.fail("lighting: the hold cleared although the loop was open for less than the card's %v", l.release)
	}
	if !l.policy.ProbeTrusted {
		if e, told := p.incident(l); told {
			v.fail("lighting: the daemon cannot know that the hold stayed, and the report says %q", e.text)
		}
		if e, told := p.find(l.name, "clearback", "report interrupted", "hook=unknown"); told {
			v.note("lighting: the hold stayed; the report says %q, since the daemon has no trusted way to check",
				e.text)
		} else {
			v.fail("lighting: no report says that the outcome is unknown")
		}
		return
	}
	e, told := p.find(l.name, "clearback", "incident", "interval")
	if !told {
		v.fail("lighting: no report says that the interval is too short")
		return
	}
	v.note("lighting: the hold stayed, as a loop open for %s ms is too short for the card's %s ms; the report says %q",
		millis(open.lasted()), millis(l.release), e.text)
	if l.habit.flashInfo && !strings.Contains(e.text, "flash") {
		v.fail("lighting: the adapter took it for a flash and said so, and the report does not")
	}
	if _, flash := first(p.since(l), keysystem.PortFlash); flash {
		v.note("the adapter took it for a flash")
	}
	if !l.habit.locksOut() {
		p.checkIncident(v, l, "reason=interval-short")
	}
}

func runEmergency(ctx context.Context, p *sceneRun) error {
	l := p.lines["fly-loft"]
	centre, err := p.phoneAt(emergencyNumber)
	if err != nil {
		return err
	}
	if err := p.lift(ctx, l); err != nil {
		return err
	}
	if err := p.dial(l, emergencyNumber); err != nil {
		return err
	}
	if err := p.talk(ctx, l, centre); err != nil {
		return err
	}
	if err := p.hold(ctx, l); err != nil {
		return err
	}
	if err := p.meanwhile(ctx, l); err != nil {
		return err
	}
	p.hangUp(centre)
	return p.watch(ctx)
}

func checkEmergency(p *sceneRun, v *sceneResult) {
	l := p.lines["fly-loft"]
	checkNeverOpened(v, l)
	if gone := l.habit.byItself(parts().Release) || l.habit.locksOut(); l.lineModel.state().Held == gone {
		v.fail("fly-loft: held is %v instead of %v", gone, !gone)
	}
	e, told := p.find(l.name, "clearback", "suppressed", "emergency")
	if !told {
		v.fail("fly-loft: no report says that an emergency call kept the loop closed")
		return
	}
	v.note("fly-loft: the loop stayed closed for %v; the report says %q", watchFor, e.text)
}

func runNextCaller(ctx context.Context, p *sceneRun) error {
	l := p.lines["ticket-desk"]
	f, err := p.heldCall(ctx, l)
	if err != nil {
		return err
	}
	next, err := p.newPhone()
	if err != nil {
		return err
	}
	p.hangUp(f)
	if !p.without { // on a busy machine the BYE may take longer than the 20 ms
		if err := p.until(ctx, "the BYE arrives", func() bool {
			_,
				ok := p.find(l.name, "clearback", "far-end-cleared")
			return ok
		}); err != nil {
			return err
		}
	}
	if err := pause(ctx, 20*time.Millisecond); err != nil {
		return err
	}
	if err := next.dial(l.number); err != nil {
		return err
	}
	if p.without {
		return p.awaitOnHook(ctx, l)
	}
	return ctxOnly(ctx, p.answer(ctx, l, next))
}

func checkNextCaller(p *sceneRun, v *sceneResult) {
	l := p.lines["ticket-desk"]
	p.checkCleared(v, l)
	var rang time.Time
	past := p.since(l)
	for _, h := range past {
		if h.Kind == keysystem.RingBegan {
			rang = h.at // the last one: the ring splash of a waiting message comes before it
		}
	}
	onHook, seen := first(past, keysystem.PortOnHook)
	switch all := openings(past); {
	case rang.IsZero():
		v.fail("ticket-desk: the next call never rang (it ended with %q)", p.phones[1].ending())
	case len(all) > 0 && rang.Before(all[0].end):
		v.fail("ticket-desk: the next call rang while the loop was open")
	case seen && rang.Before(onHook):
		v.fail("ticket-desk: the next call rang before the adapter saw the line on hook")
	case !p.phones[1].is(phoneTalking) || !l.port.inCall():
		v.fail("ticket-desk: the next call was not answered")
	default:
		zero, _ := p.hungUp()
		v.note("the next call rang after %s ms and was answered", millis(rang.Sub(zero)))
	}
}

// runDaemonEnds leaves a call on hold. The test bed ends the daemon when all other scenes are over.
func runDaemonEnds(ctx context.Context, p *sceneRun) error {
	l := p.lines["dressing-room"]
	p.zeroOn(l.name, "gets BYE")
	if l.habit.reboot > 0 {
		p.zeroOn(l.name, "is back and knows no call") // no BYE will be sent to the restarted adapter
	}
	_, err := p.heldCall(ctx, l)
	return err
}

func checkDaemonEnds(p *sceneRun, v *sceneResult) {
	l := p.lines["dressing-room"]
	p.checkCleared(v, l)
	if how := p.phones[0].ending(); how != "BYE" {
		v.fail("dressing-room: the far end's call ended by %q and not by BYE", how)
	}
	if e, told := p.find(l.name, "clearback", "shutdown"); told {
		v.note("the report says %q", e.text)
	}
}
