package sipua

import (
	"slices"
	"sync"

	"github.com/emiago/sipgo/sip"
	"go.uber.org/zap"

	"clearback/bridge/sipua/endpoint"
	"clearback/supervision"
	"clearback/supervision/callrecord"
)

// baseCalls and callsPerLine bound the ordinary calls of the whole agent, and so its memory, whatever the lines allow:
// a thousand, and sixteen for each line. A call keeps some 30 KB, so 100 lines keep 80 MB at most. Our own numbers.
const (
	baseCalls    = 1000
	callsPerLine = 16
)

// maxEmergencyCalls bounds the emergency calls that one line has at once. People make one. The limit keeps a sender
// with the adapter's forged address from filling the emergency centre's lines. Our own number.
const maxEmergencyCalls = 3

// emergencyCalls are the emergency calls that a line makes. Safe for concurrent use.
type emergencyCalls struct {
	// reports limits how many refused emergency calls are posted, recorded and logged. The rest of a flood is only
	// counted.
	reports bucket

	mu    sync.Mutex
	calls []*call // oldest first
}

// admit reports whether an emergency call may be made, and adds it. If the line has too many, an untrusted call is
// refused. A trusted call is always admitted: it ends the newest untrusted call that has neither rung nor been
// answered, if there is one. Calls whose ends did not answer the last check do not count.
func (h *emergencyCalls) admit(c *call) bool {
	h.mu.Lock()
	defer h.mu.Unlock()
	n := 0
	for _, other := range h.calls {
		if !other.silent.Load() {
			n++
		}
	}
	if n >= maxEmergencyCalls && !c.trusted {
		return false
	}
	if n >= maxEmergencyCalls {
		for i, other := range slices.Backward(h.calls) {
			if !other.trusted && !other.progress.Load() {
				h.calls = slices.Delete(h.calls, i, i+1)
				other.post(other.preempt)
				break
			}
		}
	}
	h.calls = append(h.calls, c)
	return true
}

func (h *emergencyCalls) leave(c *call) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.calls = slices.DeleteFunc(h.calls, func(other *call) bool { return other == c })
}

// checkEnds starts a check of both ends of all calls. A new emergency call usually means that the earlier ones are
// over.
func (h *emergencyCalls) checkEnds() {
	h.mu.Lock()
	defer h.mu.Unlock()
	for _, c := range h.calls {
		c.post(c.checkEndsSoon)
	}
}

// any reports whether the line has an emergency call.
func (h *emergencyCalls) any() bool {
	h.mu.Lock()
	defer h.mu.Unlock()
	return len(h.calls) > 0
}

// restore adds a call again that was removed for another call but had rung meanwhile.
func (h *emergencyCalls) restore(c *call) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.calls = append(h.calls, c)
}

// preempt ends an emergency call in favour of another, unless it has meanwhile rung or been answered.
func (c *call) preempt() {
	switch {
	case c.done:
		return
	case c.progress.Load():
		c.line.emergencyCalls.restore(c)
		return
	}
	c.line.log.Warn("an emergency call from an unverified address was ended: the line makes too many at once",
		zap.Uint64("call", uint64(c.id)))
	c.code = sip.StatusServiceUnavailable
	c.farEndCleared(supervision.EvidenceNoRoom, 0)
}

// admit takes a place for an ordinary call and reports whether one was free. Emergency calls and call-backs from the
// emergency centre need no place.
func (l *Line) admit() bool {
	a := l.a
	if a.ordinary.Add(1) > int64(baseCalls+callsPerLine*len(a.all())) {
		a.ordinary.Add(-1)
		a.counts.tooManyCalls.Add(1)
		return false
	}
	if n := l.ordinary.Add(1); l.o.MaxCalls > 0 && n > int64(l.o.MaxCalls) {
		l.leave()
		a.counts.tooManyCalls.Add(1)
		return false
	}
	return true
}

// leave frees the place.
func (l *Line) leave() {
	l.ordinary.Add(-1)
	l.a.ordinary.Add(-1)
}

// refuseTooMany answers an ordinary call of the adapter for which no place is free. It sends 486, since a 503 would
// make the adapter call its second server. The near end is off hook and hears busy tone.
func (l *Line) refuseTooMany(r *endpoint.Request, id supervision.CallID) {
	l.adapter.reply(r, blockedStatus, reason(blockedStatus))
	l.o.Events.Post(supervision.Event{Kind: supervision.CallRequested, Call: id})
	l.o.Events.Post(supervision.Event{Kind: supervision.FarEndCleared, Call: id, Evidence: supervision.EvidenceNoRoom})
	l.a.reportCallInfo(l, id, callrecord.Outgoing, false, callrecord.Party{Number: numberOf(r.Recipient)})
	l.log.Warn("a call of the adapter was refused: too many calls are up",
		zap.Uint64("call", uint64(id)))
}
