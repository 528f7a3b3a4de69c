package rehearsal

import (
	"context"
	"time"

	"clearback/supervision/keysystem"
)

const (
	// faultAfter is how long the loop has been open when its board fails.
	faultAfter = 100 * time.Millisecond
	// cutFor is how long the network is cut. It is longer than any interval.
	cutFor = 2500 * time.Millisecond
	// closedWithin is how soon after the network is back a plain coil must be closed. Attempts to connect are at most
	// 250 ms apart, each may take the board's time-out of 500 ms, and the machine may be busy.
	closedWithin = 1500 * time.Millisecond
)

func boardScenes() []scene {
	return []scene{
		{
			name: "board-power", about: "the board loses power while the loop is open: the contact closes",
			lines: []lineSetup{{name: "cloakroom", number: "555-0112", board: "annex",
				release: 450 * time.Millisecond}},
			run: runBoardPower, check: checkBoardPower,
		},
		{
			name: "cut-timed", about: "the network to a board with timed outputs is cut while the loop is open: the board closes it by itself",
			lines: []lineSetup{{name: "bar", number: "555-0113", board: "bar", timed: true}},
			run:   runCutTimed, check: checkCutTimed,
		},
		{
			name: "cut-plain", about: "the network to a board with plain coils is cut while the loop is open: it stays open until the network is back",
			lines: []lineSetup{{name: "loading-dock", number: "555-0114", board: "dock"}},
			run:   runCutPlain, check: checkCutPlain,
		},
	}
}

// heldAndOpen makes the far end of a held call hang up and waits until the loop has been open for faultAfter.
func (p *sceneRun) heldAndOpen(ctx context.Context, l *line) error {
	f, err := p.heldCall(ctx, l)
	if err != nil {
		return err
	}
	p.hangUp(f)
	if err := p.until(ctx, "the loop opens", func() bool { return !l.lineModel.state().ContactClosed }); err != nil {
		return err
	}
	return pause(ctx, faultAfter)
}

func runBoardPower(ctx context.Context, p *sceneRun) error {
	l := p.lines["cloakroom"]
	if err := p.heldAndOpen(ctx, l); err != nil {
		return err
	}
	p.add(time.Now(), l.name, "board", "loses power")
	l.board.losePower()
	if err := pause(ctx, cutFor/5); err != nil {
		return err
	}
	p.add(time.Now(), l.name, "board", "has power again")
	l.board.restorePower()
	return p.watch(ctx)
}

func checkBoardPower(p *sceneRun, v *sceneResult) {
	l := p.lines["cloakroom"]
	lost, _ := p.find(l.name, "board", "loses power")
	open, ok := p.checkOneOpening(v, l, faultAfter/2, l.policy.Interval)
	if !ok {
		return
	}
	if after := open.end.Sub(lost.at); after < 0 || after > late {
		v.fail("cloakroom: the contact closed %s ms after the board lost power", millis(after))
		return
	}
	v.note("cloakroom: the contact closed %s ms after the board lost power and did not open again",
		millis(open.end.Sub(lost.at)))
	long, held := open.lasted() >= l.release, l.lineModel.state().Held
	switch {
	case long == held:
		v.fail("cloakroom: held is %v after the loop was open for %s ms, with a card that releases after %s ms", held,
			millis(open.lasted()), millis(l.release))
	case held:
		v.note("the hold stayed, as %s ms are too short for the card's %s", millis(open.lasted()), millis(l.release))
	default:
		v.note("the hold cleared")
	}
	if e, told := p.incident(l); told {
		v.note("the report says %q", e.text)
	}
}

// cut opens the loop of a line and cuts the network to its board for cutFor.
func (p *sceneRun) cut(ctx context.Context, l *line) error {
	if err := p.heldAndOpen(ctx, l); err != nil {
		return err
	}
	p.add(time.Now(), l.name, "board", "the network to it is cut")
	l.board.cutNetwork()
	if err := pause(ctx, cutFor); err != nil {
		return err
	}
	p.add(time.Now(), l.name, "board", "the network is back")
	l.board.mendNetwork()
	return nil
}

func runCutTimed(ctx context.Context, p *sceneRun) error {
	l := p.lines["bar"]
	if err := p.cut(ctx, l); err != nil {
		return err
	}
	return pause(ctx, closedWithin) // the loop must not open again
}

func checkCutTimed(p *sceneRun, v *sceneResult) {
	l := p.lines["bar"]
	open, ok := p.checkOneOpening(v, l, l.policy.Interval, l.policy.Interval+timedUnit+late)
	if !ok {
		return
	}
	if back, found := p.find(l.name, "board", "the network is back"); !found || !open.end.Before(back.at) {
		v.fail("bar: the contact did not close before the network was back")
	}
	p.checkHoldReleased(v, l)
	v.note("bar: the board closed the contact by itself after %s ms", millis(open.lasted()))
}

func runCutPlain(ctx context.Context, p *sceneRun) error {
	l := p.lines["loading-dock"]
	if err := p.cut(ctx, l); err != nil {
		return err
	}
	return ctxOnly(ctx, await(ctx, stepFor, func() bool { return l.lineModel.state().ContactClosed }))
}

func checkCutPlain(p *sceneRun, v *sceneResult) {
	l := p.lines["loading-dock"]
	back, _ := p.find(l.name, "board", "the network is back")
	open, ok := p.checkOneOpening(v, l, cutFor, cutFor+faultAfter+closedWithin+late)
	if !ok {
		return
	}
	after := open.end.Sub(back.at)
	if after < 0 || after > closedWithin {
		v.fail("loading-dock: the contact closed %s ms after the network was back; expected 0 to %s ms", millis(after),
			millis(closedWithin))
	}
	p.checkHoldReleased(v, l)
	v.note("loading-dock: nothing but the daemon closes a plain coil: the loop stayed open for %s ms instead of %s, and closed %s ms after the network was back",
		millis(open.lasted()), millis(l.policy.Interval), millis(after))
}

// checkHoldReleased checks that the hold cleared after the hang-up.
func (p *sceneRun) checkHoldReleased(v *sceneResult, l *line) {
	if _, let := first(p.since(l), keysystem.HoldReleased); !let {
		v.fail("%s: the hold stayed", l.name)
	}
}
