package registration

import (
	"net/netip"
	"sync"
	"time"
)

// These limits slow the guessing of passwords. All numbers are our own. An adapter with a wrong password tries about
// twice a minute, so it is hardly delayed. Somebody who guesses from one address gets one try a minute for each user,
// and soon none for users that do not exist.
const (
	freeFailures   = 5                // failures of one address for one user before that address has to wait
	firstWait      = time.Second      // doubled by each further failure
	longestWait    = time.Minute      // an adapter whose password was corrected is back within that time
	forgetFailures = 15 * time.Minute // after this time without a failure
	usersPerHost   = 48               // users that one address may fail for; adapters have up to 48 ports
	// failures for one user from all addresses, no two more than forgetFailures apart; beyond it each address has one
	// free guess
	sharedFailures  = 30
	maxLoginSources = 8192 // address and user pairs in memory, some 1 MB
)

// loginSource is an address and the user that it failed for. Long user names are cut.
type loginSource struct {
	from netip.Addr
	user string
}

type failedLogin struct {
	wrong       int
	until, last time.Time // until: no check of credentials before that time
}

// failedLogins holds the failed logins. Only a request whose nonce was sent to that same address gets here. So forged
// source addresses can neither make anybody look like an attacker nor fill the memory. Safe for concurrent use.
type failedLogins struct {
	mu    sync.Mutex
	pairs map[loginSource]*failedLogin
	hosts map[netip.Addr]int      // number of users in pairs, by address
	users map[string]*failedLogin // known users, over all addresses
}

func newFailedLogins() *failedLogins {
	return &failedLogins{pairs: map[loginSource]*failedLogin{}, hosts: map[netip.Addr]int{},
		users: map[string]*failedLogin{}}
}

func loginSourceOf(from netip.Addr, user string) loginSource {
	return loginSource{from.Unmap(), user[:min(len(user), 64)]}
}

// blocked reports whether a request must be dropped without a check of its credentials. The limit of users for one
// address applies only to users that do not exist. Many adapters may share an address (behind a NAT), and one of them
// must not keep another one's line from registering. An attacker who tries that many names can thus find out which
// users exist. We accept that, because it matters less than a line that rings.
func (g *failedLogins) blocked(now time.Time, from netip.Addr, user string, known bool) bool {
	k := loginSourceOf(from, user)
	g.mu.Lock()
	defer g.mu.Unlock()
	if p := g.pairs[k]; p != nil {
		return now.Before(p.until)
	}
	if known || g.hosts[k.from] < usersPerHost {
		return false
	}
	g.sweepLocked(now)
	return g.hosts[k.from] >= usersPerHost
}

// failed records a failure. known reports whether the user exists; only for an existing user are failures also counted
// over all addresses.
func (g *failedLogins) failed(now time.Time, from netip.Addr, user string, known bool) {
	k := loginSourceOf(from, user)
	g.mu.Lock()
	defer g.mu.Unlock()
	free := freeFailures
	if known {
		v := g.users[k.user]
		if v == nil || now.Sub(v.last) > forgetFailures {
			v = &failedLogin{}
			g.users[k.user] = v
		}
		v.wrong, v.last = v.wrong+1, now
		if v.wrong > sharedFailures {
			free = 1
		}
	}
	p := g.pairs[k]
	if p == nil {
		if len(g.pairs) >= maxLoginSources {
			g.makeRoomLocked(now)
		}
		p = &failedLogin{}
		g.pairs[k] = p
		g.hosts[k.from]++
	} else if now.Sub(p.last) > forgetFailures {
		*p = failedLogin{}
	}
	p.wrong, p.last = p.wrong+1, now
	if over := p.wrong - free; over >= 0 {
		p.until = now.Add(min(firstWait<<min(over, 10), longestWait))
	}
}

// succeeded removes the failures of a source that has shown the right password.
func (g *failedLogins) succeeded(from netip.Addr, user string) {
	g.mu.Lock()
	defer g.mu.Unlock()
	g.dropLocked(loginSourceOf(from, user))
}

func (g *failedLogins) dropLocked(k loginSource) {
	if g.pairs[k] == nil {
		return
	}
	delete(g.pairs, k)
	if g.hosts[k.from]--; g.hosts[k.from] == 0 {
		delete(g.hosts, k.from)
	}
}

// sweepLocked removes old entries.
func (g *failedLogins) sweepLocked(now time.Time) {
	for k, p := range g.pairs {
		if now.Sub(p.last) > forgetFailures {
			g.dropLocked(k)
		}
	}
}

// makeRoomLocked removes old entries. If that is not enough, it removes random entries, up to a quarter of the maximum.
func (g *failedLogins) makeRoomLocked(now time.Time) {
	g.sweepLocked(now)
	for k := range g.pairs {
		if len(g.pairs) < maxLoginSources*3/4 {
			return
		}
		g.dropLocked(k)
	}
}

// Counts are the counts of a registrar since its start.
type Counts struct {
	Challenges  uint64 // 401s that asked for credentials
	Wrong       uint64 // responses with a wrong password, or of an unknown user
	RateLimited uint64 // requests that were dropped unchecked, after too many failed logins
	WrongPlace  uint64 // right credentials on a socket or from an address that is not the line's
	WrongTarget uint64 // right credentials that were made for another Request-URI
	WrongLine   uint64 // right credentials that asked for another line's registration
}

// Counts returns the current counts. Safe for concurrent use.
func (r *Registrar) Counts() Counts {
	return Counts{
		Challenges: r.counts.challenges.Load(), Wrong: r.counts.wrong.Load(), RateLimited: r.counts.slowed.Load(),
		WrongPlace: r.counts.wrongPlace.Load(), WrongTarget: r.counts.wrongTarget.Load(),
		WrongLine: r.counts.wrongLine.Load(),
	}
}
