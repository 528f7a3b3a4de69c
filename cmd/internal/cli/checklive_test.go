package cli

import (
	"context"
	"crypto/md5"
	"errors"
	"fmt"
	"io"
	"net"
	"net/netip"
	"os"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"go.uber.org/zap"

	"clearback/bridge/daemon"
	"clearback/bridge/daemon/daemontest"
	"clearback/bridge/relay"
	"clearback/bridge/relay/modbus/modbustest"
	"clearback/bridge/relay/relaytest"
	"clearback/bridge/sipua/uatest"
)

func TestCheckLive(t *testing.T) {
	board := &daemontest.Board{}
	path := daemontest.File(t,
		daemontest.Serve(t, board), daemontest.Answering(t, "200 OK"), daemontest.Answering(t, "486 Busy Here"))
	code, out, errs := call("", "check", "--live", path)
	assert.Equal(t, ExitOK, code, errs+out)
	assert.Regexp(t, `box-office +registered until .* +486 from .*off hook.* +reads closed`, out)
	moves, _ := board.Moves()
	assert.Empty(t, moves)
}

func TestCheckLivePulse(t *testing.T) {
	board := &daemontest.Board{}
	path := daemontest.File(t,
		daemontest.Serve(t, board), daemontest.Answering(t, "200 OK"), daemontest.Answering(t, "200 OK"))
	code, out, errs := call("no\n", "check", "--live", "--pulse", "box-office", path)
	assert.Equal(t, ExitOK, code, errs+out)
	assert.Contains(t, out, "not opened")
	assert.Contains(t, out, "Is nobody on it, and has nobody called an emergency number in the last 30 minutes? "+
		"The emergency centre may still call back.\nType yes: ")
	moves, _ := board.Moves()
	assert.Empty(t, moves)

	late := relaytest.Allowance(t)
	code, out, errs = call("yes\n", "check", "--live", "--pulse", "box-office", path)
	assert.Equal(t, ExitOK, code, errs+out)
	moves, at := board.Moves()
	require.Equal(t, []bool{true, false}, moves, out)
	open := at[1].Sub(at[0])
	assert.GreaterOrEqual(t, open, 700*time.Millisecond)
	assert.LessOrEqual(t, open, 900*time.Millisecond+late())
	assert.Contains(t, out, "loop-opened")
	assert.Contains(t, out, "contact now: reads closed")
	assert.Regexp(t, `length: asked for 800 ms; the controller confirmed the close \d+ ms after the opening\n`, out)

	code, _, errs = call("yes\n", "check", "--live", "--pulse", "curtain", path)
	assert.Equal(t, ExitFaults, code)
	assert.Contains(t, errs, `no line "curtain"`)
}

func TestCheckLiveSaysWhatIsWrong(t *testing.T) {
	path := daemontest.File(t,
		"127.0.0.1:1", daemontest.Answering(t, "200 OK"), daemontest.Answering(t, "404 Not Found"))
	signals := make(chan os.Signal, 2)
	signals <- os.Interrupt // a user who does not want to wait
	signals <- os.Interrupt // not even for the board
	var o, e outputBuffer
	code := Main([]string{"check", "--live", path}, Streams{In: strings.NewReader(""), Out: &o, Err: &e}, signals)
	assert.Equal(t, ExitNotClosed, code)
	assert.Contains(t, e.String(), "not known closed: box-office (cabinet): ")
	assert.Contains(t, e.String(), "127.0.0.1:1: connect: connection refused", "why")
}

// The exit code of a command that starts the daemon says that contacts may be open, even if the start failed.
func TestExitCodeOfAStartThatLeavesContactsOpen(t *testing.T) {
	var errs strings.Builder
	e := &env{Streams: Streams{Err: &errs}}
	assert.Equal(t, ExitFailed, e.failed(errors.New("no media port is left")))
	assert.Equal(t, ExitNotClosed, e.failed(fmt.Errorf("no media port is left; %w: box-office", daemon.ErrNotClosed)))
	assert.Contains(t, errs.String(), "clearback: no media port is left; not known closed: box-office")
}

// A line that is not registered is reported, even if its adapter answers.
func TestCheckLiveWithoutRegistration(t *testing.T) {
	c := daemontest.Load(t, daemontest.File(t,
		daemontest.Serve(t, &daemontest.Board{}), daemontest.Answering(t, "403 Forbidden"),
		daemontest.Answering(t, "486 Busy Here")))
	d, err := daemon.Start(c, daemonOptions("", zap.NewNop()))
	require.NoError(t, err)
	defer d.Shutdown(t.Context())
	f := look(t.Context(), d.Line("box-office"), time.Hour, &liveOutput{w: io.Discard})
	assert.Contains(t, f.service, "NOT registered")
	assert.Contains(t, f.adapter, "486 from")
	assert.False(t, f.good)
}

// `close` works without a daemon: it closes a coil that a killed daemon left open.
func TestClose(t *testing.T) {
	board := &daemontest.Board{Open: true}
	path := daemontest.File(t, daemontest.Serve(t, board), "192.0.2.1", "192.0.2.2:5060")
	code, out, errs := call("", "close", "--config", path)
	assert.Equal(t, ExitOK, code, errs)
	assert.Contains(t, out, "every contact is closed")
	moves, _ := board.Moves()
	assert.Equal(t, []bool{false}, moves)
}

// A board that does not answer does not delay a daemon that is about to start again.
func TestCloseWithin(t *testing.T) {
	path := daemontest.File(t, "127.0.0.1:1", "192.0.2.1", "192.0.2.2:5060")
	began, late := time.Now(), relaytest.Allowance(t)
	code, _, errs := call("", "close", "--config", path, "--within", "100ms")
	assert.Equal(t, ExitNotClosed, code)
	assert.Contains(t, errs, "not known closed: box-office (cabinet)")
	assert.Less(t, time.Since(began), time.Second+late())
	code, _, errs = call("", "close", "--config", path, "--within", "0s")
	assert.Equal(t, ExitFaults, code)
	assert.Contains(t, errs, "--within 0s: allowed is more than 0")
}

// With a faulty file and an unreadable password, `close` still closes the contact.
func TestCloseWithInvalidFile(t *testing.T) {
	board := &daemontest.Board{Open: true}
	path := daemontest.File(t, daemontest.Serve(t, board), "192.0.2.1", "192.0.2.2:5060")
	text, err := os.ReadFile(path)
	require.NoError(t, err)
	spoilt := strings.NewReplacer("MILLRACE_SERVICE", "NOBODY_SET_THIS", "media: direct", "media: dirct", "country: US",
		"contry: US").Replace(string(text))
	require.NoError(t, os.WriteFile(path, []byte(spoilt), 0o600))
	code, _, errs := call("", "close", "--config", path)
	assert.Equal(t, ExitFaults, code)
	assert.Contains(t, errs, `"dirct" is not known`)
	assert.NotContains(t, errs, "NOBODY_SET_THIS")
	moves, _ := board.Moves()
	assert.Equal(t, []bool{false}, moves)
}

// `check --live --pulse` reports what the loop-current input showed: current, none, and current again.
func TestCheckLivePulseSenses(t *testing.T) {
	board := &daemontest.Board{}
	path := daemontest.File(t,
		daemontest.Serve(t, board), daemontest.Answering(t, "200 OK"), daemontest.Answering(t, "200 OK"))
	text, err := os.ReadFile(path)
	require.NoError(t, err)
	with := strings.Replace(string(text), "coil: 0,", "coil: 0, sense: {input: 3, current_when: on},", 1)
	require.NoError(t, os.WriteFile(path, []byte(with), 0o600))
	code, out, errs := call("yes\n", "check", "--live", "--pulse", "box-office", path)
	assert.Equal(t, ExitOK, code, errs+out)
	assert.Contains(t, out, "reads closed, loop current flows")
	assert.Regexp(t, `sense: loop current flows at \d+ ms, no loop current at \d+ ms, loop current flows at \d+ ms`,
		out)
	assert.Regexp(t, `length: asked for 800 ms; no loop current for \d+ to \d+ ms; the controller confirmed`, out)

	other := strings.Replace(with, "input: 3", "input: 4", 1)
	require.NoError(t, os.WriteFile(path, []byte(other), 0o600))
	code, out, errs = call("no\n", "check", "--live", "--pulse", "box-office", path)
	assert.Equal(t, ExitFailed, code, errs+out)
	assert.Contains(t, out, "the loop-current input is NOT readable")
}

// `check --live --pulse` compares the length of the opening with what was asked for: here the board's timer counts in
// units of 60 ms where the file says 100 ms.
func TestCheckLivePulseOfABoardWithAnotherUnit(t *testing.T) {
	for unit, x := range map[time.Duration]struct {
		code int
		says string
	}{
		60 * time.Millisecond: {ExitFailed, `length: asked for 300 ms; the contact read open for \d+ to \d+ ms, ` +
			`which is TOO SHORT; compare the unit and the limit`},
		100 * time.Millisecond: {ExitOK, `length: asked for 300 ms; the contact read open for \d+ to \d+ ms\n`},
	} {
		board := modbustest.NewBoard(t, modbustest.BoardOptions{OpenOn: true,
			Timers: []modbustest.Timer{{Register: 16, Coil: 0, Unit: unit}}})
		path := daemontest.File(t, board.Address(), daemontest.Answering(t, "200 OK"), daemontest.Answering(t, "200 OK"))
		text, err := os.ReadFile(path)
		require.NoError(t, err)
		timed := strings.Replace(string(text), "accept_open_if_daemon_dies: true}",
			"timed: {register: 16, unit: 100ms, limit: 3s}}\n    policy: {interval: 300ms}", 1)
		require.NoError(t, os.WriteFile(path, []byte(timed), 0o600))
		code, out, errs := call("yes\n", "check", "--live", "--pulse", "box-office", path)
		assert.Equal(t, x.code, code, errs+out)
		assert.Regexp(t, x.says, out)
	}
}

func TestLengthOfAnOpening(t *testing.T) {
	// readings in ms: a minus sign means that the loop was open or no current flowed
	log := func(at ...int) *levelLog {
		l := &levelLog{}
		for _, ms := range at {
			level, when := relay.LevelClosed, time.Unix(0, 0).Add(time.Duration(max(ms, -ms))*time.Millisecond)
			if ms < 0 {
				level = relay.LevelOpen
			}
			l.note(level, when, when.Add(2*time.Millisecond))
		}
		return l
	}
	nothing := log()
	for _, x := range []struct {
		took             int // ms
		contact, current *levelLog
		good             bool
		says             string
	}{
		{801, nothing, nothing, true, "the controller confirmed the close 801 ms after the opening"},
		{0, nothing, nothing, true,
			"not measured, because neither the contact nor a loop-current input showed it; measure it with a meter"},
		{0, log(1, 26), log(-1, -26), true,
			"not measured, because neither the contact nor a loop-current input showed it; measure it with a meter"},
		{0, log(1, 26, -51, -826, 851), nothing, true, "the contact read open for 773 to 827 ms"},
		{0, log(1, 26, -51, -476, 500), nothing, false, "the contact read open for 423 to 476 ms, which is TOO SHORT"},
		{0, log(1, -51, 725, -800, 900), nothing, false, "the contact read open for 0 to 726 ms, which is TOO SHORT"},
		{801, nothing, log(1, -51, -955, 980), false, "no loop current for 902 to 981 ms, which is TOO LONG"},
		{0, log(1, -51, 750), log(1, -51, -901, 902), true,
			"the contact read open for 0 to 751 ms; no loop current for 848 to 903 ms"},
		{0, log(1, -51), nothing, true, "not measured"},
	} {
		words, good := lengthWords(800*time.Millisecond, time.Duration(x.took)*time.Millisecond, x.contact, x.current)
		assert.Equal(t, x.good, good, words)
		assert.Contains(t, words, "asked for 800 ms; "+x.says)
		assert.Equal(t, !x.good, strings.Contains(words, "compare the unit"), words)
	}
}

// sharedPassword is the value of MILLRACE_SERVICE.
const sharedPassword = "lobby-43"

// shownLines receives what look shows. Its buffer is larger than any test needs.
type shownLines chan string

func (s shownLines) Write(p []byte) (int, error) {
	s <- string(p)
	return len(p), nil
}

// adapterDials starts a daemon whose adapter has to register, and looks at its line. It returns a connection from
// the adapter to one of the daemon's sockets, and what look finds and shows.
func adapterDials(t *testing.T, toService bool) (adapter net.Conn, found chan finding, shown shownLines) {
	path := daemontest.File(t, daemontest.Serve(t, &daemontest.Board{}), daemontest.Answering(t, "200 OK"), "192.0.2.2")
	text, err := os.ReadFile(path)
	require.NoError(t, err)
	registers := strings.Replace(string(text), `contact: "sip:box-office@192.0.2.2"`,
		"password: {env: MILLRACE_SERVICE}", 1)
	require.NoError(t, os.WriteFile(path, []byte(registers), 0o600))
	d, err := daemon.Start(daemontest.Load(t, path), daemonOptions("", zap.NewNop()))
	require.NoError(t, err)
	t.Cleanup(func() { d.Shutdown(context.Background()) })
	at := d.AdapterAddr("box-office")
	if toService {
		at = d.ServiceAddr("box-office")
	}
	adapter, err = net.Dial("udp", at.String())
	require.NoError(t, err)
	t.Cleanup(func() { adapter.Close() })
	found, shown = make(chan finding, 1), make(shownLines, 16) // one result, received by the test
	go func() { found <- look(t.Context(), d.Line("box-office"), time.Hour, &liveOutput{w: shown}) }()
	return adapter, found, shown
}

// Whatever an adapter is refused for ends the wait at once, and is shown. A challenge is no refusal.
func TestCheckLiveReportsARefusedAdapter(t *testing.T) {
	for name, c := range map[string]struct {
		user, password, expires string
		toService               bool
		why                     string
	}{
		"wrong password": {user: "box-office", password: "wrong", why: "wrong user or password"},
		"unknown user":   {user: "foyer", password: "wrong", why: "wrong user or password"},
		"too short a time": {user: "box-office", password: sharedPassword, expires: "30",
			why: "Interval Too Brief"},
		"wrong socket":               {user: "box-office", toService: true, why: "REGISTER came to the service's port"},
		"wrong socket, unknown user": {user: "foyer", toService: true, why: "REGISTER came to the service's port"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			adapter, found, shown := adapterDials(t, c.toService)
			if c.toService {
				assert.Contains(t, registerAt(t, adapter, c.user, 1), "405 Method Not Allowed")
			} else {
				registerWith(t, adapter, c.user, c.password, c.expires, 2)
			}
			f := <-found
			assert.False(t, f.good)
			want := fmt.Sprintf("NOT registered: refused, from %s as user %q: %s", adapter.LocalAddr(), c.user, c.why)
			assert.Equal(t, want, f.adapter)
			assert.Contains(t, f.service, "registered until")
			assert.Equal(t, "  box-office: adapter "+want+"\n", <-shown)
			assert.Empty(t, shown)
		})
	}
}

// An adapter that asks for too short a time, and then for the time that it is told (RFC 3261 section 10.2.8),
// registers, even if the check has seen the refusal.
func TestCheckLiveWaitsForACorrectedRegister(t *testing.T) {
	t.Parallel()
	adapter, found, shown := adapterDials(t, false)
	registerWith(t, adapter, "box-office", sharedPassword, "30", 2)
	require.Contains(t, <-shown, "Interval Too Brief")
	require.Contains(t, registerWith(t, adapter, "box-office", sharedPassword, "60", 4), "200 OK")
	b := make([]byte, 4096)
	n, err := adapter.Read(b)
	require.NoError(t, err)
	question := uatest.Parse(string(b[:n]), netip.AddrPort{})
	require.True(t, question.Is("OPTIONS"))
	_, err = adapter.Write([]byte(uatest.Text(question.Response(200, "OK", "adapter"), "")))
	require.NoError(t, err)
	f := <-found
	assert.Contains(t, f.adapter, "200 from")
	assert.True(t, f.good)
}

// registerAt sends a REGISTER (RFC 3261 section 10.2) with more header lines and returns the response.
func registerAt(t *testing.T, adapter net.Conn, user string, cseq int, more ...string) string {
	t.Helper()
	var lines strings.Builder
	for _, line := range more {
		lines.WriteString(line + "\r\n")
	}
	_, err := fmt.Fprintf(adapter,
		"REGISTER sip:clearback SIP/2.0\r\nVia: SIP/2.0/UDP %[1]s;branch=z9hG4bK-%[2]d;rport\r\n"+
			"Max-Forwards: 70\r\nFrom: <sip:%[4]s@clearback>;tag=1\r\nTo: <sip:%[4]s@clearback>\r\nCall-ID: boot-1\r\n"+
			"CSeq: %[2]d REGISTER\r\nContact: <sip:%[4]s@%[1]s>\r\n%[3]sContent-Length: 0\r\n\r\n",
		adapter.LocalAddr(), cseq, lines.String(), user)
	require.NoError(t, err)
	require.NoError(t, adapter.SetReadDeadline(time.Now().Add(10*time.Second)))
	b := make([]byte, 4096)
	n, err := adapter.Read(b)
	require.NoError(t, err)
	return string(b[:n])
}

// registerWith sends a REGISTER, answers the challenge (RFC 2069 section 2.1.2, without qop) and returns the second
// response. The second CSeq number is cseq.
func registerWith(t *testing.T, adapter net.Conn, user, password, expires string, cseq int) string {
	t.Helper()
	challenge := registerAt(t, adapter, user, cseq-1)
	require.Contains(t, challenge, "401 Unauthorized")
	_, nonce, _ := strings.Cut(challenge, `nonce="`)
	nonce, _, _ = strings.Cut(nonce, `"`)
	hash := func(of string) string { return fmt.Sprintf("%x", md5.Sum([]byte(of))) }
	response := hash(hash(user+":clearback:"+password) + ":" + nonce + ":" + hash("REGISTER:sip:clearback"))
	return registerAt(t, adapter, user, cseq, "Expires: "+expires, fmt.Sprintf(
		`Authorization: Digest username=%q, realm="clearback", nonce=%q, uri="sip:clearback", response=%q`, user, nonce,
		response))
}
