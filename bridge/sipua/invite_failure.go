package sipua

import (
	"github.com/emiago/sipgo/sip"
	"go.uber.org/zap"

	"clearback/bridge/media"
	"clearback/supervision"
)

// This file handles the failures of a forwarded INVITE.

// rejected handles a final response other than 2xx.
func (x *inviteForwarding) rejected(res *sip.Response) {
	x.endTransaction()
	x.to.out = nil
	c := x.to.c
	if x.redirected(res) {
		return
	}
	x.attemptEnded(res.StatusCode)
	if x.serviceRejects(res.StatusCode) && x.failover() {
		return
	}
	if !x.initial {
		x.reject(res)
		x.to.checkPeer(sip.INVITE, res.StatusCode, x.sent, false)
		return
	}
	if !x.to.clearing {
		c.clearedBy(x.to.side)
	}
	x.reject(res)
	x.from.finish(supervision.AnswerConfirmed)
	x.to.finish(supervision.AnswerConfirmed)
}

// failed handles an INVITE that got no final response.
func (x *inviteForwarding) failed(err error) {
	if x.settled {
		return
	}
	x.endTransaction()
	x.to.out = nil
	c := x.to.c
	c.line.log.Warn("no answer to INVITE", zap.Uint64("call", uint64(c.id)), zap.Stringer("side", sideName(x.to.side)),
		zap.Error(err))
	switch {
	case x.initial:
	case x.cancelled:
		x.refuse(sip.StatusRequestTerminated)
		return
	default:
		x.refuse(sip.StatusRequestTimeout)
		x.to.checkPeer(sip.INVITE, 0, x.sent, false)
		return
	}
	if unheard := x.to.side == media.ServiceSide && !x.heard && !x.to.clearing; unheard {
		x.to.account.noteNoResponse()
	}
	x.attemptEnded(0)
	if (!x.heard || c.emergency) && x.failover() {
		return
	}
	if !x.to.clearing {
		c.peerSilent(x.to.side)
	}
	code := sip.StatusRequestTimeout
	if x.to.side == media.ServiceSide && !x.heard && !x.to.clearing {
		code = sip.StatusServiceUnavailable // the adapter turns to its second server
	}
	x.refuse(code)
	x.from.finish(supervision.AnswerConfirmed)
	x.to.finish(supervision.AnswerNone)
}

// serviceSilent handles a service that has sent no response at all, not even 100.
func (x *inviteForwarding) serviceSilent() {
	if x.settled || x.heard || x.from.state == legOver {
		return
	}
	x.to.account.noteNoResponse()
	if x.tryInParallel() || x.mayStayUnanswered() || x.failover() {
		return
	}
	x.to.c.peerSilent(x.to.side)
	x.refuse(sip.StatusServiceUnavailable)
	x.from.finish(supervision.AnswerConfirmed)
	x.to.clear()
}

// timerCFired handles the end of Timer C.
func (x *inviteForwarding) timerCFired() {
	if x.settled {
		return
	}
	if !x.initial {
		x.cancel()
		x.refuse(sip.StatusRequestTimeout)
		return
	}
	if !x.to.clearing {
		x.to.c.clearedBy(x.to.side)
	}
	x.refuse(sip.StatusRequestTimeout)
	x.from.finish(supervision.AnswerConfirmed)
	x.to.clear()
}
