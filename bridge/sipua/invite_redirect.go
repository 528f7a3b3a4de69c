package sipua

import (
	"cmp"
	"slices"
	"strconv"
	"strings"

	"github.com/emiago/sipgo/sip"
	"go.uber.org/zap"

	"clearback/bridge/media"
)

// This file handles redirection (RFC 3261 sections 8.1.3.4 and 21.3). A service's redirection of an adapter's call is
// followed here, so that the call goes only to the service, and only to numbers that the line may dial. An adapter's
// redirection of an arrived call (forwarding set at the adapter) passes to the service.

// maxRedirections is how many new INVITEs the answers to one call may cause. Our own number.
const maxRedirections = 3

// statusUseProxy names a proxy, and statusAlternativeService describes a session in its body. Neither names another
// number to call.
const (
	statusUseProxy           = 305
	statusAlternativeService = 380
)

// contactsOf returns the Contacts of a 3xx by descending q (RFC 3261 section 20.10: a missing q means 1).
func contactsOf(res *sip.Response) []sip.Uri {
	type wanted struct {
		uri sip.Uri
		q   float64
	}
	var all []wanted
	for _, h := range res.GetHeaders("Contact") {
		for _, entry := range splitOutside(h.Value()) {
			text, params := strings.TrimSpace(entry), ""
			if i := strings.IndexByte(text, '<'); i >= 0 {
				text, params, _ = strings.Cut(text[i+1:], ">")
			} else {
				text, params, _ = strings.Cut(text, ";")
			}
			one := wanted{q: 1}
			if sip.ParseUri(text, &one.uri) != nil {
				continue
			}
			for _, p := range strings.Split(params, ";") {
				name, v, _ := strings.Cut(strings.TrimSpace(p), "=")
				if q, err := strconv.ParseFloat(v, 64); strings.EqualFold(name, "q") && err == nil {
					one.q = q
				}
			}
			all = append(all, one)
		}
	}
	slices.SortStableFunc(all, func(x, y wanted) int { return cmp.Compare(y.q, x.q) })
	uris := make([]sip.Uri, 0, len(all))
	for _, one := range all {
		uris = append(uris, one.uri)
	}
	return uris
}

// mayFollow reports whether a call of the line may be redirected to a Contact. A redirection never turns an ordinary
// call into an emergency call, since the line has to know that it makes one. An emergency call follows every
// redirection.
func (c *call) mayFollow(u sip.Uri) bool {
	switch strings.ToLower(u.Scheme) {
	case "sip", "tel":
	default:
		return c.emergency
	}
	is, _ := c.a.classify(u)
	return c.emergency || userOf(u) != "" && is == ordinaryNumber && c.line.mayDial(u) == ""
}

// redirected handles a failure response of the service. It follows a 3xx if it may, and after a failure at a Contact it
// tries the next one. It reports whether a new INVITE was sent.
func (x *inviteForwarding) redirected(res *sip.Response) bool {
	c, code := x.to.c, res.StatusCode
	if !x.initial || x.to.side != media.ServiceSide || x.to.clearing || x.finalSent || x.from.state != legIncoming {
		return false
	}
	switch {
	case code >= 600:
		return false
	case code < 400 && (c.emergency || code != statusUseProxy && code != statusAlternativeService):
		x.contacts = append(contactsOf(res), x.contacts...)
	}
	for len(x.contacts) > 0 && x.redirections < maxRedirections {
		u := x.contacts[0]
		x.contacts = x.contacts[1:]
		if !c.mayFollow(u) {
			c.line.log.Warn("a redirection is not followed: the line may not dial its target",
				zap.Uint64("call", uint64(c.id)))
			continue
		}
		to, there := calledTowardsService(u, x.to.account.Registrar),
			sip.Uri{Scheme: "sip", User: u.User, Host: u.Host, Port: u.Port}
		if u.Host != "" && (userOf(u) == "" || x.visited(to)) {
			to = there // the same number, at the host that the Contact names
		}
		if !x.visited(to) {
			x.redirectTo(to)
			return true
		}
	}
	return false
}

// visited reports whether the call was already sent to a destination.
func (x *inviteForwarding) visited(u sip.Uri) bool {
	return slices.ContainsFunc(x.followed, func(b sip.Uri) bool {
		return b.User == u.User && strings.EqualFold(b.Host, u.Host) && max(b.Port, 0) == max(u.Port, 0) &&
			b.Raw() == u.Raw()
	})
}

// redirectTo sends the INVITE to another destination at the service.
func (x *inviteForwarding) redirectTo(u sip.Uri) {
	c := x.to.c
	x.redirections++
	x.settled, x.uncounted = false, x.attempt
	if x.lastDescribed == nil {
		x.forget(x.to)
	} else {
		// the caller has an answer in that dialog, and another fork's answer would contradict it
		x.stopProvisionals()
		for _, d := range x.from.early {
			d.over = true
		}
	}
	x.to.early = nil
	c.line.log.Info("a call is redirected by the service", zap.Uint64("call", uint64(c.id)),
		zap.Int("times", x.redirections))
	if x.to.account.destination() == "" {
		x.at = "" // the new destination is at another address
	}
	x.call(u)
	x.send()
}

// call prepares the INVITE to a destination at the service.
func (x *inviteForwarding) call(u sip.Uri) {
	to := x.to
	to.target, to.dest = u, cmp.Or(x.at, to.account.destinationOf(u))
	x.followed = append(x.followed, u)
	x.prepare()
	if anonymous(to.local.Address) {
		aor := to.account.addressOfRecord()
		x.req.AppendHeader(sip.NewHeader("P-Preferred-Identity", "<"+aor.Addr()+">"))
	}
}

// passRedirection builds the 3xx for the caller. The adapter gets Contacts at our own address, so that it calls through
// us. The service gets the numbers that the line may dial, at its own domain. It returns nil if no Contact is left.
func (x *inviteForwarding) passRedirection(res *sip.Response) *sip.Response {
	out := x.buildResponse(res, nil)
	if x.from.side == media.AdapterSide {
		own := x.from.contact().Address
		for _, u := range contactsOf(res) {
			if userOf(u) != "" {
				out.AppendHeader(&sip.ContactHeader{Address: sip.Uri{Scheme: "sip", User: userOf(u), Host: own.Host,
					Port: own.Port}})
			}
		}
		return out
	}
	if res.StatusCode == statusUseProxy || res.StatusCode == statusAlternativeService {
		return nil
	}
	c, any := x.from.c, false
	for _, u := range contactsOf(res) {
		if is, _ := c.a.classify(u); userOf(u) != "" && is == ordinaryNumber && c.line.mayDial(u) == "" {
			out.AppendHeader(&sip.ContactHeader{Address: calledTowardsService(u, x.from.account.Registrar)})
			any = true
		}
	}
	if !any {
		return nil
	}
	out.StatusCode, out.Reason = sip.StatusMovedTemporarily, "Moved Temporarily"
	return out
}
