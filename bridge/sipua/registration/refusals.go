package registration

import (
	"sync"
	"time"

	"go.uber.org/zap"

	"clearback/bridge/sipua/endpoint"
)

// refusedEvery is the least time between two log lines about refusals of one line's adapter, or of adapters of no known
// line. Our own number.
const refusedEvery = time.Minute

// mostUser bounds a user name in the log, in octets. Our own number.
const mostUser = 64

// refusals counts the requests that were refused for their user, password or address, and says so once in a while. Safe
// for concurrent use; useful as it is.
type refusals struct {
	mu       sync.Mutex
	since    int
	next     time.Time
	reported bool // the line was told that its adapter is refused
}

// due counts a refusal; it reports how many there were since the last log line, 0 if none is due yet.
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

// setReported sets whether the line is told; it reports whether that is new.
func (f *refusals) setReported(is bool) bool {
	f.mu.Lock()
	defer f.mu.Unlock()
	was := f.reported
	f.reported = is
	return was != is
}

// refuse notes that a request was refused because of why. user is what it named itself, a the account of that name, nil
// if there is none. Then it is taken for the adapter of the one line without a registration that the request could be
// from, if there is one: a user name that was mistyped leaves no other trace of its line.
func (r *Registrar) refuse(req *endpoint.Request, why, user string, a *account) {
	f, line := &r.unknownRefusals, ""
	if a == nil {
		a = r.onlyUnbound(req)
	}
	if a != nil {
		f, line = &a.refusals, a.Line
	}
	if n := f.due(r.now()); n > 0 {
		r.log.Warn("an adapter was refused: "+why, zap.String("line", line),
			zap.String("user", endpoint.Printable(user[:min(len(user), mostUser)])),
			zap.Stringer("from", req.From), zap.Int("since_the_last_line", n))
	}
	if a == nil || r.refused == nil {
		return
	}
	if _, bound := r.Binding(a.Line); !bound && f.setReported(true) { // else it is not the line's adapter that was refused
		r.refused(a.Line, true)
	}
}

// accepted notes that the adapter of a line has registered.
func (r *Registrar) accepted(a *account) {
	if a.refusals.setReported(false) && r.refused != nil {
		r.refused(a.Line, false)
	}
}

// onlyUnbound returns the account without a binding that the request could be from, nil if there is none or more than
// one.
func (r *Registrar) onlyUnbound(req *endpoint.Request) *account {
	var found *account
	for _, a := range r.accounts {
		if !a.on(req.Endpoint) || !a.allows(req.From.Addr()) {
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
