//go:build linux

package interop

import (
	"fmt"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// guesses is the number of wrong passwords that each guesser tries. Then comes the right one, but by then the daemon
// ignores the guesser.
const guesses = 60

// maxChecked is the largest number of guesses that the daemon may check: the first five, and one more for each second
// that the guesses took, or for 10 s.
func maxChecked(took time.Duration) int { return 5 + max(10, int(took/time.Second)+1) }

// guesser tries passwords in requests of one kind, all with the nonce of one challenge.
type guesser struct {
	*peer
	user, method, uri string
	help              string // the URI of an emergency call
}

// challenge gets a challenge for a request of the guesser.
func (g *guesser) challenge() message {
	g.t.Helper()
	c := g.begins(g.user, g.uri)
	c.request(g.method, g.body()...)
	m := c.response(g.method)
	require.Equal(g.t, "401", m.code(), m.text)
	if g.method == "INVITE" {
		c.refused(m)
	}
	return m
}

func (g *guesser) body() []string {
	if g.method == "INVITE" {
		return []string{described(g.at)}
	}
	return []string{"Expires: 600"}
}

// try sends one guess without waiting for an answer. The daemon does not answer a guess that it ignores.
func (g *guesser) try(challenge message, secret string) *callSide {
	c := g.begins(g.user, g.uri)
	c.request(g.method, append(g.body(), answersChallenge(challenge, g.method, g.uri, g.user, secret))...)
	g.last = ""
	return c
}

// guess tries wrong passwords and then the right one. It checks that the daemon checked few of them, and not the last.
func (g *guesser) guess(far *peer) {
	g.t.Helper()
	challenge, began := g.challenge(), time.Now()
	for i := range guesses {
		g.try(challenge, fmt.Sprint("prompt-", i))
	}
	right := g.try(challenge, password)
	// Once this request is answered, the daemon has handled all earlier ones.
	sync := g.begins("anybody", "sip:"+g.to.String())
	sync.request("OPTIONS")
	sync.response("OPTIONS")
	if g.uri == g.help {
		g.forges(far)
	}
	heard := map[string]bool{}
	for _, m := range g.arrived() {
		if m.is("SIP/2.0 401", g.method) {
			heard[m.header("Call-ID")] = true
		}
		require.False(g.t, right.mine(m) && g.uri != g.help,
			"%s: the right password was accepted after %d wrong ones: %s",
			g.name, guesses, m.text)
	}
	require.LessOrEqual(g.t, len(heard), maxChecked(time.Since(began)), "%s: guesses that were checked", g.name)
	g.unread = nil
}

// forges lets the far end reject those emergency calls of the guesser that are put through, with a password or without
// one, until each call has its final response. After the ACK of a call, no INVITE of it may come.
func (g *guesser) forges(far *peer) {
	g.t.Helper()
	came := map[string]bool{}
	eventually(g.t, 10*time.Second, "every call for help has its final response", func() bool {
		for _, m := range far.arrived() {
			if m.is("INVITE", "INVITE") && !came[m.header("Call-ID")] {
				came[m.header("Call-ID")] = true
				far.replies(m, "486 Busy Here", "far")
			}
		}
		final := map[string]bool{}
		for _, m := range g.arrived() {
			if m.is("SIP/2.0 ", "INVITE") && m.code() != "100" {
				require.Contains(g.t, []string{"401", "486", "503"}, m.code(), m.text)
				final[m.header("Call-ID")] = true
			}
		}
		return len(final) == guesses+1
	})
	for range came {
		far.expect("ACK", "ACK")
	}
	far.unread = nil
	require.NotEmpty(g.t, came)
}

// TestAttackGuess: passwords are tried in emergency calls, ordinary calls and REGISTER requests, from the host where an
// adapter is registered, and also from its own port. After a few guesses the daemon ignores further ones, even the
// right one. The adapter's refresh from its own address and port is still accepted, and so is its emergency call, which
// has no password. Emergency calls from another port of that host pass too, three at once, whatever their password: the
// adapter may have moved.
func TestAttackGuess(t *testing.T) {
	t.Parallel()
	r := newTestBed(t, setup{both: true, lines: []lineSetup{{name: boxOffice, roaming: true},
		{name: stageDoor, coil: 1, host: 3}}})
	far := r.peer("far", 1, r.far, r.servicePort)
	near := r.peer("near", 1, r.adapters[boxOffice], r.adapterPort)
	binding := near.registration(boxOffice)
	require.Equal(t, "200", binding.register())
	help, abroad := "sip:112@"+near.to.String(), "sip:5550101@"+near.to.String()
	for _, g := range []*guesser{
		{r.peer("by-help", 1, 0, r.adapterPort), boxOffice, "INVITE", help, help},
		{r.peer("by-call", 1, 0, r.adapterPort), boxOffice, "INVITE", abroad, help},
		{r.peer("by-register", 1, 0, r.adapterPort), boxOffice, "REGISTER", binding.uri, help},
		{r.peerTCP("by-tcp", 1, r.adapterPort), boxOffice, "REGISTER", binding.uri, help},
		{near, boxOffice, "INVITE", abroad, help},
	} {
		g.guess(far)
		far.none("INVITE", "INVITE")
		require.Equal(t, "200", binding.register(), "the refresh in the midst of guesses by %s", g.name)
		requireEmergencyCall(near, far, boxOffice)
	}
	far.none("INVITE", "INVITE") // the emergency calls have been received

	// Passwords of a user with a fixed contact are also tried from the contact's own address and port.
	door := r.peer("door", 3, r.adapters[stageDoor], r.adapterPort)
	(&guesser{door, stageDoor, "INVITE", abroad, help}).guess(far)
	requireEmergencyCall(door, far, stageDoor)
}
