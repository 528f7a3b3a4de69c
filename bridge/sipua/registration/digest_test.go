package registration

import (
	"strings"
	"testing"

	"github.com/emiago/sipgo/sip"
	"github.com/icholy/digest"
	"github.com/stretchr/testify/require"
)

// The worked examples that we know, from memory: RFC 2617 section 3.5 (MD5) and RFC 7616 section 3.9.1 (MD5 and
// SHA-256).
func TestPublishedExamples(t *testing.T) {
	t.Parallel()
	for _, c := range []struct{ source, algorithm, user, realm, password, nonce, cnonce, uri, want string }{
		{"RFC 2617 3.5", "MD5", "Mufasa", "testrealm@host.com", "Circle Of Life", "dcd98b7102dd2f0e8b11d0f600bfb0c093", "0a4f113b",
			"/dir/index.html", "6629fae49393a05397450978507c4ef1"},
		{"RFC 7616 3.9.1", "MD5", "Mufasa", "http-auth@example.org", "Circle of Life", "7ypf/xlj9XXwfDPEoM4URrv/xwf94BcCAzFZH4GiTo0v",
			"f2/wE4q74E6zIJEtWaHKaf5wv/H5QzzpXusqGemxURZJ", "/dir/index.html", "8ca523f5e9506fed4657c9700eebdbec"},
		{"RFC 7616 3.9.1", "SHA-256", "Mufasa", "http-auth@example.org", "Circle of Life", "7ypf/xlj9XXwfDPEoM4URrv/xwf94BcCAzFZH4GiTo0v",
			"f2/wE4q74E6zIJEtWaHKaf5wv/H5QzzpXusqGemxURZJ", "/dir/index.html", "753927fa0e85d155564e2e272a28d1802ca10daf4496794697cf8db5856cb6c1"},
	} {
		cred, err := digest.Digest(&digest.Challenge{Realm: c.realm, Nonce: c.nonce, Algorithm: c.algorithm, QOP: []string{"auth"}},
			digest.Options{Method: "GET", URI: c.uri, Username: c.user, A1: hashOf(c.algorithm, c.user, c.realm, c.password), Cnonce: c.cnonce, Count: 1})
		require.NoError(t, err)
		require.Equal(t, c.want, cred.Response, c.source)
		// the same by hand, which proves hashOf
		a2 := hashOf(c.algorithm, "GET", c.uri)
		require.Equal(t, c.want, hashOf(c.algorithm, hashOf(c.algorithm, c.user, c.realm, c.password), c.nonce, "00000001", c.cnonce, "auth", a2), c.source)
	}
}

func challenged(code int, headers ...string) *sip.Response {
	res := sip.NewResponse(code, "Unauthorized")
	name := "WWW-Authenticate"
	if code == 407 {
		name = "Proxy-Authenticate"
	}
	for _, h := range headers {
		res.AppendHeader(sip.NewHeader(name, h))
	}
	return res
}

func invite() *sip.Request {
	var u sip.Uri
	if err := sip.ParseUri("sip:5550150@pbx.example:5070;transport=udp", &u); err != nil {
		panic(err)
	}
	r := sip.NewRequest(sip.INVITE, u)
	r.AppendHeader(&sip.ViaHeader{ProtocolName: "SIP", ProtocolVersion: "2.0", Transport: "UDP", Host: "192.0.2.1"})
	r.AppendHeader(&sip.CSeqHeader{SeqNo: 4, MethodName: sip.INVITE})
	r.SetBody([]byte("v=0\r\n"))
	return r
}

func TestAuthorize(t *testing.T) {
	t.Parallel()
	const (
		sha = `Digest realm="a", nonce="n", algorithm=SHA-256, qop="auth"`
		md5 = `Digest realm="a", nonce="n", algorithm=MD5, qop="auth"`
	)
	for _, c := range []struct {
		name    string
		code    int
		offers  []string
		want    []string // in the credentials
		wantErr string
	}{
		{"topmost", 401, []string{sha, md5}, []string{"algorithm=SHA-256", "nc=00000001"}, ""},
		{"topmost supported", 401, []string{strings.Replace(sha, "SHA-256", "SHA3-512", 1), md5}, []string{"algorithm=MD5"}, ""},
		{"both in one field", 401, []string{strings.Replace(sha, "SHA-256", "X", 1) + ", " + md5}, []string{"algorithm=MD5"}, ""},
		{"another scheme first", 401, []string{`Bearer realm="a"`, md5}, []string{"algorithm=MD5"}, ""},
		{"proxy", 407, []string{md5}, []string{"algorithm=MD5"}, ""},
		{"no qop", 401, []string{`Digest realm="a", nonce="n"`}, []string{`response="`}, ""},
		{"qop list with blanks", 401, []string{`Digest realm="a", nonce="n", qop="auth-int, auth"`}, []string{"qop=auth,"}, ""},
		{"auth-int only", 401, []string{`Digest realm="a", nonce="n", qop="auth-int"`}, []string{"qop=auth-int"}, ""},
		{"session", 401, []string{`Digest realm="a", nonce="n", algorithm=MD5-sess, qop="auth"`}, []string{"algorithm=MD5-sess"}, ""},
		{"lower case", 401, []string{`Digest realm="a", nonce="n", algorithm=md5, qop="auth"`}, []string{"algorithm=MD5"}, ""},
		{"opaque", 401, []string{md5 + `, opaque="o"`}, []string{`opaque="o"`}, ""},
		{"nothing known", 401, []string{`Digest realm="a", nonce="n", algorithm=X`}, nil, "no challenge"},
		{"nothing at all", 401, nil, nil, "no challenge"},
		{"wrong field", 407, nil, nil, "no challenge"},
	} {
		t.Run(c.name, func(t *testing.T) {
			req := invite()
			err := Authorize(req, challenged(c.code, c.offers...), "box-office", secret)
			if c.wantErr != "" {
				require.ErrorContains(t, err, c.wantErr)
				return
			}
			require.NoError(t, err)
			name := map[int]string{401: "Authorization", 407: "Proxy-Authorization"}[c.code]
			require.Len(t, req.GetHeaders(name), 1)
			got := req.GetHeader(name).Value()
			for _, w := range c.want {
				require.Contains(t, got+",", w)
			}
			require.Contains(t, got, `uri="sip:5550150@pbx.example:5070;transport=udp"`)
			require.NotContains(t, got, secret)
			require.EqualValues(t, 5, req.CSeq().SeqNo)
			require.Nil(t, req.Via())
		})
	}
}

// MD5-sess by hand (RFC 7616 section 3.4.2): A1 = H(user:realm:password):nonce:cnonce.
func TestMD5Sess(t *testing.T) {
	t.Parallel()
	req := invite()
	require.NoError(t, Authorize(req, challenged(401, `Digest realm="a", nonce="n", algorithm=SHA-256-sess, qop="auth"`), "box-office", secret))
	c, err := digest.ParseCredentials(req.GetHeader("Authorization").Value())
	require.NoError(t, err)
	a1 := hashOf("SHA-256", hashOf("SHA-256", "box-office", "a", secret), "n", c.Cnonce)
	require.Equal(t, hashOf("SHA-256", a1, "n", "00000001", c.Cnonce, "auth", hashOf("SHA-256", "INVITE", c.URI)), c.Response)
}

// Credentials that were refused are not tried again, unless only the nonce was stale; those for another realm stay.
func TestAuthorizeAgain(t *testing.T) {
	t.Parallel()
	req := invite()
	first := challenged(407, `Digest realm="proxy", nonce="1", qop="auth"`)
	require.NoError(t, Authorize(req, first, "box-office", secret))
	require.NoError(t, Authorize(req, challenged(401, `Digest realm="pbx", nonce="2", qop="auth"`), "box-office", secret))
	require.Len(t, req.GetHeaders("Proxy-Authorization"), 1)
	require.NoError(t, Authorize(req, challenged(407, `Digest realm="other", nonce="3", qop="auth"`), "box-office", secret))
	require.Len(t, req.GetHeaders("Proxy-Authorization"), 2)
	err := Authorize(req, first, "box-office", secret)
	require.ErrorIs(t, err, errRefused)
	require.NotContains(t, err.Error(), secret)
	require.NoError(t, Authorize(req, challenged(407, `Digest realm="proxy", nonce="4", qop="auth", stale=TRUE`), "box-office", secret))
	require.Len(t, req.GetHeaders("Proxy-Authorization"), 2)
	require.EqualValues(t, 8, req.CSeq().SeqNo)
}
