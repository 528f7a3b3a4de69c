package sipua

import (
	"slices"
	"strings"

	"github.com/emiago/sipgo/sip"

	"clearback/bridge/media"
	"clearback/bridge/sipua/endpoint"
)

// This file knows what is understood: methods and extensions. Whatever is said in Allow and Supported, and refused with
// 405 and 420, is read here.

// allow lists what is understood inside or outside a dialog; allowRefer is what an adapter may ask besides (RFC 3515).
// A service may not: nobody there makes an adapter's line call.
const (
	allow      = "INVITE, ACK, CANCEL, BYE, PRACK, OPTIONS, INFO, UPDATE, MESSAGE, NOTIFY"
	allowRefer = allow + ", REFER"
)

// supported are the extensions that we take part in, as an answer to OPTIONS says them.
const supported = reliable100 + ", " + sessionTimer

// Option tags.
const (
	sessionTimer   = "timer"      // RFC 4028
	noReferSub     = "norefersub" // RFC 4488
	replacesOption = "replaces"   // RFC 3891
	fieldReferSub  = "Refer-Sub"
)

// understands reports whether an extension may be required of us in a request of this method. "replaces" is none of
// them: a call of the service that would replace another one is refused if it requires that, and is a call of its own
// otherwise.
func understands(option string, m sip.RequestMethod) bool {
	switch strings.ToLower(option) {
	case reliable100:
		return m == sip.INVITE
	case sessionTimer:
		return m == sip.INVITE || m == sip.UPDATE
	case noReferSub:
		return m == sip.REFER
	}
	return false
}

// required returns the Unsupported header field of a 420, nil if everything that the request requires is understood
// (RFC 3261 section 8.2.2.3). ACK and CANCEL require nothing: nobody can refuse them.
func required(r *sip.Request) sip.Header {
	var options []string
	for _, h := range r.GetHeaders("Require") {
		for _, v := range strings.Split(h.Value(), ",") {
			v = strings.TrimSpace(v)
			if v != "" && !understands(v, r.Method) {
				options = append(options, v)
			}
		}
	}
	if options == nil || r.Method == sip.ACK || r.Method == sip.CANCEL {
		return nil
	}
	return sip.NewHeader("Unsupported", strings.Join(options, ", "))
}

// allow is what the leg's peer may ask of us.
func (l *leg) allow() string {
	if l.side == media.AdapterSide && !l.c.line.o.RefuseTransfer {
		return allowRefer
	}
	return allow
}

// allowBut is allow without a method that the other side refused (RFC 3261 section 21.4.6).
func (l *leg) allowBut(m sip.RequestMethod) string {
	methods := strings.Split(l.allow(), ", ")
	return strings.Join(slices.DeleteFunc(methods, func(one string) bool { return one == string(m) }), ", ")
}

// allow is what who sent a request outside a dialog may ask of us inside one.
func (s *socket) allow(r *endpoint.Request) string {
	if !s.adapters || s.tokens[r.Recipient.User] != nil {
		return allow
	}
	methods := allow
	if s.serves(func(o *LineOptions) bool { return !o.RefuseTransfer }) {
		methods = allowRefer
	}
	if s.serves(servesMessages) {
		methods += ", SUBSCRIBE"
	}
	return methods
}

// serves reports whether the adapter's side of such a line is on this socket.
func (s *socket) serves(which func(*LineOptions) bool) bool {
	return slices.ContainsFunc(s.a.lines, func(l *Line) bool { return l.adapter == s && which(&l.o) })
}

// abilities are the header fields of a 200 to OPTIONS (RFC 3261 section 11.2). The empty Accept-Encoding means identity
// only (section 20.2).
func abilities(allow string) []sip.Header {
	return []sip.Header{
		sip.NewHeader("Allow", allow), sip.NewHeader("Accept", "application/sdp"),
		sip.NewHeader("Accept-Encoding", "identity"),
		sip.NewHeader("Accept-Language", "en"), sip.NewHeader("Supported", supported),
	}
}
