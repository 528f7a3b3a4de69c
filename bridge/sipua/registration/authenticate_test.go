package registration

import (
	"net"
	"net/netip"
	"testing"
	"time"

	"github.com/emiago/sipgo/sip"
	"github.com/stretchr/testify/require"

	"clearback/bridge/sipua/endpoint"
	"clearback/bridge/sipua/rawtest"
)

// A call that is refused or challenged is not verified, whatever the reason; testRegistrar checks that. With the right
// password it is.
func TestRefusedCallIsNotVerified(t *testing.T) {
	t.Parallel()
	d, other := newTestRegistrar(t, stageDoor()), newTestRegistrar(t, stageDoor())
	w := dial(t, "udp", d.e)
	const call = "X-Call: yes"
	require.Equal(t, 401, w.ask("MESSAGE", "stage-door", call).Code(), "no credentials")
	foreign := dial(t, "udp", other.e).ask("MESSAGE", "stage-door")
	w.answer(foreign, "MD5", "MESSAGE", "stage-door", secret, 1)
	require.Equal(t, 401, w.ask("MESSAGE", "stage-door", call).Code(), "a nonce that is not ours")
	w.try("MESSAGE", "stage-door", "wrong")
	require.Equal(t, 401, w.ask("MESSAGE", "stage-door", call).Code())
	require.Empty(t, d.from)
	w.try("MESSAGE", "stage-door", secret)
	require.Equal(t, 200, w.ask("MESSAGE", "stage-door", call).Code())
	require.Equal(t, "stage-door", <-d.from)
}

// After too many wrong passwords, credentials from the adapter's host are not checked for a while. An emergency call
// from that host is put through unverified all the same, and so is one from the host of a fixed contact. These are
// dropped: any other call, a call from another host, a call while no adapter is bound, a call to another line's socket
// and a call of an unknown user.
func TestCallForHelpBesideAGuesser(t *testing.T) {
	t.Parallel()
	here, there := netip.MustParseAddr("127.0.0.1"), netip.MustParseAddr("127.0.0.2")
	other := newTestRegistrar(t)
	fixed := Account{Line: "green-room", User: "green-room", Password: secret,
		Fixed: &sip.Uri{Scheme: "sip", Host: here.String(), Port: 9}}
	afar := Account{Line: "workshop", User: "workshop", Password: secret,
		Fixed: &sip.Uri{Scheme: "sip", Host: "192.0.2.9"}}
	elsewhere := Account{Line: "box-office", User: "box-office", Password: secret, Fixed: fixed.Fixed,
		Endpoint: func() *endpoint.Endpoint { return other.e }}
	d := newTestRegistrar(t, stageDoor(), fixed, afar, elsewhere)
	now := time.Now()
	d.frozen.Store(&now)
	w, caller := dial(t, "udp", d.e), dial(t, "udp", d.e)
	caller.id = "caller"
	require.Equal(t, 200, w.register(w.contact()).Code()) // stage-door
	users := []string{"stage-door", "workshop", "green-room", "box-office", "nobody"}
	guessed := func(at time.Time, from netip.Addr, user string) {
		for range freeFailures {
			d.failedLogins.failed(at, from, user, user != "nobody")
		}
	}
	for _, user := range users {
		guessed(now, here, user)
		help := []string{"X-Call: yes", "X-Emergency-Of: " + user}
		caller.try("MESSAGE", user, secret)
		if user == "stage-door" || user == "green-room" {
			require.Equal(t, 200, caller.ask("MESSAGE", user, help...).Code(), user)
			require.Equal(t, user+" unverified", <-d.from)
			caller.try("MESSAGE", user, "wrong")
			require.Equal(t, 200, caller.ask("MESSAGE", user, help...).Code(), "nothing is judged, %s", user)
			require.Equal(t, user+" unverified", <-d.from)
			caller.try("MESSAGE", user, secret)
		}
		slowed := d.Counts().RateLimited
		require.True(t, caller.silent("MESSAGE", user, "X-Call: yes", "X-Emergency-Of: lighting"), user)
		require.EqualValues(t, slowed+1, d.Counts().RateLimited)
		caller.try("MESSAGE", user, secret)
		if user != "stage-door" && user != "green-room" {
			require.True(t, caller.silent("MESSAGE", user, help...), user)
		}
	}
	late := now.Add(longestWait)
	d.frozen.Store(&late)
	caller.try("MESSAGE", "stage-door", secret)
	require.Equal(t, 200, caller.ask("MESSAGE", "stage-door", "X-Call: yes", "X-Emergency-Of: stage-door").Code())
	require.Equal(t, "stage-door", <-d.from, "it is heard again, and proved")
	end := now.Add(maxExpires)
	d.frozen.Store(&end)
	guessed(end, here, "stage-door")
	caller.try("MESSAGE", "stage-door", secret)
	require.True(t, caller.silent("MESSAGE", "stage-door", "X-Call: yes", "X-Emergency-Of: stage-door"), "not bound")
	d.frozen.Store(&late)

	conn, err := (&net.Dialer{LocalAddr: &net.UDPAddr{IP: net.IPv4(127, 0, 0, 2)}}).Dial("udp", d.e.Addr().String())
	if err != nil {
		t.Skip("this machine has no 127.0.0.2")
	}
	defer conn.Close()
	guessed(late, there, "stage-door")
	far := &testPeer{Peer: rawtest.New(t, conn), t: t, id: "far"}
	far.try("MESSAGE", "stage-door", secret)
	require.True(t, far.silent("MESSAGE", "stage-door", "X-Call: yes", "X-Emergency-Of: stage-door"))
	require.Empty(t, d.from)
}
