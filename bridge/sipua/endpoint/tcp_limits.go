package endpoint

import (
	"net/netip"
	"slices"
	"time"
)

// This file says which TCP connection is closed for want of room.

// rank is what speaks for a connection to stay, what counts most first. The connection with the lowest rank is closed.
type rank struct {
	known       bool // strangers go first
	lineDepends bool // a line hangs on it
	share       int  // how few connections its address has, as a number below 0
	last        int64
}

func (r rank) below(o rank) bool {
	switch {
	case r.known != o.known:
		return o.known
	case r.lineDepends != o.lineDepends:
		return o.lineDepends
	case r.share != o.share:
		return r.share < o.share
	}
	return r.last < o.last
}

// room reports whether one more connection from addr may stay. Who is known is not refused: another connection is
// closed for it, since a line may hang on the new one: a stranger's first, then one of the address that has most, and
// of those the one that is silent longest. The connection of a bound adapter, and what we connected ourselves, goes
// last. Among strangers the newest stays, however talkative the others are: an adapter shows who it is within a round
// trip or two. Where there are none, the first takes the place of one of an address that has many.
func (s *tcpConns) room(addr netip.Addr, strange bool, now time.Time) bool {
	var bound []netip.AddrPort
	switch n := s.size(); {
	case n < maxConnsSource && !strange:
		return true
	case n >= maxConnsSource && s.e.o.Bound != nil:
		bound = s.e.o.Bound() // asks the user, so it must not hold the lock
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	each := map[netip.Addr]int{}
	for c := range s.open {
		each[c.peer.Addr()]++
	}
	var lowest, lowestSame, first *conn // first: the stranger that came first
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
		if first == nil && (lowest == nil || ranks[lowest].lineDepends || each[lowest.peer.Addr()] <= maxUnknownConns) {
			return false
		}
		if first == nil {
			first = lowest
		}
		s.endLocked(first)
	case strange:
	case each[addr] >= maxConnsSource:
		s.endLocked(lowestSame)
	case len(s.open) >= maxConns:
		s.endLocked(lowest)
	}
	return true
}

// lineDependsOn reports whether an adapter's line hangs on a connection: it comes from the very place where one is
// bound, or is the only one from an address where one is.
func lineDependsOn(bound []netip.AddrPort, peer netip.AddrPort, same int) bool {
	return slices.Contains(bound, peer) ||
		same == 1 && slices.ContainsFunc(bound, func(at netip.AddrPort) bool { return at.Addr() == peer.Addr() })
}
