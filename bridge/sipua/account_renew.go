package sipua

import (
	"net/netip"
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

// disconnected registers again at a service that has ended our TCP connection, since it may have restarted without its
// registrations, and no longer reaches the line by that connection.
func (s *socket) disconnected(peer netip.AddrPort, lasted time.Duration) {
	if lasted < s.a.times.lastingConnection || !s.ready() {
		return
	}
	for token, at := range s.served().tokens {
		if token != at.token || at.client == nil || !at.registered() || !containsAddr(at.addresses(), peer.Addr()) {
			continue
		}
		at.log.Info("the connection to the service has ended; the line registers there again",
			zap.Stringer("to", peer))
		at.client.Renew()
	}
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
