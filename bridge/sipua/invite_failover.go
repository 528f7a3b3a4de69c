package sipua

import (
	"context"
	"slices"
	"time"

	"github.com/emiago/sipgo/sip"
	"go.uber.org/zap"

	"clearback/bridge/media"
	"clearback/bridge/sipua/endpoint"
	"clearback/bridge/sipua/registration"
)

// This file passes calls to the second service when the first is lost, and back when it returns.

// choose returns the accounts that a call may be passed to, in the order in which they are tried. For an ordinary call
// the list may be empty. For an emergency call it has all accounts.
func (l *Line) choose(emergency bool) []*account {
	var up, doubtful, last []*account
	for _, s := range l.accounts {
		switch {
		case !s.registered():
			last = append(last, s)
		case s.lost():
			doubtful = append(doubtful, s)
		default:
			up = append(up, s)
		}
	}
	up = append(up, doubtful...)
	if emergency {
		up = append(up, last...)
	}
	return up
}

// retry makes the registration clients retry at once.
func (l *Line) retry() {
	for _, s := range l.accounts {
		if s.client != nil {
			s.client.Retry()
		}
	}
}

// noteNoResponse notes that the service did not answer. For the duration of Retry-After its time limit is shorter. If
// the line has another service, calls go there until this one answers again. When it is back, it is asked about the
// calls that are up.
func (s *account) noteNoResponse() {
	a := s.line.a
	a.counts.silences.Add(1)
	s.silentUntil.Store(int64(time.Since(a.epoch) + a.times.retryAfter))
	if (len(s.line.accounts) > 1 || s.hasCalls()) && s.down.CompareAndSwap(false, true) {
		s.log.Warn("the service does not answer; until it answers, calls go to the line's other service, if any",
			zap.String("registrar", s.Registrar.Host))
		if s.probing.CompareAndSwap(false, true) {
			a.work.start(s.awaitRecovery)
		}
	}
}

// messageSince reports whether a message from the service has come since then.
func (s *account) messageSince(then time.Time) bool {
	return s.lastMessage.Load() >= int64(then.Sub(s.line.a.epoch))
}

// noteResponse notes that a message from the service has come.
func (s *account) noteResponse() {
	s.silentUntil.Store(0)
	s.lastMessage.Store(int64(time.Since(s.line.a.epoch)))
	if s.down.CompareAndSwap(true, false) {
		s.log.Info("the service answers again", zap.String("registrar", s.Registrar.Host))
		time.AfterFunc(s.line.a.times.recoveryDelay, s.askCalls)
	}
}

// lost reports whether the service has recently failed to answer.
func (s *account) lost() bool {
	return s.down.Load() || int64(time.Since(s.line.a.epoch)) < s.silentUntil.Load() || s.client != nil &&
		s.client.Status().Silent
}

// registrationChanged handles a change of the registration. A granted registration shows that the service is back.
func (s *account) registrationChanged(now registration.Status) {
	s.saveRegistration(now)
	if now.Registered && !now.Silent {
		s.noteResponse()
	}
}

// awaitRecovery sends OPTIONS to a lost service until it answers (RFC 3261 section 11). s.probing ensures that only one
// runs at a time.
func (s *account) awaitRecovery() {
	for again := true; again; again = s.down.Load() && s.line.a.ctx.Err() == nil && !s.retired() &&
		s.probing.CompareAndSwap(false, true) {
		s.probeRecovery()
		s.probing.Store(false)
	}
}

// retired reports whether a reload has replaced or removed the account's line. Such an account has no calls.
func (s *account) retired() bool { return s.line.a.Line(s.line.o.Name) != s.line }

// probeRecovery returns when the service is no longer lost, when the account is retired or when the agent ends.
func (s *account) probeRecovery() {
	a := s.line.a
	look := time.Tick(a.times.recoveryProbe)
	for s.down.Load() {
		select {
		case <-look:
		case <-a.ctx.Done():
			return
		}
		if s.retired() {
			return
		}
		if s.answers() {
			s.noteResponse()
			if s.client != nil {
				s.client.Retry()
			}
		}
	}
}

// answers reports whether the service answers OPTIONS with anything but 503 or 408.
func (s *account) answers() bool { return s.answersWithin(s.line.a.times.probe) }

func (s *account) answersWithin(limit time.Duration) bool {
	code, err := s.sendOptions(s.line.a.ctx, limit)
	return err == nil && code != sip.StatusServiceUnavailable && code != sip.StatusRequestTimeout
}

// sendOptions sends OPTIONS to the service and returns the status code of the response.
func (s *account) sendOptions(ctx context.Context, limit time.Duration) (code int, err error) {
	ctx, cancel := context.WithTimeout(ctx, limit)
	defer cancel()
	req := s.build(sip.OPTIONS, standaloneRequest{callID: token(), tag: token(), seq: 1})
	req.AppendHeader(sip.NewHeader("Accept", sdpType)) // RFC 3261 section 11.1
	res, err := s.line.service.ep.Do(ctx, req)
	if err != nil {
		return 0, err
	}
	return res.StatusCode, nil
}

// standaloneRequest identifies a request outside a call.
type standaloneRequest struct {
	callID, tag string
	seq         uint32
}

// build returns a request to the service for the address of record, outside a call.
func (s *account) build(m sip.RequestMethod, o standaloneRequest) *sip.Request {
	aor, contact := s.addressOfRecord(), s.line.service.ep.Contact(s.token, s.transport())
	req := sip.NewRequest(m, aor)
	id, hops := sip.CallIDHeader(o.callID), sip.MaxForwardsHeader(maxForwards)
	req.AppendHeader(&sip.FromHeader{Address: aor, Params: sip.HeaderParams{{K: "tag", V: o.tag}}})
	req.AppendHeader(&sip.ToHeader{Address: aor})
	req.AppendHeader(&id)
	req.AppendHeader(&sip.CSeqHeader{SeqNo: o.seq, MethodName: m})
	req.AppendHeader(&hops)
	req.AppendHeader(contact)
	req.SetTransport(s.transport())
	if at := s.destination(); at != "" {
		req.SetDestination(at)
	}
	return req
}

// failover passes the call to another address of the service, to the line's other service, or to a parallel attempt. It
// reports false if none is left. It also reports false if a provisional response of this service has already passed to
// the adapter, except in an emergency call.
func (x *inviteForwarding) failover() bool {
	if !x.mayFailOver() || x.provisionalSent && !x.to.c.emergency {
		return false
	}
	if x.nextAddress() {
		return true
	}
	if len(x.untried) == 0 {
		return x.useOtherAttempt()
	}
	x.giveUp(x.inviteAttempt)
	x.tryNext()
	return true
}

// mayFailOver reports whether the call may go to another service at all.
func (x *inviteForwarding) mayFailOver() bool {
	return x.initial && x.to.side == media.ServiceSide && !x.to.clearing && x.from.state == legIncoming && !x.finalSent
}

// tryNext starts an attempt at the next service.
func (x *inviteForwarding) tryNext() {
	c, next := x.to.c, x.untried[0]
	x.untried = x.untried[1:]
	c.a.counts.failovers.Add(1)
	c.line.log.Warn("a call is passed to the line's other service", zap.Uint64("call", uint64(c.id)),
		zap.String("registrar", next.Registrar.Host))
	x.tryAt(next, &inviteAttempt{})
}

// tryAt starts an attempt at a service.
func (x *inviteForwarding) tryAt(s *account, cl *inviteAttempt) {
	c := x.to.c
	cl.to = newClientLeg(c, media.ServiceSide, s)
	cl.to.callID = x.to.callID // the Call-ID already reported stays valid
	x.inviteAttempt = cl
	c.legs[media.ServiceSide] = cl.to
	c.a.addDialog(cl.to, cl.to.dialog)
	x.passToService()
}

// giveUp abandons an attempt. Its timers have no further effect.
func (x *inviteForwarding) giveUp(cl *inviteAttempt) {
	old := cl.to
	if cl.tx != nil {
		cl.tx.Cancel()
	}
	x.forget(old)
	cl.forks = forksOf(old)
	old.replacedInvite = &inviteForwarding{initial: true, from: x.from, r: x.r, inviteAttempt: cl}
	old.state, old.out = legOver, nil
	old.c.a.removeDialog(old.key(old.dialog))
}

// forget ends the early dialogs of an abandoned leg. The adapter keeps one dialog, whichever service answers.
func (x *inviteForwarding) forget(old *leg) {
	for _, d := range old.early {
		own := d.other
		own.provisionals.stop()
		if own == x.from.dialog {
			own.provisionals = nil
		}
		d.over, own.over = true, own != x.from.dialog
		x.from.early = slices.DeleteFunc(x.from.early, func(one *dialog) bool { return one == own })
		if x.lastDescribed == d {
			x.lastDescribed = nil
		}
	}
}

// serviceRejects reports whether a final response means that this service cannot serve the call, rather than that the
// far end rejects it: 503 (RFC 3263 section 4.3), or rejected credentials. An emergency call is tried elsewhere after
// any failure.
func (x *inviteForwarding) serviceRejects(code int) bool {
	switch code {
	case sip.StatusServiceUnavailable, sip.StatusUnauthorized, sip.StatusProxyAuthRequired:
		return true
	}
	return x.to.c.emergency
}

// lateResponse handles a response to an INVITE that was abandoned for another service. The transaction sends the CANCEL
// by itself. If the call is answered even so, lateResponse clears it.
func (x *inviteForwarding) lateResponse(res endpoint.Response) {
	switch {
	case res.Err != nil:
		x.attemptEnded(0)
		return
	case res.IsProvisional():
		x.heard, x.rang = true, x.rang || res.StatusCode != sip.StatusTrying
	}
	x.to.account.noteResponse()
	if res.IsProvisional() {
		return
	}
	tag := res.To().Params.GetOr("tag", "")
	if ack := x.acks[tag]; ack != nil {
		x.write(ack)
		return
	}
	x.attemptEnded(res.StatusCode)
	if res.IsSuccess() {
		x.dropFork(res.Response, tag)
	}
}
