package registration

import (
	"net/netip"
	"strings"
	"time"

	"github.com/emiago/sipgo/sip"
	"go.uber.org/zap"
)

// SavedBinding is a binding with what the registrar needs to keep it over a restart of the daemon.
type SavedBinding struct {
	User        string         `json:"user"` // of the account
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

// restore takes over a binding that an earlier process saved, unless it may have expired or no longer fits the account.
// A clock that was set back since leaves no doubt in favour of the binding.
//
// A TCP connection did not survive the process. The adapter can then be reached only if it also listens at its Contact.
func (r *Registrar) restore(a *account, s SavedBinding) {
	now := r.now()
	contact := sip.Uri{}
	err := sip.ParseUri(s.Contact, &contact)
	switch {
	case a.Fixed != nil, s.User != a.User, err != nil, !s.Source.IsValid(), !s.Destination.IsValid(),
		!a.allows(s.Source.Addr()), now.Before(s.Heard), !now.Before(s.Expires), s.Expires.Sub(now) > maxExpires:
		return
	}
	b := Binding{Contact: contact, Destination: s.Destination, Transport: s.Transport, UserAgent: s.UserAgent,
		Expires: s.Expires, Registered: s.Registered, Heard: s.Heard, Generation: 1}
	if sip.IsReliable(s.Transport) {
		host, err := netip.ParseAddr(strings.Trim(contact.Host, "[]"))
		if err != nil {
			return
		}
		b.Destination = netip.AddrPortFrom(host.Unmap(), uint16(portOf(contact)))
	}
	a.binding, a.source, a.callID, a.cseq = b, s.Source, s.CallID, s.CSeq
	r.log.Info("the adapter's registration was kept over the restart", zap.String("line", a.Line),
		zap.Stringer("at", b.Destination), zap.Time("until", b.Expires))
}

// saveBinding saves the present binding of an account, or that it has none.
func (r *Registrar) saveBinding(a *account) {
	if r.save == nil {
		return
	}
	a.mu.Lock() // also while saving, so that states are saved in order
	defer a.mu.Unlock()
	b := &a.binding
	if !r.now().Before(b.Expires) {
		r.save(a.Line, nil)
		return
	}
	r.save(a.Line, &SavedBinding{User: a.User, Contact: b.Contact.String(), Destination: b.Destination,
		Source: a.source, Transport: b.Transport, UserAgent: b.UserAgent, CallID: a.callID, CSeq: a.cseq,
		Registered: b.Registered, Heard: b.Heard, Expires: b.Expires})
}
