package httprelay

import (
	"context"
	"fmt"
	"time"

	"clearback/bridge/relay"
)

// Small devices serve one connection after the other, so a reading of the loop-current input can delay a close. All
// numbers are our own.
const (
	// senseSpacing is the shortest time from the end of one reading to the start of the next.
	senseSpacing = 20 * time.Millisecond
	// After a reading that took a time t the device is not read for senseIdle times t. While the loop is open, and for
	// senseAfter after that, the factor is senseOpen: current that returns then shows that the hold did not clear.
	senseIdle, senseOpen = 3, 1
	senseAfter           = time.Second
	// senseClear is the time kept free before the end of an opening, in addition to twice the time of a reading.
	senseClear = 2 * time.Millisecond
)

// pacing limits the rate of readings of one input.
type pacing struct {
	turn chan struct{} // buffer 1: whoever holds the token reads

	// owned by the holder of the token
	ended time.Time     // end of the last reading
	took  time.Duration // duration of the last reading
}

func newPacing() pacing {
	p := pacing{turn: make(chan struct{}, 1)}
	p.turn <- struct{}{}
	return p
}

// Sense reads the loop-current input. It waits until a reading cannot delay anything. Without an input it returns
// [relay.ErrNoSense]. A device that does not answer within three quarters of the time-out stays in use.
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

// senseWait returns how long a reading must wait at least.
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
