package sipua

import (
	"fmt"

	"github.com/emiago/sipgo/sip"

	"clearback/supervision"
)

// This file continues an emergency call that rang when an earlier process died, and ends other calls that rang. The
// caller's INVITE can be answered again. Ours is repeated with the same branch for an emergency call that rang a moment
// ago. For the called side that is a retransmission (RFC 3261 section 17.2.1): it repeats its last response, perhaps a
// 200. In all other cases ours is only cancelled: the called side may have forgotten it, and would take it for a new
// call.

// ring restores the INVITE of a call that rang.
func (c *call) ring(s *savedInvite) error {
	x := c.first
	r, err := x.from.s.ep.Resume(s.Request, s.From, x.from.transport)
	if err != nil {
		return fmt.Errorf("its INVITE: %w", err)
	}
	sent, err := x.to.s.ep.Parse(s.Sent, x.to.transport)
	if err != nil {
		return fmt.Errorf("the INVITE sent on: %w", err)
	}
	if sent.Via() == nil || sent.CSeq() == nil || sent.From() == nil || sent.To() == nil || sent.CallID() == nil {
		return fmt.Errorf("the INVITE sent on lacks a header field")
	}
	sent.SetDestination(s.Dest)
	x.finalSent, x.r, x.seq, x.offered, x.body = false, r, r.CSeq().SeqNo, hasBody(r.Request), sent.Body()
	x.inviteAttempt = &inviteAttempt{to: x.to, req: sent, rang: s.Rang, resumed: true}
	x.readCallerOptions()
	x.from.state, x.to.state, x.from.in = legIncoming, legCalling, x
	x.from.offerAnswer.begun = x.offered
	c.a.addInvite(x)
	return nil
}

// continueRinging continues an emergency call.
func (c *call) continueRinging() {
	x := c.first
	c.reportAdopted()
	c.event(supervision.Event{Kind: supervision.CallRequested, Emergency: c.emergency, Number: c.number})
	c.line.log.Info("an emergency call of the last run is continued; it is not answered yet")
	c.mailbox.Begin(c.watchEnds, func() {
		if !x.rang {
			for _, at := range c.line.accounts {
				if at != x.to.account {
					x.untried = append(x.untried, at)
				}
			}
			x.awaitService()
		}
		x.send()
	})
}

// endForeign ends a call of an earlier process on both sides. The called side may have answered in the last moment, and
// then a CANCEL has no effect. So it gets BYE too, in the last early dialog.
func (c *call) endForeign(s *savedInvite) {
	if s == nil {
		c.abandon()
		return
	}
	to := c.first.to
	early := *to.dialog
	early.remote = &sip.ToHeader{}
	c.first.unsent = true
	c.first.send()
	c.abandon()
	var err error
	if early.remote.DisplayName, err = sip.ParseAddressValue(s.Early, &early.remote.Address,
		&early.remote.Params); err != nil {
		return // there was none
	}
	to.send(to.buildIn(&early, sip.BYE), func(*sip.Response, error) {})
}
