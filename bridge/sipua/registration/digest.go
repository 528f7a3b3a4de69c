package registration

import (
	"bytes"
	"crypto/md5"
	"crypto/rand"
	"crypto/sha256"
	"crypto/sha512"
	"encoding/hex"
	"errors"
	"fmt"
	"hash"
	"io"
	"strings"

	"github.com/emiago/sipgo/sip"
	"github.com/icholy/digest"
)

var (
	errNoChallenge = errors.New("no challenge that can be answered (digest with MD5, SHA-256, SHA-512 or SHA-512-256)")
	// errRefused means that the service has already rejected these credentials.
	errRefused = errors.New("the credentials were refused; check user name and password")
)

// Authorize adds credentials for the challenge in res (401 or 407) to req, which the caller then sends again. It raises
// the CSeq number and removes the old Via. It fails if there is no challenge that we can answer. It also fails if the
// same credentials were already rejected, unless the challenge has stale=true.
//
// Of several challenges it answers the topmost that it can (RFC 8760 section 2.4).
func Authorize(req *sip.Request, res *sip.Response, user, password string) error {
	asks, answers := "WWW-Authenticate", "Authorization"
	if res.StatusCode == sip.StatusProxyAuthRequired {
		asks, answers = "Proxy-Authenticate", "Proxy-Authorization"
	}
	chal, cred := topmost(res.GetHeaders(asks), req, user, password)
	if chal == nil {
		return fmt.Errorf("answer %d to %s: %w", res.StatusCode, req.Method, errNoChallenge)
	}
	others, again := otherRealms(req, answers, chal.Realm)
	if again && !chal.Stale {
		return fmt.Errorf("answer %d to %s for realm %q: %w", res.StatusCode, req.Method, chal.Realm, errRefused)
	}
	removeAll(req, answers)
	removeAll(req, "Via")
	for _, h := range others {
		req.AppendHeader(h)
	}
	req.AppendHeader(sip.NewHeader(answers, cred))
	req.CSeq().SeqNo++
	return nil
}

// topmost returns the first challenge that we can answer, and the credentials for it. One header field may hold several
// challenges, separated by commas.
func topmost(headers []sip.Header, req *sip.Request, user, password string) (*digest.Challenge, string) {
	for _, h := range headers {
		for _, one := range splitChallenges(h.Value()) {
			c, err := digest.ParseChallenge(one)
			if err != nil {
				continue
			}
			c.Algorithm = strings.ToUpper(c.Algorithm)
			for i := range c.QOP {
				c.QOP[i] = strings.ToLower(strings.TrimSpace(c.QOP[i]))
			}
			if cred, err := respond(c, req, user, password); err == nil {
				return c, cred
			}
		}
	}
	return nil, ""
}

// splitChallenges splits a header field before each "Digest " that follows an unquoted comma.
func splitChallenges(s string) []string {
	var parts []string
	quoted, start := false, 0
	for i := 0; i < len(s); i++ {
		switch {
		case s[i] == '\\':
			i++
		case s[i] == '"':
			quoted = !quoted
		case s[i] == ',' && !quoted && digest.IsDigest(strings.TrimLeft(s[i+1:], " \t")):
			parts, start = append(parts, strings.TrimSpace(s[start:i])), i+1
		}
	}
	return append(parts, strings.TrimSpace(s[start:]))
}

// respond makes the credentials. The library does not support "-sess", so respond computes A1 for it (RFC 7616 section
// 3.4.2). That needs a qop, because the registrar gets the cnonce only with one.
func respond(chal *digest.Challenge, req *sip.Request, user, password string) (string, error) {
	c := *chal
	o := digest.Options{
		Method: req.Method.String(), URI: req.Recipient.String(), Username: user, Password: password,
		GetBody: func() (io.ReadCloser, error) { return io.NopCloser(bytes.NewReader(req.Body())), nil },
	}
	if base, sess := strings.CutSuffix(c.Algorithm, "-SESS"); sess {
		if len(c.QOP) == 0 {
			return "", errNoChallenge
		}
		c.Algorithm = base
		o.Cnonce = rand.Text()
		o.A1 = hashOf(base, hashOf(base, user, c.Realm, password), c.Nonce, o.Cnonce)
	}
	cred, err := digest.Digest(&c, o)
	if err != nil {
		return "", err
	}
	cred.Algorithm = strings.ReplaceAll(chal.Algorithm, "-SESS", "-sess")
	return cred.String(), nil
}

// hashOf joins the parts with colons and returns the hash in hexadecimal.
func hashOf(algorithm string, parts ...string) string {
	var h hash.Hash
	switch algorithm {
	case "SHA-256":
		h = sha256.New()
	case "SHA-512":
		h = sha512.New()
	case "SHA-512-256":
		h = sha512.New512_256()
	default:
		h = md5.New()
	}
	io.WriteString(h, strings.Join(parts, ":"))
	return hex.EncodeToString(h.Sum(nil))
}

// otherRealms returns the credentials for other realms, and reports whether there are some for this realm.
func otherRealms(req *sip.Request, name, realm string) (others []sip.Header, again bool) {
	for _, h := range req.GetHeaders(name) {
		c, err := digest.ParseCredentials(h.Value())
		if err == nil && c.Realm == realm {
			again = true
			continue
		}
		others = append(others, h)
	}
	return others, again
}

func removeAll(req *sip.Request, name string) {
	for _, h := range req.GetHeaders(name) {
		req.RemoveHeader(h.Name())
	}
}
