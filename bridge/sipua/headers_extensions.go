package sipua

import (
	"slices"
	"strings"

	"github.com/emiago/sipgo/sip"

	"clearback/bridge/media"
	"clearback/bridge/sipua/endpoint"
)

// This file has the supported methods and extensions. Allow, Supported and the refusals with 405 and 420 all use its
// lists.

// allow lists the methods that we support inside and outside dialogs. allowRefer adds what only an adapter may ask for
// (RFC 3515): a service must not make an adapter's line call.
const (
	allow      = "INVITE, ACK, CANCEL, BYE, PRACK, OPTIONS, INFO, UPDATE, MESSAGE, NOTIFY"
	allowRefer = allow + ", REFER"
)

// supported are the extensions that we support, as an answer to OPTIONS lists them.
const supported = reliable100 + ", " + sessionTimer

// Option tags.
const (
	sessionTimer   = "timer"      // RFC 4028
	noReferSub     = "norefersub" // RFC 4488
	replacesOption = "replaces"   // RFC 3891
	fieldReferSub  = "Refer-Sub"
)

// understands reports whether a request of this method may require an extension of us. "replaces" is not supported: a
// call of the service that would replace another is refused if it requires that, and is otherwise a call of its own.
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

// required returns the Unsupported header field of a 420, or nil if we support everything that the request requires
// (RFC 3261 section 8.2.2.3). It ignores Require in ACK and CANCEL, which nobody can refuse.
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

// allow lists the methods that the leg's peer may use.
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

// allow lists the methods that the sender of a request outside a dialog may use inside one.
func (s *socket) allow(r *endpoint.Request) string {
	if !s.served().adapters || s.served().tokens[r.Recipient.User] != nil {
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

// serves reports whether this socket is the adapter's side of a line for which which reports true.
func (s *socket) serves(which func(*LineOptions) bool) bool {
	return slices.ContainsFunc(s.a.all(), func(l *Line) bool { return l.adapter == s && which(&l.o) })
}

// abilities are the header fields of a 200 to OPTIONS (RFC 3261 section 11.2). Accept-Encoding allows identity only
// (section 20.2).
func abilities(allow string) []sip.Header {
	return []sip.Header{
		sip.NewHeader("Allow", allow), sip.NewHeader("Accept", "application/sdp"),
		sip.NewHeader("Accept-Encoding", "identity"),
		sip.NewHeader("Accept-Language", "en"), sip.NewHeader("Supported", supported),
	}
}
