package sipua

import (
	"sync"
	"time"

	"github.com/emiago/sipgo/sip"
	"go.uber.org/zap"

	"clearback/bridge/sipua/endpoint"
	"clearback/supervision"
	"clearback/supervision/callrecord"
)

// refusedEvery is the least time between two log lines about calls that were refused before they reached a line. Our
// own number.
const refusedEvery = time.Minute

// refusedCalls counts the calls from the service that were refused before they reached the line. Safe for concurrent
// use; the zero value is ready to use.
type refusedCalls struct {
	recorded struct{ ordinary, emergency bucket } // keeps a flood of calls of either kind from filling the journal
	mu       sync.Mutex
	since    int
	next     time.Time
}

// due counts a call. It returns the number of calls since the last log line, or 0 if no line is due yet.
func (f *refusedCalls) due(now time.Time) int {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.since++
	if now.Before(f.next) {
		return 0
	}
	n := f.since
	f.since, f.next = 0, now.Add(refusedEvery)
	return n
}

// recordRefused records a call from the service that was refused with code before it reached the line, and logs it at
// most once in refusedEvery. Calls marked as the emergency centre's have their own limit in the record.
func (l *Line) recordRefused(r *endpoint.Request, id supervision.CallID, emergency bool, code int,
	why supervision.Evidence) {
	if n := l.refused.due(time.Now()); n > 0 {
		l.log.Warn("a call from the service was refused", zap.Uint64("call", uint64(id)), zap.Int("code", code),
			zap.Stringer("because", why),
			zap.Stringer("from", r.From), zap.Int("since_the_last_line", n))
	}
	room := &l.refused.recorded.ordinary
	if emergency {
		room = &l.refused.recorded.emergency
	}
	if !room.take(time.Now()) {
		return
	}
	l.o.Events.Post(supervision.Event{Kind: supervision.CallRefused, Call: id, Emergency: emergency, Evidence: why})
	l.a.reportCallInfo(l, id, callrecord.Incoming, emergency, caller(r))
}

// refuseArrived refuses a call from the service for which nothing has been created yet.
func (l *Line) refuseArrived(r *endpoint.Request, emergency bool, code int, why supervision.Evidence) {
	if code == sip.StatusServiceUnavailable {
		l.service.reply(r, code, reason(code), l.a.retryAfter())
	} else {
		l.service.reply(r, code, reason(code))
	}
	l.recordRefused(r, supervision.CallID(l.a.lastCall.Add(1)), emergency, code, why)
}

// adapterRefused posts that the adapter's registration was refused, or that the adapter has registered since.
func (l *Line) adapterRefused(is bool) {
	kind := supervision.AdapterRegistered
	if is {
		kind = supervision.AdapterRefused
	}
	l.o.Events.Post(supervision.Event{Kind: kind})
}
