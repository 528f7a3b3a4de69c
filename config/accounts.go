package config

import (
	"fmt"
	"net/netip"
	"slices"
	"strings"

	"github.com/emiago/sipgo/sip"
	"go.yaml.in/yaml/v3"
)

// digests lists the algorithms that a challenge to an adapter may use (RFC 8760 section 2.3).
var digests = []string{"md5", "sha-256"}

// Algorithms returns the algorithms of the challenge as header fields spell them, best first.
func (a *Adapter) Algorithms() []string {
	var all []string
	for _, s := range a.Digest {
		all = append(all, strings.ToUpper(s))
	}
	return all
}

func (d *decoder) checkDigest(list []string, at string) {
	if d.emptyList(at) {
		d.add(d.at(at), "%s: the list is empty, so no adapter could authenticate; allowed: %s, or both", at,
			strings.Join(digests, ", "))
	}
	for i, s := range list {
		if slices.Contains(list[:i], s) {
			d.add(d.at(fmt.Sprintf("%s[%d]", at, i)), "%s: %s is listed twice; remove one", at, s)
		}
	}
}

// complete sets the values that follow from other keys of the account.
func (s *Service) complete() {
	if s == nil {
		return
	}
	if s.AuthUser == "" {
		s.AuthUser = s.User
	}
	if a, ok := s.address(); ok && !s.Register && len(s.AllowFrom) == 0 {
		s.AllowFrom = []netip.Prefix{netip.PrefixFrom(a, a.BitLen())}
	}
}

// address returns the address that requests to the account go to. It returns false if that is a host name.
func (s *Service) address() (netip.Addr, bool) {
	host := ""
	if i := strings.LastIndexByte(s.Proxy, ':'); i >= 0 {
		host = s.Proxy[:i]
	} else if u := (sip.Uri{}); sip.ParseUri(s.Registrar, &u) == nil {
		host = u.Host
	}
	a, err := netip.ParseAddr(strings.Trim(host, "[]"))
	return a.Unmap(), err == nil
}

// sameAccount reports whether two accounts are the same account, perhaps with different proxies.
func (s *Service) sameAccount(o *Service) bool {
	return o != nil && s.User == o.User && strings.EqualFold(s.Registrar, o.Registrar)
}

// checkAccount checks an account at a service.
func (d *decoder) checkAccount(s *Service, at string) {
	if s.Registrar != "" {
		if u, ok := d.uri(at+".registrar", s.Registrar); ok && u.User != "" {
			d.add(d.at(at+".registrar"),
				"%s.registrar: a registrar has no user part; write sip:HOST and put the user into user", at)
		}
	}
	if s.Register && !d.has(at+".password") && d.has(at) {
		d.add(d.at(at), "%s.password is missing; it is required unless register is false: write {file: PATH}, {env: NAME} or {credential: NAME}",
			at)
	}
	if !s.Register && len(s.AllowFrom) == 0 && s.Registrar != "" {
		d.add(d.at(at+".register"),
			"%s.register: without a registration, anybody who reaches the socket may call the line, unless allow_from lists the addresses that calls come from; add the service's addresses there, or write proxy (or registrar, if there is no proxy) as an IP address",
			at)
	}
}

// checkSecond checks the second account of a line.
func (d *decoder) checkSecond(l *Line, at string) {
	o := l.Service.Second
	if o == nil {
		return
	}
	d.checkAccount(o, at)
	if l.Service.sameAccount(o) && strings.EqualFold(l.Service.Proxy, o.Proxy) && o.User != "" {
		d.add(d.at(at), "%s: this is the same account as the first one, so it fails together with it; write another registrar, user or proxy, or remove it",
			at)
	}
}

// emptyList reports whether the file has an empty list at path.
func (d *decoder) emptyList(path string) bool {
	n := d.places[path]
	return n != nil && n.Kind == yaml.SequenceNode && len(n.Content) == 0
}
