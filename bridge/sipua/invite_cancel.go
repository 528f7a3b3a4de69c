package sipua

import (
	"time"

	"github.com/emiago/sipgo/sip"

	"clearback/bridge/media"
	"clearback/supervision"
)

// cancel sends CANCEL; a 200 may cross it. Without a final response in 64*T1 it is taken for cancelled (RFC 3261
// section 9.1).
func (x *inviteForwarding) cancel() {
	if x.tx == nil || x.settled {
		return
	}
	x.tx.CancelFor(x.cancelReasons...)
	x.to.c.after(x.to.c.a.times.final, func() {
		if x.settled {
			return
		}
		x.endTransaction()
		x.to.out = nil
		if x.initial {
			x.to.finish(supervision.AnswerNone)
			return
		}
		x.refuse(sip.StatusRequestTerminated)
	})
}

// handleCancel: the peer cancelled its INVITE, so long ago.
func (x *inviteForwarding) handleCancel(late time.Duration) {
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
	x.from.peerReasons = x.cancelReasons
	if x.from.side == media.ServiceSide { // an answer of the adapter may have crossed it
		x.from.c.farEndCleared(supervision.EvidenceBye, late)
	} else {
		x.from.c.nearEndCleared()
	}
	x.refuse(sip.StatusRequestTerminated)
	x.from.finish(supervision.AnswerConfirmed)
}
