package sipua

import (
	"slices"
	"time"

	"github.com/emiago/sipgo/sip"

	"clearback/bridge/media"
	"clearback/bridge/sipua/endpoint"
	"clearback/supervision"
)

// handleRequest handles a request inside the dialog.
func (l *leg) handleRequest(r *endpoint.Request) {
	if !l.fromPeer(r) {
		return
	}
	if l.state == legCalling && l.out != nil {
		l.out.selectMatching(func(cl *inviteAttempt) bool { return cl.to == l })
	}
	d := l.find(r)
	if d != nil && l.state == legIncoming && l.in != nil {
		l.in.selectMatching(func(cl *inviteAttempt) bool { return slices.Contains(cl.to.early, d.other) })
	}
	if d != nil {
		l.learn(r.Request)
		l.handleHookFlash(r)
		l.c.heardFromEnd()
	}
	if r.Method == sip.ACK {
		if x := l.in; d == l.dialog && x != nil && x.ok != nil && x.seq == r.CSeq().SeqNo {
			x.acknowledged(r)
		}
		return
	}
	if !l.acceptsRequest(r, d) {
		l.noteEarlyBye(r)
		l.reply(r, sip.StatusCallTransactionDoesNotExists, "Call/Transaction Does Not Exist")
		return
	}
	// a BYE counts whatever it requires and whatever its CSeq number: its sender has left
	if r.Method == sip.BYE {
		l.handleBye(r, d)
		return
	}
	if seq := r.CSeq().SeqNo; d.remoteSeqSet && seq < d.remoteSeq {
		l.reply(r, sip.StatusInternalServerError, "CSeq Out of Order")
		return
	}
	d.remoteSeq, d.remoteSeqSet = r.CSeq().SeqNo, true
	if unsupported := required(r.Request); unsupported != nil {
		l.reply(r, sip.StatusBadExtension, "Bad Extension", unsupported)
		return
	}
	if l.needsCall(r) {
		l.refuseWith(r, l.crossingCode())
		return
	}
	if !l.c.emergency && (r.Method == sip.INVITE || r.Method == sip.UPDATE) && l.s.shortInterval(r) {
		return
	}
	switch r.Method {
	case sip.INVITE:
		l.handleReinvite(r)
	case sip.UPDATE, sip.INFO, sip.MESSAGE:
		l.forwardRequest(r, d)
	case sip.NOTIFY:
		l.handleNotify(r, d)
	case sip.REFER:
		l.handleRefer(r, d)
	case sip.OPTIONS:
		l.reply(r, sip.StatusOK, "OK", abilities(l.allow())...)
	case sip.PRACK:
		l.handlePrack(r, d)
	case sip.CANCEL:
		l.reply(r, sip.StatusCallTransactionDoesNotExists, "Call/Transaction Does Not Exist")
	default:
		l.reply(r, sip.StatusMethodNotAllowed, "Method Not Allowed", sip.NewHeader("Allow", l.allow()))
	}
}

// acceptsRequest reports whether the dialog of a request is in a state that accepts it.
func (l *leg) acceptsRequest(r *endpoint.Request, d *dialog) bool {
	switch {
	case d == nil || l.state == legNew:
		return false
	case l.state == legOver:
		return r.Method == sip.BYE && !l.byeSeen || r.Method == sip.NOTIFY && len(l.referrals) > 0
	}
	return !d.over || r.Method == sip.PRACK
}

// noteEarlyBye notes a BYE from a called side that has not answered. There is only an early dialog, and other forks may
// follow. But the 200 of this fork may be late.
func (l *leg) noteEarlyBye(r *endpoint.Request) {
	if l.state != legCalling || r.Method != sip.BYE {
		return
	}
	if l.earlyByes == nil {
		l.earlyByes = map[string]bool{}
	}
	if len(l.earlyByes) < maxForks {
		l.earlyByes[r.Request.From().Params.GetOr("tag", "")] = true
	}
}

func (l *leg) reply(r *endpoint.Request, code int, reason string, headers ...sip.Header) {
	l.s.reply(r, code, reason, headers...)
}

// answerBye answers the peer's BYE. If the machine has asked for a BYE to the adapter, that is in the mailbox by now.
// The BYE goes first, because the opening waits for the adapter's answer to it. Posting delays our 200 only by what is
// already in the mailbox; RFC 3261 section 15.1.2 sets no deadline. Over TCP the BYE may have to wait until the adapter
// reads, so the answer goes first.
func (l *leg) answerBye(r *endpoint.Request) {
	answer := func() { l.reply(r, sip.StatusOK, "OK") }
	if p := l.peer(); p.side == media.AdapterSide && p.state == legUp && !sip.IsReliable(p.transport) {
		l.c.post(answer)
		return
	}
	answer()
}

// handleBye handles the peer's BYE. It posts the clearing first: the peer has left, whether or not the answer arrives.
func (l *leg) handleBye(r *endpoint.Request, d *dialog) {
	switch {
	case l.state == legCalling:
		l.noteEarlyBye(r)
		l.reply(r, sip.StatusCallTransactionDoesNotExists, "Call/Transaction Does Not Exist")
		return
	// the caller ends one fork (RFC 3261 section 15)
	case l.state == legIncoming && l.live() > 1:
		l.reply(r, sip.StatusOK, "OK")
		l.in.endEarlyDialog(d.other)
		// the INVITE continues whatever the answer is
		l.peer().send(l.peer().buildIn(d.other, sip.BYE), func(*sip.Response, error) {})
		return
	}
	if l.side == media.ServiceSide && l.c.deferBye(func() { l.handleBye(r, d) }) {
		return
	}
	l.byeSeen, l.peerReasons = true, reasons(r.Request)
	if l.side == media.ServiceSide {
		l.c.farEndCleared(supervision.EvidenceBye, max(l.byeLate(r.Request), age(r)))
	} else {
		l.c.nearEndCleared()
	}
	l.answerBye(r)
	if l.in != nil {
		l.in.refuse(sip.StatusRequestTerminated)
	}
	l.finish(supervision.AnswerOther)
}

// needsCall reports whether a request crosses our BYE and needs a call (RFC 5407 section 3.2). NOTIFY may report a
// transfer that outlives the call, and OPTIONS only asks for our capabilities.
func (l *leg) needsCall(r *endpoint.Request) bool {
	if l.state != legUp || !l.clearing || l.byeWaits {
		return false
	}
	switch r.Method {
	case sip.INVITE, sip.UPDATE, sip.INFO, sip.MESSAGE, sip.REFER:
		return true
	}
	return false
}

// handleReinvite passes a re-INVITE on.
func (l *leg) handleReinvite(r *endpoint.Request) {
	p := l.peer()
	// its ACK is late or lost, but the sender of this re-INVITE has our 200 (RFC 5407 section 3.1.4)
	if x := l.in; x != nil && x.ok != nil && x.offered {
		x.acknowledged(nil)
	}
	switch {
	// the answer is in the outstanding ACK (RFC 5407 section 3.1.5)
	case l.in != nil && l.in.ok != nil:
		l.reply(r, sip.StatusRequestPending, "Request Pending")
		return
	case l.in != nil: // RFC 3261 section 14.2
		l.refuseOffer(r, sip.StatusInternalServerError)
		return
	// only its ACK is outstanding (RFC 3261 section 14.1)
	case l.out == nil && p.in != nil && p.in.finalSent && p.out == nil:
		l.in = &inviteForwarding{from: l, inviteAttempt: &inviteAttempt{to: p}, r: r, seq: r.CSeq().SeqNo}
		l.c.a.addInvite(l.in)
		p.in.afterACK = append(p.in.afterACK, func() { l.resume(r) })
		return
	case l.out != nil || p.in != nil || p.out != nil:
		l.reply(r, sip.StatusRequestPending, "Request Pending")
		return
	case l.state != legUp || l.clearing || p.state != legUp || p.clearing:
		// the other side is being cleared, and a BYE follows
		l.reply(r, sip.StatusRequestPending, "Request Pending")
		return
	}
	if code := l.glare(l.dialog); code != 0 { // an UPDATE is in progress
		l.refuseOffer(r, code)
		return
	}
	body, err := l.c.path.translate(r.Request, l.side)
	if err != nil {
		code, reason, headers := bodyRefusal(err)
		l.reply(r, code, reason, headers...)
		return
	}
	x := &inviteForwarding{from: l, inviteAttempt: &inviteAttempt{to: p}, r: r, seq: r.CSeq().SeqNo, body: body,
		offered: hasBody(r.Request)}
	x.readCallerOptions()
	if x.offered {
		l.offerAnswer.pending = l
	}
	l.in = x
	l.c.a.addInvite(x)
	l.reply(r, sip.StatusTrying, "Trying")
	x.prepare()
	x.send()
}

// resume processes a re-INVITE that waited for the other leg's ACK, unless it has been answered meanwhile.
func (l *leg) resume(r *endpoint.Request) {
	if x := l.in; x != nil && x.r == r && !x.finalSent {
		l.in = nil
		l.handleReinvite(r)
		if l.in == nil || l.in.r != r { // it was refused
			l.c.a.removeInvite(x)
		}
	}
}

// forwardRequest passes on a request other than INVITE, and passes its response back.
func (l *leg) forwardRequest(r *endpoint.Request, d *dialog) {
	p, to := l.peer(), d.other
	update := r.Method == sip.UPDATE
	offer := update && hasBody(r.Request)
	if update && !offer {
		l.handleUpdate(r, d)
		return
	}
	if p.state == legOver || p.clearing || to.remote == nil || !to.remote.Params.Has("tag") {
		l.reply(r, sip.StatusRequestPending, "Request Pending")
		return
	}
	if update && d.updating { // RFC 3311 section 5.2
		l.refuseOffer(r, sip.StatusInternalServerError)
		return
	}
	if code := l.glare(d); offer && code != 0 {
		l.refuseOffer(r, code)
		return
	}
	body, err := l.c.path.translate(r.Request, l.side)
	if err != nil {
		code, reason, headers := bodyRefusal(err)
		l.reply(r, code, reason, headers...)
		return
	}
	req := p.buildIn(to, r.Method)
	passHeaders(inDialogHeaders, r.Request, req)
	passReasons(r.Request, req)
	setBody(req, r.Request, body)
	if update {
		p.askSession(req, false)
	}
	d.updating = d.updating || update
	if offer {
		d.offerAnswer.pending = l
	}
	sent, unanswered := time.Now(), func() bool { return true }
	if r.Method != sip.NOTIFY { // its time-out does not end the call
		unanswered = l.answerInTime(r)
	}
	p.forward(req, func(res *sip.Response, err error) {
		late := !unanswered()
		if update {
			d.updating = false
		}
		if offer {
			d.offerAnswer.answered(l)
			if late || err != nil || !res.IsSuccess() {
				l.c.path.rejectOffer(l.side)
			}
		}
		if !late {
			l.passOutcome(r, d, res, err)
		}
		// a failed NOTIFY concerns a subscription and not the call (RFC 5057 section 5.1)
		if r.Method != sip.NOTIFY {
			p.checkPeer(r.Method, codeOf(res, err), sent, false)
		}
	})
}

// forwardResponse passes a response back.
func (l *leg) forwardResponse(r *endpoint.Request, d *dialog, res *sip.Response) {
	code, phrase := res.StatusCode, boundedText(res.Reason, maxPhrase)
	switch passed := passedCode(r.Method, code); {
	case code == sip.StatusUnauthorized, code == sip.StatusProxyAuthRequired:
		code, phrase = sip.StatusForbidden, "Forbidden"
	case passed != code:
		l.refuseWith(r, passed)
		return
	}
	body, err := l.c.path.translate(res, l.peer().side)
	if err != nil {
		code, phrase, body = sip.StatusNotAcceptableHere, "Not Acceptable Here", nil
	}
	out := sip.NewResponseFromRequest(r.Request, code, phrase, nil)
	passHeaders(replyHeaders, res, out)
	passReasons(res, out)
	if code == sip.StatusMethodNotAllowed {
		out.AppendHeader(sip.NewHeader("Allow", l.allowBut(r.Method)))
	}
	if r.Method == sip.REFER && code/100 == 2 {
		copyReferSub(res, out)
		out.AppendHeader(l.contact())
	}
	if r.Method == sip.UPDATE && code/100 == 2 {
		l.targetRefreshed(r, d)
		d.other.retarget(res.Contact())
		l.peer().learnSession(res)
		out.AppendHeader(l.contact())
		out.AppendHeader(sip.NewHeader("Allow", l.allow()))
		l.agreeSession(r.Request, out)
	}
	setBody(out, res, body)
	if err := r.Respond(out); err != nil {
		l.c.line.log.Debug("a response could not be sent; the peer will retransmit its request")
	}
}
