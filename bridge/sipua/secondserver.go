package sipua

import (
	"context"
	"errors"
	"net/netip"
	"slices"
	"sync"
	"time"

	"github.com/emiago/sipgo/sip"
	"go.uber.org/zap"

	"clearback/bridge/sipua/endpoint"
)

// This file tests the adapter's second server, which it has to use when this machine is off. For the test, the line
// answers nothing to its adapter. A call that comes here all the same is put through: a call for help at once, any
// other call when the adapter has had time to go elsewhere with it.

// stillCalledAfter is how long an ordinary call stays unanswered before a retransmission of its INVITE ends the test.
// Over UDP that is the retransmission at 15.5 s (RFC 3261 section 17.1.1.2: at 0.5, 1.5, 3.5, 7.5, 15.5 and 31.5 s).
const stillCalledAfter = 15 * time.Second

// maxSilentCalls is how many calls of the adapter a silence keeps apart. One more ends it. Our own number.
const maxSilentCalls = 8

// errNotAtRest is the error for a silence that cannot begin now.
var errNotAtRest = errors.New("the line has a call, an opening or a check of its hook state, or the emergency centre may call back")

// SilenceEnd is why a silence ended. The values are part of the control interface.
type SilenceEnd string

// The ends of a silence.
const (
	SilenceStopped     SilenceEnd = "stopped"      // its context ended
	SilenceEmergency   SilenceEnd = "emergency"    // a call for help was made here, or on another line
	SilenceStillCalled SilenceEnd = "still-called" // an ordinary call was still made here
	SilenceCallArrived SilenceEnd = "call-arrived" // a call came from the service
)

// Silence is what a line saw while it answered nothing to its adapter.
type Silence struct {
	// Unanswered is the number of messages from the adapter, retransmissions included. Last is when the last one came.
	Unanswered int
	Last       time.Time
	// End is why the silence ended, "" while it lasts.
	End SilenceEnd
}

// silence is a silence that lasts or has just ended.
type silence struct {
	// set once
	line    *Line
	sources []netip.AddrPort
	over    chan struct{} // closed when seen.End is set

	mu    sync.Mutex
	seen  Silence
	calls map[string]time.Time // when each call of the adapter first came, by its Call-ID; at most maxSilentCalls
}

// StaySilent makes the line answer nothing to its adapter, as if this machine were off. It returns when ctx ends, when
// a call for help or a call from the service comes, or when the adapter still calls here stillCalledAfter after its
// first attempt. These calls are served as usual. The agent is silent on one line at a time. The error says why the
// silence did not begin. The deadline of ctx is logged.
func (l *Line) StaySilent(ctx context.Context) (Silence, error) {
	q := &silence{line: l, sources: l.a.registrar.Sources(l.o.Name), over: make(chan struct{}),
		calls: map[string]time.Time{}}
	if _, bound := l.a.registrar.Binding(l.o.Name); !bound {
		return Silence{}, errUnbound
	}
	if !l.a.silence.CompareAndSwap(nil, q) {
		return Silence{}, errors.New("the second server of a line is being tested; wait until that test has ended")
	}
	defer l.a.silence.Store(nil)
	// A call that begins from here on ends the silence.
	if l.a.expectsCallback() || !l.atRest() {
		q.end(SilenceStopped)
		return Silence{}, errNotAtRest
	}
	until, _ := ctx.Deadline()
	l.log.Warn("the daemon answers nothing to this line's adapter, to test its second server; calls for help are served",
		zap.Time("until", until))
	select {
	case <-q.over:
	case <-ctx.Done():
		q.end(SilenceStopped)
	}
	return q.state(), nil
}

// Silence returns what the line has seen in the silence that lasts. ok is false if none does.
func (l *Line) Silence() (s Silence, ok bool) {
	q := l.silence()
	if q == nil {
		return Silence{}, false
	}
	s = q.state()
	return s, s.End == ""
}

// silence returns the line's silence, nil if it has none.
func (l *Line) silence() *silence {
	if q := l.a.silence.Load(); q != nil && q.line == l {
		return q
	}
	return nil
}

func (q *silence) state() Silence {
	q.mu.Lock()
	defer q.mu.Unlock()
	return q.seen
}

// end ends the silence, unless it has ended.
func (q *silence) end(why SilenceEnd) {
	q.mu.Lock()
	defer q.mu.Unlock()
	q.endLocked(why)
}

func (q *silence) endLocked(why SilenceEnd) {
	if q.seen.End == "" {
		q.seen.End = why
		close(q.over)
	}
}

// callBegan ends the silence of the call's line. A call for help on any line ends it, because the emergency centre may
// call back on another line.
func (a *Agent) callBegan(c *call) {
	q := a.silence.Load()
	switch {
	case q == nil || q.line != c.line && !c.emergency:
	case c.emergency:
		q.end(SilenceEmergency)
	case c.arrived:
		q.end(SilenceCallArrived)
	default:
		q.end(SilenceStillCalled)
	}
}

// staysSilent reports whether a request outside a dialog gets no answer because of a silence.
func (s *socket) staysSilent(r *endpoint.Request) bool {
	q := s.a.silence.Load()
	if q == nil || q.line.adapter != s || s.accountFor(r) != nil || !q.concerns(r) {
		return false
	}
	if r.IsInvite() {
		if is, _ := s.a.classify(r.Recipient); is != ordinaryNumber {
			q.end(SilenceEmergency)
		}
	}
	return q.take(r, time.Now())
}

// concerns reports whether a request says that it is from the line's adapter. A request that names no line counts by
// its address.
func (q *silence) concerns(r *endpoint.Request) bool {
	if line := q.line.a.registrar.Claimed(r); line != "" {
		return line == q.line.o.Name
	}
	return slices.Contains(q.sources, r.From)
}

// take counts a request of the adapter that gets no answer. It returns false if the request is to be served.
func (q *silence) take(r *endpoint.Request, now time.Time) bool {
	q.mu.Lock()
	defer q.mu.Unlock()
	if q.seen.End != "" {
		return false
	}
	if r.IsInvite() {
		id := r.CallID().Value()
		first, known := q.calls[id]
		if !known && len(q.calls) < maxSilentCalls {
			first, known = now, true
			q.calls[id] = now
		}
		// Over TCP an INVITE comes only once.
		if sip.IsReliable(r.Transport()) || !known || now.Sub(first) >= stillCalledAfter {
			q.endLocked(SilenceStillCalled)
			return false
		}
	}
	q.seen.Unanswered++
	q.seen.Last = now
	return true
}
