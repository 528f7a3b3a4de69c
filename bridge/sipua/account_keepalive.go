package sipua

import (
	"context"
	mathrand "math/rand/v2"
	"time"

	"go.uber.org/zap"
)

// keepAlive sends OPTIONS to the service at regular intervals (RFC 3261 section 11) until ctx ends, while the line is
// registered there. A service that leaves two of them unanswered, each sent three times, may have restarted without its
// registrations. The line then registers again, long before the refresh is due. That happens only if the service has
// answered OPTIONS since the last time, so one that ignores OPTIONS causes no more than one REGISTER.
func (s *account) keepAlive(ctx context.Context) {
	every := s.line.a.times.keepAlive
	if every == 0 {
		return
	}
	answered := false
	for pause := mathrand.N(every); ; pause = every { // the lines of one service ask at different times
		select {
		case <-time.After(pause):
		case <-ctx.Done():
			return
		}
		asked := time.Now()
		switch {
		case !s.registered():
		case s.responds(ctx):
			answered = true
		case answered && !s.responds(ctx) && !s.messageSince(asked) && ctx.Err() == nil:
			s.log.Warn("the service left OPTIONS unanswered; the line registers there again, since the service may have restarted",
				zap.String("registrar", s.Registrar.Host))
			s.client.Renew()
			answered = false
		}
	}
}

// responds reports whether the service sends any response to OPTIONS.
func (s *account) responds(ctx context.Context) bool {
	_, err := s.sendOptions(ctx, s.line.a.times.probe)
	if err == nil {
		s.lastAnswer.Store(int64(time.Since(s.line.a.epoch)))
	}
	return err == nil
}
