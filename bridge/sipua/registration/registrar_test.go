package registration

import (
	"cmp"
	"fmt"
	"net/netip"
	"strings"
	"testing"
	"time"

	"github.com/emiago/sipgo/sip"
	"github.com/icholy/digest"
	"github.com/stretchr/testify/require"

	"clearback/bridge/sipua/endpoint"
	"clearback/bridge/sipua/rawtest"
)

func TestRegister(t *testing.T) {
	t.Parallel()
	for _, network := range []string{"udp", "tcp"} {
		t.Run(network, func(t *testing.T) {
			d := newTestRegistrar(t, stageDoor())
			_, bound := d.Binding("stage-door")
			require.False(t, bound)
			w := dial(t, network, d.e)
			require.Zero(t, d.e.Counts().Known)
			m := w.register(w.contact(), "User-Agent: box 1", "Expires: 120")
			require.Equal(t, 200, m.Code(), m)
			require.Equal(t, 1, d.e.Counts().Known, "a source that has shown a password is known")
			require.Equal(t, "<sip:stage-door@"+w.Addr()+">;expires=120", m.Get("Contact"))
			b, bound := d.Binding("stage-door")
			require.True(t, bound)
			require.Equal(t, w.Addr(), b.Destination.String())
			require.Equal(t, strings.ToUpper(network), b.Transport)
			require.Equal(t, "box 1", b.UserAgent)
			require.Equal(t, b, <-d.renewed)
			require.EqualValues(t, 1, b.Generation)

			m = w.register() // a query
			require.Contains(t, m.Get("Contact"), ";expires=120")
			m = w.register(w.contact(), "Expires: 0")
			require.Equal(t, 200, m.Code())
			require.Empty(t, m.Get("Contact"))
			_, bound = d.Binding("stage-door")
			require.False(t, bound)
		})
	}
}

// A challenge has one header field for each algorithm of the line's list, in order (RFC 8760 section 2.3). Other
// algorithms are not accepted. Credentials without an algorithm are MD5 (RFC 7616 section 3.3). The challenge to an
// unknown user looks like most others.
func TestAlgorithms(t *testing.T) {
	t.Parallel()
	with := func(line string, list ...string) Account {
		return Account{Line: line, User: line, Password: secret, Digest: list}
	}
	d := newTestRegistrar(t, with("stage-door"), with("workshop", "SHA-256", "MD5"), with("green-room", "SHA-256"),
		with("box-office", "SHA-256"))
	for user, want := range map[string]string{"stage-door": "MD5", "workshop": "SHA-256 MD5", "green-room": "SHA-256",
		"nobody": "SHA-256"} {
		w := dial(t, "udp", d.e)
		var offered []string
		for _, o := range w.ask("REGISTER", user).All("WWW-Authenticate") {
			c, err := digest.ParseChallenge(o)
			require.NoError(t, err)
			offered = append(offered, c.Algorithm)
		}
		require.Equal(t, want, strings.Join(offered, " "), user)
		for _, algorithm := range []string{"MD5", "SHA-256", "SHA-512", ""} {
			w.auth = ""
			w.answer(w.ask("REGISTER", user), algorithm, "REGISTER", user, secret, 1)
			code := 401
			if strings.Contains(want, cmp.Or(algorithm, "MD5")) && user != "nobody" {
				code = 200
			}
			require.Equal(t, code, w.ask("REGISTER", user, w.contact()).Code(), "%s %s", user, algorithm)
		}
	}
}

// A nonce may be reused only with a higher count. A replay gets stale=true, and so does a nonce that is too old,
// forged, or from another socket. A wrong password does not.
func TestNonce(t *testing.T) {
	t.Parallel()
	d := newTestRegistrar(t, stageDoor())
	w := dial(t, "udp", d.e)
	m := w.ask("REGISTER", "stage-door", w.contact())
	require.NotContains(t, string(m), "stale", "there was no nonce before (RFC 7616 section 3.3)")
	say := func(m rawtest.Message, password string, count int) rawtest.Message {
		w.answer(m, "MD5", "REGISTER", "stage-door", password, count)
		return w.ask("REGISTER", "stage-door", w.contact())
	}
	isStale := func(m rawtest.Message, want bool) {
		t.Helper()
		require.Equal(t, 401, m.Code())
		require.Equal(t, want, strings.Contains(m.Get("WWW-Authenticate"), "stale=true"), m)
	}
	require.Equal(t, 200, say(m, secret, 1).Code())
	require.Equal(t, 200, say(m, secret, 2).Code())
	isStale(say(m, secret, 2), true)
	isStale(say(m, secret, 1), true)
	require.Equal(t, 200, say(m, secret, 9).Code())
	isStale(say(m, "wrong", 10), false)

	wrongs := d.Counts().Wrong
	forged := rawtest.Message(strings.ReplaceAll(string(m), `nonce="`, `nonce="AAAA`))
	isStale(say(forged, secret, 1), true)
	isStale(say(forged, "wrong", 1), true)
	require.Equal(t, wrongs, d.Counts().Wrong, "its password is not checked")
	other := newTestRegistrar(t, stageDoor())
	foreign := dial(t, "udp", other.e)
	isStale(say(foreign.ask("REGISTER", "stage-door"), secret, 1), true)

	now := time.Now()
	n := newNonces()
	old := n.make(now, "socket")
	require.True(t, n.spend(now.Add(nonceLife-1), "socket", old, 1))
	require.False(t, n.spend(now.Add(nonceLife), "socket", old, 2))
	require.False(t, n.spend(now, "another socket", old, 3))
	// used nonces are removed when their time is over
	for i := range 100 {
		require.True(t, n.spend(now, "socket", n.make(now, "socket"), i+1))
	}
	require.True(t, n.spend(now.Add(2*nonceLife), "socket", n.make(now.Add(2*nonceLife), "socket"), 1))
	require.Len(t, n.used, 1)
}

// Unknown users and wrong passwords look the same. Only a request with the right password reveals that its address or
// socket is wrong.
func TestUnknownUserLooksLikeWrongPassword(t *testing.T) {
	t.Parallel()
	elsewhere := stageDoor()
	elsewhere.AllowFrom = []netip.Prefix{netip.MustParsePrefix("192.0.2.0/24")}
	other := Account{Line: "workshop", User: "workshop", Password: secret,
		Endpoint: func() *endpoint.Endpoint { return nil }}
	d := newTestRegistrar(t, elsewhere, other)
	w := dial(t, "udp", d.e)
	shape := func(user, password string) string {
		w.auth = ""
		w.answer(w.ask("REGISTER", user), "MD5", "REGISTER", user, password, 1)
		m := string(w.ask("REGISTER", user, w.contact()))
		line, _, _ := strings.Cut(m, "\r\n")
		return fmt.Sprint(line, len(rawtest.Message(m).All("WWW-Authenticate")), strings.Contains(m, "stale"))
	}
	want := shape("stage-door", "wrong")
	require.Equal(t, "SIP/2.0 401 Unauthorized1 false", want)
	require.Equal(t, want, shape("nobody", "wrong"))
	require.Equal(t, want, shape("nobody", ""))
	require.Equal(t, want, shape("", ""))
	require.Equal(t, want, shape("", d.table().unknown.Password), "not even with the secret that stands in for theirs")
	require.Equal(t, "SIP/2.0 403 Forbidden0 false", shape("stage-door", secret))
	require.Equal(t, "SIP/2.0 403 Forbidden0 false", shape("workshop", secret))
	n := d.Counts()
	require.Equal(t, []uint64{5, 2}, []uint64{n.Wrong, n.WrongPlace})
	require.Zero(t, d.e.Counts().Known)
	alone := newTestRegistrar(t, other)
	require.Equal(t, 403, dial(t, "udp", alone.e).ask("MESSAGE", "workshop").Code(),
		"a line with a password on another socket: nobody can show one here")
}

func TestRegisterRules(t *testing.T) {
	t.Parallel()
	d := newTestRegistrar(t, stageDoor())
	w := dial(t, "udp", d.e)
	for _, c := range []struct {
		lines []string
		code  int
		want  string // header field: value
	}{
		{[]string{"Expires: 59"}, 423, "Min-Expires: 60"},
		{[]string{"Expires: 60"}, 200, ";expires=60"},
		{[]string{"Expires: 99999999999"}, 200, ";expires=120"},
		{[]string{"Expires: soon"}, 200, ";expires=120"},
		{nil, 200, ";expires=120"},
		{[]string{"Require: path"}, 420, "Unsupported: path"},
	} {
		w.id += "x"
		var m rawtest.Message
		if c.code == 420 {
			m = w.ask("REGISTER", "stage-door", append(c.lines, w.contact())...)
		} else {
			m = w.register(append(c.lines, w.contact())...)
		}
		require.Equal(t, c.code, m.Code(), c)
		require.Contains(t, string(m), c.want)
	}
	require.Equal(t, 200, w.register(w.contact()+";expires=90", "Expires: 3600").Code())
	require.Contains(t, w.register().Get("Contact"), ";expires=90")
	require.Equal(t, 400, w.register("Contact: *", "Expires: 60").Code())
	require.Equal(t, 400, w.register("Contact: *").Code())
	require.Equal(t, 400, w.register("Contact: *", w.contact(), "Expires: 0").Code())
	// removing a Contact that was never bound does no harm
	require.Equal(t, 200, w.register("Contact: <sip:stage-door@192.0.2.9>", "Expires: 0").Code())
	_, bound := d.Binding("stage-door")
	require.True(t, bound)
	// of several Contacts the one with the highest q, and not one to remove
	m := w.register("Contact: <sip:a@192.0.2.1>;expires=0", "Contact: <sip:b@192.0.2.2>;q=0.2, <sip:c@192.0.2.3>;q=0.7")
	require.Contains(t, m.Get("Contact"), "sip:c@192.0.2.3", m)
	require.Equal(t, 200, w.register("Contact: *", "Expires: 0").Code())
	_, bound = d.Binding("stage-door")
	require.False(t, bound)
}

// RFC 3261 section 8.2.2.3: a REGISTER that requires an extension is refused and changes nothing, even with the right
// credentials.
func TestRequiredExtension(t *testing.T) {
	t.Parallel()
	d := newTestRegistrar(t, stageDoor())
	w := dial(t, "udp", d.e)
	w.try("REGISTER", "stage-door", secret)
	require.Equal(t, 420, w.ask("REGISTER", "stage-door", "Require: path", w.contact()).Code())
	w.ask("MESSAGE", "stage-door") // served after the REGISTER
	_, bound := d.Binding("stage-door")
	require.False(t, bound)
}

// RFC 3261 section 10.3 step 7: an older REGISTER of the same Call-ID changes nothing.
func TestOlderCSeq(t *testing.T) {
	t.Parallel()
	d := newTestRegistrar(t, stageDoor())
	w := dial(t, "udp", d.e)
	w.seq = 10
	require.Equal(t, 200, w.register(w.contact()).Code())
	w.seq = 5
	require.Equal(t, 500, w.register("Contact: *", "Expires: 0").Code())
	_, bound := d.Binding("stage-door")
	require.True(t, bound)
}

// Generation grows with a different Call-ID or address, not with a refresh.
func TestBindingGeneration(t *testing.T) {
	t.Parallel()
	d := newTestRegistrar(t, stageDoor())
	now := time.Now()
	d.frozen.Store(&now)
	w := dial(t, "udp", d.e)
	generation := func() uint64 { b, _ := d.Binding("stage-door"); return b.Generation }
	w.register(w.contact())
	require.EqualValues(t, 1, generation())
	require.Contains(t, w.register(w.contact()).Get("Contact"), ";expires=120")
	soon := now.Add(1)
	d.frozen.Store(&soon)
	require.Contains(t, w.register().Get("Contact"), ";expires=120", "a part of a second counts as a whole one")
	later := now.Add(time.Second)
	d.frozen.Store(&later)
	require.Contains(t, w.register().Get("Contact"), ";expires=119")
	d.frozen.Store(&now)
	require.EqualValues(t, 1, generation())
	w.id = "boot-2"
	w.register(w.contact())
	require.EqualValues(t, 2, generation())
	moved := dial(t, "udp", d.e)
	moved.id, moved.seq = w.id, w.seq
	moved.register(moved.contact())
	require.EqualValues(t, 3, generation())
	for want := range uint64(3) {
		require.Equal(t, want+1, (<-d.renewed).Generation)
	}

	end := now.Add(maxExpires - 1)
	d.frozen.Store(&end)
	require.Contains(t, moved.register().Get("Contact"), ";expires=1", "so does the last one")
	_, bound := d.Binding("stage-door")
	require.True(t, bound)
	after := end.Add(1)
	d.frozen.Store(&after)
	_, bound = d.Binding("stage-door")
	require.False(t, bound)
	require.Empty(t, moved.register().Get("Contact"))
	moved.register(moved.contact()) // back to the same device
	require.EqualValues(t, 3, generation())
}

// Behind a NAT, or with a host name in the Contact, requests go to the source of the REGISTER. If the REGISTER came
// from the Contact's host, they go to the Contact's port.
func TestDestination(t *testing.T) {
	t.Parallel()
	d := newTestRegistrar(t, stageDoor())
	w := dial(t, "udp", d.e)
	for contact, want := range map[string]string{
		"<sip:x@192.0.2.8:5070>": w.Addr(), "<sip:x@box.test>": w.Addr(), "<sip:x@127.0.0.1:5070>": "127.0.0.1:5070",
		"<sip:x@127.0.0.1>": "127.0.0.1:5060",
	} {
		w.register("Contact: " + contact)
		b, _ := d.Binding("stage-door")
		require.Equal(t, want, b.Destination.String(), contact)
	}
}

// An INVITE, like other methods, needs digest credentials for a line with a password.
func TestAuthenticate(t *testing.T) {
	t.Parallel()
	d := newTestRegistrar(t, stageDoor())
	w := dial(t, "udp", d.e)
	m := w.ask("MESSAGE", "stage-door")
	require.Equal(t, 401, m.Code())
	require.Empty(t, d.from)
	w.answer(m, "MD5", "MESSAGE", "stage-door", "wrong", 1)
	require.Equal(t, 401, w.ask("MESSAGE", "stage-door").Code())
	w.answer(m, "MD5", "INVITE", "stage-door", secret, 1) // for another method
	require.Equal(t, 401, w.ask("MESSAGE", "stage-door").Code())
	w.answer(m, "MD5", "MESSAGE", "stage-door", secret, 2)
	require.Equal(t, 200, w.ask("MESSAGE", "anybody").Code())
	require.Equal(t, "stage-door", <-d.from)
}

// A line with a fixed contact and no password is identified by its address. Other addresses get 403.
func TestFixedContactWithoutPassword(t *testing.T) {
	t.Parallel()
	at := func(host string) *sip.Uri { return &sip.Uri{Scheme: "sip", User: "x", Host: host, Port: 5070} }
	two := []Account{
		{Line: "workshop", User: "workshop", Fixed: at("127.0.0.1")},
		{Line: "green-room", User: "green-room", Fixed: at("box.test"),
			AllowFrom: []netip.Prefix{netip.MustParsePrefix("127.0.0.0/8")}},
	}
	d := newTestRegistrar(t, two...)
	w := dial(t, "udp", d.e)
	for _, user := range []string{"workshop", "green-room"} {
		for _, call := range []string{"", "X-Call: yes"} { // its address is all that it has to show
			require.Equal(t, 200, w.ask("MESSAGE", user, call).Code())
			require.Equal(t, user, <-d.from)
		}
	}
	require.Equal(t, 403, w.ask("MESSAGE", "nobody").Code(), "two lines share the address, and From names neither")
	require.Equal(t, 403, w.ask("REGISTER", "workshop", w.contact()).Code())
	b, bound := d.Binding("workshop")
	require.True(t, bound)
	require.Equal(t, "127.0.0.1:5070", b.Destination.String())
	require.EqualValues(t, 1, b.Generation)

	strangers := newTestRegistrar(t, Account{Line: "workshop", User: "workshop", Fixed: at("192.0.2.1")})
	s := dial(t, "udp", strangers.e)
	for _, call := range []string{"", "X-Call: yes"} {
		require.Equal(t, 403, s.ask("MESSAGE", "workshop", call).Code())
	}
	require.Empty(t, strangers.from)
	only := newTestRegistrar(t, two[0])
	o := dial(t, "udp", only.e)
	require.Equal(t, 200, o.ask("MESSAGE", "whoever").Code())
}

// An emergency call from where a line is bound needs no challenge. From any other address it is challenged like any
// other call.
func TestEmergency(t *testing.T) {
	t.Parallel()
	d := newTestRegistrar(t, stageDoor())
	w := dial(t, "udp", d.e)
	require.Equal(t, 401, w.ask("MESSAGE", "stage-door", "X-Emergency: yes").Code(), "not bound yet")
	require.Equal(t, 200, w.register(w.contact(), "Expires: 60").Code())
	w.auth = ""
	require.Equal(t, 200, w.ask("MESSAGE", "unnamed", "X-Emergency: yes").Code())
	require.Equal(t, "stage-door", <-d.from)
	require.Equal(t, 401, w.ask("MESSAGE", "stage-door").Code(), "an ordinary call")
	stranger := dial(t, "udp", d.e)
	stranger.id = "stranger"
	require.Equal(t, 401, stranger.ask("MESSAGE", "stage-door", "X-Emergency: yes").Code())
	later := time.Now().Add(time.Minute)
	d.frozen.Store(&later)
	require.Equal(t, 401, w.ask("MESSAGE", "stage-door", "X-Emergency: yes").Code(), "the binding has ended")
}

// If several lines of one adapter share an address, the user in From selects the line.
func TestEmergencySharedAddress(t *testing.T) {
	t.Parallel()
	d := newTestRegistrar(t, stageDoor(), Account{Line: "workshop", User: "workshop", Password: secret})
	w := dial(t, "udp", d.e)
	for _, user := range []string{"stage-door", "workshop"} {
		w.id, w.auth = user, ""
		m := w.ask("REGISTER", user, w.contact())
		w.answer(m, "MD5", "REGISTER", user, secret, 1)
		require.Equal(t, 200, w.ask("REGISTER", user, w.contact()).Code())
	}
	w.auth = ""
	require.Equal(t, 200, w.ask("MESSAGE", "workshop", "X-Emergency: yes").Code())
	require.Equal(t, "workshop", <-d.from)
	require.Equal(t, 401, w.ask("MESSAGE", "unnamed", "X-Emergency: yes").Code())
}
