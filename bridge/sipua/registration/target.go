package registration

import (
	"net/url"
	"strings"

	"github.com/emiago/sipgo/sip"
)

// sameTarget reports whether the uri of digest credentials names the same resource as the Request-URI (RFC 7616 section
// 3.4.6). Otherwise, credentials captured from a call to one number could be used to call another. The method needs no
// check, because it is part of the hash.
//
// The user part has to be the same after percent-unescaping (RFC 3261 section 19.1.4), and so does the scheme. The
// following differences are tolerated, because adapters show them and they lead to no other destination:
//   - A different host or port, or none. An adapter knows us by name and by address, and calls go to the line's
//     service whatever the host.
//   - Missing or different parameters, such as user=phone and transport, and a password.
//   - No user part in the uri. Some user agents name only the host that they send to. Such credentials are bound only
//     to the method. Like all others, they are valid at one socket, from one address, and once.
//   - In a REGISTER, a user part in the uri but not in the Request-URI: sip:stage-door@millrace.example and
//     sip:millrace.example are the same registrar.
//
// A missing or invalid uri never matches.
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
	if u.Scheme == "" { // the library's form of a URI without a scheme
		return "sip"
	}
	return u.Scheme
}

// unescaped resolves percent-escapes. It returns invalid text unchanged.
func unescaped(s string) string {
	if plain, err := url.PathUnescape(s); err == nil {
		return plain
	}
	return s
}
