package modbus

import (
	"context"
	"fmt"
	"slices"
	"time"

	"clearback/bridge/relay"
)

// unitWire is one unit's part of a bus: a session of the engine. It ends with the first request that has no proper
// answer; the sessions of other units go on.
type unitWire struct {
	m    *master
	unit uint8
	dead chan struct{} // closed with err set
	err  error         // guarded by m.mu
}

var _ wire = (*unitWire)(nil)

// connect begins a session with a unit, once the port is open and the unit may be asked again.
func (m *master) connect(ctx context.Context, n uint8) (*unitWire, error) {
	if err := m.awaitTurn(ctx, n); err != nil {
		return nil, err
	}
	j := &job{began: make(chan error, 1), since: time.Now()}
	if err := m.add(j); err != nil {
		return nil, err
	}
	select {
	case err := <-j.began:
		if err != nil {
			return nil, err
		}
	case <-m.done:
		return nil, errBusEnded
	}
	w := &unitWire{m: m, unit: n, dead: make(chan struct{})}
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.port == nil {
		return nil, errNoPort
	}
	m.units[n].wire = w
	return w, nil
}

// awaitTurn waits while a silent unit would be in the way of those that work.
func (m *master) awaitTurn(ctx context.Context, n uint8) error {
	m.mu.Lock()
	wait := time.Duration(0)
	for k, u := range m.units {
		if k != n && u.wire != nil && u.silent == 0 {
			wait = time.Until(m.units[n].rest)
		}
	}
	m.mu.Unlock()
	select {
	case <-time.After(wait):
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

// start queues a request. One that nothing may forbid is not waited for.
func (w *unitWire) start(q query) error {
	j := &job{query: q, wire: w, began: make(chan error, 1), since: time.Now()}
	if err := w.m.add(j); err != nil {
		return err
	}
	if q.before == nil {
		return nil
	}
	return <-j.began
}

// refuse ends a request that was not sent.
func (j *job) refuse(err error) {
	err = fmt.Errorf("%w: %w", relay.ErrUnreachable, err)
	if j.before == nil && j.pdu != nil {
		j.end(answer{at: time.Now(), err: err})
	} else {
		j.began <- err
	}
}

// waits reports whether anybody on the bus waits for an answer.
func (w *unitWire) waits() bool {
	w.m.mu.Lock()
	defer w.m.mu.Unlock()
	return w.m.asking || len(w.m.queue) > 0
}

// answered records that a unit works.
func (m *master) answered(n uint8) {
	m.mu.Lock()
	defer m.mu.Unlock()
	u := m.units[n]
	u.silent, u.rest = 0, time.Time{}
}

// failed ends a session because of a request without a proper answer.
func (m *master) failed(w *unitWire, err error) {
	m.mu.Lock()
	u := m.units[w.unit]
	if u.silent++; u.silent > 1 { // the first new session, with its close, comes at once
		pause := silentTimes * m.opt.Timeout
		if u.silent >= silentOften {
			pause = max(pause, silentRest)
		}
		u.rest = time.Now().Add(pause)
	}
	m.mu.Unlock()
	w.fail(err)
}

// fail ends the session for the first reason given, with all that waits in the queue. What is in the air has its answer
// from master.
func (w *unitWire) fail(err error) {
	m := w.m
	m.mu.Lock()
	if w.err != nil {
		m.mu.Unlock()
		return
	}
	w.err = err
	if u := m.units[w.unit]; u.wire == w {
		u.wire = nil
	}
	var left []*job
	m.queue = slices.DeleteFunc(m.queue, func(j *job) bool {
		if j.wire == w {
			left = append(left, j)
		}
		return j.wire == w
	})
	m.mu.Unlock()
	close(w.dead)
	for _, j := range left {
		j.refuse(err)
	}
}

// failAll ends the sessions of all units, and with the bus itself the wishes for its port.
func (m *master) failAll(err error) {
	m.mu.Lock()
	var all []*unitWire
	for _, u := range m.units {
		if u.wire != nil {
			all = append(all, u.wire)
		}
	}
	var left []*job
	if m.stopped {
		left, m.queue = slices.Clone(m.queue), slices.DeleteFunc(m.queue, func(j *job) bool { return j.wire == nil })
		left = slices.DeleteFunc(left, func(j *job) bool { return j.wire != nil })
	}
	m.mu.Unlock()
	for _, w := range all {
		w.fail(err)
	}
	for _, j := range left {
		j.refuse(err)
	}
}

// Dead is closed when the session has ended.
func (w *unitWire) Dead() <-chan struct{} { return w.dead }

// Cause returns why the session ended.
func (w *unitWire) Cause() error {
	w.m.mu.Lock()
	defer w.m.mu.Unlock()
	return w.err
}

// Stop ends the session. What is in the air is not waited for.
func (w *unitWire) Stop(bool) { w.fail(context.Canceled) }
