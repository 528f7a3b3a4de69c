package endpoint

import (
	"container/list"
	"net/netip"
	"slices"
	"sync"

	"github.com/emiago/sipgo/sip"
)

// This file says who gets a server transaction. There is ordinary room, of which each source has its share, and beside
// it a little that is kept for each dialog and for each adapter: for what belongs to a call, ends one, or calls for
// help. However full the ordinary room is, and whoever filled it, what is kept for one is not taken by another.
//
// Sources can be forged, so a share that is full of what was answered refuses nothing: the transaction that has waited
// longest for repeats ends. Else 130 requests a second in the name of a service would keep its calls from every line,
// and in that of an adapter its registration.

// transactions are those under way, both ways.
type transactions struct {
	mu      sync.Mutex
	servers table[string, *server]
	clients table[string, *Transaction]
	// ordinary counts the servers in the ordinary room, sources the same by where they came from, strange those of
	// strangers.
	ordinary, unknown int
	sources           table[netip.Addr, *list.List] // of *server, the oldest first
	// reserved are the servers in kept places, the oldest first.
	reserved table[reservation, []*server]
	// waitingCancels are the CANCELs that wait for their INVITE.
	waitingCancels waitingCancels
	closed         bool
}

// reservation is where a server transaction is counted; the zero value is the ordinary room.
type reservation struct {
	kind        reservationKind
	at          netip.AddrPort
	callID, tag string
}

type reservationKind uint8

const (
	ordinary  reservationKind = iota
	ofInvite                  // a CANCEL: it has the branch of its INVITE, so there is one for each
	ofDialog                  // a request inside a dialog
	ofBye                     // a BYE inside a dialog
	ofAdapter                 // a call for help from the very address and port where an adapter is bound
	ofHost                    // a call for help from an address where an adapter is bound
	ofCallers                 // all other calls for help
)

// size is how many transactions a kept place has.
func (k reservationKind) size() int {
	switch k {
	case ofCallers:
		return maxReservedCallers
	default:
		return maxReserved
	}
}

// terminate ends all and lets none begin.
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

// roomFor returns where one more server transaction may begin. If gives is not nil, that one has to end for it: it has
// had its final response, and is only kept for repeats.
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
	all := e.placesFor(r) // asks the user, so it must not hold the lock
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

// roomLocked reports whether one more server transaction fits into the ordinary room.
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
	return own < min(maxServersSource, max(maxServersFew, (maxServersHard-maxServers)/max(1, t.sources.len())))
}

// ownLocked is how many servers in the ordinary room are a source's.
func (t *transactions) ownLocked(source netip.Addr) int {
	if all := t.sources.get(source); all != nil {
		return all.Len()
	}
	return 0
}

// answeredLocked returns a server of the request's own source that was answered, the oldest of those that it looks at;
// nil: there is none, or a stranger asks. Those that were not answered are looked at last from then on.
func (t *transactions) answeredLocked(r *Request) *server {
	all := t.sources.get(r.From.Addr())
	if all == nil || r.unknown {
		return nil
	}
	for range min(all.Len(), maxLooks) {
		first := all.Front()
		if s := first.Value.(*server); s.replaceable() {
			return s
		}
		all.MoveToBack(first)
	}
	return nil
}

// placesFor are the kept places that a request may take, the first first.
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

// addLocked files a server transaction, once.
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
		s.among = all.PushBack(s)
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
		if all.Remove(s.among); all.Len() == 0 {
			t.sources.remove(from)
		}
		if s.r.unknown {
			t.unknown--
		}
	case ofInvite:
	default:
		left := slices.DeleteFunc(t.reserved.get(s.reservation), func(other *server) bool { return other == s })
		if len(left) == 0 {
			t.reserved.remove(s.reservation)
			return
		}
		t.reserved.put(s.reservation, left)
	}
}
