package sipua

import (
	"context"
	mathrand "math/rand/v2"
	"time"
)

// keepAlive asks the service regularly with OPTIONS whether it is there (RFC 3261 section 11), until ctx ends. So a
// restart of the service is noticed long before the registration has to be refreshed. A service that has never answered
// OPTIONS is not lost if it does not. Two questions have to go unanswered, each sent three times.
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
		switch {
		case s.down.Load(): // awaitRecovery asks
		case s.answers():
			answered = true
		case answered && !s.answers():
			s.markDown()
		}
	}
}
