package registration

import (
	"net/netip"
	"sync"
	"time"
)

// How guessing of passwords is slowed. Our own numbers: an adapter with a wrong password tries once in half a minute or
// so and is hardly held up; who guesses from one address gets a try a minute for each user, and soon none for further
// users.
const (
	freeFailures    = 5                // wrong answers from one address for one user, before it has to wait
	firstWait       = time.Second      // doubled by each further one
	longestWait     = time.Minute      // so that an adapter whose password was mended is back in that time
	forgetFailures  = 15 * time.Minute // without a wrong answer
	usersPerHost    = 48               // that an address may be wrong for: adapters have up to 48 ports
	underAttack     = 30               // wrong answers for one user from strangers within forgetFailures: then each has one free guess
	maxLoginSources = 8192             // pairs that are remembered, some 1 MB
)

// loginSource is an address and the user that it was wrong for. Long user names are cut.
type loginSource struct {
	from netip.Addr
	user string
}

type failedLogin struct {
	wrong       int
	until, last time.Time // no answer before until
}

// failedLogins remembers wrong answers. Only what bears a nonce that was sent to that very address gets here, so nobody
// can be made to look like a guesser by forged sources, nor fill it. Safe for concurrent use.
type failedLogins struct {
	mu    sync.Mutex
	pairs map[loginSource]*failedLogin
	hosts map[netip.Addr]int      // users of the pairs, by address
	users map[string]*failedLogin // known users, all strangers together
}

func newFailedLogins() *failedLogins {
	return &failedLogins{pairs: map[loginSource]*failedLogin{}, hosts: map[netip.Addr]int{},
		users: map[string]*failedLogin{}}
}

func loginSourceOf(from netip.Addr, user string) loginSource {
	return loginSource{from.Unmap(), user[:min(len(user), 64)]}
}

// wait reports whether an answer has to go unheard now. The limit of users at an address is for users that there are
// not: many adapters may share an address (a translator's), and one of them must not keep a line of another from
// registering. Who tries that many names may so find out which there are, which is worth less than a line that rings.
func (g *failedLogins) wait(now time.Time, from netip.Addr, user string, known bool) bool {
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

// wrong notes a wrong answer. known tells that there is such a user: only those are kept beyond the address.
func (g *failedLogins) wrong(now time.Time, from netip.Addr, user string, known bool) {
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
		if v.wrong > underAttack {
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

// right forgets the wrong answers of who knows the password.
func (g *failedLogins) right(from netip.Addr, user string) {
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

// sweepLocked forgets what is old.
func (g *failedLogins) sweepLocked(now time.Time) {
	for k, p := range g.pairs {
		if now.Sub(p.last) > forgetFailures {
			g.dropLocked(k)
		}
	}
}

// makeRoomLocked forgets what is old, or else the quarter that a walk meets first.
func (g *failedLogins) makeRoomLocked(now time.Time) {
	g.sweepLocked(now)
	for k := range g.pairs {
		if len(g.pairs) < maxLoginSources*3/4 {
			return
		}
		g.dropLocked(k)
	}
}

// Counts of a registrar since its start.
type Counts struct {
	Challenges   uint64 // 401s that asked for credentials
	Wrong        uint64 // answers with a wrong password, of unknown users too
	RateLimited  uint64 // answers that were dropped unheard, after too many wrong ones
	WrongPlace   uint64 // right credentials on a socket or from an address that is not the line's
	WrongTarget  uint64 // right credentials that were made for another Request-URI
	WrongLine    uint64 // right credentials that asked for another line's registration
	LoginSources int    // address and user pairs that are remembered now
}

// Counts returns them. Safe for concurrent use.
func (r *Registrar) Counts() Counts {
	r.failedLogins.mu.Lock()
	n := len(r.failedLogins.pairs)
	r.failedLogins.mu.Unlock()
	return Counts{
		Challenges: r.counts.challenges.Load(), Wrong: r.counts.wrong.Load(), RateLimited: r.counts.slowed.Load(),
		WrongPlace: r.counts.wrongPlace.Load(), WrongTarget: r.counts.wrongTarget.Load(),
		WrongLine: r.counts.wrongLine.Load(), LoginSources: n,
	}
}
