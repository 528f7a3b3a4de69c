package sipua

import (
	"slices"
	"strings"

	"github.com/emiago/sipgo/sip"

	"clearback/bridge/media"
)

// Only these header fields pass from one leg to the other. The rest is the B2BUA's own. Extensions in which it takes no
// part itself must not be negotiated through it.
var (
	bodyHeaders = []string{"Content-Type", "Content-Disposition", "Content-Encoding", "Content-Language",
		"MIME-Version"}
	callHeaders     = []string{"Priority", "Privacy", "Geolocation", "Geolocation-Routing", "Subject"}
	fromService     = []string{"Alert-Info", "Diversion", "History-Info", "Call-Info"}
	inDialogHeaders = []string{"Info-Package", "Event", "Subscription-State", "Subject"}
	replyHeaders    = []string{"Retry-After", "Warning", "Error-Info", "Privacy", "Geolocation-Error"}
	replyService    = []string{"Alert-Info", "P-Early-Media", "History-Info"}
)

func copyHeaders(names []string, from, to sip.Message) {
	for _, n := range names {
		sip.CopyHeaders(n, from, to)
	}
}

// setBody copies the body's headers from src and sets body.
func setBody(dst, src sip.Message, body []byte) {
	if len(body) > 0 {
		passHeaders(bodyHeaders, src, dst)
	}
	dst.SetBody(body)
}

// first is the value of the first header field of that name, or "".
func first(m sip.Message, name string) string {
	if all := m.GetHeaders(name); len(all) > 0 {
		return all[0].Value()
	}
	return ""
}

func hasBody(m sip.Message) bool { return len(m.Body()) > 0 }

// routeSet returns the Record-Route entries in the order of the message.
func routeSet(m sip.Message) []sip.Uri {
	var routes []sip.Uri
	for _, h := range m.GetHeaders("Record-Route") {
		for _, entry := range splitOutside(h.Value()) {
			from, to := strings.IndexByte(entry, '<'), strings.IndexByte(entry, '>')
			if from < 0 || to < from {
				continue
			}
			var u sip.Uri
			if sip.ParseUri(entry[from+1:to], &u) == nil {
				routes = append(routes, u)
			}
		}
	}
	return routes
}

// splitOutside splits at commas outside angle brackets.
func splitOutside(s string) []string {
	var parts []string
	inside, start := false, 0
	for i := 0; i < len(s); i++ {
		switch s[i] {
		case '<':
			inside = true
		case '>':
			inside = false
		case ',':
			if !inside {
				parts, start = append(parts, s[start:i]), i+1
			}
		}
	}
	return append(parts, s[start:])
}

func reversed(routes []sip.Uri) []sip.Uri {
	slices.Reverse(routes)
	return routes
}

// callerTowardsAdapter returns the From that shows the caller to the adapter. It has our own address, so that the
// adapter calls back through us.
func callerTowardsAdapter(in *sip.FromHeader, own sip.Uri, tag string) *sip.FromHeader {
	from := &sip.FromHeader{DisplayName: quotedName(in.DisplayName), Params: sip.HeaderParams{{K: "tag", V: tag}}}
	if anonymous(in.Address) {
		from.Address = sip.Uri{Scheme: "sip", User: "anonymous", Host: "anonymous.invalid"}
		return from
	}
	from.Address = sip.Uri{Scheme: "sip", User: boundedText(userOf(in.Address), maxUser), Host: own.Host,
		Port: own.Port}
	return from
}

// callerTowardsService returns the From of the adapter's call: the line's address of record with the adapter's display
// name, or an anonymous From if the adapter asked for that.
func callerTowardsService(in *sip.FromHeader, aor sip.Uri, tag string) *sip.FromHeader {
	from := &sip.FromHeader{DisplayName: quotedName(in.DisplayName), Address: aor,
		Params: sip.HeaderParams{{K: "tag", V: tag}}}
	if anonymous(in.Address) {
		from.DisplayName = "Anonymous"
		from.Address = sip.Uri{Scheme: "sip", User: "anonymous", Host: "anonymous.invalid"}
	}
	return from
}

func anonymous(u sip.Uri) bool {
	return strings.EqualFold(u.User, "anonymous") || strings.HasSuffix(strings.ToLower(u.Host), "anonymous.invalid")
}

// userOf returns the user part of a SIP URI or the number of a tel URI.
func userOf(u sip.Uri) string {
	if u.User == "" && strings.EqualFold(u.Scheme, "tel") {
		number, _, _ := strings.Cut(u.Raw(), ";")
		return number
	}
	return u.User
}

// calledTowardsService is the Request-URI for the number that the adapter dialled: a SIP URI in the service's domain
// (RFC 3261 section 19.1.6 for tel URIs). Other schemes (urn:service:sos, RFC 5031) stay as they are.
func calledTowardsService(dialled, registrar sip.Uri) sip.Uri {
	at := sip.Uri{Scheme: "sip", User: userOf(dialled), Host: registrar.Host, Port: registrar.Port}
	switch strings.ToLower(dialled.Scheme) {
	case "sip", "sips", "":
		if v, ok := dialled.UriParams.Get("user"); ok {
			at.UriParams.Add("user", v)
		}
		return at
	case "tel":
		at.UriParams.Add("user", "phone")
		return at
	}
	return dialled
}

// callHeadersTo copies the header fields that pass in an INVITE.
func callHeadersTo(side media.Side, from, to sip.Message) {
	passHeaders(callHeaders, from, to)
	if side == media.AdapterSide {
		passHeaders(fromService, from, to)
		passIdentity(from, to)
	}
}

// passIdentity passes the identity that the service asserts, unless the caller asked for privacy (RFC 3325 section
// 9.3). The adapter's assertion never passes: the service identifies the line by its credentials.
func passIdentity(from, to sip.Message) {
	for _, h := range from.GetHeaders("Privacy") {
		for _, v := range strings.FieldsFunc(h.Value(), func(r rune) bool { return r == ';' || r == ',' || r == ' ' }) {
			if strings.EqualFold(v, "id") {
				return
			}
		}
	}
	passHeaders([]string{"P-Asserted-Identity"}, from, to)
}
