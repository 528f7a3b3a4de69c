package registration

import (
	"crypto/subtle"
	"net/netip"
	"slices"
	"strings"
	"time"

	"github.com/emiago/sipgo/sip"
	"github.com/icholy/digest"
	"go.uber.org/zap"

	"clearback/bridge/sipua/endpoint"
)

// algorithms lists the digest algorithms that we support. Unless the configuration says otherwise, only MD5 is offered.
// A client should use the topmost challenge that it supports (RFC 8760 section 2.4). But some devices give up at an
// algorithm that they do not know, wherever it is in the list (such as baresip 1.0). Others read only the first
// challenge (such as SIPp). An adapter that cannot register cannot make an emergency call. Only somebody who listens on
// the wire between the adapter and this machine could exploit the weakness of MD5, and no attack on it as used here is
// known.
var algorithms = [...]string{"MD5", "SHA-256"}

// commonDigest returns the algorithm list that most accounts have. A challenge to an unknown user then looks like most
// others.
func commonDigest(accounts []Account) []string {
	best, most := algorithms[:1], 0
	for i := range accounts {
		n := 0
		for j := range accounts {
			if slices.Equal(accounts[i].Digest, accounts[j].Digest) {
				n++
			}
		}
		if n > most && accounts[i].Digest != nil {
			best, most = accounts[i].Digest, n
		}
	}
	return best
}

// credentialCheck is the result of checking the credentials of a request.
type credentialCheck uint8

const (
	credentialsWrong credentialCheck = iota
	credentialsStale                 // correct, but the nonce has expired or was already used
	credentialsRight
)

// Authenticate returns the line that a request comes from. If it returns ok false, it has answered the request (400,
// 401, 403), or dropped it because of too many failed logins. An account with a password needs digest credentials. An
// account without one has a fixed contact and is identified by its address.
//
// The credentials have to be for the Request-URI; sameTarget says what is tolerated. If anyTarget is not nil and
// returns true for the line, they may be for another URI: neither an emergency call nor the end of a call is refused
// for that.
func (r *Registrar) Authenticate(req *endpoint.Request, anyTarget func(line string) bool) (line string, ok bool) {
	if a, _ := r.authenticate(req, anyTarget, nil); a != nil {
		return a.Line, true
	}
	return "", false
}

// AuthenticateCall is Authenticate for a new call. emergency reports whether the request is an emergency call on the
// given line. The credentials of such a call may be for another URI. Too many failed logins do not block the call if it
// comes from the host at which the line's adapter is bound. Somebody else at that host, such as a neighbour behind the
// same NAT, may have caused the failures, and an emergency call must not wait for that. In that case verified is false.
// An emergency call on any line (emergency reports true for "") whose credentials are wrong gets 503 instead of 401.
func (r *Registrar) AuthenticateCall(req *endpoint.Request, emergency func(line string) bool) (line string, verified,
	ok bool) {
	a, verified := r.authenticate(req, emergency, emergency)
	if a != nil {
		line = a.Line
	}
	return line, verified, a != nil
}

// ByAddress returns the line of a request that comes from the address and port of a live binding, or from a fixed
// contact. It is for emergency calls that need no password: it does not check credentials and sends no response. own
// reports whether the port, too, is that of the binding or contact. ok is false if nothing is bound there, or if
// several lines are bound there and From names none of them.
func (r *Registrar) ByAddress(req *endpoint.Request) (line string, own, ok bool) {
	var found *account
	n := 0
	for _, a := range r.table().accounts {
		if !a.on(req.Endpoint) || !a.allows(req.From.Addr()) || !r.comesFrom(a, req) {
			continue
		}
		if userOf(req) == a.User {
			return a.Line, r.isOwn(a, req), true
		}
		found = a
		n++
	}
	if n != 1 {
		return "", false, false
	}
	return found.Line, r.isOwn(found, req), true
}

// atHost reports whether the account's adapter is at that host, at any port. That is one that the account
// allows: no adapter is bound elsewhere.
func (r *Registrar) atHost(a *account, host netip.Addr) bool {
	if a.Fixed != nil {
		return a.fixedAt(host)
	}
	a.mu.Lock()
	defer a.mu.Unlock()
	return r.leftLocked(a) > 0 && host == a.binding.Destination.Addr()
}

// isOwn reports whether the request came from the exact address and port of the account's live binding or fixed
// contact. If the fixed contact is a host name, any address that the account allows will do.
func (r *Registrar) isOwn(a *account, req *endpoint.Request) bool {
	a.mu.Lock()
	defer a.mu.Unlock()
	switch {
	case a.Fixed == nil:
		return r.leftLocked(a) > 0 && (req.From == a.binding.Destination || req.From == a.source)
	case a.binding.Destination.IsValid():
		return req.From == a.binding.Destination
	}
	return a.fixedAt(req.From.Addr()) && int(req.From.Port()) == portOf(*a.Fixed)
}

// comesFrom reports whether the request came from the account's binding or fixed contact.
func (r *Registrar) comesFrom(a *account, req *endpoint.Request) bool {
	if a.Fixed != nil {
		return a.fixedAt(req.From.Addr())
	}
	return r.isOwn(a, req)
}

// authenticate finds the account of a request. If it returns nil and false, it has answered the request, or dropped it
// because of too many failed logins. If unverified is not nil and returns true for the line, a request from the host of
// the line's adapter is not dropped. In that case verified is false.
func (r *Registrar) authenticate(req *endpoint.Request, anyTarget, unverified func(line string) bool) (a *account,
	verified bool) {
	challenged := false
	for _, a := range r.table().accounts {
		challenged = challenged || a.Password != "" && a.on(req.Endpoint)
	}
	cred := r.credentials(req)
	if cred == nil {
		if a := r.byAddress(req); a != nil {
			return a, true
		}
		if !challenged {
			r.refuse(req, "no line's adapter has this address", userOf(req), r.table().byUser[userOf(req)])
			r.reply(req, sip.StatusForbidden, "Forbidden")
			return nil, false
		}
		if a := r.table().byUser[userOf(req)]; a != nil {
			r.note(req, noPassword, a.User, a)
		}
		r.challenge(req, false)
		return nil, false
	}
	if !r.nonces.ours(r.now(), nonceScope(req), cred.Nonce) {
		// The response to an expired nonce is the same for a right and a wrong password, so it reveals nothing.
		r.challenge(req, true)
		return nil, false
	}
	from, claimed := req.From.Addr(), r.table().byUser[cred.Username]
	// Failed logins count from every address. Only the refresh of a binding from its own address and port is never
	// slowed, since it keeps the line reachable.
	refresh := req.Method == sip.REGISTER && claimed != nil && claimed.Fixed == nil && claimed.on(req.Endpoint) &&
		r.isOwn(claimed, req)
	if !refresh && r.failedLogins.blocked(r.now(), from, cred.Username, claimed != nil) {
		if unverified != nil && claimed != nil && claimed.on(req.Endpoint) && r.atHost(claimed, from) &&
			unverified(claimed.Line) {
			return claimed, false
		}
		r.counts.slowed.Add(1)
		r.note(req, "too many wrong passwords; for a while it gets no answer", cred.Username, claimed)
		req.Drop()
		return nil, false
	}
	a, v := r.checkCredentials(req.Method.String(), nonceScope(req), cred)
	switch {
	case v == credentialsWrong:
		r.counts.wrong.Add(1)
		r.failedLogins.failed(r.now(), from, cred.Username, claimed != nil)
		r.refuse(req, wrongPassword, cred.Username, claimed)
		if unverified != nil && unverified("") {
			// Another 401 ends the call. At 503 an adapter tries its second server (RFC 3263 section 4.3), where the
			// account may be right. No line is named, so that the answer does not tell which users exist.
			r.reply(req, sip.StatusServiceUnavailable, "Wrong User or Password")
		} else {
			r.challenge(req, false)
		}
	case v == credentialsStale:
		r.challenge(req, true)
	case !a.on(req.Endpoint), !a.allows(from):
		r.counts.wrongPlace.Add(1)
		r.refuse(req, "its password is right, but its address, or the socket that it used, does not belong to the line",
			cred.Username, a)
		r.reply(req, sip.StatusForbidden, "Forbidden")
	case !sameTarget(req.Method, cred.URI, req.Recipient) && (anyTarget == nil || !anyTarget(a.Line)):
		r.counts.wrongTarget.Add(1)
		r.note(req, "its credentials are for another URI", cred.Username, a)
		r.log.Warn("the credentials are right, but for another destination: a replay, or an adapter whose digest uri differs from its Request-URI",
			zap.String("line", a.Line), zap.Stringer("from", req.From), zap.Stringer("method", req.Method),
			zap.String("uri", endpoint.Printable(cred.URI)), zap.String("request_uri",
				endpoint.Printable(req.Recipient.String())))
		r.reply(req, sip.StatusBadRequest, "Credentials for Another URI")
	default:
		// A refresh is never slowed, even if others at its address guess passwords. So it says nothing about the failed
		// logins from there.
		if !refresh {
			r.failedLogins.succeeded(from, cred.Username)
		}
		req.Endpoint.Know(from)
		return a, true
	}
	return nil, false
}

// nonceScope returns what a nonce is bound to: our socket and the address that the challenge was sent to. The port is
// not part of it, because a NAT may use different ports for two requests.
func nonceScope(req *endpoint.Request) string {
	return req.Endpoint.Addr().String() + " " + req.From.Addr().Unmap().String()
}

// byAddress finds the fixed account without a password that a request comes from. If several accounts share the
// address, the user in From selects one.
func (r *Registrar) byAddress(req *endpoint.Request) *account {
	var found *account
	n := 0
	for _, a := range r.table().accounts {
		if a.Fixed == nil || a.Password != "" || !a.on(req.Endpoint) || !a.fixedAt(req.From.Addr()) {
			continue
		}
		if userOf(req) == a.User {
			return a
		}
		found = a
		n++
	}
	if n == 1 {
		return found
	}
	return nil
}

func userOf(req *endpoint.Request) string {
	if f := req.Request.From(); f != nil {
		return f.Address.User
	}
	return ""
}

// credentials returns the digest credentials for our realm, or nil if there are none.
func (r *Registrar) credentials(req *endpoint.Request) *digest.Credentials {
	for _, h := range req.GetHeaders("Authorization") {
		if c, err := digest.ParseCredentials(h.Value()); err == nil && c.Realm == r.realm {
			return c
		}
	}
	return nil
}

// checkCredentials checks digest credentials in constant time. For an unknown user it does the same work with a random
// secret, and returns credentialsWrong.
func (r *Registrar) checkCredentials(method, place string, c *digest.Credentials) (*account, credentialCheck) {
	algorithm := strings.ToUpper(c.Algorithm)
	if algorithm == "" {
		algorithm = "MD5"
	}
	i := slices.Index(algorithms[:], algorithm)
	if i < 0 {
		return nil, credentialsWrong
	}
	a, known := r.table().byUser[c.Username]
	if !known || a.Password == "" {
		a, known = r.table().unknown, false
	}
	known = known && slices.Contains(a.Digest, algorithm)
	chal := &digest.Challenge{Realm: r.realm, Nonce: c.Nonce, Algorithm: algorithm}
	count := c.Nc
	switch strings.ToLower(c.QOP) {
	case "auth":
		chal.QOP = []string{"auth"}
		if count <= 0 || c.Cnonce == "" {
			return nil, credentialsWrong
		}
	case "":
		count = 1 // no qop (RFC 2069): the nonce may be used only once
	default:
		return nil, credentialsWrong
	}
	want, err := digest.Digest(chal, digest.Options{Method: method, URI: c.URI, Username: c.Username, A1: a.ha1[i],
		Count: c.Nc, Cnonce: c.Cnonce})
	if err != nil {
		return nil, credentialsWrong
	}
	same := subtle.ConstantTimeCompare([]byte(want.Response), []byte(strings.ToLower(c.Response))) == 1
	switch {
	case !same || !known:
		return nil, credentialsWrong
	case !r.nonces.spend(r.now(), place, c.Nonce, count):
		return a, credentialsStale
	}
	return a, credentialsRight
}

// challenge sends 401 with one header field for each algorithm of the user's list, in order (RFC 8760 section 2.3).
func (r *Registrar) challenge(req *endpoint.Request, stale bool) {
	r.counts.challenges.Add(1)
	nonce := r.nonces.make(r.now(), nonceScope(req))
	var headers []sip.Header
	for _, algorithm := range r.offered(req) {
		c := digest.Challenge{Realm: r.realm, Nonce: nonce, Algorithm: algorithm, QOP: []string{"auth"}, Stale: stale}
		headers = append(headers, sip.NewHeader("WWW-Authenticate", c.String()))
	}
	r.reply(req, sip.StatusUnauthorized, "Unauthorized", headers...)
}

// offered returns the algorithms of the user in From. For an unknown user it returns the most common list.
func (r *Registrar) offered(req *endpoint.Request) []string {
	if a := r.table().byUser[userOf(req)]; a != nil {
		return a.Digest
	}
	return r.table().common
}

// reply sends a response. If that fails, the adapter retransmits its request.
func (r *Registrar) reply(req *endpoint.Request, code int, reason string, headers ...sip.Header) {
	if err := req.Reply(code, reason, headers...); err != nil {
		r.log.Debug("a reply could not be sent", zap.Int("code", code), zap.Stringer("to", req.From), zap.Error(err))
	}
}

// on reports whether the account is served on this socket.
func (a *account) on(e *endpoint.Endpoint) bool { return a.Endpoint == nil || a.Endpoint() == e }

func (a *account) allows(from netip.Addr) bool {
	for _, p := range a.AllowFrom {
		if p.Contains(from.Unmap()) {
			return true
		}
	}
	return len(a.AllowFrom) == 0
}

// fixedAt reports whether an address belongs to the fixed contact: one in AllowFrom, or else its host.
func (a *account) fixedAt(from netip.Addr) bool {
	if len(a.AllowFrom) > 0 {
		return a.allows(from)
	}
	host, err := netip.ParseAddr(strings.Trim(a.Fixed.Host, "[]"))
	return err == nil && host.Unmap() == from.Unmap()
}

// now returns the time of the registrar's clock.
func (r *Registrar) now() time.Time { return r.clock() }
