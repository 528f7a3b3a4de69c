package sipua

import (
	"net/netip"
	"strings"
	"time"

	"github.com/emiago/sipgo/sip"
	"go.uber.org/zap"

	"clearback/bridge/media"
	"clearback/bridge/sipua/endpoint"
	"clearback/bridge/sipua/registration"
	"clearback/supervision"
)

// inviteForwarding is one INVITE that passes through the call: a server transaction on the leg from, a client
// transaction on the leg to. The first INVITE creates the call, and later ones change it. Owned by the call's mailbox.
type inviteForwarding struct {
	// set once
	initial       bool
	from          *leg
	r             *endpoint.Request
	seq           uint32
	cancelReasons []sip.Header // from its CANCEL
	body          []byte       // r's body for the other side
	offered       bool         // r carried an offer; otherwise the 200 carries it and the ACK the answer
	// reliable: the caller supports reliable provisional responses. required: it accepts no others (RFC 3262)
	reliable, required bool

	// the server transaction
	finalSent bool
	ok        *sip.Response // the 200, retransmitted until its ACK
	okSince   time.Time
	okEvery   time.Duration
	afterACK  []func() // runs after the ACK, or after the wait for it has ended

	// the client transaction: the only attempt, or the one whose response or time-out is being handled
	*inviteAttempt
	otherAttempts   []*inviteAttempt // attempts at an emergency call without a final response
	untried         []*account       // accounts at services not yet tried
	lastDescribed   *dialog          // the fork whose session description was passed last
	provisionalSent bool             // a provisional response other than 100 was passed on
}

// inviteAttempt is a client transaction of a forwarded INVITE, to the adapter or to one service.
type inviteAttempt struct {
	to *leg // set once
	// name is the host whose addresses are tried in turn; "" until a second address is tried. tried are the addresses
	// already tried. at is the present address, with its port
	name, at             string
	tried                []netip.Addr
	req                  *sip.Request
	tx                   *endpoint.Transaction
	attempt              int // INVITEs sent
	uncounted            int // attempts that do not count towards the limit of challenges
	sent                 time.Time
	heard, rang, settled bool
	cancelled            bool                    // we sent CANCEL
	won                  bool                    // a 200 has come
	answeredTag          string                  // its To tag
	acks                 map[string]*sip.Request // by To tag, for retransmissions of the 200
	redirections         int                     // redirections followed (RFC 3261 section 8.1.3.4)
	contacts, followed   []sip.Uri               // not yet tried, already tried
	rseqs                map[*dialog]uint32      // the last RSeq received
	forks                map[string]*dialog      // by To tag, once a fork was answered
	silence, ringing     *time.Timer
	// timedOut: in an emergency call, the service sent nothing within its time limit
	timedOut bool
	reported bool // AttemptEnded was posted
	// resumed: an earlier process sent the INVITE; unsent: and it is not to be repeated
	resumed, unsent bool
}

// passToService sends the adapter's call to the service.
func (x *inviteForwarding) passToService() {
	if x.to.state != legNew || x.from.state != legIncoming {
		return
	}
	to := x.to
	aor := to.account.addressOfRecord()
	called := calledTowardsService(x.r.Recipient, to.account.Registrar)
	to.local = callerTowardsService(x.r.Request.From(), aor, to.tag)
	to.remote = &sip.ToHeader{Address: called}
	to.transport, x.contacts = to.account.transport(), nil
	x.call(called)
	x.awaitService()
	x.send()
}

// passToAdapter offers an arrived call to the adapter.
func (x *inviteForwarding) passToAdapter() {
	if x.to.state != legNew || x.to.clearing || !x.to.c.arrived {
		return
	}
	to, line := x.to, x.to.c.line
	b, bound := to.c.a.registrar.Binding(line.o.Name)
	if !bound {
		to.c.adapterLost()
		x.refuse(sip.StatusTemporarilyUnavailable)
		x.from.finish(supervision.AnswerConfirmed) // this finishes the other leg too, which has not begun
		return
	}
	to.follow(b)
	own := to.contact().Address
	to.local = callerTowardsAdapter(x.r.Request.From(), own, to.tag)
	to.remote = &sip.ToHeader{Address: sip.Uri{Scheme: "sip", User: line.o.AdapterUser, Host: own.Host, Port: own.Port}}
	x.prepare()
	x.send()
}

// follow sends the leg's requests to the adapter's present binding.
func (l *leg) follow(b registration.Binding) {
	l.target, l.dest, l.transport = b.Contact, "", strings.ToUpper(b.Transport)
	if b.Destination.IsValid() {
		l.dest = b.Destination.String()
	}
}

// prepare builds the INVITE for the other leg.
func (x *inviteForwarding) prepare() {
	x.req = x.to.build(sip.INVITE)
	if in, out := x.r.MaxForwards(), x.req.MaxForwards(); x.initial && in != nil && in.Val() > 0 &&
		in.Val() <= maxForwards {
		*out = sip.MaxForwardsHeader(in.Val() - 1) // ends calls that run in a loop
	}
	if x.initial {
		callHeadersTo(x.to.side, x.r.Request, x.req)
		if !x.to.c.emergency {
			removeCallbackMark(x.req)
		}
	}
	x.offerOptions()
	x.to.askSession(x.req, x.initial)
	setBody(x.req, x.r.Request, x.body)
}

// send starts the client transaction.
func (x *inviteForwarding) send() {
	x.attempt++
	cl, attempt, to := x.inviteAttempt, x.attempt, x.to
	x.to.out, x.sent, x.rseqs = x, time.Now(), nil
	if x.initial {
		x.to.state = legCalling
		x.stampVia()
	}
	send := to.s.ep.SendIn
	if x.unsent {
		send = to.s.ep.ResumeIn
	}
	tx, err := send(to.c.mailbox, x.req, to.fallbackDest(x.req), func(res endpoint.Response) {
		switch {
		case attempt == cl.attempt && x.selectAttempt(cl):
			x.response(res)
		case to.replacedInvite != nil:
			to.replacedInvite.lateResponse(res)
		}
	})
	if err != nil {
		x.failed(err)
		return
	}
	x.tx = tx
	x.awaitAnswer()
}

// stampVia gives a new request its Via here, so that a later process can repeat it.
func (x *inviteForwarding) stampVia() {
	if x.resumed {
		x.resumed = false // it is repeated
		return
	}
	for x.req.RemoveHeader("Via") {
	}
	x.req.PrependHeader(x.to.s.ep.NewVia(x.to.transport))
}

// awaitAnswer starts or restarts Timer C. An emergency call has no limit: it may wait in the centre's queue.
func (x *inviteForwarding) awaitAnswer() {
	if x.initial && x.to.c.emergency {
		return
	}
	if x.ringing != nil {
		x.ringing.Stop()
	}
	cl, c := x.inviteAttempt, x.to.c
	x.ringing = c.after(c.a.times.ringing, func() {
		if x.selectAttempt(cl) {
			x.timerCFired()
		}
	})
}

func (x *inviteForwarding) response(res endpoint.Response) {
	if res.Err == nil {
		x.to.heardFrom(res.Response)
		x.to.learn(res.Response)
	}
	if res.Err == nil && x.to.side == media.ServiceSide {
		x.to.account.noteResponse()
	}
	switch {
	case res.Err != nil:
		x.failed(res.Err)
	case res.IsProvisional():
		x.provisional(res.Response)
	case res.IsSuccess():
		x.success(res.Response)
	case x.settled:
	// it crossed our CANCEL; another INVITE would make a telephone ring for no caller
	case x.to.clearing || x.finalSent:
		x.rejected(res.Response)
	case x.to.challenged(x.req, res.Response) && x.attempt-x.uncounted < 3:
		x.send()
	case x.to.tooShort(x.req, res.Response):
		x.uncounted++
		x.send()
	default:
		x.rejected(res.Response)
	}
}

// challenged answers a challenge of the service by putting credentials into req, and reports whether it did.
func (l *leg) challenged(req *sip.Request, res *sip.Response) bool {
	if l.side != media.ServiceSide || (res.StatusCode != sip.StatusUnauthorized &&
		res.StatusCode != sip.StatusProxyAuthRequired) {
		return false
	}
	if err := l.account.authorize(req, res); err != nil {
		l.c.line.log.Warn("the service's challenge cannot be answered", zap.Error(err))
		return false
	}
	d := l.dialogOf(req)
	d.seq = max(d.seq, req.CSeq().SeqNo)
	return true
}

func (x *inviteForwarding) provisional(res *sip.Response) {
	x.heard, x.timedOut = true, false // so the timer x.silence has no effect
	if x.settled || res.StatusCode == sip.StatusTrying {
		return
	}
	x.rang = true
	if x.to.side == media.ServiceSide {
		x.to.c.progress.Store(true)
	}
	x.awaitAnswer()
	d, n := x.early(res), rseq(res)
	switch {
	case d == nil && res.To().Params.Has("tag"):
		return // too many forks
	case d != nil && (d.over || n != 0 && !x.inOrder(d, n)):
		return
	case res.StatusCode == statusEarlyTerminated:
		x.handleEarlyTerminated(d, res, n)
		return
	}
	x.to.c.ringing()
	if x.finalSent {
		if d != nil && n != 0 {
			x.acknowledgeEarly(d, n)
		}
		return
	}
	// if the description cannot be passed, the adapter plays its own ringing tone
	body, _ := x.showDescription(d, res)
	x.provisionalSent = true
	x.sendProvisional(d, res, body, n)
}

// success handles a 2xx. The first one is passed on. Others are retransmissions, or come from other forks.
func (x *inviteForwarding) success(res *sip.Response) {
	tag := res.To().Params.GetOr("tag", "")
	switch ack := x.acks[tag]; {
	case ack != nil:
		x.write(ack)
		return
	case x.won && x.answeredTag == tag:
		return // the ACK waits for the other side's
	case x.won && x.initial:
		x.attemptEnded(res.StatusCode)
		x.dropFork(res, tag)
		return
	}
	x.endTransaction()
	x.won, x.answeredTag = true, tag
	c := x.to.c
	c.progress.Store(true)
	if x.initial {
		x.chooseFork(x.early(res))
		x.dropOthers()
		x.to.state = legUp
	} else {
		x.to.retarget(res.Contact())
	}
	x.to.learnSession(res)
	x.to.answered(sip.INVITE, res.StatusCode)
	if x.initial && c.arrived {
		c.nearEndAnswered()
	}
	if x.finalSent || x.to.clearing || x.from.state == legOver { // the 200 crossed a CANCEL
		x.attemptEnded(res.StatusCode)
		x.acknowledge(nil, nil)
		if x.initial && x.to.clearing {
			x.to.bye()
		}
		return
	}
	body, err := x.showAnswer(res)
	if x.offered {
		x.acknowledge(nil, nil)
	}
	if err != nil {
		c.line.log.Warn("an answer cannot be passed on", zap.Uint64("call", uint64(c.id)), zap.Error(err))
		x.answerUnusable()
		return
	}
	x.whenAcknowledged(x.to.dialog, func() { x.passAnswer(res, body) })
	if x.initial && x.to.earlyByes[tag] { // the BYE came before this 200
		c.clearedBy(x.to.side)
		x.to.finish(supervision.AnswerConfirmed)
	}
}

// passAnswer passes the 200 on.
func (x *inviteForwarding) passAnswer(res *sip.Response, body []byte) {
	if x.initial {
		x.to.c.nearEndAnswered()
	}
	x.answer(res, body)
}

// answerUnusable ends the attempt if the session description of the answer cannot be passed on.
func (x *inviteForwarding) answerUnusable() {
	x.acknowledge(nil, nil)
	if !x.initial {
		x.refuse(sip.StatusNotAcceptableHere) // the next try would not be different
		return
	}
	x.refuse(sip.StatusBadGateway)
	x.to.c.clearedBy(x.to.side)
	x.from.finish(supervision.AnswerConfirmed)
	x.to.clear()
}

// endTransaction notes that the client transaction has its final response.
func (x *inviteForwarding) endTransaction() {
	x.settled = true
	x.stopWaiting()
}

func (x *inviteForwarding) stopWaiting() {
	for _, t := range []*time.Timer{x.silence, x.ringing} {
		if t != nil {
			t.Stop()
		}
	}
}

// dropFork acknowledges and clears a fork that answered too late.
func (x *inviteForwarding) dropFork(res *sip.Response, tag string) {
	to := x.to
	d := x.forks[tag]
	if d == nil {
		d = &dialog{tag: to.tag, local: to.local, target: x.req.Recipient, seq: x.req.CSeq().SeqNo}
	}
	d.confirm(res)
	x.ack(to.buildSeq(d, sip.ACK, x.req.CSeq().SeqNo), tag)
	bye := to.buildIn(d, sip.BYE)
	to.send(bye, func(_ *sip.Response, err error) {
		if err != nil {
			to.c.line.log.Debug("a late fork did not answer its BYE", zap.Error(err))
		}
	})
}

// acknowledge sends the ACK of the chosen 200. src and body have the other side's answer if the INVITE had no offer.
func (x *inviteForwarding) acknowledge(src sip.Message, body []byte) {
	if !x.won || x.acks[x.answeredTag] != nil {
		return
	}
	ack := x.to.buildSeq(x.to.dialog, sip.ACK, x.req.CSeq().SeqNo)
	if src != nil {
		setBody(ack, src, body)
	}
	x.ack(ack, x.answeredTag)
	if x.to.out == x {
		x.to.out = nil
	}
}

func (x *inviteForwarding) ack(ack *sip.Request, tag string) {
	copyHeaders([]string{"Authorization", "Proxy-Authorization"}, x.req, ack) // RFC 3261 section 22.1
	if x.acks == nil {
		x.acks = map[string]*sip.Request{}
	}
	x.acks[tag] = ack
	x.write(ack)
}

func (x *inviteForwarding) write(ack *sip.Request) {
	if err := x.to.s.ep.Write(ack.Clone()); err != nil {
		x.to.c.line.log.Warn("an ACK could not be sent; the other side will retransmit its 200", zap.Error(err))
	}
}
