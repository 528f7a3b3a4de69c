package registration

import (
	"crypto/rand"
	"errors"
	"net/netip"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"github.com/emiago/sipgo/sip"
	"go.uber.org/zap"

	"clearback/bridge/sipua/endpoint"
)

// Registrar authenticates adapters and stores their bindings. Safe for concurrent use.
type Registrar struct {
	accountTable atomic.Pointer[accountTable]

	// set once
	realm           string
	log             *zap.Logger
	bindingChanged  func(line string, b Binding)
	userAgentSeen   func(line, userAgent string)
	nonces          *nonces
	failedLogins    *failedLogins
	refused         func(line string, refused bool)
	save            func(line string, b *SavedBinding)
	unknownRefusals refusals // of adapters of no known line
	counts          struct{ challenges, wrong, slowed, wrongPlace, wrongTarget, wrongLine atomic.Uint64 }
	clock           func() time.Time
	boot            func() time.Duration // as in RegistrarOptions
	bootID          string
}

// account is an Account and the state of its adapter.
type account struct {
	Account
	ha1      [len(algorithms)]string // RFC 7616 section 3.4.2, by algorithm
	refusals refusals
	// replaced: SetAccounts has taken the account out of the table. Its adapter has to authenticate again. Set while mu
	// is held.
	replaced atomic.Bool

	mu      sync.Mutex
	binding Binding
	ends    time.Duration  // the binding's end by the boot clock
	source  netip.AddrPort // of the last REGISTER
	callID  string         // of the last accepted REGISTER (RFC 3261 section 10.3)
	cseq    uint32
	// inheritedCallID and inheritedCSeq are callID and cseq of the account that this one has replaced.
	inheritedCallID string
	inheritedCSeq   uint32
}

// RegistrarOptions are the options of [NewRegistrar].
type RegistrarOptions struct {
	Accounts []Account
	Realm    string
	Logger   *zap.Logger
	// BindingChanged, if not nil, is called when the Generation of a line's binding has changed. It must not block.
	BindingChanged func(line string, b Binding)
	// UserAgent, if not nil, is called with the User-Agent of each accepted REGISTER that has one. It must not block.
	UserAgent func(line, userAgent string)
	// Refused, if not nil, is called with true when a request of an adapter is refused because of its user, password or
	// address while the line has no binding. It is called with false when the line's adapter registers after that. It
	// must not block.
	Refused func(line string, refused bool)
	// Saved, if not nil, returns the binding of a line that an earlier process saved. ok is false if there is none.
	Saved func(line string) (b SavedBinding, ok bool)
	// Save, if not nil, takes each binding that has been made, refreshed or removed; nil means removed. It must not
	// block.
	Save func(line string, b *SavedBinding)
	// Boot, if not nil, replaces the machine's boot clock, which counts the time that the machine sleeps.
	Boot func() time.Duration
}

// NewRegistrar returns a registrar that has only the fixed and the saved bindings. If several accounts have the same
// user name, the first one is used.
func NewRegistrar(o RegistrarOptions) *Registrar { return newRegistrar(o, time.Now) }

func newRegistrar(o RegistrarOptions, clock func() time.Time) *Registrar {
	r := &Registrar{
		realm: o.Realm, log: o.Logger,
		bindingChanged: o.BindingChanged, userAgentSeen: o.UserAgent, refused: o.Refused, save: o.Save,
		nonces: newNonces(), failedLogins: newFailedLogins(), clock: clock, boot: o.Boot,
		bootID: BootID(),
	}
	if r.boot == nil {
		r.boot = endpoint.BootTime
	}
	if r.log == nil {
		r.log = zap.NewNop()
	}
	r.accountTable.Store(r.newTable(o.Accounts, rand.Text(), func(one Account) *account {
		a := r.account(one)
		if o.Saved != nil {
			if b, ok := o.Saved(a.Line); ok {
				r.restore(a, b)
			}
		}
		return a
	}))
	return r
}

func (r *Registrar) account(one Account) *account {
	a := &account{Account: one}
	if a.Digest == nil {
		a.Digest = algorithms[:1]
	}
	for i, algorithm := range algorithms {
		a.ha1[i] = hashOf(algorithm, a.User, r.realm, a.Password)
	}
	if a.Fixed != nil {
		a.binding = fixedBinding(*a.Fixed)
	}
	return a
}

// fixedBinding returns a binding that does not expire. A host name is looked up for each request.
func fixedBinding(u sip.Uri) Binding {
	b := Binding{Contact: *u.Clone(), Transport: transportOf(u, "UDP"), Generation: 1}
	if host, err := netip.ParseAddr(strings.Trim(u.Host, "[]")); err == nil {
		b.Destination = netip.AddrPortFrom(host.Unmap(), uint16(portOf(u)))
	}
	return b
}

func transportOf(u sip.Uri, otherwise string) string {
	if t, ok := u.UriParams.Get("transport"); ok && t != "" {
		return strings.ToUpper(t)
	}
	return otherwise
}

func portOf(u sip.Uri) int {
	if u.Port > 0 && u.Port <= 65535 {
		return u.Port
	}
	return sip.DefaultUdpPort // TCP has the same default
}

// Binding returns the current binding of a line. It returns false if there is none.
func (r *Registrar) Binding(line string) (Binding, bool) {
	a := r.table().byLine[line]
	if a == nil {
		return Binding{}, false
	}
	a.mu.Lock()
	defer a.mu.Unlock()
	if a.Fixed == nil && r.leftLocked(a) <= 0 {
		return Binding{}, false
	}
	return a.binding, true
}

// leftLocked returns how long the binding of an account lasts, by the clock that says less: the boot clock counts a
// suspend, and no clock that was set back makes a binding last longer. a.mu is held.
func (r *Registrar) leftLocked(a *account) time.Duration {
	return min(a.binding.Expires.Sub(r.now()), a.ends-r.boot())
}

// Answered records that the adapter of a line has answered a request outside a call.
func (r *Registrar) Answered(line string) {
	if a := r.table().byLine[line]; a != nil {
		a.mu.Lock()
		defer a.mu.Unlock()
		a.binding.Heard = r.now()
	}
}

// LastHeard returns when the adapter of a line last registered or answered, even if its binding has expired since. It
// returns zero if it never did.
func (r *Registrar) LastHeard(line string) time.Time {
	a := r.table().byLine[line]
	if a == nil {
		return time.Time{}
	}
	a.mu.Lock()
	defer a.mu.Unlock()
	return a.binding.Heard
}

// Register handles a REGISTER and always answers it, unless it is dropped because of too many failed logins (RFC 3261
// section 10.3).
func (r *Registrar) Register(req *endpoint.Request) {
	if require := req.GetHeaders("Require"); len(require) > 0 {
		var names []string
		for _, h := range require {
			names = append(names, h.Value())
		}
		r.reply(req, sip.StatusBadExtension, "Bad Extension", sip.NewHeader("Unsupported", strings.Join(names, ", ")))
		return
	}
	a, _ := r.authenticate(req, nil, nil)
	switch {
	case a == nil:
		return
	case a.replaced.Load():
		r.challenge(req, true)
		return
	}
	// RFC 3261 section 10.3 step 4. A user in To that no account has is accepted, because some adapters use their user
	// name only in the digest.
	if other := r.table().byUser[req.To().Address.User]; other != nil && other.Line != a.Line {
		r.counts.wrongLine.Add(1)
		r.log.Warn("an adapter asked for the registration of another line", zap.String("line", a.Line),
			zap.String("other", other.Line), zap.Stringer("from", req.From))
		r.note(req, "it asked for the registration of line "+other.Line, a.User, a)
		r.reply(req, sip.StatusForbidden, "Forbidden")
		return
	}
	if a.Fixed != nil {
		r.reply(req, sip.StatusForbidden, "Fixed Contact Configured")
		return
	}
	w, code, reason := bindingRequestOf(req.Request)
	if code != 0 {
		var headers []sip.Header
		if code == sip.StatusIntervalToBrief {
			headers = append(headers, sip.NewHeader("Min-Expires", strconv.Itoa(int(minExpires.Seconds()))))
		}
		r.note(req, reason, a.User, a)
		r.reply(req, code, reason, headers...)
		return
	}
	changed, b, ok := r.apply(a, req, w)
	switch {
	case ok:
	case a.replaced.Load():
		r.challenge(req, true)
		return
	default:
		r.note(req, "its REGISTER is older than its last one", a.User, a)
		r.reply(req, sip.StatusInternalServerError, "Older CSeq")
		return
	}
	if !w.query {
		r.saveBinding(a)
	}
	r.reply(req, sip.StatusOK, "OK", r.contactHeaders(a)...)
	if _, bound := r.Binding(a.Line); bound {
		r.accepted(a)
	}
	if b.UserAgent != "" && r.userAgentSeen != nil {
		r.userAgentSeen(a.Line, b.UserAgent)
	}
	if changed {
		r.log.Info("adapter registered", zap.String("line", a.Line), zap.Stringer("at", b.Destination),
			zap.String("user_agent", b.UserAgent), zap.Uint64("generation", b.Generation))
		if r.bindingChanged != nil {
			r.bindingChanged(a.Line, b)
		}
	}
}

// bindingRequest is what a REGISTER asks for.
type bindingRequest struct {
	query, everything bool
	contact           sip.Uri
	expires           time.Duration // 0 means remove
}

// bindingRequestOf reads Contact and Expires. Of several Contacts it uses the one with the highest q, and of these the
// first.
func bindingRequestOf(req *sip.Request) (w bindingRequest, code int, reason string) {
	header := defaultExpires
	zero := false
	if h := req.GetHeader("Expires"); h != nil {
		if d, ok := seconds(h.Value()); ok {
			header, zero = d, d == 0
		}
	}
	contacts := contactsOf(req)
	if len(contacts) == 0 {
		return bindingRequest{query: true}, 0, ""
	}
	best := -1.0
	for _, c := range contacts {
		if c.Address.Wildcard {
			if len(contacts) > 1 || !zero {
				return bindingRequest{}, sip.StatusBadRequest, "Contact * Needs Expires 0"
			}
			return bindingRequest{everything: true}, 0, ""
		}
		expires := header
		if v, ok := c.Params.Get("expires"); ok {
			if d, ok := seconds(v); ok {
				expires = d
			}
		}
		q := 1.0
		if v, err := strconv.ParseFloat(c.Params.GetOr("q", "1"), 64); err == nil && v >= 0 {
			q = min(v, 1)
		}
		if expires == 0 {
			q -= 1.5 // a Contact to remove counts only if there is no other
		}
		if best < q && q >= 0 || best == -1 {
			best, w = q, bindingRequest{contact: c.Address, expires: expires}
		}
	}
	switch {
	case w.contact.Host == "":
		return bindingRequest{}, sip.StatusBadRequest, "Contact Without Host"
	case w.expires != 0 && w.expires < minExpires:
		return bindingRequest{}, sip.StatusIntervalToBrief, "Interval Too Brief"
	}
	w.expires = min(w.expires, maxExpires)
	return w, 0, ""
}

func contactsOf(req sip.Message) []*sip.ContactHeader {
	var contacts []*sip.ContactHeader
	for _, h := range req.GetHeaders("Contact") {
		if c, ok := h.(*sip.ContactHeader); ok {
			contacts = append(contacts, c)
		}
	}
	return contacts
}

// seconds reads a delta-seconds (RFC 3261 section 25.1). A value above 2^32-1 counts as 2^32-1.
func seconds(s string) (time.Duration, bool) {
	n, err := strconv.ParseUint(strings.TrimSpace(s), 10, 32) // out of range: the maximum
	if err != nil && !errors.Is(err, strconv.ErrRange) {
		return 0, false
	}
	return time.Duration(n) * time.Second, true
}

// apply applies a binding request. ok is false if the REGISTER is older than the last accepted one, or if the account
// is replaced.
func (r *Registrar) apply(a *account, req *endpoint.Request, w bindingRequest) (changed bool, b Binding, ok bool) {
	now := r.now()
	a.mu.Lock()
	defer a.mu.Unlock()
	callID, cseq := req.CallID().Value(), req.CSeq().SeqNo
	if a.replaced.Load() {
		return false, Binding{}, false
	}
	if w.query {
		return false, a.binding, true
	}
	if a.callID == callID && cseq <= a.cseq {
		return false, Binding{}, false
	}
	if w.everything || w.expires == 0 {
		// only the bound Contact can be removed
		if w.everything || sameAddress(w.contact, a.binding.Contact) {
			a.binding.Expires = time.Time{}
			a.callID, a.cseq = callID, cseq
		}
		return false, a.binding, true
	}
	b = Binding{Contact: *w.contact.Clone(), Transport: strings.ToUpper(req.Transport()),
		Generation: a.binding.Generation,
		Expires:    now.Add(w.expires), Registered: a.binding.Registered, Heard: now,
		Destination: requestDestination(w.contact, req)}
	// If only the destination of the same Contact differs, a NAT or the TCP connection has changed. Requests have to go
	// to the new destination.
	changed = a.callID != callID || !sameAddress(b.Contact, a.binding.Contact) ||
		b.Destination != a.binding.Destination || b.Transport != a.binding.Transport
	if changed || r.leftLocked(a) <= 0 {
		b.Registered = now
	}
	if changed {
		b.Generation++
	}
	if h := req.GetHeader("User-Agent"); h != nil {
		b.UserAgent = endpoint.Printable(h.Value())
	}
	a.binding, a.ends, a.source, a.callID, a.cseq = b, r.boot()+w.expires, req.From, callID, cseq
	return changed, b, true
}

// requestDestination returns where requests to the adapter go. Over TCP that is the other end of the connection. Over
// UDP it is the Contact if its host is the source address of the REGISTER. Otherwise it is the source of the REGISTER,
// because the adapter is behind a NAT or the Contact is a name.
func requestDestination(contact sip.Uri, req *endpoint.Request) netip.AddrPort {
	if !sip.IsReliable(req.Transport()) {
		host, err := netip.ParseAddr(strings.Trim(contact.Host, "[]"))
		if err == nil && host.Unmap() == req.From.Addr() {
			return netip.AddrPortFrom(req.From.Addr(), uint16(portOf(contact)))
		}
	}
	return req.From
}

// sameAddress compares the parts of RFC 3261 section 19.1.4 that can lead to a different device.
func sameAddress(a, b sip.Uri) bool {
	return a.User == b.User && strings.EqualFold(a.Host, b.Host) && portOf(a) == portOf(b) &&
		transportOf(a, "UDP") == transportOf(b, "UDP")
}

// contactHeaders returns the binding for the 200 to a REGISTER, with the remaining time.
func (r *Registrar) contactHeaders(a *account) []sip.Header {
	a.mu.Lock()
	defer a.mu.Unlock()
	left := r.leftLocked(a)
	if left <= 0 {
		return nil
	}
	c := &sip.ContactHeader{Address: *a.binding.Contact.Clone()}
	c.Params.Add("expires", strconv.Itoa(int((left+time.Second-1)/time.Second)))
	return []sip.Header{c}
}
