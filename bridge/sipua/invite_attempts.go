package sipua

import (
	"cmp"
	"net/netip"
	"slices"
	"strings"

	"github.com/emiago/sipgo/sip"
	"go.uber.org/zap"

	"clearback/bridge/media"
	"clearback/supervision"
)

// This file tries an emergency call at both services of a line. A service may send nothing, or only 100. Then the other
// service is tried in parallel, and the first to answer gets the call. Once one rings, no other is tried: a centre
// calls back each call that rang there and was cancelled.

// awaitService starts the time limits for the service's first response to the INVITE.
func (x *inviteForwarding) awaitService() {
	cl, c := x.inviteAttempt, x.to.c
	patience := x.to.account.silenceLimit()
	if c.emergency {
		patience = c.a.times.silence
		if x.mayTryInParallel() {
			patience = c.a.times.emergencySilence
			c.after(c.a.secondAfter, func() {
				if x.selectAttempt(cl) {
					x.tryInParallel()
				}
			})
		}
	}
	x.silence = c.after(patience, func() {
		if x.selectAttempt(cl) {
			x.serviceSilent()
		}
	})
}

// mayTryInParallel reports whether the next service may be tried in parallel with this one.
func (x *inviteForwarding) mayTryInParallel() bool {
	return x.to.c.emergency && x.mayFailOver() && len(x.untried) > 0 && !x.to.account.sameHost(x.untried[0])
}

// tryInParallel tries the next service in parallel with this one, unless a service has rung. It reports whether it did.
func (x *inviteForwarding) tryInParallel() bool {
	c, cl := x.to.c, x.inviteAttempt
	if !x.mayTryInParallel() || x.settled || c.progress.Load() {
		return false
	}
	if !x.heard {
		x.silence = c.after(c.a.times.silence-c.a.times.emergencySilence, func() {
			if x.selectAttempt(cl) {
				x.serviceSilent()
			}
		})
	}
	x.otherAttempts = append(x.otherAttempts, cl)
	x.tryNext()
	return true
}

// selectAttempt makes cl the attempt that is handled. It reports false if cl was abandoned.
func (x *inviteForwarding) selectAttempt(cl *inviteAttempt) bool {
	if x.inviteAttempt == cl {
		return true
	}
	i := slices.Index(x.otherAttempts, cl)
	if i < 0 {
		return false
	}
	x.otherAttempts[i], x.inviteAttempt = x.inviteAttempt, cl
	x.to.c.legs[x.to.side] = x.to
	return true
}

// selectMatching selects the first of the other attempts for which is reports true, if there is one.
func (x *inviteForwarding) selectMatching(is func(*inviteAttempt) bool) {
	if i := slices.IndexFunc(x.otherAttempts, is); i >= 0 {
		x.selectAttempt(x.otherAttempts[i])
	}
}

// mayStayUnanswered reports whether an unanswered attempt may stay open, because another attempt may still be answered.
func (x *inviteForwarding) mayStayUnanswered() bool {
	x.timedOut = true
	return slices.ContainsFunc(x.otherAttempts, (*inviteAttempt).mayAnswer)
}

// mayAnswer reports whether the attempt may still be answered: it has had a response, or its time limit has not passed.
func (cl *inviteAttempt) mayAnswer() bool { return !cl.timedOut }

// useOtherAttempt abandons a failed attempt in favour of another that may still be answered. It reports false if there
// is no such attempt.
func (x *inviteForwarding) useOtherAttempt() bool {
	i := slices.IndexFunc(x.otherAttempts, (*inviteAttempt).mayAnswer)
	if i < 0 {
		for _, cl := range x.otherAttempts {
			x.to.c.attemptEnded(cl, 0)
		}
		x.dropOthers()
		return false
	}
	failed := x.inviteAttempt
	x.selectAttempt(x.otherAttempts[i])
	x.otherAttempts = slices.Delete(x.otherAttempts, i, i+1)
	x.giveUp(failed)
	return true
}

// dropOthers abandons every attempt except the one that is handled.
func (x *inviteForwarding) dropOthers() {
	for _, cl := range x.otherAttempts {
		x.giveUp(cl)
	}
	x.otherAttempts = nil
}

// nextAddress tries an emergency call at another address of a service after one address refused it or did not answer
// (RFC 3263 section 4.3). It reports false if all were tried. While one address may still answer, no other is tried:
// all belong to the same service and reach the same people.
func (x *inviteForwarding) nextAddress() bool {
	cl := x.inviteAttempt
	if !x.to.c.emergency || cl.tx == nil {
		return false
	}
	name := cmp.Or(cl.name, x.req.Destination())
	host, port, err := sip.ParseAddr(name)
	tried := append(slices.Clone(cl.tried), cl.tx.To().Addr())
	next, found := x.to.s.ep.Alternative(host, tried)
	if err != nil || !found {
		return false
	}
	x.to.c.line.log.Warn("an emergency call is tried at another address of the service",
		zap.Uint64("call", uint64(x.to.c.id)), zap.Stringer("address", next))
	x.giveUp(cl)
	x.tryAt(cl.to.account, &inviteAttempt{name: name, tried: tried,
		at: netip.AddrPortFrom(next, uint16(port)).String()})
	return true
}

// sameHost reports whether two accounts are at one host, as configured or as last looked up.
func (s *account) sameHost(o *account) bool {
	one, two := s.host(), o.host()
	if strings.EqualFold(one, two) {
		return true
	}
	ep := s.line.service.ep
	others := hostAddresses(nil, ep, two)
	for _, p := range hostAddresses(nil, ep, one) {
		if slices.Contains(others, p) {
			return true
		}
	}
	return false
}

// host is where requests to the service go.
func (s *account) host() string {
	if host, _, err := sip.ParseAddr(s.Proxy); s.Proxy != "" && err == nil {
		return host
	}
	return s.Registrar.Host
}

// attemptEnded reports the end of the attempt that is handled.
func (x *inviteForwarding) attemptEnded(code int) {
	if x.initial {
		x.to.c.attemptEnded(x.inviteAttempt, code)
	}
}

// attemptEnded posts that an attempt at an emergency call has ended and will not become the call. code is its final
// status, or 0 if none came. A 2xx is posted even after that.
func (c *call) attemptEnded(cl *inviteAttempt, code int) {
	if !c.emergency || cl.to.side != media.ServiceSide || cl.reported && code/100 != 2 {
		return
	}
	cl.reported = true
	ev := supervision.Event{Kind: supervision.AttemptEnded, Code: code, Second: cl.to.account.second}
	switch {
	case cl.rang:
		ev.Progress = supervision.ProgressRinging
	case cl.heard:
		ev.Progress = supervision.ProgressTrying
	}
	if c.centreReached = c.centreReached || ev.Reached(); c.done && ev.Reached() {
		c.a.openCallbackWindow()
	}
	c.line.log.Warn("an attempt at an emergency call ended", zap.Uint64("call", uint64(c.id)), zap.Int("code", code),
		zap.Stringer("progress", ev.Progress), zap.String("registrar", cl.to.account.Registrar.Host))
	c.event(ev)
}

// attemptsEnd posts the end of all attempts when an emergency call ends without an answer.
func (c *call) attemptsEnd() {
	if !c.emergency || c.arrived || c.answered || c.first == nil {
		return
	}
	for _, cl := range append([]*inviteAttempt{c.first.inviteAttempt}, c.first.otherAttempts...) {
		if cl.to.state != legNew && !cl.won {
			c.attemptEnded(cl, 0)
		}
	}
}
