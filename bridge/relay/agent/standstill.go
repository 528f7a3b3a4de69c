package agent

import (
	"fmt"
	"sync"
	"time"
)

const (
	// standstillEvery and standstill: our own figures. A command older than a master's usual time-out must not be
	// obeyed, and an ordinary scheduling delay must not cost a connection.
	standstillEvery = 50 * time.Millisecond
	minStandstill   = 500 * time.Millisecond
)

// standstillDetector notices when the process did not run for a while: it was stopped, or others had all of the
// processor. What its masters sent meanwhile lies in the kernel's buffers, and nobody knows how old it is.
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

// look returns how often the process stood still so far, and for how long if it just did.
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

// StandstillCount returns a number that changes whenever the process stood still for more than half a second. A face
// notes it when it begins to listen to a master, and obeys no opening once it has changed: what it reads may have
// waited in the kernel. It then begins anew with that master, with nothing in between, so that the master closes first.
func (a *Agent) StandstillCount() uint64 {
	count, just := a.standstill.look()
	if just > 0 {
		a.opt.Notify(Notice{Kind: StoodStill,
			Err: fmt.Errorf("the agent stood still for %v: stopped, or without a processor",
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
