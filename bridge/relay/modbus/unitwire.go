package modbus

import (
	"context"
	"fmt"
	"slices"
	"time"

	"clearback/bridge/relay"
)

// unitWire is one unit's session on a bus. It ends with the first request without a proper answer. The sessions of
// other units continue.
type unitWire struct {
	m    *master
	unit uint8
	dead chan struct{} // closed after err was set
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

// awaitTurn makes a silent unit wait while other units work.
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

// start queues a request. If the request has a before function, start waits until it was called.
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

// waits reports whether any request on the bus waits for an answer or in the queue.
func (w *unitWire) waits() bool {
	w.m.mu.Lock()
	defer w.m.mu.Unlock()
	return w.m.asking || len(w.m.queue) > 0
}

// answered records that a unit has answered.
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
	if u.silent++; u.silent > 1 { // the first new session, which begins with a close, is immediate
		pause := silentTimes * m.opt.Timeout
		if u.silent >= silentOften {
			pause = max(pause, silentRest)
		}
		u.rest = time.Now().Add(pause)
	}
	m.mu.Unlock()
	w.fail(err)
}

// fail ends the session with the first error given and refuses its requests in the queue. A request under way gets its
// answer from the master.
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

// failAll ends the sessions of all units. If the master was stopped, it also refuses the requests for the port.
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

// Stop ends the session without waiting for the request under way.
func (w *unitWire) Stop(bool) { w.fail(context.Canceled) }
