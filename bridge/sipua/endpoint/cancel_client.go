package endpoint

import "github.com/emiago/sipgo/sip"

// Cancel sends CANCEL as soon as a provisional response has arrived (RFC 3261 section 9.1). The callback of Send is
// still called, since a 200 may cross the CANCEL. If no final response arrives within 64*T1 after the CANCEL, the
// callback gets [ErrTimeout]. Cancel does nothing for a method other than INVITE.
func (t *Transaction) Cancel() { t.CancelFor() }

// CancelFor is Cancel with header fields that give the reason (Reason, RFC 3326).
func (t *Transaction) CancelFor(why ...sip.Header) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.cancel || t.ended || t.final != 0 || !t.req.IsInvite() {
		return
	}
	t.cancel, t.why = true, why
	if t.provisional {
		t.sendCancel()
	}
}

// sendCancel sends the CANCEL in a transaction of its own. The response to it does not matter (RFC 3261 section 9.1).
func (t *Transaction) sendCancel() {
	if t.sent {
		return
	}
	t.sent = true
	c := follower(t.req, sip.CANCEL)
	c.AppendHeader(sip.HeaderClone(t.req.To()))
	for _, h := range t.why {
		c.AppendHeader(h)
	}
	c.SetTransport(t.req.Transport())
	c.SetDestination(t.req.Destination())
	t.e.after(64*sip.T1, func() { t.fail(ErrTimeout) })
	e := t.e
	e.spawn(func() {
		_, err := e.Send(c, func(Response) {})
		if err != nil {
			t.fail(err)
		}
	})
}
