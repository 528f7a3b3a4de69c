package registration

import (
	"net/netip"
	"testing"
	"time"

	"github.com/emiago/sipgo/sip"
	"github.com/stretchr/testify/require"
	"go.uber.org/zap"
	"go.uber.org/zap/zapcore"
	"go.uber.org/zap/zaptest/observer"

	"clearback/bridge/sipua/endpoint"
)

// refusalReport is a call of RegistrarOptions.Refused.
type refusalReport struct {
	line    string
	refused bool
}

// newObservedRegistrar returns a registrar on a socket, its log, and the calls of Refused.
func newObservedRegistrar(t *testing.T, accounts ...Account) (*testRegistrar, *observer.ObservedLogs,
	chan refusalReport) {
	t.Helper()
	core, logs := observer.New(zapcore.WarnLevel)
	seen := make(chan refusalReport, 16) // more than any test receives
	o := RegistrarOptions{Logger: zap.New(core), Refused: func(line string,
		refused bool) {
		seen <- refusalReport{line, refused}
	}}
	return newTestRegistrarWith(t, o, accounts...), logs, seen
}

// next returns the next report.
func next(t *testing.T, seen <-chan refusalReport) refusalReport {
	t.Helper()
	select {
	case one := <-seen:
		return one
	case <-time.After(5 * time.Second):
		t.Fatal("nothing was reported")
		return refusalReport{}
	}
}

// registerWith registers with a password and returns the status code.
func (w *testPeer) registerWith(user, password string, lines ...string) int {
	w.t.Helper()
	w.auth = ""
	w.answer(w.ask("REGISTER", user, lines...), "MD5", "REGISTER", user, password, 1)
	return w.ask("REGISTER", user, lines...).Code()
}

// A wrong password causes one warning a minute, with line, user and address, and one report to the line. The
// registration after it causes one report too.
func TestWrongPasswordIsReported(t *testing.T) {
	t.Parallel()
	d, logs, seen := newObservedRegistrar(t, stageDoor(), Account{Line: "workshop", User: "workshop", Password: secret})
	now := time.Now()
	d.frozen.Store(&now)
	w := dial(t, "udp", d.e)
	for range 3 {
		require.Equal(t, 401, w.registerWith("stage-door", "wrong", w.contact()))
	}
	require.Equal(t, refusalReport{"stage-door", true}, next(t, seen))
	all := logs.All()
	require.Len(t, all, 1)
	require.Equal(t, "an adapter was refused: wrong user or password", all[0].Message)
	require.Equal(t, map[string]any{"line": "stage-door", "user": "stage-door", "from": w.Addr(),
		"since_the_last_line": int64(1)}, all[0].ContextMap())
	later := now.Add(refusedEvery)
	d.frozen.Store(&later)
	require.Equal(t, 401, w.registerWith("stage-door", "wrong", w.contact()))
	require.Equal(t, int64(3), logs.All()[1].ContextMap()["since_the_last_line"])
	last, refused := d.Refusal("stage-door")
	require.True(t, refused)
	require.Equal(t, Refusal{later, netip.MustParseAddrPort(w.Addr()), "stage-door", wrongPassword, false}, last)
	for _, other := range []string{"workshop", "green-room", ""} {
		_, refused = d.Refusal(other)
		require.False(t, refused, other)
	}
	require.Equal(t, 200, w.registerWith("stage-door", secret, w.contact()))
	require.Equal(t, refusalReport{"stage-door", false}, next(t, seen))
	require.Empty(t, seen)
	_, refused = d.Refusal("stage-door")
	require.False(t, refused, "since it last registered")
}

// Whatever keeps an adapter from registering can be seen, and not only a wrong password. While an adapter is
// registered, it was somebody else.
func TestRefusal(t *testing.T) {
	t.Parallel()
	d := newTestRegistrar(t, stageDoor(), Account{Line: "workshop", User: "workshop", Password: secret})
	now := time.Now()
	d.frozen.Store(&now)
	w := dial(t, "udp", d.e)
	why := func() string {
		last, _ := d.Refusal("stage-door")
		return last.Why
	}
	require.Empty(t, why())
	require.Equal(t, 401, w.ask("REGISTER", "stage-door", w.contact()).Code())
	require.Equal(t, noPassword, why())
	require.Equal(t, 423, w.register(w.contact(), "Expires: 30").Code())
	require.Equal(t, "Interval Too Brief", why())
	w.auth = ""
	w.answer(w.ask("REGISTER", "workshop"), "MD5", "REGISTER", "stage-door", secret, 1)
	require.Equal(t, 403, w.ask("REGISTER", "workshop", w.contact()).Code())
	require.Equal(t, "it asked for the registration of line workshop", why())
	w.guess("REGISTER", "stage-door")
	require.Equal(t, wrongPassword, why())
	w.try("REGISTER", "stage-door", secret)
	require.True(t, w.silent("REGISTER", "stage-door", w.contact()))
	require.Equal(t, "too many wrong passwords; for a while it gets no answer", why())
	later := now.Add(refusalAge - 1)
	d.frozen.Store(&later)
	require.NotEmpty(t, why())
	later = now.Add(refusalAge)
	d.frozen.Store(&later)
	require.Empty(t, why(), "too long ago")
	require.Equal(t, 200, w.register(w.contact()).Code())
	require.Equal(t, 401, dial(t, "udp", d.e).registerWith("stage-door", "wrong", w.contact()))
	require.Empty(t, why(), "the line's adapter is registered")
}

// An answer outside a call also shows that the adapter is there.
func TestHeard(t *testing.T) {
	t.Parallel()
	d := newTestRegistrar(t, stageDoor())
	now := time.Now()
	d.frozen.Store(&now)
	w := dial(t, "udp", d.e)
	require.Equal(t, 200, w.register(w.contact()).Code())
	later := now.Add(time.Minute)
	d.frozen.Store(&later)
	d.Answered("stage-door")
	d.Answered("no line")
	b, _ := d.Binding("stage-door")
	require.Equal(t, []time.Time{now, later}, []time.Time{b.Registered, b.Heard})
	much := now.Add(time.Hour)
	d.frozen.Store(&much)
	_, bound := d.Binding("stage-door")
	require.False(t, bound)
	require.Equal(t, later, d.LastHeard("stage-door"), "also when it is not registered any more")
	require.Zero(t, d.LastHeard("no line"))
}

// A mistyped user is attributed to the only line whose adapter is missing, or to no line if several are missing. The
// log never contains control characters.
func TestWrongUserIsReported(t *testing.T) {
	t.Parallel()
	d, logs, seen := newObservedRegistrar(t, stageDoor(), Account{Line: "workshop", User: "workshop", Password: secret})
	w := dial(t, "udp", d.e)
	require.Equal(t, 401, w.registerWith("stagedoor", secret, w.contact()))
	require.Empty(t, seen, "both lines are possible")
	require.Equal(t, "", logs.All()[0].ContextMap()["line"])
	require.Equal(t, "stagedoor", logs.All()[0].ContextMap()["user"])
	last, refused := d.Refusal("")
	require.True(t, refused)
	require.Equal(t, "stagedoor", last.User)
	require.Equal(t, 200, w.registerWith("workshop", secret, w.contact()))
	require.Equal(t, 401, w.registerWith("stagedoor", secret, w.contact()))
	require.Equal(t, refusalReport{"stage-door", true}, next(t, seen))
	require.Equal(t, "stage-door", logs.All()[1].ContextMap()["line"])
}

// The right password from an address that the line does not allow is reported too, with its own reason.
func TestWrongAddressIsReported(t *testing.T) {
	t.Parallel()
	far := stageDoor()
	far.AllowFrom = []netip.Prefix{netip.MustParsePrefix("192.0.2.0/24")}
	d, logs, seen := newObservedRegistrar(t, far)
	w := dial(t, "udp", d.e)
	require.Equal(t, 403, w.registerWith("stage-door", secret, w.contact()))
	require.Equal(t, refusalReport{"stage-door", true}, next(t, seen))
	require.Len(t, logs.FilterMessageSnippet("an adapter was refused: its password is right, but its address").All(), 1)
	require.Equal(t, "stage-door", logs.All()[0].ContextMap()["user"])
}

// If a request is refused at the moment at which the adapter registers, the line may be informed after the
// registration. The next REGISTER takes that back. An older one does not, because it is not accepted (RFC 3261 section
// 10.3 step 7).
func TestOlderRegisterTakesNothingBack(t *testing.T) {
	t.Parallel()
	d, _, seen := newObservedRegistrar(t, stageDoor())
	w := dial(t, "udp", d.e)
	w.seq = 10
	require.Equal(t, 200, w.registerWith("stage-door", secret, w.contact()))
	w.ask("MESSAGE", "stage-door") // served after the REGISTER
	d.table().byUser["stage-door"].refusals.setReported(true)
	w.seq = 5
	require.Equal(t, 500, w.registerWith("stage-door", secret, w.contact()))
	w.ask("MESSAGE", "stage-door") // served after the REGISTER
	require.Empty(t, seen)
	w.seq = 20
	require.Equal(t, 200, w.registerWith("stage-door", secret, w.contact()))
	require.Equal(t, refusalReport{"stage-door", false}, next(t, seen))
}

// A REGISTER at a socket that serves no adapter is recorded for its line, or for the only line that misses its adapter.
// Scanners on the Internet and a line whose adapter is registered do not count.
func TestMisdirected(t *testing.T) {
	t.Parallel()
	d := newTestRegistrar(t, stageDoor(), Account{Line: "workshop", User: "workshop", Password: secret})
	from := func(at, user string) *endpoint.Request {
		r := sip.NewRequest(sip.REGISTER, sip.Uri{Host: realm})
		r.AppendHeader(&sip.FromHeader{Address: sip.Uri{User: user, Host: realm}})
		return &endpoint.Request{Request: r, From: netip.MustParseAddrPort(at)}
	}
	refused := func(line string) string {
		last, _ := d.Refusal(line)
		if last.Why != "" {
			require.Equal(t, "REGISTER came to the service's port", last.Why)
		}
		return last.User
	}
	const scanner, lan = "198.51.100.7:5060", "192.168.1.20:5060"
	d.Misdirected(from(scanner, "100"))
	require.Empty(t, refused(""))
	d.Misdirected(from(lan, "stagedoor"))
	require.Equal(t, "stagedoor", refused(""), "both lines are possible")
	d.Misdirected(from(scanner, "workshop"))
	require.Equal(t, "workshop", refused("workshop"), "an adapter may be anywhere")
	w := dial(t, "udp", d.e)
	require.Equal(t, 200, w.registerWith("workshop", secret, w.contact()))
	d.Misdirected(from(lan, "workshop"))
	require.Empty(t, refused("workshop"), "it is registered")
	d.Misdirected(from(lan, "stage"))
	require.Equal(t, "stage", refused("stage-door"), "the only line without its adapter")
}

// Failed logins for a line whose adapter is registered are logged, but not reported to the line.
func TestFailedLoginsOfARegisteredLine(t *testing.T) {
	t.Parallel()
	d, logs, seen := newObservedRegistrar(t, stageDoor())
	require.Equal(t, 200, dial(t, "udp", d.e).registerWith("stage-door", secret,
		"Contact: <sip:stage-door@127.0.0.1:5099>"))
	guesser := dial(t, "udp", d.e)
	require.Equal(t, 401, guesser.registerWith("stage-door", "guess", guesser.contact()))
	require.Len(t, logs.All(), 1)
	require.Empty(t, seen)
}

// An adapter without a password at an address that belongs to no line is logged.
func TestUnknownAddressIsLogged(t *testing.T) {
	t.Parallel()
	d, logs, seen := newObservedRegistrar(t, Account{Line: "workshop", User: "workshop",
		Fixed: &sip.Uri{Scheme: "sip", Host: "192.0.2.1"}})
	require.Equal(t, 403, dial(t, "udp", d.e).ask("MESSAGE", "workshop").Code())
	require.Len(t, logs.FilterMessage("an adapter was refused: no line's adapter has this address").All(), 1)
	require.Equal(t, "workshop", logs.All()[0].ContextMap()["line"])
	require.Empty(t, seen, "a fixed contact is always bound")
}

// A mistyped user is attributed to the only line that the request could come from. Lines with other networks, on other
// sockets, or with a registered adapter do not count.
func TestWrongUserOfOneLine(t *testing.T) {
	t.Parallel()
	far := []netip.Prefix{netip.MustParsePrefix("192.0.2.0/24")}
	elsewhere := func() *endpoint.Endpoint { return nil }
	d, _, seen := newObservedRegistrar(t, Account{Line: "workshop", User: "workshop", Password: secret, AllowFrom: far},
		stageDoor(),
		Account{Line: "green-room", User: "green-room", Password: secret, Endpoint: elsewhere})
	w := dial(t, "udp", d.e)
	require.Equal(t, 401, w.registerWith("stagedoor", secret, w.contact()))
	require.Equal(t, refusalReport{"stage-door", true}, next(t, seen))
}
