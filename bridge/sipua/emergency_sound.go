package sipua

import (
	"net/netip"
	"time"

	"go.uber.org/zap"

	"clearback/bridge/media"
	"clearback/supervision"
)

// This file watches the sound of a call where RTP passes through us.

// noticeInMedia handles a notice of the relay. The relay calls it between two packets.
func (c *call) noticeInMedia(side media.Side, n media.Notice, from netip.AddrPort) {
	c.post(func() {
		fields := []zap.Field{zap.Uint64("call", uint64(c.id)), zap.Stringer("side", sideName(side)),
			zap.Stringer("from", from)}
		switch n {
		case media.Contested:
			c.line.log.Warn("two unknown hosts send sound for one side of a call; it is dropped unless media.from lists one of them",
				fields...)
			c.event(supervision.Event{Kind: supervision.SoundContested})
		case media.Relaxed:
			c.line.log.Warn("an emergency call had no sound from one side, so sound from an unknown host is accepted", fields...)
			c.soundMissing()
		case media.Ignored:
			c.line.log.Warn("one side of a call is silent, and an unknown host sends sound for it; it is dropped unless media.from "+
				"lists that host", fields...)
		}
	})
}

// listen starts to watch the sound of an answered emergency call.
func (c *call) listen() {
	if c.emergency && c.path.relay {
		c.path.setAnsweredEmergency(c.a.times.sound)
		c.after(c.a.times.sound, c.listenAgain)
	}
}

func (c *call) listenAgain() {
	switch {
	case c.done, c.soundless, c.farCleared, c.nearCleared, c.lost, !c.path.relay:
		return
	case c.path.soundless(time.Now(), c.a.times.sound):
		c.line.log.Warn("an emergency call has no sound", zap.Uint64("call", uint64(c.id)))
		c.soundMissing()
		return
	}
	c.after(c.a.times.sound, c.listenAgain)
}

// soundMissing posts SoundMissing once.
func (c *call) soundMissing() {
	if !c.soundless {
		c.soundless = true
		c.event(supervision.Event{Kind: supervision.SoundMissing})
	}
}
