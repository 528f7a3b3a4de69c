package sipua

import (
	"context"
	"net/netip"
	"regexp"
	"strings"
	"sync/atomic"
	"time"

	"github.com/emiago/sipgo/sip"
	"go.uber.org/zap"

	"clearback/bridge/sipua/registration"
)

// account is one of the accounts of a line, which has two at most, each at a service of its own. Its methods may be
// called from any goroutine.
type account struct {
	// set once
	line *Line
	ServiceAccount
	second bool
	log    *zap.Logger
	// from are the only addresses that calls may come from; nil allows any that knows the token
	from []netip.Prefix
	// token is the user part of our Contact towards this service.
	token string
	// until is the end of the registration that an earlier process made with token; zero: there is none.
	until time.Time
	// client is nil if the account does not register.
	client *serviceClient

	// silentUntil is how long the service is expected to be down after it left a call without any response, in
	// nanoseconds since the agent's start; 0: it is not
	silentUntil atomic.Int64
	// lastMessage is when the last message from the service came, in nanoseconds since the agent's start
	lastMessage atomic.Int64
	// lastAnswer is when the last response to OPTIONS came, likewise. It may come from a service that takes no calls.
	lastAnswer atomic.Int64
	// down: the service was silent, and no message has come since; set only where the line has another account or calls
	down           atomic.Bool
	probing        atomic.Bool // a goroutine asks whether the service is back
	sourceRefusals sourceRefusals
}

// newAccounts returns the accounts of a line, the preferred one first.
func newAccounts(l *Line) []*account {
	o := l.o
	all := []*account{{line: l, log: l.log, ServiceAccount: ServiceAccount{
		Registrar: o.Registrar, User: o.ServiceUser, Auth: o.ServiceAuth, Secret: o.ServiceSecret,
		Proxy:    o.ServiceProxy,
		Register: o.Register, Expires: o.Expires, Allow: o.ServiceAllow,
	}}}
	if o.Second != nil {
		all = append(all, &account{line: l, log: l.log.With(zap.Bool("second_service", true)), second: true,
			ServiceAccount: *o.Second})
	}
	for _, s := range all {
		s.token, s.from = s.User, s.Allow
		switch {
		case s.Register:
			s.token = token() // known only to the registrar, so nobody else can guess it
		case s.from == nil:
			s.from = s.literals() // a user name can be guessed
		}
	}
	return all
}

// serviceClient is the registration client of an account. The line that replaces the account's line takes it over if
// the account stays the same.
type serviceClient struct {
	*registration.Client
	owner   atomic.Pointer[account] // the account that it serves
	ctx     context.Context         // of its Run
	stop    context.CancelFunc
	started atomic.Bool
	ended   chan struct{} // closed when Run has returned
}

// begin creates the account's registration client, unless the account has taken one over. Nothing is sent before the
// client runs.
func (s *account) begin() {
	if !s.Register || s.client != nil {
		return
	}
	ep, c := s.line.service.ep, &serviceClient{ended: make(chan struct{})}
	s.client = c
	c.owner.Store(s)
	c.ctx, c.stop = context.WithCancel(s.line.a.registering)
	c.Client = registration.NewClient(registration.ClientOptions{
		Endpoint: ep, Registrar: s.Registrar, AOR: s.addressOfRecord(),
		AuthUser: s.Auth, Password: s.Secret,
		Contact: *ep.Contact(s.token, s.transport()), Destination: s.Proxy,
		Expires: s.Expires, Logger: s.log, Until: s.until,
		Changed:    func(now registration.Status) { c.owner.Load().registrationChanged(now) },
		Unanswered: func() { c.owner.Load().noteNoResponse() },
	})
}

// status returns the state of the registration, and when the service was last heard in any way.
func (s *account) status() (is registration.Status) {
	if s.client != nil {
		is = s.client.Status()
	}
	if last := max(s.lastMessage.Load(), s.lastAnswer.Load()); last > 0 {
		if at := s.line.a.epoch.Add(time.Duration(last)); at.After(is.Heard) {
			is.Heard = at
		}
	}
	return is
}

// SavedRegistration is what a later process needs to go on with a registration at a service.
type SavedRegistration struct {
	Owner string // the address of record that was registered
	Token string // the user part of our Contact
	Until time.Time
}

// validToken is what token returns.
var validToken = regexp.MustCompile(`^[a-z2-7]{26}$`)

// restoreRegistrations gives the line's accounts the Contacts of an earlier process, because the services still call
// those.
func (l *Line) restoreRegistrations(saved func(string, bool) (SavedRegistration, bool)) {
	for _, s := range l.accounts {
		if !s.Register || saved == nil {
			continue
		}
		aor := s.addressOfRecord()
		if r, ok := saved(l.o.Name, s.second); ok && r.Owner == aor.String() && validToken.MatchString(r.Token) {
			s.token, s.until = r.Token, r.Until
		}
	}
}

// saveRegistration saves the registration, or that there is none.
func (s *account) saveRegistration(now registration.Status) {
	save := s.line.a.saveReg
	if save == nil {
		return
	}
	if !now.Registered {
		save(s.line.o.Name, s.second, nil)
		return
	}
	aor := s.addressOfRecord()
	save(s.line.o.Name, s.second, &SavedRegistration{Owner: aor.String(), Token: s.token, Until: now.Until.Round(0)})
}

// registered reports whether an ordinary call may be passed to this service at all.
func (s *account) registered() bool { return s.client == nil || s.client.Status().Registered }

// authorize answers a challenge of this service by putting credentials into req.
func (s *account) authorize(req *sip.Request, res *sip.Response) error {
	user := s.Auth
	if user == "" {
		user = s.User
	}
	return registration.Authorize(req, res, user, s.Secret)
}

// silenceLimit is how long the service may leave a call without any response. Shortly after a silence the limit is
// shorter, so that the adapter's second server serves soon. It is never 0, since the service may be back.
func (s *account) silenceLimit() time.Duration {
	t := s.line.a.times
	if int64(time.Since(s.line.a.epoch)) < s.silentUntil.Load() {
		return min(t.silence, t.silenceAfterLoss)
	}
	return t.silence
}

func (s *account) addressOfRecord() sip.Uri {
	return sip.Uri{Scheme: "sip", User: s.User, Host: s.Registrar.Host, Port: s.Registrar.Port}
}

// transport is the transport that the registrar's URI names, or else the socket's.
func (s *account) transport() string {
	if t, _ := s.Registrar.UriParams.Get("transport"); t != "" {
		return strings.ToUpper(t)
	}
	if at := s.line.service.at; !at.UDP && at.TCP {
		return "TCP"
	}
	return "UDP"
}

// destination is where requests to the service go; "" means that the Request-URI is resolved.
func (s *account) destination() string {
	if s.Proxy != "" {
		return s.Proxy
	}
	if s.Registrar.Port > 0 {
		return hostPort(s.Registrar, s.transport())
	}
	return ""
}

// destinationOf is where a request for u goes; "" means that u is resolved. A URN names no host, so the registrar's is
// used.
func (s *account) destinationOf(u sip.Uri) string {
	if at := s.destination(); at != "" || u.Host != "" {
		return at
	}
	return hostPort(s.Registrar, s.transport())
}

// literals are the addresses of the proxy and of the registrar, where the configuration gives an address and no name.
func (s *account) literals() []netip.Prefix {
	var all []netip.Prefix
	host := s.Registrar.Host
	if proxy, _, err := sip.ParseAddr(s.Proxy); err == nil {
		all = appendHost(all, proxy)
	}
	return appendHost(all, host)
}

// appendHost appends the prefix of a host if it is an address and no name.
func appendHost(all []netip.Prefix, host string) []netip.Prefix {
	at, err := netip.ParseAddr(strings.Trim(host, "[]"))
	if err != nil {
		return all
	}
	at = at.Unmap()
	return append(all, netip.PrefixFrom(at, at.BitLen()))
}
