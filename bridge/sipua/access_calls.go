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

// baseCalls and callsPerLine bound the ordinary calls of the whole agent, and so its memory, whatever the lines allow
// for: a thousand and sixteen for each line. A call keeps some 30 KB, so 100 lines keep 80 MB at most. Our own numbers.
const (
	baseCalls    = 1000
	callsPerLine = 16
)

// maxEmergencyCalls bounds the emergency calls that one line has at once: nobody makes more than one, and the limit
// keeps who forges the adapter's address from filling the emergency centre's lines. Our own number.
const maxEmergencyCalls = 3

// emergencyCalls are the emergency calls that a line makes. Safe for concurrent use.
type emergencyCalls struct {
	// reports bounds how often the machine, the record and the log are told of a refused one: the rest of a flood is
	// only counted.
	reports bucket

	mu    sync.Mutex
	calls []*call // oldest first
}

// admit takes a call in. Where there are too many, the newest that is not trusted and has neither rung nor been
// answered gives way, which may be the call itself: then it reports false. A trusted call is always taken. Calls whose
// ends did not answer when they were asked do not count.
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

// checkEnds has the ends of all calls asked whether they are there: mostly nobody makes a call for help beside one that
// goes on.
func (h *emergencyCalls) checkEnds() {
	h.mu.Lock()
	defer h.mu.Unlock()
	for _, c := range h.calls {
		c.post(c.lookAtEndsSoon)
	}
}

// any reports whether there is one.
func (h *emergencyCalls) any() bool {
	h.mu.Lock()
	defer h.mu.Unlock()
	return len(h.calls) > 0
}

// restore takes back a call that was to give way and could not.
func (h *emergencyCalls) restore(c *call) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.calls = append(h.calls, c)
}

// preempt ends an emergency call for another one, unless it has rung or been answered meanwhile.
func (c *call) preempt() {
	switch {
	case c.done:
		return
	case c.progress.Load():
		c.line.emergencyCalls.restore(c)
		return
	}
	c.line.log.Warn("an emergency call from an unverified address was ended, since the line made too many at once",
		zap.Uint64("call", uint64(c.id)))
	c.code = sip.StatusServiceUnavailable
	c.farEndCleared(supervision.EvidenceNoRoom, 0)
}

// admit takes a place for an ordinary call; false: there is none. A call for help, or from the emergency centre, is not
// asked for one.
func (l *Line) admit() bool {
	a := l.a
	if a.ordinary.Add(1) > int64(baseCalls+callsPerLine*len(a.lines)) {
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

// leave gives the place back.
func (l *Line) leave() {
	l.ordinary.Add(-1)
	l.a.ordinary.Add(-1)
}

// refuseTooMany answers an ordinary call of the adapter for which there is no place: with 486 like a call that is held
// back, since a 503 would send it to the adapter's second server. The near end is off hook, and hears busy tone.
func (l *Line) refuseTooMany(r *endpoint.Request, id supervision.CallID) {
	l.adapter.reply(r, blockedStatus, reason(blockedStatus))
	l.o.Events.Post(supervision.Event{Kind: supervision.CallRequested, Call: id})
	l.o.Events.Post(supervision.Event{Kind: supervision.FarEndCleared, Call: id, Evidence: supervision.EvidenceBye})
	l.a.reportCallInfo(l, id, callrecord.Outgoing, false, callrecord.Party{Number: numberOf(r.Recipient)})
	l.log.Warn("a call of the adapter was refused: there are as many on the line as may be",
		zap.Uint64("call", uint64(id)))
}
