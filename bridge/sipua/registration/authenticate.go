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

// algorithms that we know. Only MD5 is offered where the configuration says nothing: a client ought to take the topmost challenge that it
// supports (RFC 8760 section 2.4), but there are devices that give up at one they do not know, wherever it stands (baresip 1.0 is
// one), or that read only the first (SIPp is one), and an adapter that cannot register cannot call for help. Only who listens on
// the wire between adapter and this machine could use the weakness of MD5, and there is no known attack on it as used here.
var algorithms = [...]string{"MD5", "SHA-256"}

// commonDigest is the list that most accounts have, so that an unknown user looks like most others.
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

// verdict on the credentials of a request.
type verdict uint8

const (
	wrong verdict = iota
	stale         // right, but the nonce is no longer good
	right
)

// Authenticate tells which line a request outside a dialog comes from. If it cannot, it has answered (401, 403) and returns false.
// An account with a password needs digest credentials; one without, which has a fixed contact, is known by its address.
func (r *Registrar) Authenticate(req *endpoint.Request) (line string, ok bool) {
	return r.line(req, false)
}

func (r *Registrar) line(req *endpoint.Request, emergency bool) (line string, ok bool) {
	if a := r.authenticate(req, emergency); a != nil {
		return a.Line, true
	}
	return "", false
}

// AuthenticateEmergency is Authenticate for a call to an emergency number: a known device is let through without a
// challenge, that is, one whose address is that of a live binding, or of a fixed contact. Otherwise it does as Authenticate, but never
// slows an answer.
func (r *Registrar) AuthenticateEmergency(req *endpoint.Request) (line string, ok bool) {
	var found *account
	for _, a := range r.accounts {
		if !a.on(req.Endpoint) || !a.allows(req.From.Addr()) || !r.comesFrom(a, req) {
			continue
		}
		if userOf(req) == a.User {
			return a.Line, true
		}
		if found != nil {
			return r.line(req, true) // several lines of one address, and it names none of them
		}
		found = a
	}
	if found != nil {
		return found.Line, true
	}
	return r.line(req, true)
}

// comesFrom tells whether the request came from where the account is bound.
func (r *Registrar) comesFrom(a *account, req *endpoint.Request) bool {
	if a.Fixed != nil {
		return a.fixedAt(req.From.Addr())
	}
	a.mu.Lock()
	defer a.mu.Unlock()
	return r.now().Before(a.binding.Expires) && (req.From == a.binding.Destination || req.From == a.source)
}

// authenticate finds the account of a request; if it returns nil, it has answered, or dropped the request as a guess too many.
func (r *Registrar) authenticate(req *endpoint.Request, emergency bool) *account {
	challenged := false
	for _, a := range r.accounts {
		challenged = challenged || a.Password != "" && a.on(req.Endpoint)
	}
	cred := r.credentials(req)
	if cred == nil {
		if a := r.byAddress(req); a != nil {
			return a
		}
		if !challenged {
			r.reply(req, sip.StatusForbidden, "Forbidden")
			return nil
		}
		r.challenge(req, false)
		return nil
	}
	if !r.nonces.ours(r.now(), placeOf(req), cred.Nonce) {
		r.challenge(req, true) // whatever the password: an old nonce tells nobody whether it was right
		return nil
	}
	from := req.From.Addr()
	home := r.atHome(cred.Username, from)
	if !emergency && !home && r.guesses.wait(r.now(), from, cred.Username, r.byUser[cred.Username] != nil) {
		r.counts.slowed.Add(1)
		req.Drop()
		return nil
	}
	a, v := r.judge(req.Method.String(), placeOf(req), cred)
	switch {
	case v == wrong:
		r.counts.wrong.Add(1)
		if !home {
			r.guesses.wrong(r.now(), from, cred.Username, r.byUser[cred.Username] != nil)
		}
		r.challenge(req, false)
	case v == stale:
		r.challenge(req, true)
	case !a.on(req.Endpoint), !a.allows(from):
		r.counts.wrongPlace.Add(1)
		r.log.Warn("right credentials from a wrong place", zap.String("line", a.Line), zap.Stringer("from", req.From), zap.Stringer("socket", req.Endpoint.Addr()))
		r.reply(req, sip.StatusForbidden, "Forbidden")
	default:
		r.guesses.right(from, cred.Username)
		req.Endpoint.Know(from)
		return a
	}
	return nil
}

// atHome tells whether an address is that of the live binding of a user: whoever else guesses its password, it is never slowed.
func (r *Registrar) atHome(user string, from netip.Addr) bool {
	a := r.byUser[user]
	if a == nil {
		return false
	}
	if a.Fixed != nil {
		return a.fixedAt(from)
	}
	a.mu.Lock()
	defer a.mu.Unlock()
	return r.now().Before(a.binding.Expires) && from.Unmap() == a.source.Addr().Unmap()
}

// placeOf is what a nonce is bound to: our socket and the address that it was sent to. Not the port: an address translator may give
// the answer another one than the question.
func placeOf(req *endpoint.Request) string {
	return req.Endpoint.Addr().String() + " " + req.From.Addr().Unmap().String()
}

// byAddress finds the fixed account without a password that a request comes from. Where several share the address, the
// From user tells which.
func (r *Registrar) byAddress(req *endpoint.Request) *account {
	var found *account
	n := 0
	for _, a := range r.accounts {
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

// credentials returns the digest credentials for our realm, nil if there are none.
func (r *Registrar) credentials(req *endpoint.Request) *digest.Credentials {
	for _, h := range req.GetHeaders("Authorization") {
		if c, err := digest.ParseCredentials(h.Value()); err == nil && c.Realm == r.realm {
			return c
		}
	}
	return nil
}

// judge compares in constant time. For an unknown user it does the same work with a secret that nobody knows, and says the same.
func (r *Registrar) judge(method, place string, c *digest.Credentials) (*account, verdict) {
	algorithm := strings.ToUpper(c.Algorithm)
	if algorithm == "" {
		algorithm = "MD5"
	}
	i := -1
	for j, name := range algorithms {
		if name == algorithm {
			i = j
		}
	}
	if i < 0 {
		return nil, wrong
	}
	a, known := r.byUser[c.Username]
	if !known || a.Password == "" {
		a, known = r.nobody, false
	}
	known = known && slices.Contains(a.Digest, algorithm)
	chal := &digest.Challenge{Realm: r.realm, Nonce: c.Nonce, Algorithm: algorithm}
	count := c.Nc
	switch strings.ToLower(c.QOP) {
	case "auth":
		chal.QOP = []string{"auth"}
		if count <= 0 || c.Cnonce == "" {
			return nil, wrong
		}
	case "":
		count = 1 // as before RFC 2617: such a nonce is good once
	default:
		return nil, wrong
	}
	want, err := digest.Digest(chal, digest.Options{Method: method, URI: c.URI, Username: c.Username, A1: a.ha1[i], Count: c.Nc, Cnonce: c.Cnonce})
	if err != nil {
		return nil, wrong
	}
	same := subtle.ConstantTimeCompare([]byte(want.Response), []byte(strings.ToLower(c.Response))) == 1
	switch {
	case !same || !known:
		return nil, wrong
	case !r.nonces.spend(r.now(), place, c.Nonce, count):
		return a, stale
	}
	return a, right
}

// challenge asks for credentials, one header field for each algorithm of the user's list, in order (RFC 8760 section 2.3).
func (r *Registrar) challenge(req *endpoint.Request, stale bool) {
	r.counts.challenges.Add(1)
	nonce := r.nonces.make(r.now(), placeOf(req))
	var headers []sip.Header
	for _, algorithm := range r.offered(req) {
		c := digest.Challenge{Realm: r.realm, Nonce: nonce, Algorithm: algorithm, QOP: []string{"auth"}, Stale: stale}
		headers = append(headers, sip.NewHeader("WWW-Authenticate", c.String()))
	}
	r.reply(req, sip.StatusUnauthorized, "Unauthorized", headers...)
}

// offered are the algorithms for whom a request names as its sender; for nobody's name those that most have.
func (r *Registrar) offered(req *endpoint.Request) []string {
	if a := r.byUser[userOf(req)]; a != nil {
		return a.Digest
	}
	return r.common
}

// reply answers; if that cannot be sent, the adapter asks again.
func (r *Registrar) reply(req *endpoint.Request, code int, reason string, headers ...sip.Header) {
	if err := req.Reply(code, reason, headers...); err != nil {
		r.log.Debug("a reply could not be sent", zap.Int("code", code), zap.Stringer("to", req.From), zap.Error(err))
	}
}

// on tells whether the account is served on this socket.
func (a *account) on(e *endpoint.Endpoint) bool { return a.Endpoint == nil || a.Endpoint() == e }

func (a *account) allows(from netip.Addr) bool {
	for _, p := range a.AllowFrom {
		if p.Contains(from.Unmap()) {
			return true
		}
	}
	return len(a.AllowFrom) == 0
}

// fixedAt tells whether an address is that of the fixed contact: its host, or what AllowFrom says.
func (a *account) fixedAt(from netip.Addr) bool {
	if len(a.AllowFrom) > 0 {
		return a.allows(from)
	}
	host, err := netip.ParseAddr(strings.Trim(a.Fixed.Host, "[]"))
	return err == nil && host.Unmap() == from.Unmap()
}

// now is the registrar's clock.
func (r *Registrar) now() time.Time { return r.clock() }
