package endpoint

import (
	"cmp"
	"net/netip"
	"slices"
	"time"
)

// This file decides which TCP connection is closed if there is no room for another.

// rank says how much a connection is needed, the most important field first. The connection with the lowest rank is
// closed.
type rank struct {
	known       bool // the connections of unknown sources are closed first
	lineDepends bool // a line depends on it
	share       int  // minus the number of connections from its address
	last        int64
}

func (r rank) below(o rank) bool {
	switch {
	case r.known != o.known:
		return o.known
	case r.lineDepends != o.lineDepends:
		return o.lineDepends
	}
	return cmp.Or(cmp.Compare(r.share, o.share), cmp.Compare(r.last, o.last)) < 0
}

// room reports whether another connection from addr may stay, and closes one if necessary. A known source is never
// refused, since a line may depend on its new connection. To make room, room first closes a connection of an unknown
// source, then one from the address with the most connections; among these, the one that has been silent longest. The
// connection of a bound adapter, and a connection that we opened, are closed last. Among unknown sources the newest
// stays, however active the others are, because an adapter authenticates within a round trip or two. If no unknown
// source has a connection, a new unknown source replaces a connection from an address that has many.
func (s *tcpConns) room(addr netip.Addr, strange bool, now time.Time) bool {
	var bound []netip.AddrPort
	if s.e.o.Bound != nil && s.size() >= maxConnsSource {
		bound = s.e.o.Bound() // calls code outside this package, so the lock must not be held
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	each := map[netip.Addr]int{}
	for c := range s.open {
		each[c.peer.Addr()]++
	}
	var lowest, lowestSame, first *conn // first: the oldest connection of an unknown source
	ranks, strangers := map[*conn]rank{}, 0
	lower := func(c, than *conn) *conn {
		if than == nil || ranks[c].below(ranks[than]) {
			return c
		}
		return than
	}
	for c := range s.open {
		at := c.peer.Addr()
		r := rank{lineDepends: !c.accepted || lineDependsOn(bound, c.peer, each[at]), share: -each[at],
			last: c.last.Load()}
		if at == addr {
			r.share--
		}
		r.known = r.lineDepends || !s.e.sourceLimiter.isUnknown(at, now)
		if ranks[c] = r; !r.known {
			strangers++
			if first == nil || c.since.Before(first.since) {
				first = c
			}
		}
		if lowest = lower(c, lowest); at == addr {
			lowestSame = lower(c, lowestSame)
		}
	}
	switch {
	case strange && each[addr] >= maxUnknownConnsSource:
		return false
	case strange && (strangers >= maxUnknownConns || len(s.open) >= maxConns):
		if first == nil && (ranks[lowest].lineDepends || each[lowest.peer.Addr()] <= maxUnknownConns) {
			return false
		}
		if first == nil {
			first = lowest
		}
		s.endLocked(first)
	case each[addr] >= maxConnsSource:
		s.endLocked(lowestSame)
	case len(s.open) >= maxConns:
		s.endLocked(lowest)
	}
	return true
}

// lineDependsOn reports whether the line of an adapter depends on a connection from peer. That is so if an adapter is
// bound at that address and port, or if one is bound at the address and the connection is the only one from there.
func lineDependsOn(bound []netip.AddrPort, peer netip.AddrPort, same int) bool {
	return slices.Contains(bound, peer) ||
		same == 1 && slices.ContainsFunc(bound, func(at netip.AddrPort) bool { return at.Addr() == peer.Addr() })
}
