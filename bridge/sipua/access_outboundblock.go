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

// blockedStatus answers a call of the adapter that must not be passed on: 486, for which an adapter plays busy tone. A
// 503 or 480 may make the adapter use its second server (common practice).
const blockedStatus = sip.StatusBusyHere

// outboundBlock holds the callbacks that block the adapter's calls. Safe for concurrent use.
type outboundBlock struct {
	mu        sync.Mutex
	callbacks []*func(number string, emergency bool)
}

// BlockOutbound refuses every ordinary call of the adapter with 486, and calls told for each refused call. It is for
// trials, in which the adapter may read an opening as dialling. After a 503 an adapter would place the call through its
// second server. CallRequested is posted even so, since the request is a seizure, then NearEndCleared. Emergency calls
// pass, and told is called for them too. told is not called for a call of [LineOptions.OffHookNumber], which nobody
// dialled. told must not block. stop ends the blocking; it may be called twice.
func (l *Line) BlockOutbound(told func(number string, emergency bool)) (stop func()) {
	h := &l.outboundBlock
	h.mu.Lock()
	defer h.mu.Unlock()
	h.callbacks = append(h.callbacks, &told)
	return func() {
		h.mu.Lock()
		defer h.mu.Unlock()
		h.callbacks = slices.DeleteFunc(h.callbacks, func(f *func(string, bool)) bool { return f == &told })
	}
}

// notify calls the callbacks for a call and reports whether calls are blocked.
func (h *outboundBlock) notify(number string, emergency bool) bool {
	h.mu.Lock()
	told := slices.Clone(h.callbacks)
	h.mu.Unlock()
	for _, f := range told {
		(*f)(number, emergency)
	}
	return len(told) > 0
}

// active reports whether calls are blocked.
func (h *outboundBlock) active() bool {
	h.mu.Lock()
	defer h.mu.Unlock()
	return len(h.callbacks) > 0
}

// refuseBlocked refuses an ordinary call that must not be passed on, and reports whether it did.
func (l *Line) refuseBlocked(r *endpoint.Request) bool {
	number := numberOf(r.Recipient)
	switch {
	case l.o.OffHookNumber != "" && number == l.o.OffHookNumber:
		l.o.Events.Post(supervision.Event{Kind: supervision.LeftOffHook})
		l.log.Info("the adapter reports that the line was left off hook", zap.String("number", number))
	case l.outboundBlock.active():
		id := supervision.CallID(l.a.lastCall.Add(1))
		l.o.Events.Post(supervision.Event{Kind: supervision.CallRequested, Call: id})
		l.o.Events.Post(supervision.Event{Kind: supervision.NearEndCleared, Call: id})
		l.outboundBlock.notify(number, false)
		l.a.reportCallInfo(l, id, callrecord.Outgoing, false, callrecord.Party{Number: number})
		l.log.Warn("a call of the adapter was refused during trials", zap.Uint64("call", uint64(id)))
	default:
		return false
	}
	l.adapter.reply(r, blockedStatus, reason(blockedStatus))
	return true
}
