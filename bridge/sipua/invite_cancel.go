package sipua

import (
	"time"

	"github.com/emiago/sipgo/sip"

	"clearback/bridge/media"
	"clearback/supervision"
)

// cancel sends CANCEL; a 200 may cross it. Without a final response the transaction fails at its own time, 64*T1 after
// the CANCEL (RFC 3261 section 9.1). Until then it is in progress.
func (x *inviteForwarding) cancel() {
	if x.tx == nil {
		return
	}
	x.cancelled = true
	x.tx.CancelFor(x.cancelReasons...)
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
	x.from.finish(supervision.AnswerConfirmed)
}
