package endpoint

import (
	"context"
	"sync"
	"time"
)

// An Arrival is when a message came to this machine, on the boot clock: that goes on while the process stands still and
// while the machine sleeps, and nobody sets it. Zero: not known.
type Arrival time.Duration

// Our own numbers.
const (
	// lookEvery is how often an endpoint looks at the clocks, and standstill after what gap between two looks the
	// process stood still: what is busy elsewhere comes back sooner, and what comes back later is what SAFETY S11 is
	// about.
	lookEvery  = 250 * time.Millisecond
	standstill = 750 * time.Millisecond
	// slewing bounds what the wall clock may gain or lose against the boot clock, in parts of the time between two
	// looks: the kernel adjusts it by 500 in a million at most. roughly is what a pair of readings may be off by.
	slewing        = 1000
	clockPairSlack = 5 * time.Millisecond
)

// arrivals tells when messages came. The kernel stamps datagrams by the wall clock, which people and NTP set; so a
// stamp counts only where the difference of that clock from the boot clock has stayed the same since before it. What
// has no stamp that counts, and what comes by a stream, may have come at any time while the process stood still. Safe
// for concurrent use.
type arrivals struct {
	clocks func() (wall, boot time.Duration) // a pair of readings; boot is 0 where there is no such clock

	mu     sync.Mutex
	look   Arrival       // the last look
	ahead  time.Duration // what the wall clock was ahead of the boot clock then
	set    Arrival       // the last look that found the wall clock set
	still  Arrival       // when the process stood still last: from here
	resume Arrival       // until here
	went   time.Time     // the same as resume
}

func newArrivals(clocks func() (wall, boot time.Duration)) *arrivals {
	a := &arrivals{clocks: clocks}
	a.now()
	return a
}

// run looks at the clocks until ctx ends.
func (a *arrivals) run(ctx context.Context) {
	tick := time.NewTicker(lookEvery)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
			a.now()
		}
	}
}

// now looks at the clocks, and is the boot clock.
func (a *arrivals) now() Arrival {
	if a == nil {
		return 0
	}
	a.mu.Lock()
	defer a.mu.Unlock()
	return a.lookLocked()
}

func (a *arrivals) lookLocked() Arrival {
	wall, b := a.clocks()
	boot, ahead := Arrival(b), wall-b
	gap := time.Duration(boot - a.look)
	if (ahead - a.ahead).Abs() > clockPairSlack+gap/slewing {
		a.set = boot
	}
	if a.look != 0 && gap > standstill {
		a.still, a.resume, a.went = a.look, boot, time.Now()
	}
	a.look, a.ahead = boot, ahead
	return boot
}

// arrivalOf is when that came which a reading begun at began returned just now, with the kernel's stamp by the wall
// clock, 0 without one.
func (a *arrivals) arrivalOf(began Arrival, stamp time.Duration) Arrival {
	if a == nil {
		return 0
	}
	a.mu.Lock()
	defer a.mu.Unlock()
	now := a.lookLocked()
	at := Arrival(stamp - a.ahead)
	switch {
	case stamp != 0 && at > a.set && at <= now+Arrival(clockPairSlack):
		return min(at, now)
	case a.resume > began && time.Duration(now-a.resume) <= standstill:
		return a.still // what came while it stood still is read as soon as it goes on
	}
	return now
}

// Age is how long ago that was; 0 if it is not known.
func (e *Endpoint) Age(at Arrival) time.Duration { return e.arrivals.age(at) }

func (a *arrivals) age(at Arrival) time.Duration {
	if a == nil || at == 0 {
		return 0
	}
	_, boot := a.clocks()
	return max(0, boot-time.Duration(at))
}

// Resumed is when this process went on the last time that it had stood still, or that the machine had slept; zero: it
// never did, or that is not known. What came meanwhile may still wait to be read, and what did not come is no silence.
func (e *Endpoint) Resumed() time.Time { return e.arrivals.resumed() }

func (a *arrivals) resumed() time.Time {
	if a == nil {
		return time.Time{}
	}
	a.mu.Lock()
	defer a.mu.Unlock()
	a.lookLocked()
	return a.went
}
