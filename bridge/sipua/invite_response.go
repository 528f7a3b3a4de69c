package sipua

import (
	"time"

	"github.com/emiago/sipgo/sip"
	"go.uber.org/zap"

	"clearback/bridge/media"
	"clearback/bridge/sipua/endpoint"
)

// This file has the server transaction of a forwarded INVITE.

// buildResponse builds our response from the other leg's.
func (x *inviteForwarding) buildResponse(res *sip.Response, body []byte) *sip.Response {
	out := sip.NewResponseFromRequest(x.r.Request, res.StatusCode, boundedText(res.Reason, maxPhrase), nil)
	passHeaders(replyHeaders, res, out)
	passReasons(res, out)
	if x.from.side == media.AdapterSide {
		passHeaders(replyService, res, out)
		passIdentity(res, out)
	}
	if res.StatusCode < 300 {
		out.AppendHeader(x.from.contact())
		out.AppendHeader(sip.NewHeader("Allow", x.from.allow()))
		setBody(out, res, body)
	}
	return out
}

// transmit sends a response. If that fails, the peer retransmits its request.
func (x *inviteForwarding) transmit(res *sip.Response) {
	if err := x.r.Respond(res); err != nil {
		x.from.c.line.log.Warn("a response could not be sent", zap.Int("code", res.StatusCode),
			zap.Stringer("side", sideName(x.from.side)), zap.Error(err))
	}
}

// answer passes a 200 on and retransmits it until its ACK (RFC 3261 section 13.3.1.4).
func (x *inviteForwarding) answer(res *sip.Response, body []byte) {
	x.final()
	if x.initial {
		x.from.state = legUp
	}
	x.from.targetRefreshed(x.r, x.from.dialog)
	if deal := x.from.offerAnswer; !x.offered && hasBody(res) && (!x.initial || !deal.begun) {
		deal.pending = x.to // the answer comes in the ACK
	} else {
		deal.pending = nil
	}
	t := x.from.c.a.times
	x.ok, x.okSince, x.okEvery = x.buildResponse(res, body), time.Now(), t.t1
	setToTag(x.ok, x.from.dialog)
	x.from.agreeSession(x.r.Request, x.ok)
	x.from.c.after(x.okEvery, x.answerAgain)
	if !x.initial {
		x.transmit(x.ok)
		return
	}
	x.from.c.saveBefore(func() { x.transmit(x.ok) })
}

// targetRefreshed applies a target refresh of the peer.
func (l *leg) targetRefreshed(r *endpoint.Request, d *dialog) {
	d.retarget(r.Contact())
	if l.side == media.AdapterSide {
		l.dest = r.From.String()
	}
}

func (x *inviteForwarding) answerAgain() {
	if x.from.in != x || x.from.state == legOver { // its ACK has come, or the leg is over
		return
	}
	t := x.from.c.a.times
	if time.Since(x.okSince) >= t.final {
		x.unacknowledged()
		return
	}
	x.okEvery = min(2*x.okEvery, t.t2)
	x.from.c.after(min(x.okEvery, t.final-time.Since(x.okSince)), x.answerAgain)
	x.transmit(x.ok)
}

// unacknowledged handles a missing ACK after 64*T1.
func (x *inviteForwarding) unacknowledged() {
	from := x.from
	from.in = nil
	from.offerAnswer.answered(x.to)
	defer x.resume()
	x.acknowledge(nil, nil)
	if !x.initial {
		from.checkPeer(sip.INVITE, 0, x.okSince, false)
		return
	}
	if from.byeWaits {
		from.bye()
		return
	}
	if from.c.emergency {
		from.c.line.log.Warn("no ACK in an emergency call; the call continues", zap.Uint64("call", uint64(from.c.id)),
			zap.Stringer("side", sideName(from.side)))
		return
	}
	from.c.peerSilent(from.side)
	from.clear()
}

// acknowledged handles the peer's ACK of our 200. r may be nil if the ACK carries no answer.
func (x *inviteForwarding) acknowledged(r *endpoint.Request) {
	x.from.in = nil
	x.from.offerAnswer.answered(x.to)
	defer x.resume()
	if !x.offered {
		body, err := x.from.c.path.translate(r.Request, x.from.side)
		if err != nil {
			x.from.c.line.log.Warn("an answer in an ACK cannot be passed on", zap.Error(err))
		}
		x.acknowledge(r.Request, body)
	}
	if x.from.byeWaits {
		x.from.bye()
	}
}

// resume runs the functions that waited for the ACK.
func (x *inviteForwarding) resume() {
	for _, f := range x.afterACK {
		f()
	}
}

// final notes that the final response is about to be sent.
func (x *inviteForwarding) final() {
	x.finalSent = true
	x.stopProvisionals()
	if !x.initial {
		x.from.offerAnswer.answered(x.from)
	}
	x.from.c.a.removeInvite(x)
}

// reject passes a failure on. A challenge is not passed: it concerns only us and the service, or is the adapter's
// mistake. Nor is a failure of a re-INVITE that would end the call.
func (x *inviteForwarding) reject(res *sip.Response) {
	if x.finalSent {
		return
	}
	switch code := res.StatusCode; {
	case code == sip.StatusUnauthorized, code == sip.StatusProxyAuthRequired:
		x.refuse(sip.StatusForbidden)
	case code < 400:
		if out := x.passRedirection(res); out != nil {
			x.fail(out)
		} else {
			x.refuse(sip.StatusTemporarilyUnavailable)
		}
	case !x.initial && endsCall(sip.INVITE, code):
		x.refuse(code)
	default:
		x.fail(x.buildResponse(res, nil))
	}
}

// refuse answers with a failure of our own, unless a final response was already sent. It never ends the call of a
// re-INVITE.
func (x *inviteForwarding) refuse(code int) {
	if x.finalSent {
		return
	}
	if !x.initial {
		code = passedCode(sip.INVITE, code)
	}
	res := sip.NewResponseFromRequest(x.r.Request, code, reason(code), nil)
	if code == sip.StatusServiceUnavailable {
		res.AppendHeader(x.from.c.a.retryAfter())
	}
	x.fail(res)
}

func (x *inviteForwarding) fail(res *sip.Response) {
	x.final()
	if !x.initial && x.offered && x.body != nil {
		x.from.c.path.rejectOffer(x.from.side)
	}
	x.transmit(res)
	if x.from.in == x {
		x.from.in = nil
	}
}

// reason is the reason phrase of a code that we or the machine chose.
func reason(code int) string {
	switch code {
	case sip.StatusForbidden:
		return "Forbidden"
	case sip.StatusRequestTimeout:
		return "Request Timeout"
	case sip.StatusTemporarilyUnavailable:
		return "Temporarily Unavailable"
	case sip.StatusCallTransactionDoesNotExists:
		return "Call/Transaction Does Not Exist"
	case sip.StatusBusyHere:
		return "Busy Here"
	case sip.StatusRequestTerminated:
		return "Request Terminated"
	case sip.StatusNotAcceptableHere:
		return "Not Acceptable Here"
	case sip.StatusRequestPending:
		return "Request Pending"
	case sip.StatusBadGateway:
		return "Bad Gateway"
	case sip.StatusServiceUnavailable:
		return "Service Unavailable"
	}
	return "Refused"
}
