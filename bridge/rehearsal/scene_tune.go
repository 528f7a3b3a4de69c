package rehearsal

import (
	"context"
	"fmt"
	"math/rand/v2"
	"time"

	"clearback/supervision/keysystem"
)

// NearEnd is a person at a telephone of the key system during a tuning session. Its methods may not be called
// concurrently.
type NearEnd interface {
	// Answer waits until the line rings, and lifts the handset.
	Answer(ctx context.Context) error
	// Hold presses hold.
	Hold(ctx context.Context) error
	// LampOut reports whether the line's lamp is dark now.
	LampOut(ctx context.Context) (bool, error)
	// HangUp takes the call back if it is still held, hangs up, and waits until the adapter has recognised on hook.
	HangUp(ctx context.Context) error
}

// Tuner runs a tuning session on a line of a running daemon. It returns the recommended interval, or 0 if it recommends
// none, and its findings as text.
type Tuner func(ctx context.Context, d Daemon, line string, near NearEnd) (interval time.Duration, text string,
	err error)

const (
	// The release times of the card in the scene. They are our own figures, around the long setting of some key systems
	// (350 ms, common practice).
	releaseMean   = 400 * time.Millisecond
	releaseSpread = 12 * time.Millisecond
	// releaseSure is a length that one release in 100 exceeds: the 99 % point of the normal distribution, which lies
	// 2.326 standard deviations above the mean.
	releaseSure = releaseMean + 2326*releaseSpread/1000
	// tuneFor is the time limit of a session: 25 holds of 4 s each, and a busy machine.
	tuneFor = 4 * time.Minute
)

// releases returns a source of the release times of a card on which every hold takes a little longer or shorter.
func releases() func() time.Duration {
	random := rand.New(rand.NewPCG(1, 2))
	return func() time.Duration {
		return releaseMean + time.Duration(random.NormFloat64()*float64(releaseSpread))
	}
}

func tuneScene() scene {
	return scene{
		name: "tune", about: "a line whose card has a release time that varies is tuned, hold by hold (takes a minute or more; runs only if it is named)",
		lines: []lineSetup{{name: "bookings", number: "555-0128", board: cabinet, releases: releases}},
		named: true, run: runTune, check: checkTune,
	}
}

func runTune(ctx context.Context, p *sceneRun) error {
	l := p.lines["bookings"]
	ctx, cancel := context.WithTimeout(ctx, tuneFor)
	defer cancel()
	p.zeroOn(l.name, "lifts")
	interval, text, err := p.testBed.o.Tune(ctx, p.testBed.daemon, l.name, &nearEnd{p: p, l: l})
	if err != nil {
		return fmt.Errorf("tuning: %w", err)
	}
	p.tuned = interval
	p.add(time.Now(), l.name, "clearback", "recommends "+interval.String()+": "+text)
	return nil
}

// checkTune checks that the interval clears at least 99 of 100 holds of the card, and that the line's policy allows it.
func checkTune(p *sceneRun, v *sceneResult) {
	l := p.lines["bookings"]
	holds := 0
	for _, h := range l.lineModel.history() {
		if h.Kind == keysystem.HoldBegan {
			holds++
		}
	}
	policy := l.policy
	policy.Interval = p.tuned
	switch faults := policy.Check(); {
	case p.tuned == 0:
		v.fail("bookings: no interval is recommended after %d holds", holds)
	case p.tuned < releaseSure:
		v.fail("bookings: %v is recommended, and one hold in 100 needs more than %s ms", p.tuned, millis(releaseSure))
	case len(faults) > 0:
		v.fail("bookings: %v is recommended, and %v", p.tuned, faults[0])
	case holds == 0:
		v.fail("bookings: %v is recommended without a single hold", p.tuned)
	default:
		v.note("bookings: after %d holds %v is recommended, for a card that needs %v with a deviation of %v", holds,
			p.tuned, releaseMean, releaseSpread)
	}
}

// nearEnd is the person at the telephone of a line.
type nearEnd struct {
	p *sceneRun
	l *line
}

var _ NearEnd = (*nearEnd)(nil)

func (s *nearEnd) Answer(ctx context.Context) error {
	if err := s.p.until(ctx, s.l.name+" rings", func() bool {
		return s.l.port.rings() &&
			s.l.lineModel.state().Lamp == keysystem.Flash
	}); err != nil {
		return err
	}
	s.p.add(time.Now(), s.l.name, "near end", "lifts")
	s.l.lineModel.lift(telephoneSet)
	return s.p.until(ctx, s.l.name+" talks", s.l.port.inCall)
}

func (s *nearEnd) Hold(ctx context.Context) error { return s.p.hold(ctx, s.l) }

func (s *nearEnd) LampOut(ctx context.Context) (bool, error) {
	return s.l.lineModel.state().Lamp == keysystem.Dark, ctx.Err()
}

func (s *nearEnd) HangUp(ctx context.Context) error {
	s.p.add(time.Now(), s.l.name, "near end", "hangs up")
	if s.l.lineModel.state().Held {
		s.l.lineModel.lift(telephoneSet)
	}
	s.l.lineModel.hangUp(telephoneSet)
	return s.p.until(ctx, s.l.name+" is on hook", func() bool { return !s.l.lineModel.state().OffHook })
}
