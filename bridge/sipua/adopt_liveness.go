package sipua

import (
	"net/netip"
	"time"

	"github.com/emiago/sipgo/sip"
	"go.uber.org/zap"

	"clearback/bridge/media"
	"clearback/supervision"
)

// This file asks both ends of a call of an earlier process whether the call is still up. While this process was down,
// an end may have hung up, and its BYE was lost.
//
// The adapter is asked first. The loop opens for such a call only if the adapter's leg was heard since the start, since
// the adapter may have restarted too, and somebody may be dialling. It was heard if RTP comes from the address that it
// came from before, or if the adapter answers OPTIONS in the dialog with 2xx, and OPTIONS in a dialog that never
// existed with 481. Then, or after a second, the service is asked as in liveness.go. A BYE of the far end that comes
// earlier waits until then: it may have been under way while this process was down.
//
// Silence shows nothing before a side has been heard at all: after a power cut the network starts later than we do. The
// adapter is asked until it has answered or registered.

const (
	// farEndAfter is when the far end is asked, even if the adapter has not been heard. Our own number.
	farEndAfter = time.Second
	// soundEvery is how often the adapter's sound is looked for until then: the length of a packet.
	soundEvery = 20 * time.Millisecond
)

// adoption is what is known about a call of an earlier process since the start. Owned by the call's mailbox.
type adoption struct {
	began       time.Time
	count       int      // processes that took the call up, with this one
	kept        bool     // after a 481 to OPTIONS, the adapter answered a second method with 2xx
	known       bool     // the adapter answered a request in the dialog with 2xx
	distinctive bool     // the adapter answers 481 to a request in a dialog that it does not have
	answered    bool     // the adapter answered any of them
	awaited     int      // answers that have not come yet
	heard       bool     // AdapterLegHeard was posted
	farAsked    bool     // the far end has been asked
	farKnown    bool     // the service answered a request in the dialog with 2xx
	byes        []func() // handle the far end's BYEs, which wait
}

// adoptions is how many processes have taken the call up and not lived for long since.
func (c *call) adoptions() int {
	if c.adoption == nil || time.Since(c.adoption.began) >= settledAfter {
		return 0
	}
	return c.adoption.count
}

// resume begins with a call of an earlier process what a call has after its answer.
func (c *call) resume(s *savedCall) {
	c.after(farEndAfter, c.askFarEnd) // first: a BYE may wait for it
	c.after(settledAfter, func() {})  // the mailbox saves that this process lives
	c.listen()
	for side, l := range c.legs {
		at := &s.Legs[side]
		if at.Session.Seconds > 0 {
			left := max(time.Until(at.Until), c.a.times.final) // for the peer's refresh, or for ours and its retransmissions
			l.runSession(at.Session, min(left, l.inSeconds(at.Session.End())))
		}
	}
	for side, l := range c.legs {
		l.refusePending(&s.Legs[side])
	}
	c.legs[media.ServiceSide].watch()
	if c.emergency {
		c.checkEnds()
		return
	}
	c.askAdapter()
	c.awaitSound()
}

// refusePending answers a re-INVITE that the earlier process left without a final response. The peer may repeat it.
func (l *leg) refusePending(s *savedLeg) {
	if s.Pending == nil {
		return
	}
	r, err := l.s.ep.Resume(s.Pending, s.PendingFrom, l.transport)
	if err != nil {
		l.c.line.log.Warn("a re-INVITE of the last run cannot be answered", zap.Uint64("call", uint64(l.c.id)),
			zap.Stringer("side", sideName(l.side)), zap.Error(err))
		return
	}
	l.reply(r, sip.StatusRequestPending, "Request Pending")
}

// unmatchedAnswer acknowledges the 2xx to a re-INVITE of an earlier process. Its sender would clear the call otherwise
// (RFC 3261 section 13.3.1.4).
func (s *socket) unmatchedAnswer(res *sip.Response) {
	own, remote := res.From().Params.GetOr("tag", ""), res.To().Params.GetOr("tag", "")
	if !s.ready() {
		return
	}
	l := s.a.dialog(dialogKey{ep: s.ep, callID: res.CallID().Value(), tag: own})
	if l == nil || l.c.adoption == nil || time.Since(l.c.adoption.began) > s.a.times.final {
		return
	}
	from, _ := netip.ParseAddrPort(res.Source())
	l.c.post(func() {
		if l.state != legUp || !l.dialog.matches(own, remote) ||
			l.side == media.AdapterSide && !l.isAt(from.Addr().Unmap()) {
			return
		}
		if err := l.s.ep.Write(l.buildSeq(l.dialog, sip.ACK, res.CSeq().SeqNo)); err != nil {
			l.c.line.log.Debug("an ACK could not be sent; the peer will retransmit its 200", zap.Error(err))
		}
	})
}

// askAdapter asks the adapter whether it has the leg.
func (c *call) askAdapter() {
	l, v := c.legs[media.AdapterSide], c.adoption
	if l.state != legUp || l.clearing {
		return
	}
	v.awaited = 2
	l.send(l.foreignOptions(), func(res *sip.Response, err error) {
		code := codeOf(res, err)
		v.awaited--
		v.answered, v.distinctive = v.answered || code != 0, code == sip.StatusCallTransactionDoesNotExists
		c.noteKnown()
	})
	l.ask(c.adapterToldUs)
}

// foreignOptions returns OPTIONS to the peer in a dialog that never existed.
func (l *leg) foreignOptions() *sip.Request {
	never := *l.dialog
	never.local, never.remote = sip.HeaderClone(l.local).(*sip.FromHeader), sip.HeaderClone(l.remote).(*sip.ToHeader)
	never.local.Params.Add("tag", token())
	never.remote.Params.Add("tag", token())
	req := l.buildIn(&never, sip.OPTIONS)
	*req.CallID() = sip.CallIDHeader(token())
	return req
}

// adapterToldUs handles the adapter's answer to OPTIONS in the dialog; code 0 means that none came.
func (c *call) adapterToldUs(code int, sent time.Time) {
	l, v := c.legs[media.AdapterSide], c.adoption
	v.awaited--
	v.answered, v.known = v.answered || code != 0, v.known || code/100 == 2
	switch {
	case code/100 == 2:
	case l.state != legUp || l.clearing:
	case code == sip.StatusCallTransactionDoesNotExists:
		c.askAdapterAgain()
		return // the far end is not asked about a leg that is gone
	case code != 0 && code != sip.StatusRequestTimeout: // it shows nothing
	case v.answered, c.a.registrar.LastHeard(c.line.o.Name).After(c.a.epoch):
		l.checkPeer(sip.OPTIONS, code, sent, true)
	default:
		c.after(c.a.times.t2, c.askAdapter)
	}
	c.noteKnown()
}

// askAdapterAgain asks by a second method after a 481: some adapters answer every OPTIONS in a dialog with 481. If
// there is no second method, an emergency call ends only if the service has answered with 481 too.
func (c *call) askAdapterAgain() {
	l, m := c.legs[media.AdapterSide], sip.INVITE
	if body, _ := c.path.lastSent(media.AdapterSide); body == nil {
		m = sip.UPDATE
	}
	switch {
	case l.state != legUp || l.clearing:
		return
	case m == sip.UPDATE && !l.session.updates:
		if !c.emergency || c.ends.denied[media.ServiceSide] {
			l.peerVanished(sip.StatusCallTransactionDoesNotExists)
		}
		return
	case l.refreshCollides(m):
		c.after(c.a.times.second, c.askAdapterAgain)
		return
	}
	l.refreshBy(m, func(code int) {
		if code == sip.StatusCallTransactionDoesNotExists {
			l.peerVanished(code)
			return
		}
		c.adoption.kept = c.adoption.kept || code/100 == 2
		c.noteKnown() // known is not set: nobody has tested whether this method tells dialogs apart
	})
}

// askFarEnd asks the service, once, or handles its BYE.
func (c *call) askFarEnd() {
	v := c.adoption
	if v.farAsked {
		return
	}
	v.farAsked = true
	for _, handle := range v.byes {
		handle()
	}
	if len(v.byes) > 0 {
		return
	}
	c.legs[media.ServiceSide].beginCheck(supervision.EvidenceServiceLost, true)
}

// deferBye makes the far end's BYE wait until it is known whether the adapter's leg was heard, and reports whether it
// did.
func (c *call) deferBye(handle func()) bool {
	v := c.adoption
	if v == nil || v.farAsked || c.emergency {
		return false
	}
	v.byes = append(v.byes, handle)
	return true
}

// awaitHeard returns when it is known whether the adapter's leg was heard, or at the instant by.
func (c *call) awaitHeard(by time.Time) {
	c.awaitInMailbox(by, func() bool { return c.adoption == nil || c.adoption.farAsked || c.done })
}

// awaitSound looks for the adapter's sound until it comes.
func (c *call) awaitSound() {
	v := c.adoption
	if c.noteResumedSound(); v.heard || c.done || time.Since(v.began) >= farEndAfter {
		c.askFarEnd()
	}
	switch {
	case v.heard, c.done, time.Since(v.began) >= c.a.times.final: // a clearing looks again
	case v.farAsked:
		c.after(c.a.times.second, c.awaitSound)
	default:
		c.after(soundEvery, c.awaitSound)
	}
}

// noteResumedSound posts AdapterLegHeard if the adapter's sound has gone on since the start.
func (c *call) noteResumedSound() {
	if c.adoption == nil || c.adoption.heard {
		return
	}
	for _, s := range c.path.streams {
		if s.session != nil && s.session.Resumed(media.AdapterSide) {
			c.legHeard()
			return
		}
	}
}

// noteKnown posts AdapterLegHeard if the adapter's answers show that it has the leg. Where no sound can show it, the
// far end is asked as soon as both answers have come.
func (c *call) noteKnown() {
	v := c.adoption
	if v.known && v.distinctive && !v.heard {
		c.legHeard()
	}
	if v.heard || v.awaited == 0 && v.answered && !c.path.relay {
		c.askFarEnd()
	}
}

func (c *call) legHeard() {
	c.adoption.heard = true
	c.event(supervision.Event{Kind: supervision.AdapterLegHeard})
}
