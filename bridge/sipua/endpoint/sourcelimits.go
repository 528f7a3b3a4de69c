package endpoint

import (
	"hash/maphash"
	"net/netip"
	"sync"
	"time"
)

// sourceLimiter tells strangers from others, and how much they may send. What it keeps does not grow with the number of
// sources.
type sourceLimiter struct {
	// set once
	on       bool
	prefixes []netip.Prefix
	seed     maphash.Seed

	mu      sync.Mutex
	known   map[netip.Addr]time.Time // until when
	awaited count[netip.Addr]        // open client transactions by destination: who is asked may answer
	all     bucket
	sources []bucket
}

// bucket holds up to burst tokens, of which rate a second come back.
type bucket struct {
	tokens float64
	at     time.Time
}

// refill gives what came back since it was last looked at.
func (b *bucket) refill(now time.Time, rate, burst float64) {
	if b.at.IsZero() {
		b.tokens = burst
	} else if d := now.Sub(b.at).Seconds(); d > 0 {
		b.tokens = min(burst, b.tokens+d*rate)
	}
	b.at = now
}

func (g *sourceLimiter) init(o Options) {
	g.on, g.prefixes, g.seed = o.LimitUnknown, o.Known, maphash.MakeSeed()
	g.known, g.sources = map[netip.Addr]time.Time{}, make([]bucket, unknownSlots)
}

// Know makes an address known for some hours: whoever showed credentials or a secret from there. Safe for concurrent
// use.
func (e *Endpoint) Know(addr netip.Addr) { e.sourceLimiter.know(addr.Unmap(), time.Now()) }

func (g *sourceLimiter) know(addr netip.Addr, now time.Time) {
	g.mu.Lock()
	defer g.mu.Unlock()
	if _, ok := g.known[addr]; !ok && len(g.known) >= maxKnown {
		var oldest netip.Addr
		for a, until := range g.known { // a thousand, only when a new address shows a secret
			if !oldest.IsValid() || until.Before(g.known[oldest]) {
				oldest = a
			}
		}
		delete(g.known, oldest)
	}
	g.known[addr] = now.Add(knownFor)
}

// size is the number of addresses that were made known.
func (g *sourceLimiter) size() int {
	g.mu.Lock()
	defer g.mu.Unlock()
	return len(g.known)
}

// await counts the client transactions that are open towards an address.
func (g *sourceLimiter) await(addr netip.Addr, by int) {
	g.mu.Lock()
	defer g.mu.Unlock()
	g.awaited.add(addr, by)
}

// isUnknown reports whether an address is one.
func (g *sourceLimiter) isUnknown(addr netip.Addr, now time.Time) bool {
	if !g.on {
		return false
	}
	for _, p := range g.prefixes {
		if p.Contains(addr.WithZone("")) { // no prefix holds an address with a zone
			return false
		}
	}
	g.mu.Lock()
	defer g.mu.Unlock()
	if g.awaited.get(addr) > 0 {
		return false
	}
	until, ok := g.known[addr]
	if ok && !now.Before(until) {
		delete(g.known, addr)
		ok = false
	}
	return !ok
}

// admit takes a token for something a stranger sent. First one of his own bucket, so that one noisy source takes only
// its own share.
func (g *sourceLimiter) admit(addr netip.Addr, now time.Time) bool {
	slot := g.slot(addr)
	g.mu.Lock()
	defer g.mu.Unlock()
	own := &g.sources[slot]
	own.refill(now, unknownSourceRate, unknownSourceBurst)
	if own.tokens < 1 {
		return false
	}
	g.all.refill(now, unknownRate, unknownBurst)
	if g.all.tokens < 1 {
		return false
	}
	own.tokens--
	g.all.tokens--
	return true
}

// slot is the bucket of an address. Who has an IPv6 network has 2^64 addresses: they count as one.
func (g *sourceLimiter) slot(addr netip.Addr) int {
	b := addr.As16()
	part := b[:]
	if addr.Is6() && !addr.Is4In6() {
		part = b[:8]
	}
	return int(maphash.Bytes(g.seed, part) % unknownSlots)
}
