package registration

import (
	"bytes"
	"encoding/base64"
	"encoding/binary"
	"strings"
	"testing"
	"time"

	"github.com/emiago/sipgo/sip"
	"github.com/icholy/digest"
	"github.com/stretchr/testify/require"
)

// The published examples that we know, from memory: RFC 2617 section 3.5 (MD5) and RFC 7616 section 3.9.1 (MD5 and
// SHA-256).
func TestPublishedExamples(t *testing.T) {
	t.Parallel()
	for _, c := range []struct{ source, algorithm, user, realm, password, nonce, cnonce, uri, want string }{
		{"RFC 2617 3.5", "MD5", "Mufasa", "testrealm@host.com", "Circle Of Life", "dcd98b7102dd2f0e8b11d0f600bfb0c093",
			"0a4f113b",
			"/dir/index.html", "6629fae49393a05397450978507c4ef1"},
		{"RFC 7616 3.9.1", "MD5", "Mufasa", "http-auth@example.org", "Circle of Life",
			"7ypf/xlj9XXwfDPEoM4URrv/xwf94BcCAzFZH4GiTo0v",
			"f2/wE4q74E6zIJEtWaHKaf5wv/H5QzzpXusqGemxURZJ", "/dir/index.html", "8ca523f5e9506fed4657c9700eebdbec"},
		{"RFC 7616 3.9.1", "SHA-256", "Mufasa", "http-auth@example.org", "Circle of Life",
			"7ypf/xlj9XXwfDPEoM4URrv/xwf94BcCAzFZH4GiTo0v",
			"f2/wE4q74E6zIJEtWaHKaf5wv/H5QzzpXusqGemxURZJ", "/dir/index.html",
			"753927fa0e85d155564e2e272a28d1802ca10daf4496794697cf8db5856cb6c1"},
	} {
		cred, err := digest.Digest(&digest.Challenge{Realm: c.realm, Nonce: c.nonce, Algorithm: c.algorithm,
			QOP: []string{"auth"}},
			digest.Options{Method: "GET", URI: c.uri, Username: c.user,
				A1: hashOf(c.algorithm, c.user, c.realm, c.password), Cnonce: c.cnonce, Count: 1})
		require.NoError(t, err)
		require.Equal(t, c.want, cred.Response, c.source)
		// the same by hand, which checks hashOf
		a2 := hashOf(c.algorithm, "GET", c.uri)
		require.Equal(t, c.want, hashOf(c.algorithm, hashOf(c.algorithm, c.user, c.realm, c.password), c.nonce,
			"00000001", c.cnonce, "auth", a2), c.source)
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
		want    []string // parts of the credentials
		wantErr string
	}{
		{"topmost", 401, []string{sha, md5}, []string{"algorithm=SHA-256", "nc=00000001"}, ""},
		{"topmost supported", 401, []string{strings.Replace(sha, "SHA-256", "SHA3-512", 1), md5},
			[]string{"algorithm=MD5"}, ""},
		{"both in one field", 401, []string{strings.Replace(sha, "SHA-256", "X", 1) + ", " + md5},
			[]string{"algorithm=MD5"}, ""},
		{"another scheme first", 401, []string{`Bearer realm="a"`, md5}, []string{"algorithm=MD5"}, ""},
		{"proxy", 407, []string{md5}, []string{"algorithm=MD5"}, ""},
		{"no qop", 401, []string{`Digest realm="a", nonce="n"`}, []string{`response="`}, ""},
		{"qop list with blanks", 401, []string{`Digest realm="a", nonce="n", qop="auth-int, auth"`},
			[]string{"qop=auth,"}, ""},
		{"auth-int only", 401, []string{`Digest realm="a", nonce="n", qop="auth-int"`}, []string{"qop=auth-int"}, ""},
		{"session", 401, []string{`Digest realm="a", nonce="n", algorithm=MD5-sess, qop="auth"`},
			[]string{"algorithm=MD5-sess"}, ""},
		{"lower case", 401, []string{`Digest realm="a", nonce="n", algorithm=md5, qop="auth"`},
			[]string{"algorithm=MD5"}, ""},
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

// MD5-sess, computed by hand (RFC 7616 section 3.4.2): A1 = H(user:realm:password):nonce:cnonce.
func TestMD5Sess(t *testing.T) {
	t.Parallel()
	req := invite()
	require.NoError(t, Authorize(req,
		challenged(401, `Digest realm="a", nonce="n", algorithm=SHA-256-sess, qop="auth"`), "box-office", secret))
	c, err := digest.ParseCredentials(req.GetHeader("Authorization").Value())
	require.NoError(t, err)
	a1 := hashOf("SHA-256", hashOf("SHA-256", "box-office", "a", secret), "n", c.Cnonce)
	require.Equal(t, hashOf("SHA-256", a1, "n", "00000001", c.Cnonce, "auth", hashOf("SHA-256", "INVITE", c.URI)),
		c.Response)
}

// Credentials that were rejected are not sent again, unless only the nonce was stale. Those for another realm stay.
func TestAuthorizeAgain(t *testing.T) {
	t.Parallel()
	req := invite()
	first := challenged(407, `Digest realm="proxy", nonce="1", qop="auth"`)
	require.NoError(t, Authorize(req, first, "box-office", secret))
	require.NoError(t, Authorize(req, challenged(401, `Digest realm="pbx", nonce="2", qop="auth"`), "box-office",
		secret))
	require.Len(t, req.GetHeaders("Proxy-Authorization"), 1)
	require.NoError(t, Authorize(req, challenged(407, `Digest realm="other", nonce="3", qop="auth"`), "box-office",
		secret))
	require.Len(t, req.GetHeaders("Proxy-Authorization"), 2)
	err := Authorize(req, first, "box-office", secret)
	require.ErrorIs(t, err, errRefused)
	require.NotContains(t, err.Error(), secret)
	require.NoError(t, Authorize(req, challenged(407, `Digest realm="proxy", nonce="4", qop="auth", stale=TRUE`),
		"box-office", secret))
	require.Len(t, req.GetHeaders("Proxy-Authorization"), 2)
	require.EqualValues(t, 8, req.CSeq().SeqNo)
}

// A nonce is valid only in its place, from its creation until its end, and once for each count.
func TestNonceBounds(t *testing.T) {
	t.Parallel()
	n, now := newNonces(), time.Now()
	one := n.make(now, "here")
	require.NotEqual(t, one, n.make(now, "here"))
	for at, want := range map[time.Duration]bool{-1: false, 0: true, nonceLife - 1: true, nonceLife: false} {
		require.Equal(t, want, n.ours(now.Add(at), "here", one), at)
	}
	require.False(t, n.ours(now, "there", one))
	require.False(t, n.ours(now, "here", one[:len(one)-1]))
	require.False(t, n.ours(now, "here", one+"A"))
	require.False(t, n.ours(now, "here", "?"+one[1:]))
	raw, err := base64.RawURLEncoding.DecodeString(one)
	require.NoError(t, err)
	for i := range raw { // its time, a nanosecond or more earlier; its salt; its MAC
		changed := bytes.Clone(raw)
		changed[i]--
		require.False(t, n.ours(now, "here", base64.RawURLEncoding.EncodeToString(changed)), i)
	}
	require.False(t, newNonces().ours(now, "here", one), "each start has its own key")
	require.False(t, n.spend(now, "here", one, 0))
	require.True(t, n.spend(now, "here", one, 1))
	require.False(t, n.spend(now, "here", one, 1))
	require.True(t, n.spend(now, "here", one, 3))
	require.False(t, n.spend(now, "here", one, 2))
	// a nonce that is still valid stays when others are removed
	late := n.make(now.Add(nonceLife-1), "here")
	require.True(t, n.spend(now.Add(nonceLife-1), "here", late, 1))
	over := now.Add(nonceLife)
	require.True(t, n.spend(over, "here", n.make(over, "here"), 1))
	require.Len(t, n.used, 3, "entries are removed at most once in nonceLife")
	end := now.Add(nonceLife + nonceLife/2)
	require.True(t, n.spend(end, "here", n.make(end, "here"), 1))
	require.Len(t, n.used, 3)
	require.False(t, n.spend(end, "here", late, 1))
}

// commonDigest returns the list of most accounts, and MD5 if no account has one.
func TestCommonDigest(t *testing.T) {
	t.Parallel()
	both, sha := Account{Digest: []string{"SHA-256", "MD5"}}, Account{Digest: []string{"SHA-256"}}
	for want, all := range map[string][]Account{
		"MD5": {{}, {}}, "SHA-256": {both, sha, sha, {}}, "SHA-256 MD5": {both, sha, {}, {}, {}},
	} {
		require.Equal(t, want, strings.Join(commonDigest(all), " "))
	}
	require.Equal(t, "MD5", strings.Join(commonDigest(nil), " "))
}

// Several challenges in one field are separated by commas outside of quotes (RFC 7235 section 4.1).
func TestSplitChallenges(t *testing.T) {
	t.Parallel()
	for in, want := range map[string][]string{
		`Digest realm="a"`:                             {`Digest realm="a"`},
		`Digest realm="a", Digest realm="b"`:           {`Digest realm="a"`, `Digest realm="b"`},
		`Digest realm="a",Digest realm="b"`:            {`Digest realm="a"`, `Digest realm="b"`},
		`Digest realm="a, Digest b", nonce="c"`:        {`Digest realm="a, Digest b", nonce="c"`},
		`Digest realm="a\", Digest b", nonce="c"`:      {`Digest realm="a\", Digest b", nonce="c"`},
		`Digest realm="a\\", Digest realm="b"`:         {`Digest realm="a\\"`, `Digest realm="b"`},
		`Bearer realm="a", Digest realm="b", qop=auth`: {`Bearer realm="a"`, `Digest realm="b", qop=auth`},
		``:                   {``},
		`, Digest realm="b"`: {``, `Digest realm="b"`}, `"a, Digest b"`: {`"a, Digest b"`},
	} {
		require.Equal(t, want, splitChallenges(in), in)
	}
	for algorithm, length := range map[string]int{"MD5": 32, "SHA-256": 64, "SHA-512": 128, "SHA-512-256": 64} {
		require.Len(t, hashOf(algorithm, "a", "b"), length)
	}
	require.Equal(t, "c672b8d1ef56ed28ab87c3622c5114069bdd3ad7b8f9737498d0c01ecef0967a", hashOf("SHA-512-256"),
		"of nothing, from memory")
	require.Equal(t, "d41d8cd98f00b204e9800998ecf8427e", hashOf("MD5"), "RFC 1321 section A.5")
}

func TestSessionNeedsQop(t *testing.T) {
	t.Parallel()
	require.Error(t, Authorize(invite(), challenged(401, `Digest realm="a", nonce="n", algorithm=MD5-sess`),
		"box-office", secret))
}

// Credentials without qop, as before RFC 2617, are valid once. Any other qop than auth, a missing count and a missing
// cnonce are wrong (RFC 7616 section 3.4).
func TestCredentialsWithoutQop(t *testing.T) {
	t.Parallel()
	d := newTestRegistrar(t, stageDoor())
	w := dial(t, "udp", d.e)
	m := w.ask("REGISTER", "stage-door", w.contact())
	c, err := digest.ParseChallenge(m.Get("WWW-Authenticate"))
	require.NoError(t, err)
	c.QOP = nil
	cred, err := digest.Digest(c, digest.Options{Method: "REGISTER", URI: "sip:" + realm, Username: "stage-door",
		Password: secret})
	require.NoError(t, err)
	w.auth = "Authorization: " + cred.String()
	require.Equal(t, 200, w.ask("REGISTER", "stage-door", w.contact()).Code())
	require.Contains(t, w.ask("REGISTER", "stage-door", w.contact()).Get("WWW-Authenticate"), "stale=true")
	m = w.ask("REGISTER", "stage-door", w.contact())
	w.answer(m, "MD5", "REGISTER", "stage-door", secret, 1)
	good := w.auth
	for _, change := range [][2]string{{"qop=auth", "qop=auth-int"}, {"nc=00000001", "nc=00000000"},
		{`response="`, `response="0`}} {
		require.Contains(t, good, change[0])
		w.auth = strings.Replace(good, change[0], change[1], 1)
		m := w.ask("REGISTER", "stage-door", w.contact())
		require.Equal(t, 401, m.Code(), change)
		require.NotContains(t, m.Get("WWW-Authenticate"), "stale=true", change)
	}
	w.auth = good
	require.Equal(t, 200, w.ask("REGISTER", "stage-door", w.contact()).Code())
	// without qop, the first use counts like the first use with qop
	c, err = digest.ParseChallenge(m.Get("WWW-Authenticate"))
	require.NoError(t, err)
	c.QOP = nil
	cred, err = digest.Digest(c, digest.Options{Method: "REGISTER", URI: "sip:" + realm, Username: "stage-door",
		Password: secret})
	require.NoError(t, err)
	w.auth = "Authorization: " + cred.String()
	require.Contains(t, w.ask("REGISTER", "stage-door", w.contact()).Get("WWW-Authenticate"), "stale=true")
	// the hash has no qop, but the credentials name one
	cred.QOP, cred.Nc, cred.Cnonce = "auth-int", 2, "c"
	w.auth = "Authorization: " + cred.String()
	m = w.ask("REGISTER", "stage-door", w.contact())
	require.Equal(t, 401, m.Code())
	require.NotContains(t, m.Get("WWW-Authenticate"), "stale=true")
}

// A nonce has 8 octets of time, 12 of salt and 16 of MAC. Every octet of the salt is random: with one salt for two
// challenges, the nonce of one would be spent with that of the other.
func TestNonceLayout(t *testing.T) {
	t.Parallel()
	n, now := newNonces(), time.Unix(1_800_000_000, 255)
	var values [8 + 12 + 16]map[byte]bool
	for range 100 { // the chance that one octet has one value is 256^-99
		raw, err := base64.RawURLEncoding.DecodeString(n.make(now, "here"))
		require.NoError(t, err)
		require.Len(t, raw, len(values))
		require.EqualValues(t, now.UnixNano(), binary.BigEndian.Uint64(raw))
		for i, b := range raw {
			if values[i] == nil {
				values[i] = map[byte]bool{}
			}
			values[i][b] = true
		}
	}
	for i, seen := range values[8:] {
		require.Greater(t, len(seen), 1, "octet %d", 8+i)
	}
}
