package sipua

import (
	"github.com/emiago/sipgo/sip"

	"clearback/bridge/media"
	"clearback/bridge/sipua/endpoint"
)

// This file decides how the failure of a request inside a call is passed back to its sender.
//
// Some failures end the call at the sender (RFC 3261 section 12.2.1.2, RFC 5057 section 5.1). An adapter that asks for
// hold while the far end hangs up may get such a failure before our BYE. It then ends the call itself, which looks as
// if the near end had hung up, and the loop stays closed. So neither side ever gets such a failure. We find out whether
// the other side is really gone (checkPeer), and end the call ourselves if it is. Instead the sender gets 491. That
// leaves the call and the session as they were (RFC 3261 section 14.1), and user agents have to expect it at any time.

// statusUnsupportedScheme is the 416 of RFC 3261 section 21.4.14.
const statusUnsupportedScheme = 416

// passedCode returns the code with which a failure of a request inside a call is passed back. The table is that of RFC
// 5057 section 5.1, from memory. A NOTIFY belongs to a subscription, so there a 481 ends only that.
func passedCode(m sip.RequestMethod, code int) int {
	switch code {
	// these destroy the dialog with all that uses it, or after a 483 the sender should end it all
	case sip.StatusNotFound, sip.StatusGone, statusUnsupportedScheme, sip.StatusLoopDetected, sip.StatusTooManyHops,
		sip.StatusAddressIncomplete, sip.StatusAmbiguous, sip.StatusBadGateway, sip.StatusGlobalDoesNotExistAnywhere:
		if m == sip.NOTIFY {
			return sip.StatusCallTransactionDoesNotExists
		}
		return sip.StatusRequestPending
	// these destroy what the request belongs to
	case sip.StatusRequestTimeout, sip.StatusTemporarilyUnavailable, sip.StatusCallTransactionDoesNotExists:
		if m != sip.NOTIFY {
			return sip.StatusRequestPending
		}
	case sip.StatusMethodNotAllowed, sip.StatusNotImplemented:
		if m == sip.INVITE {
			return sip.StatusRequestPending
		}
	}
	return code
}

// endsCall reports whether a failure of a request inside a call would end the call at its sender.
func endsCall(m sip.RequestMethod, code int) bool {
	return passedCode(m, code) == sip.StatusRequestPending && code != sip.StatusRequestPending
}

// passOutcome passes the outcome of a request back to its sender: the final response, or the error if none came.
func (l *leg) passOutcome(r *endpoint.Request, d *dialog, res *sip.Response, err error) {
	if err != nil {
		l.refuseWith(r, passedCode(r.Method, sip.StatusRequestTimeout))
		return
	}
	l.forwardResponse(r, d, res)
}

// crossingCode is the answer to a request that crosses our BYE: 481 (RFC 5407 section 3.2.2). But our BYE may be lost
// at first, and the adapter's own BYE because of the 481 would cancel the opening. So the adapter gets 491.
func (l *leg) crossingCode() int {
	if l.side == media.AdapterSide {
		return sip.StatusRequestPending
	}
	return sip.StatusCallTransactionDoesNotExists
}

func (l *leg) refuseWith(r *endpoint.Request, code int) { l.reply(r, code, reason(code)) }

// answerInTime answers a request that is being passed on with 491, shortly before its sender gives it up. The sender
// and we wait equally long (64*T1, RFC 3261 section 17.1.2.2), but the sender began earlier, and a time-out ends the
// call there like a 408. The last eighth, which is T2, leaves room for one retransmission. The caller calls unanswered
// when it has the other side's response. It reports whether the request has not been answered yet.
func (l *leg) answerInTime(r *endpoint.Request) (unanswered func() bool) {
	answered := false
	timer := l.c.after(l.c.a.times.final*7/8, func() {
		if !answered {
			answered = true
			l.refuseWith(r, sip.StatusRequestPending)
		}
	})
	return func() bool {
		timer.Stop()
		was := answered
		answered = true
		return !was
	}
}
