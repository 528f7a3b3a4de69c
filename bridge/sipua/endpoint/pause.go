package endpoint

import (
	"sync"
	"time"
)

// pause is the gate of the goroutines that read. They hold it while they read a datagram or accept a connection and
// pass it on. A goroutine that reads a connection only walks through it, because answers on a connection may take long.
type pause struct {
	gate sync.RWMutex
	mu   sync.Mutex
	on   bool // gate is locked
}

// wait waits until the endpoint is no longer paused.
func (p *pause) wait() {
	p.gate.RLock()
	defer p.gate.RUnlock()
}

// Pause stops reading. What arrives from now on waits in the sockets, for [Endpoint.Resume] or for another process that
// holds them too. When Pause returns, each datagram that was read has been passed to the dialog, the handler or the
// queue that takes it. A connection may still pass on the messages that it has read.
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

// Resume reads again after Pause.
func (e *Endpoint) Resume() {
	e.paused.mu.Lock()
	defer e.paused.mu.Unlock()
	if !e.paused.on {
		return
	}
	e.readUntil(time.Time{})
	e.paused.gate.Unlock()
	e.paused.on = false
}

// readUntil sets the time at which reading a socket of ours gives up; the zero time means never. A socket that cannot
// do that is not ours ([Options.Packets]), and cannot be paused in the middle of a read.
func (e *Endpoint) readUntil(at time.Time) {
	if c, ok := e.packets.(interface{ SetReadDeadline(time.Time) error }); ok {
		_ = c.SetReadDeadline(at) // fails only on a closed socket
	}
	if l := e.streams.listener; l != nil {
		_ = l.SetDeadline(at)
	}
}
