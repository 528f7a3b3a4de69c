package endpoint

import (
	"context"
	"sync"
	"sync/atomic"
	"time"
)

// pause stops the goroutines that read. Those that read datagrams or accept connections hold gate until they have
// passed on what they got. Those that read a connection release gate at once, because an answer on a connection may
// take long to write; passing counts them until they have passed on what they read.
type pause struct {
	gate    sync.RWMutex // locked while the endpoint is paused
	passing atomic.Int32
	mu      sync.Mutex
	on      bool // gate is locked
}

// enter waits until the endpoint is not paused, and adds the caller to passing. The caller subtracts itself.
func (p *pause) enter() {
	p.gate.RLock()
	defer p.gate.RUnlock()
	p.passing.Add(1)
}

func (p *pause) isOn() bool {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.on
}

// Pause stops reading. What arrives from now on waits in the sockets, for [Endpoint.Unpause] or for another process
// that holds them too. When Pause returns, each datagram that was read has been passed to the dialog, the handler or
// the queue that takes it. A connection may still pass on the messages that it has read.
func (e *Endpoint) Pause() {
	e.paused.mu.Lock()
	defer e.paused.mu.Unlock()
	if e.paused.on || e.closed.Load() {
		return
	}
	e.readUntil(time.Unix(1, 0))
	e.paused.gate.Lock()
	e.paused.on = true
}

// Unpause reads again after Pause.
func (e *Endpoint) Unpause() {
	e.paused.mu.Lock()
	defer e.paused.mu.Unlock()
	if !e.paused.on {
		return
	}
	e.readUntil(time.Time{})
	e.paused.gate.Unlock()
	e.paused.on = false
}

// Settle waits until all messages that were read have been passed on and no queue of a Call-ID has anything to run, or
// until ctx ends.
func (e *Endpoint) Settle(ctx context.Context) {
	look := time.NewTicker(time.Millisecond)
	defer look.Stop()
	for e.paused.passing.Load() > 0 || e.queues.size() > 0 {
		select {
		case <-ctx.Done():
			return
		case <-look.C:
		}
	}
}

// readUntil sets the time at which reading gives up; the zero time means never. It fails only on a closed socket.
func (e *Endpoint) readUntil(at time.Time) {
	if e.packets != nil {
		_ = e.packets.SetReadDeadline(at)
	}
	if l := e.streams.listener; l != nil {
		_ = l.SetDeadline(at)
	}
}
