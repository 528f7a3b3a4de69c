package registration

import (
	"fmt"
	"net"
	"net/netip"
	"strings"
	"testing"
	"time"

	"github.com/emiago/sipgo/sip"
	"github.com/icholy/digest"
	"github.com/stretchr/testify/require"

	"clearback/bridge/sipua/endpoint"
)

func host(i int) netip.Addr { return netip.AddrFrom4([4]byte{192, 0, byte(2 + i>>8), byte(i)}) }

// The fifth wrong answer for one user makes its address wait, twice as long each time up to a minute; another user of the same address and
// another address do not wait.
func TestGuessesWait(t *testing.T) {
	t.Parallel()
	now, g := time.Now(), newGuesses()
	for range freeGuesses - 1 {
		g.wrong(now, host(1), "stage-door", true)
		require.False(t, g.wait(now, host(1), "stage-door", true))
	}
	for _, want := range []time.Duration{1, 2, 4, 8, 16, 32, 60, 60} {
		g.wrong(now, host(1), "stage-door", true)
		require.True(t, g.wait(now.Add(want*time.Second-1), host(1), "stage-door", true), want)
		require.False(t, g.wait(now.Add(want*time.Second), host(1), "stage-door", true), want)
		require.False(t, g.wait(now, host(1), "workshop", true))
		require.False(t, g.wait(now, host(2), "stage-door", true))
		now = now.Add(want * time.Second)
	}
	g.right(host(1), "stage-door")
	g.wrong(now, host(1), "stage-door", true)
	require.False(t, g.wait(now, host(1), "stage-door", true))
	for range freeGuesses {
		g.wrong(now, host(1), "stage-door", true)
	}
	now = now.Add(forgetGuesses + 1)
	g.wrong(now, host(1), "stage-door", true)
	require.False(t, g.wait(now, host(1), "stage-door", true), "forgotten")
}

// From one address not more users are tried than an adapter has ports; the wait for further ones ends when the old ones are forgotten.
func TestGuessesOfManyUsers(t *testing.T) {
	t.Parallel()
	now, g := time.Now(), newGuesses()
	for i := range usersPerHost {
		require.False(t, g.wait(now, host(1), fmt.Sprint(i), false))
		g.wrong(now, host(1), fmt.Sprint(i), false)
	}
	require.True(t, g.wait(now, host(1), "another", false))
	require.False(t, g.wait(now, host(1), "box-office", true), "a line's adapter may share the address")
	require.False(t, g.wait(now, host(2), "another", false))
	require.False(t, g.wait(now, host(1), "1", false), "wrong once")
	require.False(t, g.wait(now.Add(forgetGuesses+1), host(1), "another", false))
	require.Empty(t, g.pairs)
	require.Empty(t, g.hosts)
}

// Many addresses that guess one password have one free try each, and an address that was never wrong is heard.
func TestGuessesOfManyHosts(t *testing.T) {
	t.Parallel()
	now, g := time.Now(), newGuesses()
	for i := range underAttack {
		g.wrong(now, host(i), "stage-door", true)
		require.False(t, g.wait(now, host(i), "stage-door", true))
	}
	g.wrong(now, host(99), "stage-door", true)
	require.True(t, g.wait(now, host(99), "stage-door", true))
	require.False(t, g.wait(now, host(100), "stage-door", true), "a fresh address is heard")
	for range underAttack + 1 {
		g.wrong(now, host(101), "nobody", false)
	}
	require.Len(t, g.victims, 1, "what is no user is not kept")
}

func TestGuessesAreBounded(t *testing.T) {
	t.Parallel()
	now, g := time.Now(), newGuesses()
	for i := range mostGuessers * 2 {
		g.wrong(now, host(i), strings.Repeat("u", 1000), false)
		require.LessOrEqual(t, len(g.pairs), mostGuessers)
		require.LessOrEqual(t, len(g.hosts), len(g.pairs))
	}
	for k := range g.pairs {
		require.Len(t, k.user, 64)
	}
}

// silent tells that a request stays without an answer: what is sent behind it is answered first.
func (w *wire) silent(user string, lines ...string) bool {
	w.t.Helper()
	w.seq++
	seq := w.seq
	text := fmt.Sprintf("REGISTER sip:%[1]s SIP/2.0\r\nVia: SIP/2.0/UDP %[2]s;branch=z9hG4bKsilent-%[3]d;rport\r\nMax-Forwards: 70\r\nFrom: <sip:%[4]s@%[1]s>;tag=dev\r\n"+
		"To: <sip:%[4]s@%[1]s>\r\nCall-ID: %[5]s\r\nCSeq: %[3]d REGISTER\r\n%[6]sContent-Length: 0\r\n\r\n", realm, w.addr(), seq, user, w.id, strings.Join(append(lines, w.auth, ""), "\r\n"))
	_, err := w.conn.Write([]byte(text))
	require.NoError(w.t, err)
	w.auth = ""
	return !strings.Contains(string(w.ask("REGISTER", user)), fmt.Sprintf("CSeq: %d ", seq))
}

// A guesser is not heard after five wrong answers, not even with the right one, while the bound adapter of the same line, another line
// beside the guesser, and an emergency call are heard.
func TestGuessingIsSlowed(t *testing.T) {
	t.Parallel()
	d := newDesk(t, stageDoor(), Account{Line: "workshop", User: "workshop", Password: secret})
	now := time.Now()
	d.frozen.Store(&now)
	w := dial(t, "udp", d.e)
	try := func(user, password string) {
		w.auth = ""
		w.answer(w.ask("REGISTER", user), "MD5", "REGISTER", user, password, 1)
	}
	for range freeGuesses {
		try("stage-door", "wrong")
		require.Equal(t, 401, w.ask("REGISTER", "stage-door").code())
	}
	try("stage-door", secret)
	require.True(t, w.silent("stage-door"))
	w.auth = ""
	w.answer(w.ask("MESSAGE", "stage-door"), "MD5", "MESSAGE", "stage-door", secret, 1)
	require.Equal(t, 200, w.ask("MESSAGE", "stage-door", "X-Emergency: yes").code())
	try("workshop", secret)
	require.Equal(t, 200, w.ask("REGISTER", "workshop", w.contact()).code(), "another line of that adapter")
	require.Equal(t, Counts{Challenges: 5 + 5 + 1 + 1 + 1 + 1, Wrong: 5, Slowed: 1, Guessers: 0}, d.Counts(), "whoever was right is no guesser")

	for range freeGuesses {
		try("stage-door", "wrong")
		w.ask("REGISTER", "stage-door")
	}
	later := now.Add(firstWait)
	d.frozen.Store(&later)
	try("stage-door", secret)
	require.Equal(t, 200, w.ask("REGISTER", "stage-door", w.contact()).code(), "the wait is over")
	for range 3 * freeGuesses { // now it is the bound adapter's address
		try("stage-door", "wrong")
		require.Equal(t, 401, w.ask("REGISTER", "stage-door").code())
	}
	try("stage-door", secret)
	require.Equal(t, 200, w.ask("REGISTER", "stage-door", w.contact()).code(), "never slowed where it is bound")
	for range 3 * freeGuesses {
		try("stage-door", "wrong")
		w.ask("REGISTER", "stage-door")
	}
	for i := range usersPerHost {
		d.guesses.wrong(later, netip.MustParseAddr("127.0.0.1"), fmt.Sprint(i), false)
	}
	try("stage-door", secret)
	require.Equal(t, 200, w.ask("REGISTER", "stage-door", w.contact(), "Expires: 60").code(), "nor by what else that address does")
	half := later.Add(30 * time.Second)
	d.frozen.Store(&half)
	for range 3 * freeGuesses {
		try("stage-door", "wrong")
		w.ask("REGISTER", "stage-door")
	}
	d.guesses.hosts = map[netip.Addr]int{}
	end := later.Add(time.Minute)
	d.frozen.Store(&end)
	try("stage-door", secret)
	require.Equal(t, 200, w.ask("REGISTER", "stage-door", w.contact()).code(), "nor when its binding has ended")
}

// A nonce is good at the address that it was sent to, whatever the port (an address translator's), and an answer to one of another address
// tells nothing of the password.
func TestNonceIsBoundToTheAddress(t *testing.T) {
	t.Parallel()
	d := newDesk(t, stageDoor())
	w := dial(t, "udp", d.e)
	m := w.ask("REGISTER", "stage-door")
	other, err := (&net.Dialer{LocalAddr: &net.UDPAddr{IP: net.IPv4(127, 0, 0, 2)}}).Dial("udp", d.e.Addr().String())
	if err != nil {
		t.Skip("this machine has no 127.0.0.2")
	}
	defer other.Close()
	moved := &wire{t: t, conn: other, id: "moved"}
	for _, password := range []string{secret, "wrong"} {
		moved.answer(m, "MD5", "REGISTER", "stage-door", password, 1)
		got := moved.ask("REGISTER", "stage-door", moved.contact())
		require.Equal(t, 401, got.code())
		require.Contains(t, got.get("WWW-Authenticate"), "stale=true")
	}
	port := dial(t, "udp", d.e)
	port.answer(m, "MD5", "REGISTER", "stage-door", secret, 1)
	require.Equal(t, 200, port.ask("REGISTER", "stage-door", port.contact()).code())
}

// RFC 3261 section 10.3, steps 3 and 4: who has the credentials of one line cannot register another.
func TestRegisterForAnotherLine(t *testing.T) {
	t.Parallel()
	d := newDesk(t, stageDoor(), Account{Line: "workshop", User: "workshop", Password: secret})
	w := dial(t, "udp", d.e)
	w.answer(w.ask("REGISTER", "workshop"), "MD5", "REGISTER", "stage-door", secret, 1)
	require.Equal(t, 403, w.ask("REGISTER", "workshop", w.contact()).code())
	for _, line := range []string{"workshop", "stage-door"} {
		_, bound := d.Binding(line)
		require.False(t, bound)
	}
	require.EqualValues(t, 1, d.Counts().WrongLine)
	w.answer(w.ask("REGISTER", "workshop"), "MD5", "REGISTER", "stage-door", secret, 1)
	require.Equal(t, 200, w.ask("REGISTER", "a-name-of-nobody", w.contact()).code(), "some show their name to the digest only")
	_, bound := d.Binding("stage-door")
	require.True(t, bound)
}

// Many Contacts, a Contact at a third party's host and one at ours: one binding, and requests go to where the REGISTER came from.
func TestHostileContacts(t *testing.T) {
	t.Parallel()
	d := newDesk(t, stageDoor())
	w := dial(t, "udp", d.e)
	many := strings.Repeat(", <sip:x@192.0.2.66>;q=0.1", 40)
	for _, contact := range []string{"<sip:x@192.0.2.77:5060>" + many, "<sip:x@192.0.2.77;maddr=192.0.2.78>", "<sip:x@victim.example;transport=tcp>"} {
		m := w.register("Contact: " + contact)
		require.Equal(t, 200, m.code(), contact)
		require.Len(t, m.all("Contact"), 1)
		b, _ := d.Binding("stage-door")
		require.Equal(t, w.addr(), b.Destination.String(), contact)
		require.Equal(t, "UDP", b.Transport)
	}
}

// No text in the place of credentials lets anybody in, and none is a panic.
func FuzzAuthorization(f *testing.F) {
	r := NewRegistrar(RegistrarOptions{Accounts: []Account{stageDoor()}, Realm: realm})
	nonce := r.nonces.make(time.Now(), "place")
	c, err := digest.Digest(&digest.Challenge{Realm: realm, Nonce: nonce, Algorithm: "MD5", QOP: []string{"auth"}},
		digest.Options{Method: "REGISTER", URI: "sip:" + realm, Username: "stage-door", Password: "not the secret", Count: 1})
	if err != nil {
		f.Fatal(err)
	}
	good := c.String()
	for _, s := range []string{good, "", "Digest", "Digest ,", `Digest username="`, strings.Replace(good, "00000001", "ffffffff", 1), strings.Replace(good, "auth", "auth-int", 1),
		strings.Replace(good, "MD5", "SHA-256-sess", 1), "Basic YTpi", strings.Repeat(good+", ", 3), `Digest realm="` + realm + `", nonce="` + nonce + `", nc=-1, qop=auth`} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		req := sip.NewRequest(sip.REGISTER, sip.Uri{Scheme: "sip", Host: realm})
		req.AppendHeader(sip.NewHeader("Authorization", s))
		cred := r.credentials(&endpoint.Request{Request: req})
		if cred == nil {
			return
		}
		cred.Nonce = nonce // as if it had been asked for
		if a, v := r.judge("REGISTER", "place", cred); v != wrong {
			t.Fatalf("%q: %v, account %v", s, v, a)
		}
	})
}
