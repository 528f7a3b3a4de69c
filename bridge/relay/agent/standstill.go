package agent

import (
	"fmt"
	"sync"
	"time"
)

const (
	// Our own figures. A command that is older than a master's usual time-out must not be obeyed, but an ordinary
	// scheduling delay must not end a connection.
	standstillEvery = 50 * time.Millisecond
	minStandstill   = 500 * time.Millisecond
)

// standstillDetector detects that the process did not run for some time, because it was stopped or got no processor
// time. The masters' requests of that time are in the kernel's buffers, and their age is unknown.
type standstillDetector struct {
	mu    sync.Mutex
	seen  time.Time
	count uint64
}

func (p *standstillDetector) begin() {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.seen = time.Now()
}

// look returns the number of standstills so far. If one has just ended, it also returns its length.
func (p *standstillDetector) look() (count uint64, just time.Duration) {
	p.mu.Lock()
	defer p.mu.Unlock()
	now := time.Now()
	if gap := now.Sub(p.seen); !p.seen.IsZero() && gap > minStandstill {
		p.count++
		just = gap
	}
	if !p.seen.IsZero() {
		p.seen = now
	}
	return p.count, just
}

// StandstillCount returns a number that changes with each standstill of the process of more than half a second. A
// server reads the number when it accepts a master, and obeys no opening of that master once the number has changed,
// because a request may have waited in the kernel. The server then ends the connection, and the master reconnects and
// closes first.
func (a *Agent) StandstillCount() uint64 {
	count, just := a.standstill.look()
	if just > 0 {
		a.opt.Notify(Notice{Kind: StoodStill,
			Err: fmt.Errorf("the agent stood still for %v: it was stopped, or got no processor time",
				just.Round(time.Millisecond))})
		for _, f := range a.standstillHooks {
			f()
		}
	}
	return count
}

func (a *Agent) watchStandstill() {
	t := time.NewTicker(standstillEvery)
	defer t.Stop()
	for {
		select {
		case <-t.C:
			a.StandstillCount()
		case <-a.end:
			return
		}
	}
}
