package sipua

import (
	"net/netip"
	"sync"
	"time"

	"github.com/emiago/sipgo/sip"
	"go.uber.org/zap"

	"clearback/bridge/sipua/endpoint"
)

// This file decides who may send requests outside a dialog on the service's side.

// accountFor returns the account that a request outside a dialog is for. It returns nil if the request is for no
// account, or comes from an address that the account does not allow.
func (s *socket) accountFor(r *endpoint.Request) *account {
	at := s.served().tokens[r.Recipient.User]
	if at == nil || r.Recipient.User != at.line.testToken && at.from != nil && !containsAddr(at.from, r.From.Addr()) {
		return nil
	}
	return at
}

// fromUnknownSource reports whether a request outside a dialog, or in an unknown dialog, comes from an address that may
// not send it. Such a request is dropped. Where adapters use the socket too, fromUnknownSource reports false: adapters
// are challenged, and the endpoint limits the rest.
func (s *socket) fromUnknownSource(r *endpoint.Request) bool {
	from := r.From.Addr()
	at := s.accountFor(r)
	switch {
	case at != nil:
		if at.from == nil || r.Recipient.User == at.line.testToken { // the token is known only to the service
			s.ep.Know(from)
		}
		return false
	case s.served().adapters:
		return false
	}
	if at := s.served().tokens[r.Recipient.User]; at != nil {
		at.sourceRefusals.report(at.log, r)
	} else if now := s.served(); containsAddr(now.sources, from) ||
		!now.knownSourcesOnly && s.unknownReplies.take(time.Now()) {
		return false
	}
	s.a.counts.unknownSources.Add(1)
	r.Drop()
	return true
}

func containsAddr(prefixes []netip.Prefix, addr netip.Addr) bool {
	addr = addr.Unmap().WithZone("") // no prefix contains an address with a zone
	for _, p := range prefixes {
		if p.Contains(addr) {
			return true
		}
	}
	return false
}

// bucket limits a rate. Safe for concurrent use; the zero value allows maxUnknownReplies at once.
type bucket struct {
	mu    sync.Mutex
	spent float64
	at    time.Time
}

const (
	// maxUnknownReplies strangers on one socket are answered at once, and one more every unknownRepliesEvery. Our own
	// numbers: a person who looks for a fault sees an answer, and a scanner that tries thousands sees next to nothing.
	maxUnknownReplies   = 10
	unknownRepliesEvery = 500 * time.Millisecond
)

func (b *bucket) take(now time.Time) bool {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.spent = max(0, b.spent-float64(now.Sub(b.at))/float64(unknownRepliesEvery))
	b.at = now
	if b.spent > maxUnknownReplies-1 {
		return false
	}
	b.spent++
	return true
}

// sourceRefusalsEvery is the least time between two log lines about refused requests for one account. Our own number.
const sourceRefusalsEvery = time.Minute

// sourceRefusals counts the requests for an account that came from other addresses, and logs them at most once in
// sourceRefusalsEvery. Safe for concurrent use; the zero value is ready to use.
type sourceRefusals struct {
	mu    sync.Mutex
	since int
	next  time.Time
}

func (u *sourceRefusals) report(log *zap.Logger, r *endpoint.Request) {
	u.mu.Lock()
	u.since++
	n, now := u.since, time.Now()
	if now.Before(u.next) {
		u.mu.Unlock()
		return
	}
	u.since, u.next = 0, now.Add(sourceRefusalsEvery)
	u.mu.Unlock()
	log.Warn("a request from an unknown address was dropped; if it is an address of the service, add it to the service's allow_from",
		zap.Stringer("from", r.From.Addr()), zap.String("method", methodName(r.Method)),
		zap.Int("since_the_last_line", n))
}

// methodName returns the method for the log. Strangers cannot write text of their own into it.
func methodName(m sip.RequestMethod) string {
	switch m {
	case sip.INVITE, sip.OPTIONS, sip.REGISTER, sip.NOTIFY, sip.MESSAGE, sip.SUBSCRIBE, sip.BYE, sip.INFO, sip.UPDATE,
		sip.REFER, sip.PUBLISH, sip.PRACK:
		return string(m)
	}
	return "another"
}
