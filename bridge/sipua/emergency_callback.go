package sipua

import (
	"slices"
	"time"

	"github.com/emiago/sipgo/sip"

	"clearback/bridge/sipua/endpoint"
	"clearback/supervision"
)

// This file says which calls are taken for the emergency centre's own. A call-back is marked in its Priority header
// field (RFC 7090), which anybody can write. What is believed passes the limits, and the loop stays closed for it; so
// the mark counts only while a call-back is expected, or from where the user says that it can be trusted.

// maxCallbacks bounds the call-backs that are on one line at once; further ones are ordinary calls. Our own number,
// as maxEmergencyCalls.
const maxCallbacks = maxEmergencyCalls

// hasCallbackMark reports whether a request is marked as a call-back from the emergency centre.
func hasCallbackMark(m sip.Message) bool {
	return slices.ContainsFunc(m.GetHeaders("Priority"), func(h sip.Header) bool {
		return supervision.EmergencyCallback(h.Value())
	})
}

// removeCallbackMark takes the mark out of a request: no adapter is to do for an ordinary call what it does for a
// call-back.
func removeCallbackMark(r *sip.Request) {
	if hasCallbackMark(r) {
		for r.RemoveHeader("Priority") {
		}
	}
}

// isCallback reports whether an arriving call is taken for a call-back.
func (l *Line) isCallback(r *endpoint.Request) bool {
	return hasCallbackMark(r.Request) && l.callbacks.Load() < maxCallbacks &&
		(containsAddr(l.a.callbackFrom, r.From.Addr()) || l.a.expectsCallback())
}

// expectsCallback reports whether the emergency centre may call back: some line is making an emergency call, or made
// one within the window. Call-backs do not count, so that marked calls cannot keep the window open.
func (a *Agent) expectsCallback() bool {
	return int64(time.Since(a.epoch)) < a.callbackUntil.Load() ||
		slices.ContainsFunc(a.lines, func(l *Line) bool { return l.emergencyCalls.any() })
}

// expectCallback is called when an emergency call of the line, or a call-back, ends.
func (l *Line) expectCallback() {
	l.callbackUntil.Store(int64(time.Since(l.a.epoch) + l.a.callbackWindow))
}

// openCallbackWindow is called when an emergency call of a line ends.
func (a *Agent) openCallbackWindow() {
	a.callbackUntil.Store(int64(time.Since(a.epoch) + a.callbackWindow))
}
