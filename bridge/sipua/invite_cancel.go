package sipua

import (
	"time"

	"github.com/emiago/sipgo/sip"

	"clearback/bridge/media"
	"clearback/supervision"
)

// cancel sends CANCEL; a 200 may cross it. Without a final response within 64*T1 the INVITE counts as cancelled (RFC
// 3261 section 9.1).
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

// handleCancel handles the peer's CANCEL. late is how long ago it reached this machine.
func (x *inviteForwarding) handleCancel(late time.Duration) {
	if x.finalSent {
		return // our final response crossed it
	}
	if !x.initial {
		if x.tx == nil { // not yet sent
			x.refuse(sip.StatusRequestTerminated)
			return
		}
		x.cancel() // the other side's final response passes: a 487, or a 200 that crossed the CANCEL
		return
	}
	x.from.peerReasons = x.cancelReasons
	if x.from.side == media.ServiceSide { // an answer of the adapter may cross it
		x.from.c.farEndCleared(supervision.EvidenceBye, late)
	} else {
		x.from.c.nearEndCleared()
	}
	x.refuse(sip.StatusRequestTerminated)
	x.from.finish(supervision.AnswerConfirmed)
}
