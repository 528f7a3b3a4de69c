package registration

import (
	"fmt"
	"net"
	"net/netip"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/emiago/sipgo/sip"
	"github.com/icholy/digest"
	"github.com/stretchr/testify/require"

	"clearback/bridge/sipua/endpoint"
	"clearback/bridge/sipua/rawtest"
)

func host(i int) netip.Addr { return netip.AddrFrom4([4]byte{192, 0, byte(2 + i>>8), byte(i)}) }

// The fifth failure for one user makes the address wait, twice as long each time, up to a minute. Another user at the
// same address, and another address, do not wait.
func TestFailedLoginsWait(t *testing.T) {
	t.Parallel()
	now, g := time.Now(), newFailedLogins()
	for range freeFailures - 1 {
		g.failed(now, host(1), "stage-door", true)
		require.False(t, g.blocked(now, host(1), "stage-door", true))
	}
	for _, want := range []time.Duration{1, 2, 4, 8, 16, 32, 60, 60} {
		g.failed(now, host(1), "stage-door", true)
		require.True(t, g.blocked(now.Add(want*time.Second-1), host(1), "stage-door", true), want)
		require.False(t, g.blocked(now.Add(want*time.Second), host(1), "stage-door", true), want)
		require.False(t, g.blocked(now, host(1), "workshop", true))
		require.False(t, g.blocked(now, host(2), "stage-door", true))
		now = now.Add(want * time.Second)
	}
	g.succeeded(host(1), "stage-door")
	g.failed(now, host(1), "stage-door", true)
	require.False(t, g.blocked(now, host(1), "stage-door", true))
	for range freeFailures {
		g.failed(now, host(1), "stage-door", true)
	}
	now = now.Add(forgetFailures + 1)
	g.failed(now, host(1), "stage-door", true)
	require.False(t, g.blocked(now, host(1), "stage-door", true), "forgotten")
}

// One address may try no more users than an adapter has ports. The wait for further users ends when the old entries are
// removed.
func TestFailedLoginsForManyUsers(t *testing.T) {
	t.Parallel()
	now, g := time.Now(), newFailedLogins()
	for i := range usersPerHost {
		require.False(t, g.blocked(now, host(1), fmt.Sprint(i), false))
		g.failed(now, host(1), fmt.Sprint(i), false)
	}
	require.True(t, g.blocked(now, host(1), "another", false))
	require.False(t, g.blocked(now, host(1), "box-office", true), "a line's adapter may share the address")
	require.False(t, g.blocked(now, host(2), "another", false))
	require.False(t, g.blocked(now, host(1), "1", false), "one failure")
	require.False(t, g.blocked(now.Add(forgetFailures+1), host(1), "another", false))
	require.Empty(t, g.pairs)
	require.Empty(t, g.hosts)
}

// If many addresses guess one password, each has one free try. An address without a failure is not slowed.
func TestFailedLoginsFromManyHosts(t *testing.T) {
	t.Parallel()
	now, g := time.Now(), newFailedLogins()
	for i := range sharedFailures {
		g.failed(now, host(i), "stage-door", true)
		require.False(t, g.blocked(now, host(i), "stage-door", true))
	}
	g.failed(now, host(99), "stage-door", true)
	require.True(t, g.blocked(now.Add(firstWait-1), host(99), "stage-door", true))
	require.False(t, g.blocked(now.Add(firstWait), host(99), "stage-door", true))
	late := now.Add(forgetFailures) // since the last failure from any address
	g.failed(late, host(98), "stage-door", true)
	require.True(t, g.blocked(late, host(98), "stage-door", true))
	late = late.Add(forgetFailures + 1)
	g.failed(late, host(97), "stage-door", true)
	require.False(t, g.blocked(late, host(97), "stage-door", true))
	require.False(t, g.blocked(now, host(100), "stage-door", true), "a new address is not slowed")
	for range sharedFailures + 1 {
		g.failed(now, host(101), "nobody", false)
	}
	require.Len(t, g.users, 1, "users that do not exist are not counted")
}

func TestFailedLoginsAreBounded(t *testing.T) {
	t.Parallel()
	now, g := time.Now(), newFailedLogins()
	for i := range maxLoginSources * 2 {
		g.failed(now, host(i), strings.Repeat("u", 1000), false)
		require.LessOrEqual(t, len(g.pairs), maxLoginSources)
		if i == maxLoginSources {
			require.Len(t, g.pairs, maxLoginSources*3/4, "a quarter is removed")
		}
		require.LessOrEqual(t, len(g.hosts), len(g.pairs))
	}
	for k := range g.pairs {
		require.Len(t, k.user, 64)
	}
	now = now.Add(forgetFailures) // not yet old
	for i := range maxLoginSources - len(g.pairs) {
		g.failed(now, host(i), "late", false)
	}
	require.Len(t, g.pairs, maxLoginSources)
	g.failed(now.Add(1), host(1), "later", false)
	for k := range g.pairs {
		require.NotEqual(t, strings.Repeat("u", 64), k.user, "old entries are removed")
	}
}

// At an address that failed for many users, requests of users that do not exist are dropped. Those of existing users
// are not. Only for existing users are failures counted over all addresses.
func TestFailedLoginsOfUnknownAndKnownUsers(t *testing.T) {
	t.Parallel()
	d := newTestRegistrar(t, stageDoor())
	w := dial(t, "udp", d.e)
	for i := range usersPerHost - 1 {
		d.failedLogins.failed(time.Now(), netip.MustParseAddr("127.0.0.1"), fmt.Sprint(i), false)
	}
	w.try("REGISTER", "nobody", "wrong")
	require.Equal(t, 401, w.ask("REGISTER", "nobody").Code())
	require.Equal(t, usersPerHost, d.loginSources())
	victims := func() int {
		d.failedLogins.mu.Lock()
		defer d.failedLogins.mu.Unlock()
		return len(d.failedLogins.users)
	}
	require.Zero(t, victims())
	w.try("REGISTER", "another", "wrong")
	require.True(t, w.silent("REGISTER", "another"))
	w.try("REGISTER", "stage-door", "wrong")
	require.Equal(t, 401, w.ask("REGISTER", "stage-door").Code())
	require.Equal(t, 1, victims())
	w.try("REGISTER", "stage-door", secret)
	require.Equal(t, 200, w.ask("REGISTER", "stage-door", w.contact()).Code())
}

// loginSources returns how many pairs of address and user are in memory.
func (d *testRegistrar) loginSources() int {
	d.failedLogins.mu.Lock()
	defer d.failedLogins.mu.Unlock()
	return len(d.failedLogins.pairs)
}

// silent reports whether a request gets no response. It sends a second request, which then gets the first response.
func (w *testPeer) silent(method, user string, lines ...string) bool {
	w.t.Helper()
	w.seq++
	seq := w.seq
	text := fmt.Sprintf("%[7]s sip:%[1]s SIP/2.0\r\nVia: SIP/2.0/UDP %[2]s;branch=z9hG4bKsilent-%[3]d;rport\r\nMax-Forwards: 70\r\nFrom: <sip:%[4]s@%[1]s>;tag=dev\r\n"+
		"To: <sip:%[4]s@%[1]s>\r\nCall-ID: %[5]s\r\nCSeq: %[3]d %[7]s\r\n%[6]sContent-Length: 0\r\n\r\n", realm,
		w.Addr(), seq, user, w.id, strings.Join(append(lines, w.auth, ""), "\r\n"), method)
	w.Send(text)
	w.auth, w.last = "", text
	return !strings.Contains(string(w.ask("REGISTER", user)), fmt.Sprintf("CSeq: %d ", seq))
}

// try answers a new challenge with a password.
func (w *testPeer) try(method, user, password string) {
	w.t.Helper()
	w.auth = ""
	w.answer(w.ask(method, user), "MD5", method, user, password, 1)
}

// guess sends wrong passwords until the wait begins.
func (w *testPeer) guess(method, user string, lines ...string) {
	w.t.Helper()
	for range freeFailures {
		w.try(method, user, "wrong")
		require.Equal(w.t, 401, w.ask(method, user, lines...).Code())
	}
}

// forEmergency makes testRegistrar treat a request as an emergency call.
const forEmergency = "X-Emergency: yes"

// After five wrong passwords, requests for that user are dropped, even with the right one. Another line at the same
// address is not affected. After the wait the right password is accepted, even in a retransmission of a dropped
// request.
func TestGuessingIsSlowed(t *testing.T) {
	t.Parallel()
	d := newTestRegistrar(t, stageDoor(), Account{Line: "workshop", User: "workshop", Password: secret})
	now := time.Now()
	d.frozen.Store(&now)
	w := dial(t, "udp", d.e)
	w.guess("REGISTER", "stage-door")
	w.try("REGISTER", "stage-door", secret)
	require.True(t, w.silent("REGISTER", "stage-door", w.contact()))
	w.try("REGISTER", "workshop", secret)
	require.Equal(t, 200, w.ask("REGISTER", "workshop", w.contact()).Code(), "another line of that adapter")
	require.Equal(t, Counts{Challenges: 5 + 5 + 1 + 1 + 1, Wrong: 5, RateLimited: 1}, d.Counts())
	require.Equal(t, 1, d.loginSources())
	later := now.Add(firstWait)
	d.frozen.Store(&later)
	w.Send(w.last)
	require.Equal(t, 200, rawtest.Message(w.Next(testTimeout)).Code(), "the wait is over")
	w.try("REGISTER", "stage-door", secret)
	require.Equal(t, 200, w.ask("REGISTER", "stage-door", w.contact()).Code())
	require.Equal(t, 0, d.loginSources(), "the right password removes the failures")
}

// Wrong passwords also count at the address where the adapter is bound, with any method, and even from the adapter's
// own port. What the line needs is still served: the refresh of the binding from its own address and port, and an
// emergency call, which needs no password.
func TestGuessingFromTheAdaptersAddressIsSlowed(t *testing.T) {
	t.Parallel()
	for _, method := range []string{"REGISTER", "MESSAGE"} {
		d := newTestRegistrar(t, stageDoor())
		now := time.Now()
		d.frozen.Store(&now)
		w, beside := dial(t, "udp", d.e), dial(t, "udp", d.e)
		beside.id = "beside-1"
		require.Equal(t, 200, w.register(w.contact()).Code())
		beside.guess(method, "stage-door")
		slowed := d.Counts().RateLimited
		for range 3 {
			beside.try(method, "stage-door", secret)
			require.True(t, beside.silent(method, "stage-door"), "from another port at the adapter's host, by %s",
				method)
			w.try("REGISTER", "stage-door", secret)
			require.Equal(t, 200, w.ask("REGISTER", "stage-door", w.contact()).Code(), "a refresh")
			w.auth = ""
			require.Equal(t, 200, w.ask("MESSAGE", "stage-door", forEmergency).Code(), "an emergency call")
			require.Equal(t, "stage-door", <-d.from)
		}
		require.EqualValues(t, 3, d.Counts().RateLimited-slowed, "a refresh does not remove the failures of others")
		w.try("MESSAGE", "stage-door", secret)
		require.True(t, w.silent("MESSAGE", "stage-door"), "a request other than a refresh waits")
		later := now.Add(firstWait)
		d.frozen.Store(&later)
		beside.try("MESSAGE", "stage-door", secret)
		require.Equal(t, 200, beside.ask("MESSAGE", "stage-door").Code(), "the wait is over")

		w.guess("REGISTER", "stage-door") // from the port of the binding
		beside.try("MESSAGE", "stage-door", secret)
		require.True(t, beside.silent("MESSAGE", "stage-door"))
		end := later.Add(defaultExpires)
		d.frozen.Store(&end)
		w.guess("REGISTER", "stage-door") // so long after the last failure that the old ones have been removed
		w.try("REGISTER", "stage-door", secret)
		require.True(t, w.silent("REGISTER", "stage-door", w.contact()), "a binding that has ended is not refreshed")
	}
}

// towards is a socket that was opened before its peer.
type towards struct {
	*net.UDPConn
	to *net.UDPAddr
}

func (c towards) Write(b []byte) (int, error) { return c.WriteTo(b, c.to) }

// The password of a fixed contact cannot be guessed by REGISTER from its own address and port: there is no binding to
// refresh.
func TestGuessingAtAFixedContactIsSlowed(t *testing.T) {
	t.Parallel()
	conn, err := net.ListenUDP("udp", &net.UDPAddr{IP: net.IPv4(127, 0, 0, 1)})
	require.NoError(t, err)
	t.Cleanup(func() { conn.Close() })
	at := conn.LocalAddr().(*net.UDPAddr)
	a := stageDoor()
	a.Fixed = &sip.Uri{Scheme: "sip", Host: at.IP.String(), Port: at.Port}
	d := newTestRegistrar(t, a)
	w := &testPeer{Peer: rawtest.New(t, towards{conn, net.UDPAddrFromAddrPort(d.e.Addr())}), t: t, id: "fixed-1"}
	now := time.Now()
	d.frozen.Store(&now)
	w.guess("REGISTER", "stage-door")
	w.try("REGISTER", "stage-door", secret)
	require.True(t, w.silent("REGISTER", "stage-door"))
	w.auth = ""
	require.Equal(t, 200, w.ask("MESSAGE", "stage-door", forEmergency).Code(), "an emergency call")
}

// An emergency call from where an adapter is bound needs no password, and a password in it is not checked. In a call
// from elsewhere the password decides, and wrong ones count.
func TestGuessingByEmergencyCalls(t *testing.T) {
	t.Parallel()
	d := newTestRegistrar(t, stageDoor())
	now := time.Now()
	d.frozen.Store(&now)
	w, elsewhere := dial(t, "udp", d.e), dial(t, "udp", d.e)
	elsewhere.id = "elsewhere-1"
	require.Equal(t, 200, w.register(w.contact()).Code())
	for range 3 * freeFailures {
		w.try("MESSAGE", "stage-door", "wrong")
		require.Equal(t, 200, w.ask("MESSAGE", "stage-door", forEmergency).Code())
		require.Equal(t, "stage-door", <-d.from)
	}
	require.Zero(t, d.Counts().Wrong, "the response does not reveal whether the password was right")
	elsewhere.guess("MESSAGE", "stage-door", forEmergency)
	require.EqualValues(t, freeFailures, d.Counts().Wrong)
	elsewhere.try("MESSAGE", "stage-door", secret)
	require.True(t, elsewhere.silent("MESSAGE", "stage-door", forEmergency))
	w.auth = ""
	require.Equal(t, 200, w.ask("MESSAGE", "stage-door", forEmergency).Code())
	<-d.from
	later := now.Add(firstWait)
	d.frozen.Store(&later)
	elsewhere.try("MESSAGE", "stage-door", secret)
	require.Equal(t, 200, elsewhere.ask("MESSAGE", "stage-door", forEmergency).Code(), "the wait is over")
}

// ByAddress reports as own the exact address and port of the live binding or of the fixed contact. If a fixed contact
// is a host name, its port and an allowed address count. The address of a fixed contact alone is enough for an
// emergency call, but is not own. A line on another socket is not found.
func TestByAddress(t *testing.T) {
	t.Parallel()
	at := netip.MustParseAddrPort
	loopback := []netip.Prefix{netip.MustParsePrefix("127.0.0.0/8")}
	fixed := func(host string, port int, allow []netip.Prefix) Account {
		return Account{Line: "stage-door", User: "stage-door", Fixed: &sip.Uri{Scheme: "sip", Host: host, Port: port},
			AllowFrom: allow}
	}
	elsewhere := fixed("127.0.0.1", 5060, nil)
	elsewhere.Endpoint = func() *endpoint.Endpoint { return &endpoint.Endpoint{} }
	for _, c := range []struct {
		account Account
		from    string
		own, ok bool
	}{
		{fixed("127.0.0.1", 5060, nil), "127.0.0.1:5060", true, true},
		{fixed("127.0.0.1", 0, nil), "127.0.0.1:5060", true, true},
		{fixed("127.0.0.1", 5060, nil), "127.0.0.1:5062", false, true},
		{fixed("127.0.0.1", 5060, nil), "127.0.0.2:5060", false, false},
		{fixed("127.0.0.1", 5060, loopback), "127.0.0.2:5060", false, true},
		{fixed("adapter.example", 5062, loopback), "127.0.0.2:5062", true, true},
		{fixed("adapter.example", 5062, loopback), "127.0.0.2:5060", false, true},
		{fixed("adapter.example", 5062, loopback), "192.0.2.1:5062", false, false},
		{fixed("adapter.example", 5062, nil), "127.0.0.2:5062", false, false},
		{stageDoor(), "127.0.0.1:5060", false, false},
		{elsewhere, "127.0.0.1:5060", false, false},
	} {
		r := NewRegistrar(RegistrarOptions{Accounts: []Account{c.account}, Realm: realm})
		req := &endpoint.Request{Request: sip.NewRequest(sip.INVITE, sip.Uri{Scheme: "sip", User: "112"}),
			From: at(c.from)}
		line, own, ok := r.ByAddress(req)
		require.Equal(t, []bool{c.own, c.ok}, []bool{own, ok}, "%+v from %s", c.account.Fixed, c.from)
		require.Equal(t, c.ok, line == "stage-door")
	}
}

// Until a binding ends, isOwn reports true for the destination of its requests and for the source of its REGISTER. An
// address that the account does not allow is not enough, even if it is bound.
func TestIsOwn(t *testing.T) {
	t.Parallel()
	at, now := netip.MustParseAddrPort, time.Now()
	r := NewRegistrar(RegistrarOptions{Accounts: []Account{stageDoor()}, Realm: realm})
	a := r.table().accounts[0]
	a.source, a.binding = at("127.0.0.1:4000"), Binding{Destination: at("127.0.0.1:5070"), Expires: now.Add(minExpires)}
	a.ends = r.boot() + time.Hour
	for from, own := range map[string]bool{"127.0.0.1:4000": true, "127.0.0.1:5070": true, "127.0.0.1:4001": false,
		"127.0.0.2:4000": false} {
		req := &endpoint.Request{Request: sip.NewRequest(sip.INVITE, sip.Uri{Scheme: "sip", User: "112"}),
			From: at(from)}
		r.clock = func() time.Time { return now.Add(minExpires - 1) }
		_, is, ok := r.ByAddress(req)
		require.Equal(t, []bool{own, own}, []bool{is, ok}, from)
		r.clock = func() time.Time { return now.Add(minExpires) }
		_, is, ok = r.ByAddress(req)
		require.Equal(t, []bool{false, false}, []bool{is, ok}, from)
	}
	a.AllowFrom = []netip.Prefix{netip.MustParsePrefix("192.0.2.0/24")}
	r.clock = func() time.Time { return now }
	_, _, ok := r.ByAddress(&endpoint.Request{Request: sip.NewRequest(sip.INVITE, sip.Uri{}), From: a.source})
	require.False(t, ok)
}

// If several lines share an address, as those of an adapter with many ports do, the user in From selects the line. If
// it names none of them, ByAddress finds no line.
func TestByAddressOfManyLines(t *testing.T) {
	t.Parallel()
	lines := []string{"box-office", "stage-door", "workshop", "green-room"}
	var accounts []Account
	for i, name := range lines {
		accounts = append(accounts, Account{Line: name, User: name,
			Fixed: &sip.Uri{Scheme: "sip", Host: "127.0.0.1", Port: 5060 + i}})
	}
	r := NewRegistrar(RegistrarOptions{Accounts: accounts, Realm: realm})
	for _, name := range append(lines, "somebody", "") {
		req := &endpoint.Request{Request: sip.NewRequest(sip.INVITE, sip.Uri{Scheme: "sip", User: "112"}),
			From: netip.MustParseAddrPort("127.0.0.1:5062")}
		req.AppendHeader(&sip.FromHeader{Address: sip.Uri{Scheme: "sip", User: name, Host: "127.0.0.1"}})
		line, own, ok := r.ByAddress(req)
		known := slices.Contains(lines, name)
		require.Equal(t, []bool{known, name == "workshop"}, []bool{ok, own}, name)
		require.Equal(t, known, line == name && name != "")
	}
}

// A nonce is valid at the address that it was sent to, with any port (because of NATs). The response to a nonce of
// another address reveals nothing about the password.
func TestNonceIsBoundToTheAddress(t *testing.T) {
	t.Parallel()
	d := newTestRegistrar(t, stageDoor())
	w := dial(t, "udp", d.e)
	m := w.ask("REGISTER", "stage-door")
	other, err := (&net.Dialer{LocalAddr: &net.UDPAddr{IP: net.IPv4(127, 0, 0, 2)}}).Dial("udp", d.e.Addr().String())
	if err != nil {
		t.Skip("this machine has no 127.0.0.2")
	}
	defer other.Close()
	moved := &testPeer{Peer: rawtest.New(t, other), t: t, id: "moved"}
	for _, password := range []string{secret, "wrong"} {
		moved.answer(m, "MD5", "REGISTER", "stage-door", password, 1)
		got := moved.ask("REGISTER", "stage-door", moved.contact())
		require.Equal(t, 401, got.Code())
		require.Contains(t, got.Get("WWW-Authenticate"), "stale=true")
	}
	port := dial(t, "udp", d.e)
	port.answer(m, "MD5", "REGISTER", "stage-door", secret, 1)
	require.Equal(t, 200, port.ask("REGISTER", "stage-door", port.contact()).Code())
}

// RFC 3261 section 10.3, steps 3 and 4: with the credentials of one line nobody can register another line.
func TestRegisterForAnotherLine(t *testing.T) {
	t.Parallel()
	d := newTestRegistrar(t, stageDoor(), Account{Line: "workshop", User: "workshop", Password: secret})
	w := dial(t, "udp", d.e)
	w.answer(w.ask("REGISTER", "workshop"), "MD5", "REGISTER", "stage-door", secret, 1)
	require.Equal(t, 403, w.ask("REGISTER", "workshop", w.contact()).Code())
	for _, line := range []string{"workshop", "stage-door"} {
		_, bound := d.Binding(line)
		require.False(t, bound)
	}
	require.EqualValues(t, 1, d.Counts().WrongLine)
	w.answer(w.ask("REGISTER", "workshop"), "MD5", "REGISTER", "stage-door", secret, 1)
	require.Equal(t, 200, w.ask("REGISTER", "a-name-of-nobody", w.contact()).Code(),
		"some show their name to the digest only")
	_, bound := d.Binding("stage-door")
	require.True(t, bound)
}

// A REGISTER with many Contacts, one at a third party's host and one at ours, makes one binding. Requests go to the
// source of the REGISTER.
func TestHostileContacts(t *testing.T) {
	t.Parallel()
	d := newTestRegistrar(t, stageDoor())
	w := dial(t, "udp", d.e)
	many := strings.Repeat(", <sip:x@192.0.2.66>;q=0.1", 40)
	for _, contact := range []string{"<sip:x@192.0.2.77:5060>" + many, "<sip:x@192.0.2.77;maddr=192.0.2.78>",
		"<sip:x@victim.example;transport=tcp>"} {
		m := w.register("Contact: " + contact)
		require.Equal(t, 200, m.Code(), contact)
		require.Len(t, m.All("Contact"), 1)
		b, _ := d.Binding("stage-door")
		require.Equal(t, w.Addr(), b.Destination.String(), contact)
		require.Equal(t, "UDP", b.Transport)
	}
}

// No Authorization text lets anybody in, and none causes a panic.
func FuzzAuthorization(f *testing.F) {
	r := NewRegistrar(RegistrarOptions{Accounts: []Account{stageDoor()}, Realm: realm})
	nonce := r.nonces.make(time.Now(), "place")
	c, err := digest.Digest(&digest.Challenge{Realm: realm, Nonce: nonce, Algorithm: "MD5", QOP: []string{"auth"}},
		digest.Options{Method: "REGISTER", URI: "sip:" + realm, Username: "stage-door", Password: "not the secret",
			Count: 1})
	if err != nil {
		f.Fatal(err)
	}
	good := c.String()
	for _, s := range []string{good, "", "Digest", "Digest ,", `Digest username="`,
		strings.Replace(good, "00000001", "ffffffff", 1), strings.Replace(good, "auth", "auth-int", 1),
		strings.Replace(good, "MD5", "SHA-256-sess", 1), "Basic YTpi", strings.Repeat(good+", ", 3), `Digest realm="` +
			realm + `", nonce="` + nonce + `", nc=-1, qop=auth`} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		req := sip.NewRequest(sip.REGISTER, sip.Uri{Scheme: "sip", Host: realm})
		req.AppendHeader(sip.NewHeader("Authorization", s))
		cred := r.credentials(&endpoint.Request{Request: req})
		if cred == nil {
			return
		}
		cred.Nonce = nonce // as if the registrar had sent this nonce
		if a, v := r.checkCredentials("REGISTER", "place", cred); v != credentialsWrong {
			t.Fatalf("%q: %v, account %v", s, v, a)
		}
	})
}
