package sipua

import (
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/icholy/digest"

	"clearback/bridge/sipua/uatest"
)

// testTimeout bounds every wait of the tests. Only a failing test waits that long.
const testTimeout = 20 * time.Second

// authorization answers a challenge (RFC 7616).
func authorization(t testing.TB, header, value, method, target, user, password string) string {
	t.Helper()
	chal, err := digest.ParseChallenge(value)
	if err != nil {
		t.Fatal(err)
	}
	cred, err := digest.Digest(chal, digest.Options{Method: method, URI: target, Username: user, Password: password,
		Count: 1})
	if err != nil {
		t.Fatal(err)
	}
	return header + ": " + cred.String()
}

func num(n int) string { return strconv.Itoa(n) }

// port is the port of the first m= line.
func port(sdp string) string {
	_, after, _ := strings.Cut(sdp, "m=audio ")
	p, _, _ := strings.Cut(after, " ")
	return p
}

func atoi(s string) int { n, _ := strconv.Atoi(s); return n }

// credentials checks a digest response with the password (RFC 7616 section 3.4.1).
func credentials(t testing.TB, m uatest.Message, header, method string) {
	t.Helper()
	c, err := digest.ParseCredentials(m.Get(header))
	if err != nil {
		t.Fatalf("%s: %v in %s", header, err, m)
	}
	want, err := digest.Digest(&digest.Challenge{Realm: c.Realm, Nonce: c.Nonce, Algorithm: c.Algorithm,
		QOP: []string{"auth"}},
		digest.Options{Method: method, URI: c.URI, Username: serviceUser, Password: serviceSecret, Count: c.Nc,
			Cnonce: c.Cnonce})
	if err != nil || c.Response != want.Response {
		t.Fatalf("wrong answer to the challenge (%v): %s", err, m)
	}
}
