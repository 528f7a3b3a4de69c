package sipua

import (
	"slices"
	"time"

	"github.com/emiago/sipgo/sip"
	"go.uber.org/zap"

	"clearback/bridge/media"
	"clearback/bridge/sipua/registration"
	"clearback/supervision"
)

// This file detects a peer that has vanished without a BYE.

// checkPeer examines the outcome of one of our requests inside the dialog, sent at since; code 0 means no answer. 481
// means that the dialog is gone (RFC 3261 section 12.2.1.2). 408 and silence count only if no media of that side came
// since. If media does not pass through us, a second request decides. On the service's side the whole service may be
// lost, or may answer every request in this way: see liveness.go. In an emergency call only the adapter's own
// 481 counts: see liveness_emergency.go.
func (l *leg) checkPeer(m sip.RequestMethod, code int, since time.Time, second bool) {
	switch {
	case l.side == media.ServiceSide:
		l.checkService(m, code, since, supervision.EvidenceServiceLost)
	case l.c.emergency:
		l.adapterAnswered(m, code)
	case l.state != legUp || l.clearing:
	case code == sip.StatusCallTransactionDoesNotExists:
		l.peerVanished(code)
	case code != 0 && code != sip.StatusRequestTimeout:
	case l.c.path.lastHeard(l.side).After(since):
	// after a standstill of this process the answer may still wait to be read
	case (l.c.path.relay || second) && !l.s.ep.Resumed().After(since):
		l.peerVanished(code)
	default:
		l.ask(func(code int, sent time.Time) { l.checkPeer(sip.OPTIONS, code, sent, true) })
	}
}

// checkService examines the outcome of one of our requests to the service. A suspicious outcome starts a check, and a
// 481 counts as its first answer. Other failures that end a call elsewhere only start one, and not often.
func (l *leg) checkService(m sip.RequestMethod, code int, since time.Time, evidence supervision.Evidence) {
	silent, unknown := code == 0 || code == sip.StatusRequestTimeout, code == sip.StatusCallTransactionDoesNotExists
	switch {
	case l.state != legUp, l.clearing, l.c.exemptFromLiveness(false),
		silent && l.c.path.lastHeard(l.side).After(since),
		!silent && !unknown && !(endsCall(m, code) && time.Since(l.alive.lastCheck) > l.c.a.times.fresh):
		return
	case l.alive.current != nil:
		if unknown { // the answers to that check may be older
			l.c.after(l.c.a.times.second, func() { l.checkLiveness(evidence) })
		}
		return
	}
	q := l.newLivenessCheck(evidence)
	// the service may have been lost at that time and be back now, or the answer is old
	if !unknown || l.s.ep.Resumed().After(since) {
		l.tryNext(q)
		return
	}
	q.code = code
	q.left = slices.DeleteFunc(q.left, func(left sip.RequestMethod) bool { return left == m })
	l.unknownTo(q, m)
}

// ask sends OPTIONS inside the dialog. on receives the status code, or 0 if there is no answer.
func (l *leg) ask(on func(code int, sent time.Time)) {
	sent := time.Now()
	l.send(l.build(sip.OPTIONS), func(res *sip.Response, err error) {
		on(codeOf(res, err), sent)
	})
}

// peerVanished reports that this side is no longer there, and sends BYE even so (RFC 3261 section 12.2.1.2).
func (l *leg) peerVanished(code int) { l.peerVanishedBy(supervision.EvidenceServiceLost, code) }

// peerVanishedBy is peerVanished with the evidence of a far-end clearing.
func (l *leg) peerVanishedBy(evidence supervision.Evidence, code int) {
	fields := []zap.Field{zap.Uint64("call", uint64(l.c.id)), zap.Stringer("side", sideName(l.side)),
		zap.Int("code", code)}
	if heard := l.c.path.lastHeard(l.side); !heard.IsZero() { // it vanished some time after that; nobody can prove when
		fields = append(fields, zap.Duration("silent_for", time.Since(heard)))
	}
	l.c.line.log.Warn("one end of a call is gone", fields...)
	if l.side == media.ServiceSide {
		l.c.farEndCleared(evidence, 0)
	} else {
		l.c.adapterLost()
	}
	l.clear()
}

// renewed handles a binding that moved to another address, or was renewed after a restart of the adapter.
func (a *Agent) renewed(line string, b registration.Binding) {
	l := a.Line(line)
	if l == nil { // a reload has removed it
		return
	}
	defer l.messageState.adapterRegistered()
	for _, c := range a.up() {
		if c.line == l {
			c.post(func() { c.legs[media.AdapterSide].rebound(b) })
		}
	}
}

// rebound sends the requests inside the dialog to the new binding, and asks there whether the adapter still knows the
// call. After a restart it does not.
func (l *leg) rebound(b registration.Binding) {
	if l.state != legUp || l.clearing {
		return
	}
	l.follow(b)
	l.ask(func(code int, sent time.Time) { l.checkPeer(sip.OPTIONS, code, sent, true) })
}
