package sipua

import (
	"net/netip"
	"strings"

	"github.com/emiago/sipgo/sip"
	"go.uber.org/zap"

	"clearback/bridge/media"
	"clearback/bridge/sipua/endpoint"
)

// This file checks where requests inside a dialog come from.
//
// On the service's side each request may come through other proxies (RFC 3261 section 16), so the source address proves
// nothing. There our tag is the proof: 125 random bits that only the elements on the call's path know. On the adapter's
// side there is one device. A request with the right tags from another address comes from an eavesdropper, or the
// adapter has moved. So it is challenged (RFC 3261 section 22.2): an adapter with a new address can still hang up, and
// nobody else can.

// fromPeer reports whether a request inside a dialog comes from its peer's address, or its sender proved by password
// that it is the line's adapter. If not, the request has been answered, except an ACK.
func (l *leg) fromPeer(r *endpoint.Request) bool {
	if l.side != media.AdapterSide || l.isAt(r.From.Addr().Unmap()) {
		return true
	}
	c := l.c
	c.a.counts.wrongSources.Add(1)
	switch {
	case r.Method == sip.ACK:
		return false
	case !l.ownsRequest(r):
		l.reply(r, sip.StatusCallTransactionDoesNotExists, "Call/Transaction Does Not Exist")
		return false
	}
	ofTheCall := func(string) bool { return true } // the tags identify the call, whatever URI the credentials name
	line, ok := c.a.registrar.Authenticate(r, ofTheCall)
	switch {
	case !ok: // already answered
		return false
	case line != c.line.o.Name:
		l.reply(r, sip.StatusForbidden, reason(sip.StatusForbidden))
		return false
	}
	c.line.log.Info("the adapter continues a call from another address", zap.Uint64("call", uint64(c.id)),
		zap.Stringer("from", r.From))
	l.lastSource = r.From.Addr().Unmap()
	return true
}

// ownsRequest reports whether a request has the tags of one of the leg's dialogs.
func (l *leg) ownsRequest(r *endpoint.Request) bool {
	own, remote := r.To().Params.GetOr("tag", ""), r.Request.From().Params.GetOr("tag", "")
	for _, d := range l.early {
		if d.matches(own, remote) {
			return true
		}
	}
	return l.dialog.matches(own, remote)
}

// isAt reports whether the adapter is at an address: the source of its last message in this call, the destination of
// our requests, or its present binding. While no address of the adapter is known, any address may be right.
func (l *leg) isAt(addr netip.Addr) bool {
	known := false
	is := func(at netip.Addr, err error) bool {
		ok := err == nil && at.IsValid()
		known = known || ok
		return ok && at.Unmap() == addr
	}
	if is(l.lastSource, nil) || is(addressOf(l.dest)) {
		return true
	}
	if b, bound := l.c.a.registrar.Binding(l.c.line.o.Name); bound {
		if is(b.Destination.Addr(), nil) || is(netip.ParseAddr(strings.Trim(b.Contact.Host, "[]"))) {
			return true
		}
	}
	return !known
}

// addressOf is the address in "address:port".
func addressOf(s string) (netip.Addr, error) {
	at, err := netip.ParseAddrPort(s)
	return at.Addr(), err
}

// heardFrom notes the source address of a response from the adapter.
func (l *leg) heardFrom(res *sip.Response) {
	if at, err := addressOf(res.Source()); err == nil && l.side == media.AdapterSide {
		l.lastSource = at.Unmap()
	}
}
