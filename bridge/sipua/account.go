package sipua

import (
	"net/netip"
	"strings"
	"sync/atomic"
	"time"

	"github.com/emiago/sipgo/sip"
	"go.uber.org/zap"

	"clearback/bridge/sipua/registration"
)

// An account is one of the at most two accounts that a line has, each at a service of its own. Its methods may be
// called from any goroutine.
type account struct {
	// set once
	line *Line
	ServiceAccount
	second bool
	log    *zap.Logger
	// from are the only addresses that calls may come from; nil: any that knows the token
	from []netip.Prefix
	// token is the user part of our Contact towards this service.
	token string
	// client is nil if the account does not register.
	client *registration.Client

	// silentUntil is how long the service is expected to be down after it said nothing to a call: nanoseconds since
	// the agent's start, 0: it is not.
	silentUntil atomic.Int64
	// spoke is when the service said something last: nanoseconds since the epoch of the agent.
	spoke atomic.Int64
	// down: it was silent and not heard since; only where there is another account
	down           atomic.Bool
	probing        atomic.Bool // somebody asks whether it is back
	sourceRefusals sourceRefusals
}

// newAccounts makes the accounts of a line, the one to be used first first.
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
			s.token = token() // who was not told by the registrar cannot guess it
		case s.from == nil:
			s.from = s.literals() // everybody can guess a number
		}
	}
	return all
}

// begin makes the account's registration; nothing is sent before it runs.
func (s *account) begin() {
	if !s.Register {
		return
	}
	ep := s.line.service.ep
	s.client = registration.NewClient(registration.ClientOptions{
		Line: s.line.o.Name, Endpoint: ep, Registrar: s.Registrar, AOR: s.addressOfRecord(),
		AuthUser: s.Auth, Password: s.Secret,
		Contact: *ep.Contact(s.token, s.transport()), Destination: s.Proxy,
		Expires: s.Expires, Logger: s.log, Changed: s.registrationChanged, Unanswered: s.noteSilent,
	})
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

// silenceLimit is how long the service may say nothing to a call: after a silence shorter, so that the adapter's second
// server serves soon, but never nothing at all, since it may be back.
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

// transport is the one the registrar's URI names, or the one the socket has.
func (s *account) transport() string {
	if t, ok := s.Registrar.UriParams.Get("transport"); ok && t != "" {
		return strings.ToUpper(t)
	}
	if at := s.line.service.at; !at.UDP && at.TCP {
		return "TCP"
	}
	return "UDP"
}

// destination is where requests to the service go; "" resolves the Request-URI.
func (s *account) destination() string {
	if s.Proxy != "" {
		return s.Proxy
	}
	if s.Registrar.Port > 0 {
		return hostPort(s.Registrar, s.transport())
	}
	return ""
}

// destinationOf is where a request for u goes; "" resolves u. A URN says nothing of that: then the registrar's host
// does.
func (s *account) destinationOf(u sip.Uri) string {
	if at := s.destination(); at != "" || u.Host != "" {
		return at
	}
	return hostPort(s.Registrar, s.transport())
}

// literals are the addresses that the configuration names as such: that of the proxy and that of the registrar.
func (s *account) literals() []netip.Prefix {
	var all []netip.Prefix
	host := s.Registrar.Host
	if proxy, _, err := sip.ParseAddr(s.Proxy); err == nil {
		all = appendHost(all, proxy)
	}
	return appendHost(all, host)
}

// appendHost appends the prefix of one host if it is an address and no name.
func appendHost(all []netip.Prefix, host string) []netip.Prefix {
	at, err := netip.ParseAddr(strings.Trim(host, "[]"))
	if err != nil {
		return all
	}
	at = at.Unmap()
	return append(all, netip.PrefixFrom(at, at.BitLen()))
}
