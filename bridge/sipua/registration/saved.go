package registration

import (
	"crypto/rand"
	"crypto/sha256"
	"crypto/subtle"
	"net/netip"
	"os"
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
	// Boot identifies the start of the machine, if that is known, and Ends is the end by the clock since then.
	Boot string        `json:"boot"`
	Ends time.Duration `json:"ends_ns"`
}

// BootID identifies the present start of the machine. It is "" where that cannot be read (as under the service unit,
// ProcSubset=pid). Then the clocks alone decide.
func BootID() string {
	text, _ := os.ReadFile("/proc/sys/kernel/random/boot_id")
	return strings.TrimSpace(string(text))
}

// restore restores a saved binding, unless it may have expired or no longer fits the account. It must fit both clocks,
// since the wall clock may have been set back, and the boot clock begins anew when the machine starts. A clock that is
// set later does not change how long it lasts. An old version of the program did not save the end by the boot clock.
// Such a binding is not restored: if the wall clock was set back meanwhile, it would outlast its expiry.
func (r *Registrar) restore(a *account, s SavedBinding) {
	now := r.now()
	contact := sip.Uri{}
	err := sip.ParseUri(s.Contact, &contact)
	wall, boot := s.Expires.Sub(now), s.Ends-r.boot()
	left := min(wall, boot)
	switch {
	case a.Fixed != nil, s.User != a.User, subtle.ConstantTimeCompare(s.Hash, a.passwordHash(s.Salt)) == 0, err != nil,
		!s.Source.IsValid(), !a.allows(s.Source.Addr()), !s.Destination.IsValid(), !a.allows(s.Destination.Addr()),
		now.Before(s.Heard), s.Boot != r.bootID, left <= 0, max(wall, boot) > maxExpires:
		return
	}
	a.binding = Binding{Contact: contact, Destination: s.Destination, Transport: s.Transport, UserAgent: s.UserAgent,
		Expires: now.Add(left), Registered: s.Registered, Heard: s.Heard, Generation: 1}
	a.ends, a.source, a.callID, a.cseq = r.boot()+left, s.Source, s.CallID, s.CSeq
	r.log.Info("the adapter's registration was kept", zap.String("line", a.Line),
		zap.Stringer("at", s.Destination), zap.Time("until", a.binding.Expires))
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
		r.save(a.Line, r.savedLocked(a))
	}
}

// savedLocked returns the present binding of an account, or nil if it has none. a.mu is held.
func (r *Registrar) savedLocked(a *account) *SavedBinding {
	b := &a.binding
	if r.leftLocked(a) <= 0 {
		return nil
	}
	contact, salt := *b.Contact.Clone(), []byte(rand.Text())
	contact.Password = ""
	return &SavedBinding{User: a.User, Salt: salt, Hash: a.passwordHash(salt), Contact: contact.String(),
		Destination: b.Destination, Source: a.source, Transport: b.Transport, UserAgent: b.UserAgent, CallID: a.callID,
		CSeq: a.cseq, Registered: b.Registered, Heard: b.Heard, Expires: b.Expires, Boot: r.bootID, Ends: a.ends}
}
