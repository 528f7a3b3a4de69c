package sipua

import (
	"go.uber.org/zap"

	"clearback/bridge/sipua/endpoint"
	"clearback/supervision"
	"clearback/supervision/story"
)

// callsFloor and callsALine bound the ordinary calls of the whole agent, and so its memory, whatever the lines allow for: a thousand
// and sixteen for each line. A call keeps some 30 KB, so 100 lines keep 80 MB at most. Our own numbers.
const (
	callsFloor = 1000
	callsALine = 16
)

// admit takes a place for an ordinary call; false: there is none. A call for help, or from the emergency centre, is not asked for one.
func (l *Line) admit() bool {
	a := l.a
	if a.ordinary.Add(1) > int64(callsFloor+callsALine*len(a.lines)) {
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

// overfull answers an ordinary call of the adapter for which there is no place: with 486 like a call that is held back, since a 503
// would send it to the adapter's second server. The near end is off hook, and hears busy tone.
func (l *Line) overfull(r *endpoint.Request, id supervision.CallID) {
	l.adapter.reply(r, refusedHere, reason(refusedHere))
	l.o.Events.Post(supervision.Event{Kind: supervision.CallRequested, Call: id})
	l.o.Events.Post(supervision.Event{Kind: supervision.FarEndCleared, Call: id, Evidence: supervision.EvidenceBye})
	l.a.note(l, id, story.Outgoing, false, story.Party{Number: numberOf(r.Recipient)})
	l.log.Warn("a call of the adapter was refused: there are as many on the line as may be", zap.Uint64("call", uint64(id)))
}
