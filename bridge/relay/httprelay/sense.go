package httprelay

import (
	"context"
	"fmt"
	"time"

	"clearback/bridge/relay"
)

// Small devices serve one connection after the other, so each reading of the loop-current input can be in the way of a
// close. All numbers are ours.
const (
	// senseSpacing is the shortest time from the end of one reading to the beginning of the next.
	senseSpacing = 20 * time.Millisecond
	// A device is left alone for so many times as long as the last reading took; once only while the loop is open and
	// for senseAfter, in which current that comes back tells that a hold stayed.
	senseIdle, senseOpen = 3, 1
	senseAfter           = time.Second
	// senseClear is what is kept clear before the end of an opening, beside twice the time of a reading.
	senseClear = 2 * time.Millisecond
)

// pacing spaces the readings of one input.
type pacing struct {
	turn chan struct{} // buffer 1: holding the token is being the one who reads

	// owned by the holder of the token
	ended time.Time     // of the last reading
	took  time.Duration // its time
}

func newPacing() pacing {
	p := pacing{turn: make(chan struct{}, 1)}
	p.turn <- struct{}{}
	return p
}

// Sense reads the loop-current input, not too often: it waits until that is in nobody's way. [relay.ErrNoSense] if
// there is no input. A device that does not answer this question in three quarters of the time-out goes on being
// driven.
func (c *Contact) Sense(ctx context.Context) (relay.Level, error) {
	if c.sense == nil {
		return relay.LevelUnknown, relay.ErrNoSense
	}
	p := &c.pacing
	select {
	case <-p.turn:
	case <-ctx.Done():
		return relay.LevelUnknown, fmt.Errorf("line %s: reading the input: %w", c.opt.Name, ctx.Err())
	}
	defer func() { p.turn <- struct{}{} }()
	began := time.Now()
	for wait := c.senseWait(began); wait > 0; wait = c.senseWait(began) {
		select {
		case <-time.After(wait):
		case <-ctx.Done():
			return relay.LevelUnknown, fmt.Errorf("line %s: reading the input: %w", c.opt.Name, ctx.Err())
		}
		began = time.Now()
	}
	level, err := c.Contact.Sense(ctx)
	p.ended = time.Now()
	p.took = p.ended.Sub(began)
	return level, err
}

// senseWait returns how long a reading has to wait at least.
func (c *Contact) senseWait(now time.Time) time.Duration {
	p := &c.pacing
	under, ends, after := c.UnderWay()
	if left := ends.Sub(now); under && !ends.IsZero() && left < 2*p.took+senseClear {
		return max(senseClear, left)
	}
	times := senseIdle
	if under || now.Before(after.Add(senseAfter)) {
		times = senseOpen
	}
	return p.ended.Add(max(senseSpacing, time.Duration(times)*p.took)).Sub(now)
}
