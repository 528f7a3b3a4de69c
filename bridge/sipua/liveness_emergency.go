package sipua

import (
	"net/netip"
	"slices"
	"time"

	"github.com/emiago/sipgo/sip"
	"go.uber.org/zap"

	"clearback/bridge/media"
	"clearback/bridge/sipua/registration"
)

// This file ends emergency calls whose two ends have vanished. Nothing else that an ordinary call is ended for ends
// one: no session timer, no missing sound (it may go directly, and who calls may be unable to speak), no answer of the
// service's but its BYE. But an adapter that lost its power and a service that lost its network would leave the call on
// the line for ever, and every held call beside it stranded. So both ends are asked now and then. The call ends if the
// adapter says that it knows no such call (481), or if neither end has answered twice, times.emergencyLiveness apart.
// Some user agents say 481 to every OPTIONS in a call; so that counts only if the adapter has answered one in this call
// with 2xx.

// askAgain is the least time from one look at the ends to another that a new emergency call asks for. Our own number.
const askAgain = 10 * time.Second

// emergencyEnds is what is known of the two ends of an emergency call. Owned by the call's mailbox.
type emergencyEnds struct {
	timer   *time.Timer // of the next look
	began   time.Time   // the last look; before the first, the call
	awaited int         // answers of that look which have not come
	heard   bool        // one of the ends was heard of since it began
	silent  time.Time   // when the first look began that nobody answered; zero: the last one was answered
	known   bool        // the adapter has answered OPTIONS in this call with 2xx
}

// learnAdapter asks the adapter once, soon after the call was answered, so that it is known what it answers in a call
// that is up.
func (c *call) learnAdapter() {
	c.after(c.a.times.firstLivenessCheck, func() { c.legs[media.AdapterSide].askWhetherKnown() })
}

// askWhetherKnown asks the adapter whether it knows the call.
func (l *leg) askWhetherKnown() {
	if l.state == legUp && !l.clearing {
		l.ask(func(code int, sent time.Time) { l.checkPeer(sip.OPTIONS, code, sent, true) })
	}
}

// adapterSays takes what the adapter answered to a request in an emergency call.
func (l *leg) adapterSays(m sip.RequestMethod, code int) {
	e := &l.c.ends
	switch unknown := code == sip.StatusCallTransactionDoesNotExists; {
	case m != sip.OPTIONS && unknown:
		l.askWhetherKnown()
	case m == sip.OPTIONS && code/100 == 2:
		e.known = true
	case unknown && e.known:
		l.gone(code)
	}
}

// watchEnds begins to look at the ends of an emergency call.
func (c *call) watchEnds() {
	if c.emergency && !c.done {
		c.ends.began = time.Now()
		c.ends.timer = c.after(c.a.times.emergencyLiveness, c.lookAtEnds)
	}
}

// lookAtEndsSoon is lookAtEnds for when somebody wants to know, unless it was asked just now.
func (c *call) lookAtEndsSoon() {
	if time.Since(c.ends.began) >= askAgain {
		c.lookAtEnds()
	}
}

// lookAtEnds asks both ends whether they are there.
func (c *call) lookAtEnds() {
	e := &c.ends
	if c.done || e.awaited > 0 {
		return
	}
	e.timer.Stop()
	if c.ending() {
		return
	}
	e.timer = c.after(c.a.times.emergencyLiveness, c.lookAtEnds)
	if c.legs[media.AdapterSide].state == legNew || c.legs[media.ServiceSide].state == legNew {
		return // it is not passed on yet
	}
	e.began, e.heard, e.awaited = time.Now(), false, len(c.legs)
	for _, l := range c.legs {
		up := l.state == legUp
		l.send(l.optionsRequest(), func(res *sip.Response, err error) {
			e.awaited--
			switch {
			case err != nil || res.StatusCode == sip.StatusRequestTimeout: // the same (RFC 3261 section 8.1.3.1)
			default:
				c.heardFromEnd()
				if up && l.side == media.AdapterSide {
					l.checkPeer(sip.OPTIONS, res.StatusCode, e.began, true)
				}
			}
			if e.awaited == 0 {
				c.lookedAtEnds()
			}
		})
	}
}

// optionsRequest is OPTIONS within the call once it is answered, before that outside of it: then the answer only tells
// that somebody is there.
func (l *leg) optionsRequest() *sip.Request {
	switch {
	case l.state == legUp:
		return l.build(sip.OPTIONS)
	case l.side == media.ServiceSide:
		return l.account.build(sip.OPTIONS, standaloneRequest{callID: token(), tag: token(), seq: 1})
	}
	at := registration.Binding{Contact: l.target, Transport: l.transport}
	if dest, err := netip.ParseAddrPort(l.dest); err == nil {
		at.Destination = dest
	}
	return l.c.line.towardsAdapter(sip.OPTIONS, at)
}

// heardFromEnd is called when one of the ends is heard of.
func (c *call) heardFromEnd() {
	c.ends.heard, c.ends.silent = true, time.Time{}
	c.silent.Store(false)
}

// lookedAtEnds is called when a look is over.
func (c *call) lookedAtEnds() {
	e := &c.ends
	switch {
	case e.heard, c.ending():
	case e.silent.IsZero():
		e.silent = e.began
		c.silent.Store(true)
	case e.began.Sub(e.silent) >= c.a.times.emergencyLiveness:
		c.line.log.Warn("an emergency call is ended: neither the adapter nor the service has answered, twice",
			zap.Uint64("call", uint64(c.id)), zap.Duration("apart", e.began.Sub(e.silent)))
		c.legs[media.AdapterSide].gone(0)
	}
}

// ending reports whether one of the ends is over or is being cleared.
func (c *call) ending() bool {
	return slices.ContainsFunc(c.legs[:], func(l *leg) bool { return l.clearing || l.state == legOver })
}
