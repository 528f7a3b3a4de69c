package rehearsal

import (
	"context"
	"fmt"
	"strings"
	"time"

	"clearback/supervision"
)

const (
	// watchEvery is the interval at which an idle line is checked in the scenes of this file. It is the shortest that
	// the policy allows.
	watchEvery = 3 * time.Second
	// lateBye is how long the PBX delays a BYE. A delay of more than 1 s is late, and the delay computed from Date is
	// wrong by up to 1 s either way.
	lateBye = 3200 * time.Millisecond
	// slowBoard is the board that answers after slowFor. An opening that has to wait for such an answer misses its
	// not-after time, even if a busy machine asks for it late: every opening ends within 2 s (invariant 11).
	slowBoard = "pit"
	slowFor   = 2500 * time.Millisecond
	// incidentFor is how long the scene waits for an incident: two checks of the idle line, and a margin.
	incidentFor = 2*watchEvery + stepFor
)

// incidentScene is a scene in which something really fails. The daemon has to report the failure, what to do about it,
// and when it is over.
type incidentScene struct {
	name, about string
	lines       []lineSetup // the first is the one that fails
	// reason is what the report of the incident has to contain.
	reason []string
	// cause brings the incident about, end ends it.
	cause, end func(ctx context.Context, p *sceneRun, l *line) error
	// check, if not nil, checks the loop.
	check func(p *sceneRun, v *sceneResult, l *line)
}

func (t incidentScene) scene() scene {
	return scene{
		name: t.name, about: t.about, lines: t.lines,
		run: func(ctx context.Context, p *sceneRun) error {
			l := p.lines[t.lines[0].name]
			if err := t.cause(ctx, p, l); err != nil {
				return err
			}
			told := func() bool {
				_, ok := p.find(l.name, "clearback", append([]string{"report incident "}, t.reason...)...)
				_, lasts := p.find(l.name, "clearback", "incident lasts: ")
				return ok && lasts
			}
			if err := ctxOnly(ctx, await(ctx, incidentFor, told)); err != nil || !told() {
				return err // the scene's check reports the missing incident
			}
			if err := t.end(ctx, p, l); err != nil {
				return err
			}
			return ctxOnly(ctx, await(ctx, incidentFor, func() bool {
				_,
					ok := p.find(l.name, "clearback", "report incident-ended")
				return ok
			}))
		},
		check: func(p *sceneRun, v *sceneResult) {
			l := p.lines[t.lines[0].name]
			if t.check != nil {
				t.check(p, v, l)
			}
			p.checkIncident(v, l, t.reason...)
		},
	}
}

// checkIncident checks that the daemon reported an incident for that reason and no other, said what to do, and reported
// when it was over.
func (p *sceneRun) checkIncident(v *sceneResult, l *line, reason ...string) {
	e, told := p.incident(l)
	switch {
	case !told:
		v.fail("%s: no incident is reported", l.name)
		return
	case !containsAll(e.text, reason):
		v.fail("%s: the report says %q instead of %q", l.name, e.text, strings.Join(reason, " "))
		return
	}
	v.note("%s: the report says %q", l.name, e.text)
	why := strings.TrimPrefix(reason[0], "reason=")
	lasts, said := p.find(l.name, "clearback", "incident lasts: "+why+": ")
	if _, advice, _ := strings.Cut(lasts.text, why+": "); !said || len(advice) < len("Do this.") {
		v.fail("%s: no report says what to do about it", l.name)
	} else {
		v.note("and: %q", advice)
	}
	over, ended := p.find(l.name, "clearback", "report incident-ended", reason[0])
	if !ended || over.at.Before(e.at) {
		v.fail("%s: the incident did not end when the line was on hook or carried a call again", l.name)
		return
	}
	v.note("it was over after %.1f s", over.at.Sub(e.at).Seconds())
}

func incidentScenes() []scene {
	var all []scene
	for _, list := range [][]incidentScene{boardTroubles(), callTroubles(), offHookTroubles()} {
		for _, t := range list {
			all = append(all, t.scene())
		}
	}
	return all
}

func boardTroubles() []incidentScene {
	return []incidentScene{
		{
			name: "unplugged", about: "the board has no power when the far end hangs up: the controller is unreachable",
			lines:  []lineSetup{{name: "cellar", number: "555-0116", board: "cellar"}},
			reason: []string{"reason=controller-unreachable"},
			cause: func(ctx context.Context, p *sceneRun, l *line) error {
				f, err := p.heldCall(ctx, l)
				if err != nil {
					return err
				}
				p.add(time.Now(), l.name, "board", "loses power")
				l.board.losePower()
				p.hangUp(f)
				return nil
			},
			end: func(ctx context.Context, p *sceneRun, l *line) error {
				p.add(time.Now(), l.name, "board", "has power again")
				l.board.restorePower()
				return endByCall(ctx, p, l)
			},
			check: func(p *sceneRun, v *sceneResult, l *line) { checkNeverOpened(v, l) },
		},
		{
			name: "welded", about: "the contact is welded: the board confirms, and the loop current never stops",
			lines: []lineSetup{{name: "organ-loft", number: "555-0117", board: "organ-loft", hasSensor: true,
				// the input is read again by then, even on a busy machine
				set: func(p *supervision.Policy) { p.GuardTime = 2 * time.Second }}},
			reason: []string{"reason=contact-stuck"},
			cause: func(ctx context.Context, p *sceneRun, l *line) error {
				p.add(time.Now(), l.name, "board", "the contact of this line is welded")
				l.lineModel.weld(true)
				return heldAndGone(ctx, p, l)
			},
			end: endByHangUp, check: func(p *sceneRun, v *sceneResult, l *line) { checkNeverOpened(v, l) },
		},
		{
			name: "slow-board", about: "the board takes 2.5 s for each answer, and another line comes first: the opening misses its not-after time",
			lines: []lineSetup{
				{name: "orchestra-pit", number: "555-0122", board: slowBoard},
				{name: "conductor", number: "555-0123", board: slowBoard, plainAdapter: true},
			},
			reason: []string{"reason=missed-not-after"}, cause: causeSlowBoard, end: endByCall,
			check: func(p *sceneRun, v *sceneResult, l *line) { checkNeverOpened(v, l) },
		},
	}
}

func callTroubles() []incidentScene {
	return []incidentScene{
		{
			name:  "life-safety",
			about: "the line is marked life_safety: nothing opens, and a hold that stays is reported",
			lines: []lineSetup{{name: "smoke-vents", number: "555-0118", board: cabinet,
				set: func(p *supervision.Policy) {
					p.LifeSafety, p.Watch = true, watchEvery
				}}},
			reason: []string{"reason=suppressed", "rule=life-safety"}, cause: heldAndGone, end: endByHangUp,
			check: func(p *sceneRun, v *sceneResult, l *line) { checkNeverOpened(v, l) },
		},
		{
			name:  "second-call",
			about: "a second call waits at the adapter when the far end of the held one hangs up: nothing opens",
			lines: []lineSetup{{name: "tour-desk", number: "555-0119", board: cabinet, habit: "call-waiting",
				hasSensor: true}},
			reason: []string{"reason=suppressed", "rule=other-call"}, cause: causeSecondCall, end: endByHangUp,
			check: func(p *sceneRun, v *sceneResult, l *line) { checkNeverOpened(v, l) },
		},
		{
			name: "late-bye", about: "the service forwards the BYE after 3.2 s, as its Date shows: too late to open",
			lines:  []lineSetup{{name: "press-desk", number: "555-0120", board: cabinet}},
			reason: []string{"reason=never-signalled"},
			cause: func(ctx context.Context, p *sceneRun, l *line) error {
				f, err := p.heldCall(ctx, l)
				if err != nil {
					return err
				}
				p.testBed.pbx.delayBye(f.number, lateBye)
				p.hangUp(f)
				return nil
			},
			end: endByCall, check: func(p *sceneRun, v *sceneResult, l *line) { checkNeverOpened(v, l) },
		},
		{
			name: "seized", about: "the near end hangs up and lifts again before the loop opens, and leaves the handset off: nothing opens",
			lines: []lineSetup{{
				name: "prompt-corner", number: "555-0121", board: "prompt-corner", hasSensor: true,
				// the longest lead, and the interval that fits with it; a busy machine sees each change late
				interval: 350 * time.Millisecond,
				set: func(p *supervision.Policy) {
					p.Lead, p.FlashMax, p.Watch = 1650*time.Millisecond, 0, watchEvery
				},
			}},
			reason: []string{"reason=seized"}, cause: causeSeized, end: endByHangUp,
			check: func(p *sceneRun, v *sceneResult, l *line) { checkNeverOpened(v, l) },
		},
		{
			name:  "silent-adapter",
			about: "the adapter never answers BYE: the hold of a slow card stays, and with a wide flash window nothing opens",
			lines: []lineSetup{
				{name: "costume-store", number: "555-0124", board: cabinet, habit: "bye-unanswered",
					release: 1200 * time.Millisecond},
				{name: "trap-room", number: "555-0129", board: cabinet, habit: "bye-unanswered",
					set: func(p *supervision.Policy) {
						// an interval longer than this, after the lead, would end just after 2 s
						p.FlashMax = 1300 * time.Millisecond
					}},
			},
			reason: []string{"reason=bye-unanswered"}, cause: causeSilentAdapter,
			end: func(ctx context.Context, p *sceneRun, l *line) error {
				if err := endByCall(ctx, p, p.lines["trap-room"]); err != nil {
					return err
				}
				return endByCall(ctx, p, l)
			},
			check: func(p *sceneRun, v *sceneResult, l *line) {
				least := l.habit.interval(&l.policy)
				p.checkOneOpening(v, l, least, least+late)
				checkNeverOpened(v, p.lines["trap-room"])
				p.checkIncident(v, p.lines["trap-room"], "reason=bye-unanswered")
			},
		},
	}
}

func offHookTroubles() []incidentScene {
	watched := func(p *supervision.Policy) { p.Watch = watchEvery }
	cause := func(how func(ctx context.Context, p *sceneRun, l *line) error) func(ctx context.Context, p *sceneRun,
		l *line) error {
		return func(ctx context.Context, p *sceneRun, l *line) error {
			p.zeroOn(l.name, "lifts")
			if err := p.lift(ctx, l); err != nil {
				return err
			}
			return how(ctx, p, l)
		}
	}
	nothing := func(context.Context, *sceneRun, *line) error { return nil }
	untouched := func(p *sceneRun, v *sceneResult, l *line) { checkNeverOpened(v, l) }
	return []incidentScene{
		{
			name:   "dial-tone-held",
			about:  "hold is pressed at dial tone: a check of the idle line finds it off hook without a call",
			lines:  []lineSetup{{name: "wig-room", number: "555-0125", board: cabinet, set: watched}},
			reason: []string{"reason=off-hook-without-call"}, check: untouched,
			cause: cause(func(ctx context.Context, p *sceneRun, l *line) error { return p.hold(ctx, l) }),
			end:   endByDialling,
		},
		{
			name: "handset-off", about: "a handset is left off hook: the loop-current input shows it",
			lines: []lineSetup{{name: "scene-dock", number: "555-0126", board: cabinet, hasSensor: true,
				set: watched}},
			reason: []string{"reason=off-hook-without-call"}, check: untouched, cause: cause(nothing), end: endByHangUp,
		},
		{
			name:  "adapter-tells",
			about: "the adapter calls a number when a handset is left off hook: that is reported, and the call is not forwarded",
			lines: []lineSetup{{name: "porter", number: "555-0127", board: cabinet, offHookAfter: 2 * time.Second,
				set: func(p *supervision.Policy) {
					p.ProbeTrusted = false
				}}},
			reason: []string{"reason=off-hook-without-call"}, check: untouched, cause: cause(nothing), end: endByCall,
		},
	}
}

// heldAndGone holds a call and makes the far end hang up.
func heldAndGone(ctx context.Context, p *sceneRun, l *line) error {
	f, err := p.heldCall(ctx, l)
	if err == nil {
		p.hangUp(f)
	}
	return err
}

func causeSilentAdapter(ctx context.Context, p *sceneRun, l *line) error {
	other, err := p.heldCall(ctx, p.lines["trap-room"])
	if err != nil {
		return err
	}
	if err := heldAndGone(ctx, p, l); err != nil {
		return err
	}
	other.hangUp()
	return nil
}

func causeSlowBoard(ctx context.Context, p *sceneRun, l *line) error {
	first := p.lines["conductor"]
	other, err := p.heldCall(ctx, first)
	if err != nil {
		return err
	}
	f, err := p.heldCall(ctx, l)
	if err != nil {
		return err
	}
	// The board becomes slow with the other line's opening. If it did so before, that opening might have to wait for
	// the answer to a reading.
	p.add(time.Now(), l.name, "board", fmt.Sprintf("answers after %v from the next opening on", slowFor))
	l.board.slowFromOpening(slowFor)
	other.hangUp()
	if err := p.until(ctx, "the other line's loop opens",
		func() bool { return !first.lineModel.state().ContactClosed }); err != nil {
		return err
	}
	p.hangUp(f)
	if err := p.awaitOutcome(ctx, l); err != nil {
		return err
	}
	p.add(time.Now(), l.name, "board", "answers at once again")
	l.board.slow(0)
	return nil
}

func causeSecondCall(ctx context.Context, p *sceneRun, l *line) error {
	f, err := p.heldCall(ctx, l)
	if err != nil {
		return err
	}
	second, err := p.newPhone()
	if err != nil {
		return err
	}
	if err := second.dial(l.number); err != nil {
		return err
	}
	if err := p.until(ctx, "the second call waits", func() bool { return second.is(phoneRinging) }); err != nil {
		return err
	}
	p.hangUp(f)
	if err := p.awaitOutcome(ctx, l); err != nil {
		return err
	}
	p.add(time.Now(), second.number, "far end", "gives up")
	second.hangUp()
	return nil
}

// causeSeized makes the near end act while the daemon waits for the adapter's response to its BYE. The near end takes
// the call back, hears nothing, hangs up and lifts the handset again. The adapter's responses get lost until the daemon
// has seen that.
func causeSeized(ctx context.Context, p *sceneRun, l *line) error {
	l.port.loseByeResponses(true)
	if err := heldAndGone(ctx, p, l); err != nil {
		return err
	}
	p.add(time.Now(), l.name, "near end", "takes the call back")
	l.lineModel.lift(telephoneSet)
	if err := p.until(ctx, "the adapter accepts the BYE", func() bool { return !l.port.inCall() }); err != nil {
		return err
	}
	p.add(time.Now(), l.name, "near end", "hangs up")
	l.lineModel.hangUp(telephoneSet)
	if err := p.until(ctx, "the loop current is seen to stop",
		func() bool { _, ok := p.find(l.name, "clearback", "released"); return ok }); err != nil {
		return err
	}
	p.add(time.Now(), l.name, "near end", "lifts again")
	l.lineModel.lift(telephoneSet)
	seen := func() bool { _, ok := p.find(l.name, "clearback", "report cancelled"); return ok }
	if err := ctxOnly(ctx, await(ctx, stepFor, seen)); err != nil {
		return err
	}
	l.port.loseByeResponses(false)
	return nil
}

// endByHangUp makes the near end take the call back, or find the handset, and hang up.
func endByHangUp(ctx context.Context, p *sceneRun, l *line) error {
	p.add(time.Now(), l.name, "near end", "finds it and hangs up")
	if l.lineModel.state().Held {
		l.lineModel.lift(telephoneSet)
	}
	l.lineModel.hangUp(telephoneSet)
	return p.until(ctx, l.name+" is on hook", func() bool { return !l.lineModel.state().OffHook })
}

// endByCall makes the near end answer the next caller. Then the near end hangs up first, so that nothing opens the
// loop.
func endByCall(ctx context.Context, p *sceneRun, l *line) error {
	if err := endByHangUp(ctx, p, l); err != nil {
		return err
	}
	if err := p.until(ctx, l.name+" takes a call", l.port.free); err != nil {
		return err
	}
	if _, err := p.callIn(ctx, l); err != nil {
		return err
	}
	p.add(time.Now(), l.name, "near end", "hangs up")
	l.lineModel.hangUp(telephoneSet)
	return nil
}

// endByDialling makes the near end take the line back and call a far end.
func endByDialling(ctx context.Context, p *sceneRun, l *line) error {
	f, err := p.newPhone()
	if err != nil {
		return err
	}
	p.add(time.Now(), l.name, "near end", "takes the line back")
	l.lineModel.lift(telephoneSet)
	if err := p.dial(l, f.number); err != nil {
		return err
	}
	if err := p.talk(ctx, l, f); err != nil {
		return err
	}
	return nil
}
