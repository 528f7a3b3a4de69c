package sipua

import (
	"time"

	"go.uber.org/zap"
)

// suspended registers the lines of this socket at their services again, after the machine has slept or its clock was
// set forward by d. Their registrations may have ended meanwhile, and the timers of their refreshes have not counted d.
func (s *socket) suspended(d time.Duration) {
	if <-s.a.opened; s.a.failed || len(s.served().tokens) == 0 {
		return
	}
	s.a.log.Warn("the machine has slept, or its clock was set forward; the lines register at the service again",
		zap.Duration("for", d.Round(time.Second)), zap.Stringer("address", s.ep.Addr()))
	s.renew()
}

// renew registers every account of this socket soon, whether or not it is registered now.
func (s *socket) renew() {
	for _, at := range s.served().tokens {
		if at.client != nil {
			at.client.Renew()
			at.client.Retry()
		}
	}
}

// Renew registers every line at its services soon, because the network was away.
func (a *Agent) Renew() {
	for _, s := range a.sockets {
		s.renew()
	}
}
