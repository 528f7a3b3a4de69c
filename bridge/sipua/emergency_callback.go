package sipua

import (
	"slices"
	"time"

	"github.com/emiago/sipgo/sip"

	"clearback/bridge/sipua/endpoint"
	"clearback/supervision"
)

// This file decides which calls count as call-backs from the emergency centre. A call-back is marked in its Priority
// header field (RFC 7090), and anybody can write that mark. A call-back passes the limits, and the loop stays closed
// for it. So the mark counts only while a call-back is expected, or from addresses that the configuration trusts.

// maxCallbacks bounds the call-backs that are on one line at once. Further ones are ordinary calls. Our own number, the
// same as maxEmergencyCalls.
const maxCallbacks = maxEmergencyCalls

// hasCallbackMark reports whether a request is marked as a call-back from the emergency centre.
func hasCallbackMark(m sip.Message) bool {
	return slices.ContainsFunc(m.GetHeaders("Priority"), func(h sip.Header) bool {
		return supervision.EmergencyCallback(h.Value())
	})
}

// removeCallbackMark removes the mark from a request, so that the adapter does not treat an ordinary call as a
// call-back.
func removeCallbackMark(r *sip.Request) {
	if hasCallbackMark(r) {
		for r.RemoveHeader("Priority") {
		}
	}
}

// isCallback reports whether an arriving call counts as a call-back.
func (l *Line) isCallback(r *endpoint.Request) bool {
	return hasCallbackMark(r.Request) && l.callbacks.Load() < maxCallbacks &&
		(containsAddr(l.a.callbackFrom, r.From.Addr()) || l.a.expectsCallback())
}

// expectsCallback reports whether the emergency centre may call back: an emergency call is up on some line, or ended
// within the window. Call-backs do not count, so that marked calls cannot extend the window.
func (a *Agent) expectsCallback() bool {
	return int64(time.Since(a.epoch)) < a.callbackUntil.Load() ||
		slices.ContainsFunc(a.all(), func(l *Line) bool { return l.emergencyCalls.any() })
}

// expectCallback opens the line's window when an emergency call of the line, or a call-back, ends.
func (l *Line) expectCallback() {
	l.callbackUntil.Store(int64(time.Since(l.a.epoch) + l.a.callbackWindow))
}

// expectCallbackUntil makes the agent's window last until then at least, in nanoseconds since the agent's start.
func (a *Agent) expectCallbackUntil(until int64) {
	for was := a.callbackUntil.Load(); until > was && !a.callbackUntil.CompareAndSwap(was, until); {
		was = a.callbackUntil.Load()
	}
}

// openCallbackWindow opens the agent's window when an emergency call of any line ends.
func (a *Agent) openCallbackWindow() {
	a.callbackUntil.Store(int64(time.Since(a.epoch) + a.callbackWindow))
}
