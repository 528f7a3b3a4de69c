package config

import (
	"net/netip"
	"slices"
	"strconv"
	"strings"

	"github.com/emiago/sipgo/sip"
)

// This file checks that what a line sends can reach the other side at all.

// sockets returns the line's own sockets, or else the shared ones.
func (l *Line) sockets(c *Config) (adapter, service Socket) {
	adapter, service = c.SIP.AdapterSide, c.SIP.ServiceSide
	if l.Adapter.Socket != nil {
		adapter = *l.Adapter.Socket
	}
	if l.Service.Socket != nil {
		service = *l.Service.Socket
	}
	return adapter, service
}

// checkTransports reports URIs that ask for a transport that the line's socket does not serve.
func (d *decoder) checkTransports(c *Config, l *Line, at string) {
	adapter, service := l.sockets(c)
	d.checkTransport(at+".adapter.contact", l.Adapter.Contact, adapter, "udp")
	d.checkTransport(at+".service.registrar", l.Service.Registrar, service, "")
	if o := l.Service.Second; o != nil {
		d.checkTransport(at+".service.second.registrar", o.Registrar, service, "")
	}
}

// checkTransport checks one URI. usual is the transport of a URI that names none; "" means that of the socket.
func (d *decoder) checkTransport(path, uri string, s Socket, usual string) {
	var u sip.Uri
	if uri == "" || len(s.Transports) == 0 || sip.ParseUri(uri, &u) != nil || u.Host == "" {
		return
	}
	if t, ok := u.UriParams.Get("transport"); ok && t != "" {
		usual = strings.ToLower(t)
	}
	if usual == "" || slices.Contains(s.Transports, usual) {
		return
	}
	d.add(d.at(path), "%s: the transport %s is not served there; allowed: %s (write ;transport=%s, or change transports of that side; TLS is not supported)",
		path, strconv.Quote(usual), strings.Join(s.Transports, ", "), s.Transports[0])
}

// checkDirect reports a line with media: direct whose two sides cannot send media to each other.
func (d *decoder) checkDirect(c *Config, l *Line, at string) {
	adapter, service := l.sockets(c)
	a, s := adapter.family(), service.family()
	if l.Media == "direct" && a != "" && s != "" && a != s {
		d.add(d.at(at), "%s: with direct there would be no sound, because the adapter's side uses %s and the service's side %s; write relay",
			at, a, s)
	}
}

// family returns the address family of the peers of the socket; "" means either.
func (s Socket) family() string {
	addr := s.Listen.Addr()
	if at, err := netip.ParseAddr(strings.Trim(s.Advertise, "[]")); err == nil {
		addr = at
	}
	switch {
	case !addr.IsValid(), addr.Is6() && addr.IsUnspecified():
		return ""
	case addr.Unmap().Is4():
		return "IPv4"
	default:
		return "IPv6"
	}
}
