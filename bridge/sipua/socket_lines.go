package sipua

import (
	"fmt"
	"net/netip"

	"clearback/bridge/media"
)

// servedLines is what the lines of a socket make of it. It is replaced as a whole when lines change.
type servedLines struct {
	// adapters: it serves the adapter side of some line. tokens: the accounts whose service side it serves, by the user
	// part of our Contact.
	adapters bool
	tokens   map[string]*account
	// sources are the addresses that the configuration names. knownSourcesOnly: every account has a list of the
	// addresses that its calls come from.
	sources          []netip.Prefix
	knownSourcesOnly bool
	// accepts are the only source addresses that are accepted; nil: all are
	accepts []netip.Prefix
}

func (s *socket) served() *servedLines { return s.lines.Load() }

// serve sets the sockets of lines that have none yet, and returns what each socket serves.
func (a *Agent) serve(lines []*Line) (map[*socket]*servedLines, error) {
	all := map[*socket]*servedLines{}
	for _, s := range a.sockets {
		all[s] = &servedLines{tokens: map[string]*account{}}
	}
	for _, l := range lines {
		if l.adapter == nil {
			l.adapter = a.socket(l.o.AdapterSocket, media.AdapterSide)
			l.service = a.socket(l.o.ServiceSocket, media.ServiceSide)
		}
		if l.adapter == nil || l.service == nil {
			return nil, fmt.Errorf("line %s: %w", l.o.Name, ErrNoSocket)
		}
		all[l.adapter].adapters = true
		service := all[l.service]
		for _, at := range l.accounts {
			if same := service.tokens[at.token]; same != nil {
				return nil, fmt.Errorf("line %s: service user %q is also used by line %s on the same socket; use another socket, or let the line register",
					l.o.Name, at.token, same.line.o.Name)
			}
			service.tokens[at.token] = at
		}
		service.tokens[l.testToken] = l.accounts[0]
	}
	for s, now := range all {
		now.sources, now.knownSourcesOnly = s.knownAddresses(lines), everySourceKnown(now.tokens)
		now.accepts = s.acceptedSources(lines, now)
	}
	return all, nil
}

// acceptedSources returns the allowed source addresses, or nil if all are allowed.
func (s *socket) acceptedSources(lines []*Line, now *servedLines) []netip.Prefix {
	if len(now.tokens) > 0 {
		return nil
	}
	all := []netip.Prefix{} // not nil: a socket without a line accepts nothing
	for _, l := range lines {
		if l.adapter != s {
			continue
		}
		if len(l.o.AdapterAllow) == 0 {
			return nil
		}
		all = append(all, l.o.AdapterAllow...)
	}
	return all
}

// accepts reports whether an address may send to this socket at all.
func (s *socket) accepts(addr netip.Addr) bool {
	only := s.served().accepts
	return only == nil || containsAddr(only, addr)
}

// knownAddresses returns the addresses that the configuration gives for the lines on this socket. The endpoint never
// treats them as strangers.
func (s *socket) knownAddresses(lines []*Line) []netip.Prefix {
	var all []netip.Prefix
	for _, l := range lines {
		if l.adapter == s {
			all = append(all, l.o.AdapterAllow...)
			if l.o.AdapterFixed != nil {
				all = appendHost(all, l.o.AdapterFixed.Host)
			}
		}
		if l.service == s {
			for _, at := range l.accounts {
				all = append(append(all, at.from...), at.literals()...)
			}
		}
	}
	return all
}

// everySourceKnown reports whether every account on this socket has a list of the addresses that its calls come from.
func everySourceKnown(tokens map[string]*account) bool {
	for _, at := range tokens {
		if at.from == nil {
			return false
		}
	}
	return true
}
