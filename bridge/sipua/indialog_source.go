package sipua

import (
	"net/netip"
	"strings"

	"github.com/emiago/sipgo/sip"
	"go.uber.org/zap"

	"clearback/bridge/media"
	"clearback/bridge/sipua/endpoint"
)

// This file says where requests inside a dialog may come from.
//
// On the service's side there may be other proxies in between for each request (RFC 3261 section 16), so that no
// address proves anything; there our tag is the proof, 125 random bits that only who is on the call's way was told. On
// the adapter's side there is one device, and a request that knows the tags but comes from elsewhere is of one that
// listens, or the adapter has moved: it is challenged (RFC 3261 section 22.2), so that an adapter that got a new
// address can still hang up, and nobody else can.

// fromPeer reports whether a request inside a dialog comes from where its peer is; if not, it was answered, or the
// device proved by its password that it is the line's.
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
	ofTheCall := func(string) bool { return true } // the tags have named the call, whatever uri the credentials name
	line, ok := c.a.registrar.Authenticate(r, ofTheCall)
	switch {
	case !ok: // it was answered
		return false
	case line != c.line.o.Name:
		l.reply(r, sip.StatusForbidden, reason(sip.StatusForbidden))
		return false
	}
	c.line.log.Info("the adapter goes on from another address", zap.Uint64("call", uint64(c.id)),
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

// isAt reports whether the adapter is at an address: where it was heard from in this call, where our requests to it go,
// or where it is bound now. While nothing of it is known as an address, every one may be.
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

// heardFrom notes where a response of the adapter came from.
func (l *leg) heardFrom(res *sip.Response) {
	if at, err := addressOf(res.Source()); err == nil && l.side == media.AdapterSide {
		l.lastSource = at.Unmap()
	}
}
