package sipua

import (
	"math/rand/v2"
	"strconv"
	"strings"
	"time"

	"github.com/emiago/sipgo/sip"
	"go.uber.org/zap"

	"clearback/bridge/media"
	"clearback/bridge/sipua/endpoint"
	"clearback/bridge/sipua/sessiontimer"
	"clearback/supervision"
)

// This file has the session timers (RFC 4028). Each leg has its own: what is negotiated with the service does not
// concern the adapter.

// statusIntervalTooSmall is the 422 of RFC 4028 section 6.
const statusIntervalTooSmall = 422

// maxIntervals bounds how often a request is sent again because of a 422. Our own number: each proxy on the path may
// ask once.
const maxIntervals = 4

// session is a leg's session timer. Owned by the call's mailbox.
type session struct {
	sessiontimer.Session
	until         time.Time   // when it expires without a refresh
	ends          *time.Timer // nil: no timer
	due           *time.Timer // for our refresh
	minSE         int         // the largest Min-SE of the peer's side, in seconds
	tooSmallCount int         // 422 responses in a row
	updates       bool        // the peer's Allow has UPDATE
	underWay      *refresh
	cancelled     *refresh // a re-INVITE that was given up, until its transaction has ended
}

// refresh is one UPDATE or re-INVITE of ours, to refresh the session or to check the peer.
type refresh struct {
	// set once
	l    *leg
	sent time.Time
	// then, if not nil, receives the status code of the answer, 0 for none
	then func(code int)
	// mediaMoves is how many re-INVITEs led to this one (see mediamove.go)
	mediaMoves int

	req *sip.Request
	tx  *endpoint.Transaction // for a re-INVITE
	ack *sip.Request          // the ACK of its 200, for retransmissions
}

// reinviteUnderWay reports whether a re-INVITE that we started ourselves is in progress. A cancelled one is in progress
// until its final response comes, or 64*T1 have passed since the CANCEL (RFC 3261 section 9.1).
func (s *session) reinviteUnderWay() bool {
	return s.cancelled != nil || s.underWay != nil && s.underWay.req.IsInvite() && s.underWay.ack == nil
}

// learn reads from a message of the peer what any message may show: the Date and Allow.
func (l *leg) learn(m sip.Message) {
	l.clockOffset.learn(m, l.c.a.now())
	if len(m.GetHeaders("Allow")) > 0 {
		l.session.updates = hasOption(m, "Allow", "UPDATE")
	}
}

// sessionInterval is the interval that we ask for, in seconds; 0 asks for none.
func (c *call) sessionInterval() int {
	if want := c.line.o.SessionExpires; want > 0 && !c.emergency {
		return max(int(want.Seconds()), sessiontimer.MinInterval)
	}
	return 0
}

// sessionRequest reads the session timer header fields of a request.
func sessionRequest(r *sip.Request) sessiontimer.Request {
	return sessiontimer.Request{
		Supported: hasOption(r, "Supported", sessionTimer) || hasOption(r, "Require", sessionTimer),
		Expires:   sessiontimer.Parse(first(r, "Session-Expires")),
		MinSE:     sessiontimer.Seconds(first(r, "Min-SE")),
	}
}

// shortInterval answers a request whose session interval is too small, and reports whether it did.
func (s *socket) shortInterval(r *endpoint.Request) bool {
	if !sessionRequest(r.Request).TooShort(sessiontimer.MinInterval) {
		return false
	}
	s.reply(r, statusIntervalTooSmall, "Session Interval Too Small",
		sip.NewHeader("Min-SE", strconv.Itoa(sessiontimer.MinInterval)))
	return true
}

// askSession adds the session timer header fields to an INVITE or UPDATE of ours: our support, and the interval in
// force. A new call at the service asks for an interval. Towards an adapter we do not ask, but the adapter may.
func (l *leg) askSession(req *sip.Request, initial bool) {
	req.AppendHeader(sip.NewHeader("Supported", sessionTimer))
	var e sessiontimer.Expires
	switch {
	case l.session.Seconds > 0 && l.state == legUp:
		e = l.session.Roles()
	case initial && l.side == media.ServiceSide:
		e.Seconds = l.c.sessionInterval()
	}
	if e.Seconds == 0 {
		return
	}
	e.Seconds = max(e.Seconds, l.session.minSE)
	l.addInterval(req, e)
}

// addInterval adds the interval to a request (RFC 4028 section 7.1: after a 422 also Min-SE).
func (l *leg) addInterval(req *sip.Request, e sessiontimer.Expires) {
	req.AppendHeader(sip.NewHeader("Session-Expires", e.String()))
	if l.session.minSE > 0 {
		req.AppendHeader(sip.NewHeader("Min-SE", strconv.Itoa(l.session.minSE)))
	}
}

// agreeSession adds the result of the negotiation to the 200 for the peer's INVITE or UPDATE, and starts the timer (RFC
// 4028 section 9).
func (l *leg) agreeSession(r *sip.Request, res *sip.Response) {
	res.AppendHeader(sip.NewHeader("Supported", supported))
	if l.state != legUp || l.clearing {
		return
	}
	want := l.session.Seconds
	if want == 0 {
		want = l.c.sessionInterval()
	}
	q := sessionRequest(r)
	s, e, require := sessiontimer.Agree(q, want, sessiontimer.MinInterval)
	l.session.minSE = max(l.session.minSE, q.MinSE)
	if e.Seconds > 0 {
		res.AppendHeader(sip.NewHeader("Session-Expires", e.String()))
		if require {
			res.AppendHeader(sip.NewHeader("Require", sessionTimer))
		}
	}
	l.beginSession(s)
}

// learnSession starts the timer after the 200 to an INVITE or UPDATE of ours (RFC 4028 section 7.2).
func (l *leg) learnSession(res *sip.Response) {
	if l.state == legUp && !l.clearing {
		l.beginSession(sessiontimer.Learn(sessiontimer.Parse(first(res, "Session-Expires"))))
	}
}

// tooShort raises the interval of a request that got a 422, so that it can be sent again. It reports false if the
// response is no such 422. If raising does not help, the interval is removed: no call is lost because of a timer.
func (l *leg) tooShort(req *sip.Request, res *sip.Response) bool {
	asked := sessiontimer.Parse(first(req, "Session-Expires"))
	if res.StatusCode != statusIntervalTooSmall || asked.Seconds == 0 || l.session.tooSmallCount >= maxIntervals {
		return false
	}
	l.session.tooSmallCount++
	minSE := sessiontimer.Seconds(first(res, "Min-SE"))
	for _, name := range []string{"Session-Expires", "Min-SE", "Via"} {
		for len(req.GetHeaders(name)) > 0 && req.RemoveHeader(req.GetHeaders(name)[0].Name()) {
		}
	}
	if minSE > asked.Seconds && l.session.tooSmallCount < maxIntervals {
		l.session.minSE = max(l.session.minSE, minSE)
		asked.Seconds = l.session.minSE
		l.addInterval(req, asked)
	}
	d := l.dialogOf(req)
	d.seq = max(d.seq, req.CSeq().SeqNo) + 1
	req.CSeq().SeqNo = d.seq
	return true
}

// beginSession starts or restarts the timer. It stops the timer if no interval is in force.
func (l *leg) beginSession(s sessiontimer.Session) {
	l.runSession(s, l.inSeconds(s.End()))
}

// inSeconds is n seconds of session timers.
func (l *leg) inSeconds(n float64) time.Duration {
	return time.Duration(n * float64(l.c.a.times.second))
}

// runSession is beginSession for a session that ends after end.
func (l *leg) runSession(s sessiontimer.Session, end time.Duration) {
	t := &l.session
	t.stop()
	t.Session, t.tooSmallCount = s, 0
	if s.Seconds == 0 {
		return
	}
	began := time.Now()
	t.until = began.Add(end)
	var ends *time.Timer
	ends = l.c.after(end, func() {
		switch {
		case t.ends != ends:
		// a refresh may still wait to be read, or nobody read the answer to ours
		case l.s.ep.Resumed().After(began):
			l.beginSession(t.Session)
			if l.side == media.ServiceSide {
				l.checkLiveness(supervision.EvidenceSessionExpired)
			}
		default:
			l.sessionExpired(0)
		}
	})
	t.ends = ends
	if s.Ours {
		l.refreshIn(max(end-l.inSeconds(s.End()-s.Refresh()), 0))
	}
}

// stop ends the timers.
func (s *session) stop() {
	for _, t := range []*time.Timer{s.ends, s.due} {
		if t != nil {
			t.Stop()
		}
	}
	s.ends, s.due = nil, nil
}

// abandon stops the timers and cancels a refresh in progress.
func (s *session) abandon() {
	s.stop()
	if s.underWay != nil && s.underWay.tx != nil {
		s.underWay.tx.Cancel()
	}
	s.underWay = nil
}

// refreshIn schedules a refresh after d.
func (l *leg) refreshIn(d time.Duration) {
	if l.session.ends == nil {
		return
	}
	var due *time.Timer
	due = l.c.after(d, func() {
		if l.session.due == due {
			l.refresh()
		}
	})
	l.session.due = due
}

// refresh refreshes the session by UPDATE without an offer, with which nothing can collide. If the peer does not
// support UPDATE, it sends a re-INVITE with the last description sent there (RFC 4028 section 7.4).
func (l *leg) refresh() {
	x := l.session.underWay
	if l.state != legUp || l.clearing || x != nil && x.then == nil {
		return
	}
	m := sip.INVITE
	if body, _ := l.c.path.lastSent(l.side); l.session.updates || body == nil {
		m = sip.UPDATE
	}
	if l.refreshCollides(m) {
		l.refreshIn(l.c.a.times.second) // the exchange in progress refreshes too
		return
	}
	l.refreshBy(m, nil)
}

// refreshCollides reports whether a refresh by this method would collide with an exchange in progress.
func (l *leg) refreshCollides(m sip.RequestMethod) bool {
	p := l.peer()
	return l.session.underWay != nil || m == sip.INVITE &&
		(l.in != nil || l.out != nil || p.in != nil || p.out != nil || l.offerAnswer.pending != nil ||
			l.session.reinviteUnderWay() || p.session.reinviteUnderWay())
}

// refreshBy sends UPDATE without an offer, or a re-INVITE with the last description sent there. If then is not nil, it
// receives the status code, or 0 if no answer comes within 64*T1. Otherwise Timer C limits a re-INVITE.
func (l *leg) refreshBy(m sip.RequestMethod, then func(code int)) *refresh {
	req := l.build(m)
	l.askSession(req, false)
	x := &refresh{l: l, req: req, sent: time.Now(), then: then}
	l.session.underWay = x
	if m == sip.UPDATE {
		l.send(req, x.outcome)
		return x
	}
	body, kind := l.c.path.lastSent(l.side)
	req.AppendHeader(sip.NewHeader("Content-Type", kind))
	req.SetBody(body)
	limit := l.c.a.times.ringing
	if then != nil {
		limit = l.c.a.times.final
	}
	l.c.after(limit, x.giveUp)
	x.send(1)
	return x
}

// giveUp cancels a re-INVITE that has no final response.
func (x *refresh) giveUp() {
	l, s := x.l, &x.l.session
	if s.underWay != x {
		return
	}
	s.cancelled = x
	x.tx.Cancel()
	if x.then != nil {
		x.outcome(nil, endpoint.ErrTimeout)
		return
	}
	// the peer has sent a provisional response, so only the end of the session counts
	s.underWay = nil
	l.refreshIn(time.Until(s.until) / 2)
}

// send sends the re-INVITE.
func (x *refresh) send(challenges int) {
	l, seq := x.l, x.req.CSeq().SeqNo
	tx, err := l.s.ep.SendIn(l.c.mailbox, x.req, l.fallbackDest(x.req), func(res endpoint.Response) {
		if x.req.CSeq().SeqNo == seq {
			x.response(res, challenges)
		}
	})
	x.tx = tx
	if err != nil {
		x.outcome(nil, err)
	}
}

func (x *refresh) response(res endpoint.Response, challenges int) {
	l := x.l
	if l.session.cancelled == x && (res.Err != nil || !res.IsProvisional()) {
		l.session.cancelled = nil
	}
	if res.Err != nil {
		x.outcome(nil, res.Err)
		return
	}
	l.learn(res.Response)
	switch {
	case res.IsProvisional():
	case res.IsSuccess():
		repeat := x.ack != nil
		if !repeat {
			l.retarget(res.Contact())
			x.ack = l.buildSeq(l.dialog, sip.ACK, x.req.CSeq().SeqNo)
			copyHeaders([]string{"Authorization", "Proxy-Authorization"}, x.req, x.ack)
		}
		if err := l.s.ep.Write(x.ack.Clone()); err != nil {
			l.c.line.log.Warn("an ACK could not be sent; the other side will retransmit its 200", zap.Error(err))
		}
		if !repeat {
			x.follow(res.Response)
			x.outcome(res.Response, nil)
		}
	case l.session.underWay != x, l.clearing: // it was given up, or a BYE has followed it
	case challenges > 0 && l.challenged(x.req, res.Response):
		x.send(challenges - 1)
	case l.tooShort(x.req, res.Response):
		x.send(challenges)
	default:
		x.outcome(res.Response, nil)
	}
}

// outcome handles the final response to a refresh, or its failure.
func (x *refresh) outcome(res *sip.Response, err error) {
	l := x.l
	if l.session.underWay != x {
		return
	}
	l.session.underWay = nil
	if l.state != legUp || l.clearing {
		return
	}
	code := codeOf(res, err)
	if code/100 == 2 {
		l.answered(x.req.Method, code)
		if !x.req.IsInvite() {
			l.retarget(res.Contact())
		}
		l.learnSession(res)
	}
	switch {
	case x.then != nil:
		x.then(code)
	case code/100 == 2:
	case code == sip.StatusCallTransactionDoesNotExists, code == 0, code == sip.StatusRequestTimeout:
		x.unanswered(code)
	default:
		l.refreshAgain(x, res)
	}
}

// unanswered handles 481, 408 or no answer (0). By RFC 4028 section 10 each of them ends the call. But a service that
// is unreachable for a minute still has its calls. So it is asked again by another method, and the session continues
// for the negotiated time.
func (x *refresh) unanswered(code int) {
	l, second := x.l, x.l.c.a.times.second
	known := code == sip.StatusCallTransactionDoesNotExists
	switch {
	// media of the peer arrives, so the peer is there: only the end of the session counts
	case !known && l.c.path.lastHeard(l.side).After(x.sent):
		l.refreshIn(second)
	case l.side == media.AdapterSide || l.c.emergency:
		l.sessionExpired(code)
	default:
		if known && !x.req.IsInvite() {
			l.session.updates = false
		}
		l.refreshIn(max(time.Until(l.session.until)/2, second))
		l.checkService(x.req.Method, code, x.sent, supervision.EvidenceSessionExpired)
	}
}

// refreshAgain retries a refresh that the peer refused. The session's end does not change.
func (l *leg) refreshAgain(x *refresh, res *sip.Response) {
	second := l.c.a.times.second
	wait := max(time.Until(l.session.until)/2, second)
	switch res.StatusCode {
	case sip.StatusRequestPending:
		wait = l.glareWait()
	case sip.StatusInternalServerError:
		if n, err := strconv.Atoi(strings.TrimSpace(first(res, "Retry-After"))); err == nil && n >= 0 {
			wait = min(wait, time.Duration(min(n, 3600))*second+second/10)
		}
	default: // the peer rejects UPDATE, whatever its Allow says
		if body, _ := l.c.path.lastSent(l.side); !x.req.IsInvite() && body != nil {
			l.session.updates = false
			wait = 0
		}
	}
	l.refreshIn(wait)
}

// glareWait is the wait after a 491: 2.1 to 4 s if we chose the Call-ID, otherwise 0 to 2 s, in steps of 10 ms (RFC
// 3261 section 14.1).
func (l *leg) glareWait() time.Duration {
	steps := rand.IntN(201)
	if l.c.first.to == l {
		steps = 210 + rand.IntN(191)
	}
	return time.Duration(steps) * l.c.a.times.second / 100
}

// sessionExpired ends the call because the session was not refreshed, or because the peer's answer (code) or its
// silence showed that it is gone. Late stays 0: nobody can prove when the peer vanished after the last refresh. An
// emergency call is never ended for this.
func (l *leg) sessionExpired(code int) {
	if l.state != legUp || l.clearing {
		return
	}
	log := l.c.line.log.With(zap.Uint64("call", uint64(l.c.id)), zap.Stringer("side", sideName(l.side)),
		zap.Int("code", code), zap.Int("interval_s", l.session.Seconds))
	if l.c.emergency {
		log.Warn("a session timer expired in an emergency call; the call continues")
		l.beginSession(l.session.Session)
		return
	}
	log.Warn("a session timer expired")
	l.session.stop()
	if l.side == media.ServiceSide {
		l.c.farEndCleared(supervision.EvidenceSessionExpired, 0)
	} else {
		l.c.adapterLost()
	}
	l.clear()
}

// handleUpdate answers an UPDATE without an offer. It refreshes this leg only; the other side is not involved (RFC 4028
// section 9).
func (l *leg) handleUpdate(r *endpoint.Request, d *dialog) {
	if d.updating { // RFC 3311 section 5.2
		l.refuseOffer(r, sip.StatusInternalServerError)
		return
	}
	l.targetRefreshed(r, d)
	res := sip.NewResponseFromRequest(r.Request, sip.StatusOK, "OK", nil)
	res.AppendHeader(l.contact())
	res.AppendHeader(sip.NewHeader("Allow", l.allow()))
	l.agreeSession(r.Request, res)
	if err := r.Respond(res); err != nil {
		l.c.line.log.Debug("a response could not be sent; the peer will retransmit its request", zap.Error(err))
	}
}
