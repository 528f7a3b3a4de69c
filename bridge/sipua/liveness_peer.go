package sipua

import (
	"time"

	"github.com/emiago/sipgo/sip"
	"go.uber.org/zap"

	"clearback/bridge/media"
	"clearback/bridge/sipua/registration"
	"clearback/supervision"
)

// This file is how an end is missed that did not say goodbye.

// checkPeer looks at what became of a request of ours inside the dialog, which was sent at since; code 0 means no
// answer. 481 says that the dialog is gone (RFC 3261 section 12.2.1.2). 408 and silence count only if nothing was heard
// of that side's media since; where media does not pass here, a second request decides. The service's side may also be
// lost as a whole, or answer so to everybody: see liveness.go. In an emergency call only the adapter's own 481 counts:
// see liveness_emergency.go.
func (l *leg) checkPeer(m sip.RequestMethod, code int, since time.Time, second bool) {
	if l.side == media.ServiceSide {
		l.checkService(m, code, since, supervision.EvidenceServiceLost)
		return
	}
	if l.state != legUp || l.clearing {
		return
	}
	switch {
	case l.c.emergency:
		l.adapterSays(m, code)
	case code == sip.StatusCallTransactionDoesNotExists:
		l.gone(code)
	case code != 0 && code != sip.StatusRequestTimeout:
	case l.c.path.lastHeard(l.side).After(since):
	case (l.c.path.relay || second) && !l.s.ep.Resumed().After(since): // otherwise its answer may still wait to be read
		l.gone(code)
	default:
		l.ask(func(code int, sent time.Time) { l.checkPeer(sip.OPTIONS, code, sent, true) })
	}
}

// ask sends OPTIONS inside the dialog; on gets the code, 0 for no answer.
func (l *leg) ask(on func(code int, sent time.Time)) {
	sent := time.Now()
	l.send(l.build(sip.OPTIONS), func(res *sip.Response, err error) {
		on(codeOf(res, err), sent)
	})
}

// gone reports that this side is no longer there, and says goodbye all the same (RFC 3261 section 12.2.1.2).
func (l *leg) gone(code int) { l.goneBy(supervision.EvidenceServiceLost, code) }

// goneBy is gone with the evidence of a clearing by the far end.
func (l *leg) goneBy(evidence supervision.Evidence, code int) {
	fields := []zap.Field{zap.Uint64("call", uint64(l.c.id)), zap.Stringer("side", sideName(l.side)),
		zap.Int("code", code)}
	if heard := l.c.path.lastHeard(l.side); !heard.IsZero() { // it went since then; how long ago, nobody can prove
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

// renewed: the adapter of a line registered from another address, or anew after a restart.
func (a *Agent) renewed(line string, b registration.Binding) {
	l := a.byName[line]
	defer l.messageState.adapterRegistered()
	for _, c := range a.up() {
		if c.line == l {
			c.post(func() { c.legs[media.AdapterSide].rebound(b) })
		}
	}
}

// rebound lets the requests inside the dialog follow the new binding, and asks there whether the adapter still knows
// the call: one that restarted does not.
func (l *leg) rebound(b registration.Binding) {
	if l.state != legUp || l.clearing {
		return
	}
	l.follow(b)
	l.ask(func(code int, sent time.Time) { l.checkPeer(sip.OPTIONS, code, sent, true) })
}
