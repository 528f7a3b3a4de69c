package rehearsal

import (
	"crypto/subtle"
	"errors"
	"fmt"

	"github.com/icholy/digest"
)

var errChallenge = errors.New("rehearsal: no challenge that can be answered")

// authorize returns a copy of the request with the credentials for the challenge in res (RFC 3261 section 22). The
// caller has to renew Via and CSeq.
func authorize(req, res *message, c credentials) (*message, error) {
	from, to := "WWW-Authenticate", "Authorization"
	if res.status() == 407 {
		from, to = "Proxy-Authenticate", "Proxy-Authorization"
	}
	if req.get(to) != "" {
		return nil, fmt.Errorf("%w: %d again", errChallenge, res.status())
	}
	for _, v := range res.all(from) {
		ch, err := digest.ParseChallenge(v)
		if err != nil || !digest.CanDigest(ch) {
			continue
		}
		cred, err := digest.Digest(ch, digest.Options{
			Method: req.method(), URI: req.uri(), Username: c.user, Password: c.password, Count: 1,
		})
		if err != nil {
			continue
		}
		again := req.clone()
		again.add(to, cred.String())
		return again, nil
	}
	return nil, fmt.Errorf("%w: %q", errChallenge, res.all(from))
}

// authorized reports whether the request has valid credentials for one of the nonces.
func authorized(req *message, realm string, nonces map[string]bool,
	password func(user string) (string, bool)) (user string, ok bool) {
	v := req.get("Proxy-Authorization")
	if req.method() == "REGISTER" {
		v = req.get("Authorization")
	}
	if v == "" {
		return "", false
	}
	cred, err := digest.ParseCredentials(v)
	if err != nil || !nonces[cred.Nonce] || cred.Realm != realm {
		return "", false
	}
	secret, ok := password(cred.Username)
	if !ok {
		return "", false
	}
	var qop []string
	if cred.QOP != "" {
		qop = []string{cred.QOP}
	}
	want, err := digest.Digest(
		&digest.Challenge{Realm: realm, Nonce: cred.Nonce, Algorithm: cred.Algorithm, QOP: qop},
		digest.Options{Method: req.method(), URI: cred.URI, Username: cred.Username, Password: secret, Count: cred.Nc,
			Cnonce: cred.Cnonce})
	if err != nil || subtle.ConstantTimeCompare([]byte(want.Response), []byte(cred.Response)) != 1 {
		return "", false
	}
	return cred.Username, true
}

func challenge(realm, nonce string) string {
	return fmt.Sprintf(`Digest realm="%s", nonce="%s", algorithm=MD5, qop="auth"`, realm, nonce)
}
