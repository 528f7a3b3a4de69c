package sipua

import (
	"github.com/emiago/sipgo/sip"

	"clearback/supervision"
)

// cancel sends CANCEL; a 200 may cross it. Without a final response in 64*T1 it is taken for cancelled (RFC 3261 section 9.1).
func (x *exchange) cancel() {
	if x.tx == nil || x.settled {
		return
	}
	x.tx.CancelFor(x.why...)
	x.to.c.after(x.to.c.a.times.final, func() {
		if x.settled {
			return
		}
		x.settle()
		x.to.out = nil
		if x.initial {
			x.to.finish(supervision.AnswerNone)
			return
		}
		x.refuse(sip.StatusRequestTerminated)
	})
}

// cancelled: the peer cancelled its INVITE.
func (x *exchange) cancelled() {
	if x.finalSent {
		return // our final response crossed it
	}
	if !x.initial {
		if x.tx == nil { // not sent yet
			x.refuse(sip.StatusRequestTerminated)
			return
		}
		x.cancel() // the other side decides: its 487 passes, or its 200 that crossed
		return
	}
	x.from.said = x.why
	x.from.c.clearedBy(x.from.side)
	x.refuse(sip.StatusRequestTerminated)
	x.from.finish(supervision.AnswerConfirmed)
}
