package registration

import (
	"net/netip"
	"sync"
	"time"

	"go.uber.org/zap"

	"clearback/bridge/sipua/endpoint"
)

// refusedEvery is the shortest time between two log entries about refusals of one line's adapter, or of adapters of no
// known line. Our own number.
const refusedEvery = time.Minute

// maxLoggedUser bounds a user name in the log, in octets. Our own number.
const maxLoggedUser = 64

// refusals counts the requests that were refused because of user, password or address, and limits the log entries about
// them. Safe for concurrent use. The zero value is ready.
type refusals struct {
	mu       sync.Mutex
	since    int
	next     time.Time
	reported bool // the line has been informed that its adapter is refused
	last     Refusal
}

// The most frequent reasons of a Refusal.
const (
	wrongPassword = "wrong user or password"
	noPassword    = "it has not sent its password yet"
	servicePort   = "REGISTER came to the service's port"
)

// Refusal is the last refusal of an adapter.
type Refusal struct {
	At   time.Time
	From netip.AddrPort
	User string // as the adapter gave it, made printable and shortened
	Why  string
	// Challenged: there was no password yet. Each attempt begins like that.
	Challenged bool
}

// refusalAge is how long a refusal is worth mentioning: an adapter tries again far sooner. Our own number.
const refusalAge = time.Hour

// Refusal returns the last refusal of a line's adapter, in the last hour, since its adapter last registered. While the
// line has a binding, it was not the line's adapter that was refused. With line "" Refusal returns the last refusal of
// an adapter of no known line. ok is false if there was none.
func (r *Registrar) Refusal(line string) (last Refusal, ok bool) {
	f := &r.unknownRefusals
	if a := r.table().byLine[line]; a != nil {
		f = &a.refusals
	} else if line != "" {
		return Refusal{}, false
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.last.At.IsZero() || r.now().Sub(f.last.At) >= refusalAge {
		return Refusal{}, false
	}
	return f.last, true
}

// note records for [Registrar.Refusal] that the request of a line's adapter was not accepted.
func (r *Registrar) note(req *endpoint.Request, why, user string, a *account) {
	f := &r.unknownRefusals
	if a != nil {
		f = &a.refusals
		if _, bound := r.Binding(a.Line); bound {
			return
		}
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	if why == noPassword && f.last.Why != noPassword && r.now().Sub(f.last.At) < refusalAge {
		return // each attempt begins like that
	}
	f.last = Refusal{At: r.now(), From: req.From, User: shownUser(user), Why: why, Challenged: why == noPassword}
}

func shownUser(user string) string { return endpoint.Printable(user[:min(len(user), maxLoggedUser)]) }

// due counts a refusal. It returns how many there were since the last log entry, or 0 if it is too early for the next
// one.
func (f *refusals) due(now time.Time) int {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.since++
	if now.Before(f.next) {
		return 0
	}
	n := f.since
	f.since, f.next = 0, now.Add(refusedEvery)
	return n
}

// setReported records whether the line has been informed. It reports whether that changed. After a registration there
// is no last refusal.
func (f *refusals) setReported(is bool) bool {
	f.mu.Lock()
	defer f.mu.Unlock()
	if !is {
		f.last = Refusal{}
	}
	was := f.reported
	f.reported = is
	return was != is
}

// refuse records that a request was refused, with the reason why. user is the user name in the request; a is the
// account of that name, or nil. If a is nil and the request could come from exactly one line without a registration,
// refuse attributes it to that line: a mistyped user name leaves no other trace of its line.
func (r *Registrar) refuse(req *endpoint.Request, why, user string, a *account) {
	f, line := &r.unknownRefusals, ""
	if a == nil {
		a = r.onlyUnbound(req, false)
	}
	if a != nil {
		f, line = &a.refusals, a.Line
	}
	r.note(req, why, user, a)
	if n := f.due(r.now()); n > 0 {
		r.log.Warn("an adapter was refused: "+why, zap.String("line", line), zap.String("user", shownUser(user)),
			zap.Stringer("from", req.From), zap.Int("since_the_last_line", n))
	}
	if a == nil || r.refused == nil {
		return
	}
	// While the line has a binding, it was not the line's adapter that was refused.
	if _, bound := r.Binding(a.Line); !bound && f.setReported(true) {
		r.refused(a.Line, true)
	}
}

// accepted records that the adapter of a line has registered.
func (r *Registrar) accepted(a *account) {
	if a.refusals.setReported(false) && r.refused != nil {
		r.refused(a.Line, false)
	}
}

// Misdirected records for [Registrar.Refusal] that a REGISTER came to a socket that serves no adapter. A user whom no
// account has counts only at an address of a local network: scanners try every port on the Internet.
func (r *Registrar) Misdirected(req *endpoint.Request) {
	user := userOf(req)
	a := r.table().byUser[user]
	if from := req.From.Addr().Unmap(); a == nil {
		if !from.IsPrivate() && !from.IsLoopback() && !from.IsLinkLocalUnicast() {
			return
		}
		a = r.onlyUnbound(req, true)
	}
	r.note(req, servicePort, user, a)
}

// onlyUnbound returns the only account without a binding that the request could come from, on the account's socket or
// on any. It returns nil if there is none or more than one.
func (r *Registrar) onlyUnbound(req *endpoint.Request, onAnySocket bool) *account {
	var found *account
	for _, a := range r.table().accounts {
		if !onAnySocket && !a.on(req.Endpoint) || !a.allows(req.From.Addr()) {
			continue
		}
		if _, bound := r.Binding(a.Line); bound {
			continue
		}
		if found != nil {
			return nil
		}
		found = a
	}
	return found
}
