package modbus

import (
	"errors"
	"fmt"
	"os"
	"slices"
	"sync"
	"time"

	"clearback/bridge/relay"
	"clearback/bridge/relay/controller"
	"clearback/bridge/relay/modbus/codec"
)

// Our own numbers.
const (
	// silenceAfterFault is the silence required after a fault, in addition to the gap between frames. It is longer than
	// the 16 ms for which common USB adapters buffer the bytes that they receive.
	silenceAfterFault = 20 * time.Millisecond
	// partialAnswerWait ends the wait for an answer once part of it, or something else, has arrived and no further byte
	// follows.
	partialAnswerWait = 50 * time.Millisecond
	// maxDelay is the longest time for which a request lets other requests go first.
	maxDelay = 3 * time.Second
	// A unit that stays silent is asked again after silentTimes its time-out, and after at least silentRest once it has
	// failed silentOften times. It then takes about a tenth of the time of the other units on its bus.
	silentTimes = 3
	silentOften = 3
	silentRest  = 2 * time.Second
	// reopenAfter is how long the whole bus may be silent before the port is reopened.
	reopenAfter = 5 * time.Second
)

var (
	errBusEnded = errors.New("modbus: the bus has been shut down")
	errNoPort   = errors.New("modbus: the port is not open")
	errStopped  = errors.New("modbus: stopped")
)

// master sends the requests on a bus: one goroutine, one request at a time, closes first. It owns the port.
type master struct {
	opt    BusOptions
	gap    time.Duration // between two frames
	reopen time.Duration // reopenAfter; tests shorten it
	// delayFor returns how long a request must wait at least because another contact's opening is under way. It is set
	// before run.
	delayFor func(j *job, silent bool, took time.Duration) time.Duration

	wake chan struct{} // buffer 1: one pending wake-up is enough
	done chan struct{} // closed when run has ended

	mu      sync.Mutex
	queue   []*job
	asking  bool // a request is being sent or awaits its answer
	units   map[uint8]*unit
	port    *port // nil if not open; owned by run, and guarded by mu for abort
	stopped bool

	// owned by run
	heard  time.Time     // time of the last byte in either direction
	unsure bool          // an unexpected answer may still arrive
	took   time.Duration // duration of an exchange
	good   time.Time     // time of the last answer, or of the opening of the port
}

// unit is what the master knows about one board.
type unit struct {
	wire   *unitWire // nil if there is no session
	silent int       // number of requests without a proper answer since the last one that had one
	rest   time.Time // earliest time of the next session while other units work
}

// job is one request in the queue. Without a pdu it asks for the port to be opened.
type job struct {
	query
	wire  *unitWire
	began chan error // buffer 1: sent once, perhaps to a caller that has gone
	since time.Time
}

func newMaster(o BusOptions) *master {
	return &master{opt: o, gap: frameGap(o.Baud), reopen: reopenAfter, wake: make(chan struct{}, 1),
		done: make(chan struct{}), units: map[uint8]*unit{}}
}

func (m *master) wakeUp() {
	select {
	case m.wake <- struct{}{}:
	default: // already awake
	}
}

// run serves the queue until stop.
func (m *master) run() {
	defer close(m.done)
	for {
		m.settle()
		j := m.next()
		switch {
		case j == nil:
			m.closePort()
			return
		case j.pdu == nil:
			j.began <- m.openPort()
		default:
			m.transact(j)
		}
	}
}

// stop ends run and its current request, and refuses everything in the queue.
func (m *master) stop() {
	m.mu.Lock()
	m.stopped = true
	if m.port != nil {
		m.port.abort()
	}
	m.mu.Unlock()
	m.failAll(errBusEnded)
	m.wakeUp()
}

func (m *master) isStopped() bool {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.stopped
}

// add queues a job.
func (m *master) add(j *job) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	switch {
	case m.stopped:
		return fmt.Errorf("%w: %w", relay.ErrUnreachable, errBusEnded)
	case j.wire != nil && j.wire.err != nil:
		return fmt.Errorf("%w: %w", relay.ErrUnreachable, j.wire.err)
	}
	m.queue = append(m.queue, j)
	m.wakeUp()
	return nil
}

// next waits for the next request to send. It returns nil once the master was stopped.
func (m *master) next() *job {
	for {
		m.mu.Lock()
		if m.stopped {
			m.mu.Unlock()
			return nil
		}
		j, wait := m.pickLocked()
		m.asking = j != nil
		m.mu.Unlock()
		if j != nil {
			return j
		}
		select {
		case <-m.wake:
		case <-time.After(wait):
		}
	}
}

// pickLocked takes the next request out of the queue. If none may be sent yet, it returns how long to wait.
//
// The order is: closes, then readings that belong to an opening under way, then all other requests in order of arrival.
// Requests to silent units come last, their closes too.
func (m *master) pickLocked() (*job, time.Duration) {
	best, rank, wait := -1, 0, time.Hour
	for i, j := range m.queue {
		silent := j.wire != nil && m.units[j.wire.unit].silent > 0
		if j.pdu != nil && (silent || !j.urgent) && time.Since(j.since) < maxDelay {
			if d := m.delayFor(j, silent, m.took); d > 0 {
				wait = min(wait, d)
				continue
			}
		}
		if r := j.rank(silent); best < 0 || r < rank {
			best, rank = i, r
		}
	}
	if best < 0 {
		return nil, wait
	}
	// A reading of the same contact that was queued before the close goes first, since it describes the time before the
	// close.
	if j := m.queue[best]; j.urgent {
		if i := slices.IndexFunc(m.queue[:best], func(e *job) bool {
			return e.contact == j.contact && !e.urgent &&
				e.before == nil
		}); i >= 0 {
			best = i
		}
	}
	j := m.queue[best]
	m.queue = slices.Delete(m.queue, best, best+1)
	return j, 0
}

func (j *job) rank(silent bool) int {
	switch {
	case silent:
		return 3
	case j.urgent || j.pdu == nil:
		return 0
	case j.contact != nil && j.before == nil: // readings
		return 1
	default:
		return 2
	}
}

// openPort opens the port if it is not open.
func (m *master) openPort() error {
	if m.port != nil {
		return nil
	}
	p, err := openPort(&m.opt)
	if err != nil {
		return err
	}
	m.mu.Lock()
	m.port = p
	m.mu.Unlock()
	m.heard, m.good, m.unsure = time.Now(), time.Now(), true
	m.settle()
	if m.port == nil {
		return errNoPort
	}
	return nil
}

func (m *master) closePort() {
	m.mu.Lock()
	p := m.port
	m.port = nil
	m.mu.Unlock()
	if p != nil {
		_ = p.Close() // an error changes nothing
	}
}

// portFailed ends all sessions, so that the port is reopened.
func (m *master) portFailed(err error) {
	m.closePort()
	m.failAll(fmt.Errorf("%s: %w", m.opt.Device, err))
}

// settle waits for the silence before a frame. After a fault it waits until nothing more arrives, but at most for the
// time-out, because a line that is never silent must not prevent a close.
func (m *master) settle() {
	if m.port == nil {
		return
	}
	silence := m.gap
	if m.unsure {
		silence += silenceAfterFault
	}
	var b [codec.MaxRTU]byte
	for limit := time.Now().Add(m.opt.Timeout); ; {
		until := m.heard.Add(silence)
		if now := time.Now(); now.After(until) || now.After(limit) {
			break
		}
		n, err := m.receive(b[:], until)
		if n > 0 {
			m.heard = time.Now()
		}
		if errors.Is(err, errStopped) || m.port == nil {
			return
		}
	}
	m.unsure = false
}

// receive reads bytes until the given time. If the port fails, receive closes it. A nil error means that bytes arrived
// or that the time is over.
func (m *master) receive(b []byte, until time.Time) (int, error) {
	err := m.port.SetReadDeadline(until)
	if m.isStopped() { // checked last, since SetReadDeadline may have undone the deadline set by abort
		return 0, errStopped
	}
	var n int
	if err == nil {
		n, err = m.port.Read(b)
	}
	switch {
	case errors.Is(err, os.ErrDeadlineExceeded):
		return n, nil
	case err != nil:
		m.portFailed(err)
	}
	return n, err
}

// transact sends one request and delivers its answer.
func (m *master) transact(j *job) {
	err := errNoPort
	if m.port != nil {
		if err = m.port.flushInput(); err != nil {
			m.portFailed(err)
		}
	}
	if err != nil {
		j.refuse(err)
		return
	}
	if j.before != nil {
		if err := j.before(); err != nil {
			j.began <- err
			return
		}
	}
	begun := time.Now()
	if j.sent != nil {
		j.sent(begun)
	}
	pdu, err := m.exchange(j)
	at := time.Now()
	m.heard = at
	var e codec.Exception
	switch {
	case err == nil || errors.As(err, &e):
		m.good, m.took = at, max(at.Sub(begun), m.took*7/8)
		m.answered(j.wire.unit)
		err = refusal(err)
	default:
		m.unsure = true
		m.failed(j.wire, err)
		err = &controller.ConnectionLost{Cause: err}
		if m.port != nil && at.Sub(m.good) > m.reopen {
			m.portFailed(fmt.Errorf("%w: no board on the bus has answered for %v; reopening the port", errTimeout,
				m.reopen))
		}
	}
	j.end(answer{pdu, at, err})
}

// exchange writes a request and waits for its answer. It returns a checked answer, a [codec.Exception] or another
// error.
func (m *master) exchange(j *job) (codec.Response, error) {
	frame := codec.AppendRTU(nil, j.wire.unit, j.pdu)
	onWire := charTime(len(frame), m.opt.Baud)
	if r := m.opt.RS485; r != nil {
		onWire += r.DelayBefore + r.DelayAfter
	}
	err := m.port.SetWriteDeadline(time.Now().Add(onWire + m.opt.Timeout))
	if err == nil {
		_, err = m.port.Write(frame)
	}
	if j.before != nil {
		j.began <- nil // even after a failed write, which may have sent some bytes
	}
	if err != nil {
		m.portFailed(err)
		return nil, err
	}
	limit := time.Now().Add(onWire + m.opt.Timeout)
	var got []byte
	for b := make([]byte, codec.MaxRTU); ; {
		until := limit
		if stalled := time.Now().Add(partialAnswerWait); len(got) > 0 && stalled.Before(limit) {
			until = stalled
		}
		n, err := m.receive(b, until)
		if err != nil {
			return nil, err
		}
		got = append(got, b[:n]...)
		pdu, rest := codec.FindRTUResponse(got, j.wire.unit, j.pdu.Function())
		switch {
		case j.pdu.Function().IsRead() && len(rest) >= len(frame) && string(rest[:len(frame)]) == string(frame):
			return nil, fmt.Errorf("%w: the port receives its own bytes; turn local echo off",
				codec.ErrResponse)
		case pdu != nil:
			return j.pdu.ParseResponse(pdu)
		}
		got = rest
		switch {
		case n == 0 && len(got) > 0:
			return nil, fmt.Errorf("%w: % x and no more: half a frame, a wrong checksum, or noise", codec.ErrResponse,
				got[:min(len(got), 32)])
		case n == 0, len(got) > 4*codec.MaxRTU:
			return nil, fmt.Errorf("%w: no answer within %v", errTimeout, m.opt.Timeout)
		}
	}
}
