package endpoint

import (
	"context"
	"sync"
	"time"
)

// An Arrival is the time at which a message reached this machine, on the boot clock. The boot clock runs on while the
// process is stopped and while the machine sleeps, and nobody can set it. Zero means that the time is not known.
type Arrival time.Duration

// The three numbers below are our own.
const (
	// lookEvery is the interval at which an endpoint reads the clocks. If the gap between two readings is longer than
	// stopGap, the process counts as stopped in between. A process that is only slow reads the clocks again sooner.
	// SAFETY S11 covers the longer gaps.
	lookEvery = 250 * time.Millisecond
	stopGap   = 750 * time.Millisecond
	// slewing bounds how much the wall clock may gain or lose against the boot clock: one part in slewing of the time
	// between two readings. The kernel slews by at most 500 in a million. clockPairSlack is the largest error of a pair
	// of readings.
	slewing        = 1000
	clockPairSlack = 5 * time.Millisecond
)

// arrivals finds out when messages arrived. The kernel stamps datagrams by the wall clock, which people and NTP may
// set. A stamp therefore counts only if the wall clock has not been set since. A stamp from before the first reading,
// of a message that waited in a socket while no process read it, counts if the wall clock has not been set since then.
// A message without a valid stamp, and all that comes over a stream, may have arrived at any time while the process was
// stopped. Safe for concurrent use.
type arrivals struct {
	clocks func() (wall, boot time.Duration) // a pair of readings; boot is 0 on a system without a boot clock

	mu     sync.Mutex
	look   Arrival       // time of the last reading
	first  Arrival       // time of the first reading
	ahead  time.Duration // how far the wall clock was ahead of the boot clock at that reading
	set    Arrival       // the last reading that found that the wall clock had been set
	still  Arrival       // the last time the process was stopped: from here
	resume Arrival       // until here
	went   time.Time     // resume, as a time.Time

	lookedAt time.Time     // time of the last reading, on the clock of the timers
	gained   time.Duration // see gainLocked
}

func newArrivals(clocks func() (wall, boot time.Duration)) *arrivals {
	a := &arrivals{clocks: clocks}
	a.first = a.now()
	return a
}

// run reads the clocks every lookEvery until ctx ends. It calls suspended, if not nil, as Options says.
func (a *arrivals) run(ctx context.Context, suspended func(time.Duration)) {
	tick := time.Tick(lookEvery)
	for {
		select {
		case <-ctx.Done():
			return
		case <-tick:
			a.now()
			if gained := a.takeGain(); gained != 0 && suspended != nil {
				suspended(gained)
			}
		}
	}
}

// now reads both clocks and returns the boot clock.
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
	a.gainLocked(wall, b)
	boot, ahead := Arrival(b), wall-b
	gap := time.Duration(boot - a.look)
	if (ahead - a.ahead).Abs() > clockPairSlack+gap/slewing {
		a.set = boot
	}
	if a.look != 0 && gap > stopGap {
		a.still, a.resume, a.went = a.look, boot, time.Now()
	}
	a.look, a.ahead = boot, ahead
	return boot
}

// arrivalOf returns when a message arrived that a read has just returned. The read began at began; stamp is the
// kernel's stamp by the wall clock, or 0 if the message has none.
func (a *arrivals) arrivalOf(began Arrival, stamp time.Duration) Arrival {
	if a == nil {
		return 0
	}
	a.mu.Lock()
	defer a.mu.Unlock()
	now := a.lookLocked()
	at := Arrival(stamp - a.ahead)
	switch {
	case stamp != 0 && (at > a.set || a.set == a.first) && at <= now+Arrival(clockPairSlack):
		return min(at, now)
	case a.resume > began && time.Duration(now-a.resume) <= stopGap:
		return a.still // what arrived while the process was stopped is read as soon as the process resumes
	}
	return now
}

// isForEarlier reports whether a message arrived before this process began.
func (a *arrivals) isForEarlier(at Arrival) bool { return a != nil && at != 0 && at < a.first }

// Age returns how long ago a message arrived, or 0 if that is not known.
func (e *Endpoint) Age(at Arrival) time.Duration { return e.arrivals.age(at) }

func (a *arrivals) age(at Arrival) time.Duration {
	if a == nil || at == 0 {
		return 0
	}
	_, boot := a.clocks()
	return max(0, boot-time.Duration(at))
}

// Resumed returns when this process last resumed after it had been stopped or the machine had slept. It returns the
// zero time if that never happened or is not known. Messages that arrived meanwhile may still wait to be read, so the
// lack of messages in that time does not mean that a peer was silent.
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
