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

// This file tries an emergency call at both services of a line. A service that says nothing, or 100 and then nothing, does not keep the
// call from the other one: that is tried beside it, and the first that answers has the call. Once one rings, nobody else is tried: a centre
// calls back each call that rang there and was cancelled.

// awaitService begins to wait for what the service says to the INVITE.
func (x *exchange) awaitService() {
	cl, c := x.client, x.to.c
	patience := x.to.account.patience()
	if c.emergency {
		patience = c.a.times.silence
		if x.mayTryBeside() {
			patience = c.a.times.quick
			c.after(c.a.secondAfter, func() {
				if x.turnTo(cl) {
					x.tryBeside()
				}
			})
		}
	}
	x.silence = c.after(patience, func() {
		if x.turnTo(cl) {
			x.silent()
		}
	})
}

// mayTryBeside reports whether the next service may be tried beside this one.
func (x *exchange) mayTryBeside() bool {
	return x.to.c.emergency && x.mayGoOn() && len(x.rest) > 0 && !x.to.account.sameHost(x.rest[0])
}

// tryBeside tries the next service beside this one, unless one has rung; it reports whether it did.
func (x *exchange) tryBeside() bool {
	c, cl := x.to.c, x.client
	if !x.mayTryBeside() || x.settled || c.progress.Load() {
		return false
	}
	if !x.heard {
		x.silence = c.after(c.a.times.silence-c.a.times.quick, func() {
			if x.turnTo(cl) {
				x.silent()
			}
		})
	}
	x.standing = append(x.standing, cl)
	x.tryNext()
	return true
}

// turnTo makes an attempt the one that is handled; false: it was given up.
func (x *exchange) turnTo(cl *client) bool {
	if x.client == cl {
		return true
	}
	i := slices.Index(x.standing, cl)
	if i < 0 {
		return false
	}
	x.standing[i], x.client = x.client, cl
	x.to.c.legs[x.to.side] = x.to
	return true
}

// turnToward is turnTo for the attempt of which is holds, if there is one.
func (x *exchange) turnToward(is func(*client) bool) {
	if i := slices.IndexFunc(x.standing, is); i >= 0 {
		x.turnTo(x.standing[i])
	}
}

// waits reports whether an attempt that nobody answers may be left standing, since another one is not lost.
func (x *exchange) waits() bool {
	x.mute = true
	return slices.ContainsFunc(x.standing, (*client).promises)
}

// promises reports whether something of the service was heard, or it is not silent for long.
func (cl *client) promises() bool { return !cl.mute }

// fallBack gives an attempt that failed up for one that stands and is not lost; false: there is none.
func (x *exchange) fallBack() bool {
	i := slices.IndexFunc(x.standing, (*client).promises)
	if i < 0 {
		for _, cl := range x.standing {
			x.to.c.attemptEnded(cl, 0)
		}
		x.dropOthers()
		return false
	}
	failed := x.client
	x.turnTo(x.standing[i])
	x.standing = slices.Delete(x.standing, i, i+1)
	x.giveUp(failed)
	return true
}

// dropOthers gives every attempt up but the one that is handled.
func (x *exchange) dropOthers() {
	for _, cl := range x.standing {
		x.giveUp(cl)
	}
	x.standing = nil
}

// nextAddress passes an emergency call that an address of a service refused, or did not answer, to another address of that
// service (RFC 3263 section 4.3); false: all were tried. While an address may still answer, the others are not tried: they
// are one service, and have the same people behind them.
func (x *exchange) nextAddress() bool {
	cl := x.client
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
	x.to.c.line.log.Warn("an emergency call goes on to another address of the service",
		zap.Uint64("call", uint64(x.to.c.id)), zap.Stringer("address", next))
	x.giveUp(cl)
	x.told = false
	x.tryAt(cl.to.account, &client{name: name, tried: tried, at: netip.AddrPortFrom(next, uint16(port)).String()})
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

// attemptEnded is that of the call for the attempt that is handled.
func (x *exchange) attemptEnded(code int) {
	if x.initial {
		x.to.c.attemptEnded(x.client, code)
	}
}

// attemptEnded reports that an attempt at an emergency call ended and is not the call: with its final status, 0 if none came. A 200 is
// reported even after that.
func (c *call) attemptEnded(cl *client, code int) {
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
	if c.reached = c.reached || ev.Reached(); c.done && ev.Reached() {
		c.a.openCallbackWindow()
	}
	c.line.log.Warn("an attempt at an emergency call ended", zap.Uint64("call", uint64(c.id)), zap.Int("code", code),
		zap.Stringer("progress", ev.Progress), zap.String("registrar", cl.to.account.Registrar.Host))
	c.event(ev)
}

// attemptsEnd reports the attempts at an emergency call that ends without an answer.
func (c *call) attemptsEnd() {
	if !c.emergency || c.arrived || c.answered || c.first == nil {
		return
	}
	for _, cl := range append([]*client{c.first.client}, c.first.standing...) {
		if cl.to.state != legNew && !cl.won {
			c.attemptEnded(cl, 0)
		}
	}
}
