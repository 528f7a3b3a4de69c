package registration

import (
	"crypto/rand"
	"crypto/sha256"
	"crypto/subtle"
	"net/netip"
	"strings"
	"time"

	"github.com/emiago/sipgo/sip"
	"go.uber.org/zap"
)

// SavedBinding is a binding with what the registrar needs to keep it over a restart of the daemon.
type SavedBinding struct {
	User string `json:"user"` // of the account
	// Salt and Hash show whether the account still has the same password.
	Salt        []byte         `json:"salt"`
	Hash        []byte         `json:"hash"`
	Contact     string         `json:"contact"`
	Destination netip.AddrPort `json:"destination"` // of requests to the adapter
	Source      netip.AddrPort `json:"source"`      // of the last REGISTER
	Transport   string         `json:"transport"`
	UserAgent   string         `json:"user_agent"`
	// CallID and CSeq are those of the last REGISTER. With them an older one is refused (RFC 3261 section 10.3).
	CallID     string    `json:"call_id"`
	CSeq       uint32    `json:"cseq"`
	Registered time.Time `json:"registered"`
	Heard      time.Time `json:"heard"`
	Expires    time.Time `json:"expires"`
}

// restore restores a saved binding, unless it may have expired or no longer fits the account. If the clock has been set
// back since the binding was saved, the binding is discarded. A clock that is set later does not change how long it
// lasts.
func (r *Registrar) restore(a *account, s SavedBinding) {
	now := r.now()
	contact := sip.Uri{}
	err := sip.ParseUri(s.Contact, &contact)
	left := s.Expires.Sub(now)
	switch {
	case a.Fixed != nil, s.User != a.User, subtle.ConstantTimeCompare(s.Hash, a.passwordHash(s.Salt)) == 0, err != nil,
		!s.Source.IsValid(), !a.allows(s.Source.Addr()), !s.Destination.IsValid(), !a.allows(s.Destination.Addr()),
		now.Before(s.Heard), left <= 0, left > maxExpires:
		return
	}
	a.binding = Binding{Contact: contact, Destination: s.Destination, Transport: s.Transport, UserAgent: s.UserAgent,
		Expires: now.Add(left), Registered: s.Registered, Heard: s.Heard, Generation: 1}
	a.source, a.callID, a.cseq = s.Source, s.CallID, s.CSeq
	r.log.Info("the adapter's registration was kept", zap.String("line", a.Line),
		zap.Stringer("at", s.Destination), zap.Time("until", s.Expires))
}

// passwordHash returns a hash of the account's password. It is for a file that only the daemon's user can read.
func (a *account) passwordHash(salt []byte) []byte {
	h := sha256.Sum256([]byte(string(salt) + strings.Join(a.ha1[:], " ")))
	return h[:]
}

// saveBinding saves the present binding of an account, or that it has none.
func (r *Registrar) saveBinding(a *account) {
	if r.save == nil {
		return
	}
	a.mu.Lock() // also while saving, so that states are saved in order
	defer a.mu.Unlock()
	if !a.replaced.Load() {
		r.save(a.Line, a.savedLocked(r.now()))
	}
}

// savedLocked returns the present binding of an account, or nil if it has none. a.mu is held.
func (a *account) savedLocked(now time.Time) *SavedBinding {
	b := &a.binding
	if !now.Before(b.Expires) {
		return nil
	}
	contact, salt := *b.Contact.Clone(), []byte(rand.Text())
	contact.Password = ""
	return &SavedBinding{User: a.User, Salt: salt, Hash: a.passwordHash(salt), Contact: contact.String(),
		Destination: b.Destination, Source: a.source, Transport: b.Transport, UserAgent: b.UserAgent, CallID: a.callID,
		CSeq: a.cseq, Registered: b.Registered, Heard: b.Heard, Expires: b.Expires}
}
