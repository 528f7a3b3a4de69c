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

// This file ends emergency calls whose two ends have both vanished. Much that ends an ordinary call does not end an
// emergency call: session timers, missing sound (it may go directly, and the caller may be unable to speak), and every
// answer of the service. From the service only a BYE ends it. But an adapter without power and a service without
// network would leave the call on the line for ever, and strand every hold beside it. So both ends are checked from
// time to time. The call ends if the adapter answers that it knows no such call (481), or if neither end has answered
// two checks, times.emergencyLiveness apart. Some user agents answer every OPTIONS in a call with 481. So a 481 counts
// only if the adapter has answered OPTIONS in this call with 2xx. In an adopted call it may never have the chance to,
// so there it is asked by a second method.

// askAgain is the least time between two checks when new emergency calls ask for them. Our own number.
const askAgain = 10 * time.Second

// emergencyEnds is what is known about the two ends of an emergency call. Owned by the call's mailbox.
type emergencyEnds struct {
	timer   *time.Timer // for the next check
	began   time.Time   // when the last check began; before the first, when the call began
	awaited int         // missing answers to that check
	heard   bool        // a message from one of the ends came since began
	silent  time.Time   // when the first check without any answer began; zero: the last one was answered
	known   bool        // the adapter has answered OPTIONS in this call with 2xx
	denied  [2]bool     // by media.Side: the last check was answered with 481 there
}

// probeAdapterOnce sends OPTIONS to the adapter once, soon after the answer, to learn how it answers in a call that is
// up.
func (c *call) probeAdapterOnce() {
	c.after(c.a.times.firstLivenessCheck, func() { c.legs[media.AdapterSide].probeDialog() })
}

// probeDialog asks the adapter whether it knows the call.
func (l *leg) probeDialog() {
	if l.state == legUp && !l.clearing {
		l.ask(func(code int, _ time.Time) { l.adapterAnswered(sip.OPTIONS, code) })
	}
}

// adapterAnswered handles the adapter's answer to a request in an emergency call.
func (l *leg) adapterAnswered(m sip.RequestMethod, code int) {
	e := &l.c.ends
	switch unknown := code == sip.StatusCallTransactionDoesNotExists; {
	case m != sip.OPTIONS && unknown:
		l.probeDialog()
	case m == sip.OPTIONS && code/100 == 2:
		e.known = true
	case unknown && e.known && !l.c.ending():
		l.peerVanished(code)
	}
}

// watchEnds starts the checks of both ends of an emergency call.
func (c *call) watchEnds() {
	if c.emergency && !c.done {
		c.ends.began = time.Now()
		c.ends.timer = c.after(c.a.times.emergencyLiveness, c.checkEnds)
	}
}

// checkEndsSoon is checkEnds on request; it does nothing if the last check is less than askAgain ago.
func (c *call) checkEndsSoon() {
	if time.Since(c.ends.began) >= askAgain {
		c.checkEnds()
	}
}

// checkEnds sends OPTIONS to both ends.
func (c *call) checkEnds() {
	e := &c.ends
	if c.done || e.awaited > 0 {
		return
	}
	if c.ending() {
		return
	}
	e.timer.Stop()
	e.timer = c.after(c.a.times.emergencyLiveness, c.checkEnds)
	if c.legs[media.AdapterSide].state == legNew || c.legs[media.ServiceSide].state == legNew {
		return // the call has not been passed on yet
	}
	e.began, e.heard, e.awaited, e.denied = time.Now(), false, len(c.legs), [2]bool{}
	for _, l := range c.legs {
		up := l.state == legUp
		l.send(l.optionsRequest(), func(res *sip.Response, err error) {
			e.awaited--
			switch {
			// a time-out counts as 408 (RFC 3261 section 8.1.3.1)
			case err != nil || res.StatusCode == sip.StatusRequestTimeout:
			default:
				c.heardFromEnd()
				e.denied[l.side] = up && res.StatusCode == sip.StatusCallTransactionDoesNotExists
				if up && l.side == media.AdapterSide {
					l.adapterAnswered(sip.OPTIONS, res.StatusCode)
				}
			}
			if e.awaited == 0 {
				c.endsChecked()
			}
		})
	}
}

// optionsRequest returns OPTIONS inside the dialog if the leg is up, otherwise outside a dialog. Then the answer only
// shows that the peer is reachable.
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

// heardFromEnd notes that a message from one of the ends came.
func (c *call) heardFromEnd() {
	c.ends.heard, c.ends.silent = true, time.Time{}
	c.silent.Store(false)
}

// endsChecked draws the conclusion when a check is over.
func (c *call) endsChecked() {
	e := &c.ends
	switch {
	case c.ending():
	case c.adoption != nil && e.denied[media.AdapterSide] && !c.adoption.kept:
		c.askAdapterAgain()
	case e.heard:
	case e.silent.IsZero():
		e.silent = e.began
		c.silent.Store(true)
	case e.began.Sub(e.silent) >= c.a.times.emergencyLiveness:
		c.line.log.Warn("an emergency call is ended: neither the adapter nor the service answered either of two checks",
			zap.Uint64("call", uint64(c.id)), zap.Duration("apart", e.began.Sub(e.silent)))
		c.legs[media.AdapterSide].peerVanished(0)
	}
}

// ending reports whether one of the ends is over or is being cleared.
func (c *call) ending() bool {
	return slices.ContainsFunc(c.legs[:], func(l *leg) bool { return l.clearing || l.state == legOver })
}
