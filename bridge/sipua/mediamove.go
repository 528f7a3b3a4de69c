package sipua

import (
	"strings"
	"time"

	"github.com/emiago/sipgo/sip"
	"go.uber.org/zap"
)

// This file applies the answer to one of our re-INVITEs that offered nothing new. The answer may still name another
// address for the media (RFC 3264 section 8.3.1). Relayed media is then sent there. If media goes directly, the other
// side needs a re-INVITE.

// maxMediaMoves is how many re-INVITEs may follow from one because each answer named another address: one to the other
// side, and one back. Our own number.
const maxMediaMoves = 2

// maxGlares is how often a re-INVITE is repeated to a side that has a re-INVITE of its own in progress. Our own number.
const maxGlares = 4

// follow applies an answer. In a relayed call the other side needs no re-INVITE.
func (x *refresh) follow(res *sip.Response) {
	l, path := x.l, &x.l.c.path
	direct := !path.relay
	last, _ := path.lastSent(l.peer().side)
	moved := hasBody(res) && contentType(res) == sdpType && destinations(res.Body()) != destinations(last)
	if l.state != legUp || direct && !moved {
		return
	}
	if _, err := path.translate(res, l.side); err != nil {
		l.c.line.log.Warn("the answer to a refresh cannot be applied; media stays as it was",
			zap.Uint64("call", uint64(l.c.id)), zap.Error(err))
		return
	}
	if direct {
		x.passOn(maxGlares)
	}
}

// passOn offers the other side the media of the answer, as soon as no other exchange is in progress. After a glare it
// tries again, at most glares times.
func (x *refresh) passOn(glares int) {
	l, p := x.l, x.l.peer()
	log := l.c.line.log.With(zap.Uint64("call", uint64(l.c.id)), zap.Stringer("side", sideName(p.side)))
	switch {
	case l.state != legUp || l.clearing || p.state != legUp || p.clearing:
		return
	case x.mediaMoves == maxMediaMoves:
		log.Warn("both ends keep moving their media; this side gets no further re-INVITE")
		return
	case p.refreshCollides(sip.INVITE):
		l.c.after(l.c.a.times.second, func() { x.passOn(glares) })
		return
	}
	sent := time.Now()
	p.refreshBy(sip.INVITE, func(code int) {
		switch {
		case code/100 == 2:
		case code == sip.StatusRequestPending && glares > 0:
			l.c.after(p.glareWait(), func() { x.passOn(glares - 1) })
		default:
			log.Warn("this side rejects the new media address of the other side", zap.Int("code", code))
			p.checkPeer(sip.INVITE, code, sent, false)
		}
	}).mediaMoves = x.mediaMoves + 1
}

// destinations returns the addresses and ports where a session description wants its media.
func destinations(body []byte) string {
	var all []string
	for line := range strings.Lines(string(body)) {
		switch f := strings.Fields(line); {
		case strings.HasPrefix(line, "c="):
			all = append(all, f...)
		case strings.HasPrefix(line, "m=") && len(f) > 1:
			all = append(all, f[:2]...)
		}
	}
	return strings.Join(all, " ")
}
