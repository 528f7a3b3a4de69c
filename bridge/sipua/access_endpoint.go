package sipua

import (
	"net/netip"
	"slices"
	"strings"

	"github.com/emiago/sipgo/sip"

	"clearback/bridge/sipua/endpoint"
)

// This file has what the endpoint asks a socket before it accepts a request. These methods run in the goroutine that
// reads the socket. They may be called before the agent is complete.

// ready reports whether the agent has started.
func (s *socket) ready() bool {
	select {
	case <-s.a.opened:
		return !s.a.failed
	default:
		return false
	}
}

// inDialog returns the dialog that a request belongs to, in a call or outside calls, or nil if there is none. While the
// agent starts it waits, for milliseconds, until the calls of an earlier process have been taken up.
func (s *socket) inDialog(r *endpoint.Request) *endpoint.Dialog {
	<-s.a.opened
	return s.a.inDialog(dialogKey{ep: r.Endpoint, callID: r.CallID().Value(), tag: r.To().Params.GetOr("tag", "")})
}

// answersStray reports whether a request that belongs to no dialog may be answered.
func (s *socket) answersStray(r *endpoint.Request) bool {
	return s.ready() && !s.fromUnknownSource(r) && !s.staysSilent(r)
}

// boundAddresses returns the addresses at which the adapters of this socket are bound now.
func (s *socket) boundAddresses() []netip.AddrPort {
	if !s.served().adapters || !s.ready() {
		return nil
	}
	var all []netip.AddrPort
	for _, l := range s.a.all() {
		if l.adapter != s {
			continue
		}
		if b, bound := s.a.registrar.Binding(l.o.Name); bound && b.Destination.IsValid() {
			all = append(all, b.Destination)
		}
	}
	return all
}

// sameSide reports whether two addresses both belong to one line's adapter, or both to one account's service. Addresses
// count as configured, as bound, or as last looked up.
func (s *socket) sameSide(one, other netip.Addr) bool {
	if !s.ready() {
		return false
	}
	for _, l := range s.a.all() {
		if l.adapter == s {
			if all := l.adapterAddresses(); containsAddr(all, one) && containsAddr(all, other) {
				return true
			}
		}
		if l.service != s {
			continue
		}
		for _, at := range l.accounts {
			if all := at.addresses(); containsAddr(all, one) && containsAddr(all, other) {
				return true
			}
		}
	}
	return false
}

// adapterAddresses returns the addresses of the line's own adapter. AdapterAllow is not among them: it lists where
// adapters may send from, and does not show which address is this adapter's.
func (l *Line) adapterAddresses() []netip.Prefix {
	b, bound := l.a.registrar.Binding(l.o.Name)
	if !bound {
		return nil
	}
	all := hostAddresses(nil, l.adapter.ep, b.Contact.Host)
	if at := b.Destination.Addr(); at.IsValid() {
		all = append(all, netip.PrefixFrom(at, at.BitLen()))
	}
	return all
}

// addresses returns the addresses of the account's service.
func (s *account) addresses() []netip.Prefix {
	all := slices.Concat(s.from, s.Allow)
	ep := s.line.service.ep
	if proxy, _, err := sip.ParseAddr(s.Proxy); err == nil {
		all = hostAddresses(all, ep, proxy)
	}
	return hostAddresses(all, ep, s.Registrar.Host)
}

// hostAddresses appends the addresses of a host: the host itself if it is an address, otherwise as last looked up.
func hostAddresses(all []netip.Prefix, ep *endpoint.Endpoint, host string) []netip.Prefix {
	for _, at := range ep.Resolved(host) {
		all = append(all, netip.PrefixFrom(at.Unmap(), at.Unmap().BitLen()))
	}
	return appendHost(all, strings.Trim(host, "[]"))
}
