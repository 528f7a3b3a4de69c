package sipua

import (
	"math/rand/v2"
	"strconv"
	"time"

	"github.com/emiago/sipgo/sip"

	"clearback/bridge/media"
	"clearback/bridge/sipua/endpoint"
	"clearback/supervision"
)

// request takes a request inside the dialog.
func (l *leg) request(r *endpoint.Request) {
	if l.remoteTag(r) {
		l.dates.learn(r.Request, l.c.a.now())
	}
	l.flashed(r)
	if r.Method == sip.ACK {
		if x := l.in; x != nil && x.ok != nil && x.seq == r.CSeq().SeqNo {
			x.acknowledged(r)
		}
		return
	}
	if !l.knows(r) {
		l.reply(r, sip.StatusCallTransactionDoesNotExists, "Call/Transaction Does Not Exist")
		return
	}
	if r.Method == sip.BYE { // whatever it requires and however it counts: who sent it is gone
		l.ended(r)
		return
	}
	if seq := r.CSeq().SeqNo; l.heardSeq && seq < l.remoteSeq {
		l.reply(r, sip.StatusInternalServerError, "CSeq Out of Order")
		return
	}
	l.remoteSeq, l.heardSeq = r.CSeq().SeqNo, true
	if unsupported := required(r.Request); unsupported != nil {
		l.reply(r, sip.StatusBadExtension, "Bad Extension", unsupported)
		return
	}
	switch r.Method {
	case sip.INVITE:
		l.reinvited(r)
	case sip.UPDATE, sip.INFO, sip.MESSAGE, sip.NOTIFY:
		l.forward(r)
	case sip.OPTIONS:
		l.reply(r, sip.StatusOK, "OK", sip.NewHeader("Allow", allow), sip.NewHeader("Accept", "application/sdp"))
	case sip.CANCEL, sip.PRACK:
		l.reply(r, sip.StatusCallTransactionDoesNotExists, "Call/Transaction Does Not Exist")
	default:
		l.reply(r, sip.StatusMethodNotAllowed, "Method Not Allowed", sip.NewHeader("Allow", allow))
	}
}

// knows tells whether the peer's tag is that of this dialog and the dialog can take the request.
func (l *leg) knows(r *endpoint.Request) bool {
	if l.state == legNew || !l.remoteTag(r) {
		return false
	}
	if l.state == legOver {
		return r.Method == sip.BYE && !l.byeSeen
	}
	return true
}

// remoteTag tells whether a request has the peer's tag, as far as that is known; otherwise it is of another fork of our INVITE.
func (l *leg) remoteTag(r *endpoint.Request) bool {
	if l.remote == nil {
		return false
	}
	tag, known := l.remote.Params.Get("tag")
	return !known || tag == r.Request.From().Params.GetOr("tag", "")
}

func (l *leg) reply(r *endpoint.Request, code int, reason string, headers ...sip.Header) {
	l.s.reply(r, code, reason, headers...)
}

// ended takes the peer's BYE. It is reported before it is answered: whatever becomes of the answer, the peer is gone.
func (l *leg) ended(r *endpoint.Request) {
	if l.state == legCalling { // who was called has not answered; there is only an early dialog, and others may follow
		if l.left == nil {
			l.left = map[string]bool{}
		}
		l.left[r.Request.From().Params.GetOr("tag", "")] = true // or its 200 is late
		l.reply(r, sip.StatusCallTransactionDoesNotExists, "Call/Transaction Does Not Exist")
		return
	}
	l.byeSeen = true
	if l.side == media.ServiceSide {
		l.c.farEndCleared(supervision.EvidenceBye, l.dates.late(r.Request, l.c.a.now(), l.c.a.times.final))
	} else {
		l.c.nearEndCleared()
	}
	l.reply(r, sip.StatusOK, "OK")
	if l.in != nil {
		l.in.refuse(sip.StatusRequestTerminated)
	}
	l.finish(supervision.AnswerConfirmed)
}

// reinvited passes a re-INVITE on.
func (l *leg) reinvited(r *endpoint.Request) {
	p := l.peer()
	switch {
	case l.in != nil: // RFC 3261 section 14.2
		l.reply(r, sip.StatusInternalServerError, "Request Pending", sip.NewHeader("Retry-After", strconv.Itoa(rand.IntN(11))))
		return
	case l.out == nil && p.in != nil && p.in.finalSent && p.out == nil: // only its ACK is missing (RFC 3261 section 14.1)
		l.in = &exchange{from: l, to: p, r: r, seq: r.CSeq().SeqNo}
		l.c.a.addInvite(l.in)
		p.in.then = append(p.in.then, func() { l.resume(r) })
		return
	case l.out != nil || p.in != nil || p.out != nil:
		l.reply(r, sip.StatusRequestPending, "Request Pending")
		return
	case l.state != legUp || l.clearing || p.state != legUp || p.clearing:
		l.reply(r, sip.StatusRequestPending, "Request Pending") // the other side is going away, its BYE follows
		return
	}
	body, err := l.c.path.translate(r.Request, l.side)
	if err != nil {
		code, reason, headers := refusal(err)
		l.reply(r, code, reason, headers...)
		return
	}
	x := &exchange{from: l, to: p, r: r, seq: r.CSeq().SeqNo, body: body, offered: hasBody(r.Request)}
	l.in = x
	l.c.a.addInvite(x)
	l.reply(r, sip.StatusTrying, "Trying")
	x.prepare()
	x.send()
}

// resume takes a re-INVITE up again that waited for the other leg's ACK, unless it was answered since.
func (l *leg) resume(r *endpoint.Request) {
	if x := l.in; x != nil && x.r == r && !x.finalSent {
		l.in = nil
		l.reinvited(r)
	}
}

// forward passes a request that is no INVITE on and its response back.
func (l *leg) forward(r *endpoint.Request) {
	p := l.peer()
	offer := r.Method == sip.UPDATE && hasBody(r.Request)
	switch {
	case p.state == legOver || p.clearing || p.remote == nil || !p.remote.Params.Has("tag"):
		l.reply(r, sip.StatusRequestPending, "Request Pending")
		return
	case offer && (l.updating || p.updating || (l.out != nil && l.out.offered)): // RFC 3311 section 5.2
		l.reply(r, sip.StatusRequestPending, "Request Pending")
		return
	}
	body, err := l.c.path.translate(r.Request, l.side)
	if err != nil {
		code, reason, headers := refusal(err)
		l.reply(r, code, reason, headers...)
		return
	}
	req := p.build(r.Method)
	copyHeaders(insideHeaders, r.Request, req)
	setBody(req, r.Request, body)
	p.updating = offer
	sent := time.Now()
	p.send(req, func(res *sip.Response, err error) {
		p.updating = false
		if err != nil {
			l.reply(r, sip.StatusRequestTimeout, "Request Timeout")
			p.doubt(0, sent, false)
			return
		}
		l.forwarded(r, res)
		p.doubt(res.StatusCode, sent, false)
	})
}

// forwarded passes the response back.
func (l *leg) forwarded(r *endpoint.Request, res *sip.Response) {
	code, phrase := res.StatusCode, res.Reason
	if code == sip.StatusUnauthorized || code == sip.StatusProxyAuthRequired {
		code, phrase = sip.StatusForbidden, "Forbidden"
	}
	body, err := l.c.path.translate(res, l.peer().side)
	if err != nil {
		code, phrase, body = sip.StatusNotAcceptableHere, "Not Acceptable Here", nil
	}
	out := sip.NewResponseFromRequest(r.Request, code, phrase, nil)
	copyHeaders(replyHeaders, res, out)
	if r.Method == sip.UPDATE && res.IsSuccess() {
		l.refreshed(r)
		l.peer().retarget(res.Contact())
		out.AppendHeader(l.contact())
	}
	setBody(out, res, body)
	if err := r.Respond(out); err != nil {
		l.c.line.log.Debug("a response could not be sent; the peer repeats its request")
	}
}
