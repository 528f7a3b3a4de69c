package registration

import (
	"net/url"
	"strings"

	"github.com/emiago/sipgo/sip"
)

// sameTarget reports whether the uri of digest credentials names the resource that the Request-URI names (RFC 7616
// section 3.4.6), so that credentials captured on the way to one number are not good for another. The method needs no
// look: it is part of what is hashed.
//
// The user part has to be the same, percent-escapes resolved (RFC 3261 section 19.1.4), and so does the scheme.
// Tolerated, since adapters do it and it leads to nobody else:
//   - Another host or port, or none. An adapter knows us by name and by address, and calls go to the line's service whatever the host.
//   - Missing or other parameters, such as user=phone and transport, and a password.
//   - No user part in the uri: some user agents name only the host that they send to. Such credentials are tied to the method alone; as every
//     others they are good at one socket, from one address, and once.
//   - In a REGISTER, a user part in the uri alone: sip:stage-door@millrace.example and sip:millrace.example are the same registrar.
//
// A uri that is missing or no URI is the same as nothing.
func sameTarget(method sip.RequestMethod, uri string, target sip.Uri) bool {
	var u sip.Uri
	if uri == "" || sip.ParseUri(uri, &u) != nil || !strings.EqualFold(schemeOf(u), schemeOf(target)) {
		return false
	}
	if u.User == "" && !u.Wildcard && schemeOf(u) == "sip" || method == sip.REGISTER && target.User == "" {
		return true
	}
	return unescaped(u.User) == unescaped(target.User) && unescaped(u.Raw()) == unescaped(target.Raw())
}

func schemeOf(u sip.Uri) string {
	if u.Scheme == "" { // as the library writes it
		return "sip"
	}
	return u.Scheme
}

// unescaped resolves percent-escapes; a mangled text stays as it is.
func unescaped(s string) string {
	if plain, err := url.PathUnescape(s); err == nil {
		return plain
	}
	return s
}
