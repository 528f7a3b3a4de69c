package endpoint

import (
	"hash/maphash"
	"net/netip"
	"sync"
	"sync/atomic"
	"time"
)

// sourceLimiter separates unknown sources from known ones, and limits what unknown ones may send. Its memory does not
// grow with the number of sources.
type sourceLimiter struct {
	// set once
	on   bool
	seed maphash.Seed

	prefixes atomic.Pointer[[]netip.Prefix] // always known; replaced as a whole

	mu      sync.Mutex
	known   map[netip.Addr]time.Time // an address is known until the time given here
	awaited count[netip.Addr]        // open client transactions by destination, which may answer
	all     bucket
	sources []bucket
}

// bucket is a token bucket: it holds up to burst tokens and gains rate tokens a second.
type bucket struct {
	tokens float64
	at     time.Time
}

// refill adds the tokens gained since the last call.
func (b *bucket) refill(now time.Time, rate, burst float64) {
	if b.at.IsZero() {
		b.tokens = burst
	} else {
		b.tokens = min(burst, b.tokens+rate*max(0, now.Sub(b.at).Seconds()))
	}
	b.at = now
}

func (g *sourceLimiter) init(o Options) {
	g.on, g.seed = o.LimitUnknown, maphash.MakeSeed()
	g.prefixes.Store(&o.Known)
	g.known, g.sources = map[netip.Addr]time.Time{}, make([]bucket, unknownSlots)
}

// Know makes an address known for knownFor. It is for the address of a peer that has shown credentials or a secret.
// Safe for concurrent use.
func (e *Endpoint) Know(addr netip.Addr) { e.sourceLimiter.know(addr.Unmap(), time.Now()) }

func (g *sourceLimiter) know(addr netip.Addr, now time.Time) {
	g.mu.Lock()
	defer g.mu.Unlock()
	if _, ok := g.known[addr]; !ok && len(g.known) >= maxKnown {
		var oldest netip.Addr
		for a, until := range g.known { // a thousand entries, but only for a new address that has shown a secret
			if !oldest.IsValid() || until.Before(g.known[oldest]) {
				oldest = a
			}
		}
		delete(g.known, oldest)
	}
	g.known[addr] = now.Add(knownFor)
}

// SetKnown replaces [Options.Known]. Safe for concurrent use.
func (e *Endpoint) SetKnown(prefixes []netip.Prefix) {
	e.sourceLimiter.prefixes.Store(&prefixes)
}

// size returns the number of known addresses in the table.
func (g *sourceLimiter) size() int {
	g.mu.Lock()
	defer g.mu.Unlock()
	return len(g.known)
}

// await changes the number of open client transactions towards an address by by.
func (g *sourceLimiter) await(addr netip.Addr, by int) {
	g.mu.Lock()
	defer g.mu.Unlock()
	g.awaited.add(addr, by)
}

// isUnknown reports whether an address is an unknown source.
func (g *sourceLimiter) isUnknown(addr netip.Addr, now time.Time) bool {
	if !g.on {
		return false
	}
	for _, p := range *g.prefixes.Load() {
		if p.Contains(addr.WithZone("")) { // a prefix contains no address with a zone
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

// admit takes a token for a message or a connection of an unknown source, and reports whether there was one. It checks
// the bucket of the source first, so that one noisy source uses only its own share.
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

// slot returns the bucket of an address. The owner of an IPv6 network has 2^64 addresses, so all of a /64 share one
// bucket.
func (g *sourceLimiter) slot(addr netip.Addr) int {
	b := addr.As16()
	part := b[:]
	if addr.Is6() && !addr.Is4In6() {
		part = b[:8]
	}
	return int(maphash.Bytes(g.seed, part) % unknownSlots)
}
