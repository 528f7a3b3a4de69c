package endpoint

import (
	"container/list"
	"net/netip"
	"slices"
	"sync"

	"github.com/emiago/sipgo/sip"
)

// This file decides who gets a server transaction. There is ordinary room, of which each source has a share. In
// addition, a few places are reserved for each dialog and each adapter: for requests in a dialog, for BYE, and for
// emergency calls. Nobody else can take a reserved place, however full the ordinary room is.
//
// Source addresses can be forged. A share that is full of answered transactions therefore refuses nothing: the answered
// transaction that is the oldest ends. Otherwise, 130 requests a second with the forged address of a service would keep
// its calls from every line, and those with the address of an adapter would block its registration.

// transactions holds the pending transactions in both directions.
type transactions struct {
	mu      sync.Mutex
	servers table[string, *server]
	clients table[string, *Transaction]
	// ordinary counts the servers in the ordinary room, unknown those of unknown sources among them. sources lists them
	// by source.
	ordinary, unknown int
	sources           table[netip.Addr, *list.List] // of *server, the oldest first
	// reserved holds the servers in reserved places, the oldest first.
	reserved table[reservation, []*server]
	// waitingCancels holds the CANCELs that wait for their INVITE.
	waitingCancels waitingCancels
	closed         bool
}

// reservation says where a server transaction is counted. The zero value means the ordinary room.
type reservation struct {
	kind        reservationKind
	at          netip.AddrPort
	callID, tag string
}

type reservationKind uint8

const (
	ordinary  reservationKind = iota
	ofInvite                  // a CANCEL: it has the branch of its INVITE, so there is at most one for each
	ofDialog                  // a request inside a dialog
	ofBye                     // a BYE inside a dialog
	ofAdapter                 // an emergency call from the exact address and port at which an adapter is bound
	ofHost                    // an emergency call from an address at which an adapter is bound
	ofCallers                 // all other emergency calls
)

// size returns how many transactions a reservation may hold.
func (k reservationKind) size() int {
	switch k {
	case ofCallers:
		return maxReservedCallers
	default:
		return maxReserved
	}
}

// terminate ends all transactions and refuses new ones.
func (t *transactions) terminate() {
	t.mu.Lock()
	t.closed = true
	servers, clients := t.servers.m, t.clients.m
	t.servers, t.clients = table[string, *server]{}, table[string, *Transaction]{}
	t.ordinary, t.unknown, t.sources = 0, 0, table[netip.Addr, *list.List]{}
	t.reserved, t.waitingCancels = table[reservation, []*server]{}, waitingCancels{}
	t.mu.Unlock()
	for _, s := range servers {
		s.tx.Terminate()
	}
	for _, c := range clients {
		c.fail(ErrClosed)
	}
}

// roomFor returns the place for another server transaction. If gives is not nil, that transaction has to end to make
// room: it has sent its final response and is kept only for retransmissions.
func (e *Endpoint) roomFor(r *Request) (p reservation, gives *server, ok bool) {
	t := &e.t
	t.mu.Lock()
	if ok = t.roomLocked(r); !ok {
		gives = t.answeredLocked(r)
	}
	t.mu.Unlock()
	if ok || gives != nil {
		return reservation{}, gives, true
	}
	all := e.placesFor(r) // calls code outside this package, so the lock must not be held
	t.mu.Lock()
	defer t.mu.Unlock()
	for _, p := range all {
		held := t.reserved.get(p)
		if len(held) < p.kind.size() {
			return p, nil, true
		}
		if i := slices.IndexFunc(held, (*server).replaceable); i >= 0 {
			return p, held[i], true
		}
	}
	return reservation{}, nil, false
}

// roomLocked reports whether another server transaction fits into the ordinary room.
func (t *transactions) roomLocked(r *Request) bool {
	own := t.ownLocked(r.From.Addr())
	switch {
	case t.ordinary >= maxServersHard:
		return false
	case r.unknown:
		return t.ordinary < maxServers && t.unknown < maxUnknownServers && own < maxUnknownServersSource
	case t.ordinary < maxServers:
		return own < maxServersSource
	}
	return own < min(maxServersSource, max(maxServersFew, (maxServersHard-maxServers)/t.sources.len()))
}

// ownLocked returns the number of servers of a source in the ordinary room.
func (t *transactions) ownLocked(source netip.Addr) int {
	if all := t.sources.get(source); all != nil {
		return all.Len()
	}
	return 0
}

// answeredLocked returns an answered server of the request's own source: the oldest of the first maxSearched. It
// returns nil if there is none, or if the source is unknown. It moves the unanswered ones that it passes to the end of
// the list.
func (t *transactions) answeredLocked(r *Request) *server {
	all := t.sources.get(r.From.Addr())
	if all == nil || r.unknown {
		return nil
	}
	for range min(all.Len(), maxSearched) {
		first := all.Front()
		if s := first.Value.(*server); s.replaceable() {
			return s
		}
		all.MoveToBack(first)
	}
	return nil
}

// placesFor returns the reservations that a request may use, the preferred one first.
func (e *Endpoint) placesFor(r *Request) []reservation {
	var all []reservation
	switch {
	case r.inDialog && r.Method == sip.BYE:
		all = append(all, reservation{kind: ofBye, callID: callID(r), tag: r.To().Params.GetOr("tag", "")})
	case r.inDialog && !r.unknown:
		all = append(all, reservation{kind: ofDialog, callID: callID(r), tag: r.To().Params.GetOr("tag", "")})
	}
	if !r.urgent || r.unknown {
		return all
	}
	if e.o.Bound != nil {
		bound, host := e.o.Bound(), netip.AddrPortFrom(r.From.Addr(), 0)
		if slices.Contains(bound, r.From) {
			all = append(all, reservation{kind: ofAdapter, at: r.From})
		}
		if slices.ContainsFunc(bound, func(at netip.AddrPort) bool { return at.Addr() == host.Addr() }) {
			all = append(all, reservation{kind: ofHost, at: host})
		}
	}
	return append(all, reservation{kind: ofCallers})
}

// addLocked files a server transaction, unless it already is filed.
func (t *transactions) addLocked(s *server) {
	if t.servers.get(s.key) == s {
		return
	}
	t.servers.put(s.key, s)
	switch s.reservation.kind {
	case ordinary:
		t.ordinary++
		from := s.r.From.Addr()
		all := t.sources.get(from)
		if all == nil {
			all = list.New()
			t.sources.put(from, all)
		}
		s.element = all.PushBack(s)
		if s.r.unknown {
			t.unknown++
		}
	case ofInvite:
	default:
		t.reserved.put(s.reservation, append(t.reserved.get(s.reservation), s))
	}
}

func (t *transactions) removeServer(s *server) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.servers.get(s.key) != s {
		return
	}
	t.servers.remove(s.key)
	switch s.reservation.kind {
	case ordinary:
		t.ordinary--
		from := s.r.From.Addr()
		all := t.sources.get(from)
		if all.Remove(s.element); all.Len() == 0 {
			t.sources.remove(from)
		}
		if s.r.unknown {
			t.unknown--
		}
	default: // of a CANCEL there is nothing to remove
		left := slices.DeleteFunc(t.reserved.get(s.reservation), func(other *server) bool { return other == s })
		if len(left) == 0 {
			t.reserved.remove(s.reservation)
			return
		}
		t.reserved.put(s.reservation, left)
	}
}
