package cli

import (
	"net"
	"os"
	"regexp"
	"strings"
	"sync"
	"testing"
	"time"

	mb "github.com/simonvetter/modbus"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"go.uber.org/zap"
)

// answeringPeer is a SIP party on loopback that answers every request with one status.
func answeringPeer(t *testing.T, status string) (address string) {
	t.Helper()
	return answering(t, status, -1)
}

// answering answers that many requests and then stops; -1: it answers all.
func answering(t *testing.T, status string, requests int) (address string) {
	t.Helper()
	c, err := net.ListenPacket("udp", "127.0.0.1:0")
	require.NoError(t, err)
	var done sync.WaitGroup
	t.Cleanup(func() { c.Close(); done.Wait() })
	keep := regexp.MustCompile(`(?m)^(Via|From|To|Call-ID|CSeq|Contact): .*\r\n`)
	untagged := regexp.MustCompile(`(?m)^(To: .*)\r\n`)
	done.Go(func() {
		b := make([]byte, 65536)
		for n := 0; ; n++ {
			size, from, err := c.ReadFrom(b)
			if err != nil {
				return
			}
			if n == requests {
				n-- // no answers from here on
				continue
			}
			head := strings.Join(keep.FindAllString(string(b[:size]), -1), "")
			head = untagged.ReplaceAllString(head, "$1;tag=millrace\r\n")
			_, _ = c.WriteTo([]byte("SIP/2.0 "+status+"\r\n"+head+"Expires: 600\r\nContent-Length: 0\r\n\r\n"), from)
		}
	})
	return c.LocalAddr().String()
}

// boardHandler is the server of a simulated relay board. It records every change of its coil.
type boardHandler struct {
	mu    sync.Mutex
	coil  bool
	moves []bool
	at    []time.Time
}

func (c *boardHandler) HandleCoils(r *mb.CoilsRequest) ([]bool, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if r.IsWrite {
		if c.coil != r.Args[0] {
			c.coil, c.moves, c.at = r.Args[0], append(c.moves, r.Args[0]), append(c.at, time.Now())
		}
		return nil, nil
	}
	return []bool{c.coil}, nil
}

// HandleDiscreteInputs reports loop current while the coil is off, because only this coil opens the loop.
func (c *boardHandler) HandleDiscreteInputs(r *mb.DiscreteInputsRequest) ([]bool, error) {
	if r.Addr != 3 || r.Quantity != 1 {
		return nil, mb.ErrIllegalDataAddress
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	return []bool{!c.coil}, nil
}

func (*boardHandler) HandleHoldingRegisters(*mb.HoldingRegistersRequest) ([]uint16, error) {
	return nil, mb.ErrIllegalFunction
}
func (*boardHandler) HandleInputRegisters(*mb.InputRegistersRequest) ([]uint16, error) {
	return nil, mb.ErrIllegalFunction
}

func (c *boardHandler) list() ([]bool, []time.Time) {
	c.mu.Lock()
	defer c.mu.Unlock()
	return append([]bool(nil), c.moves...), append([]time.Time(nil), c.at...)
}

func serve(t *testing.T, c mb.RequestHandler) string {
	t.Helper()
	address := freePort(t) // the library does not report which free port it chose
	s, err := mb.NewServer(&mb.ServerConfiguration{URL: "tcp://" + address, MaxClients: 4}, c)
	require.NoError(t, err)
	require.NoError(t, s.Start())
	t.Cleanup(func() { _ = s.Stop() })
	return address
}

func TestCheckLive(t *testing.T) {
	board := &boardHandler{}
	path := file(t, serve(t, board), answeringPeer(t, "200 OK"), answeringPeer(t, "486 Busy Here"))
	code, out, errs := call("", "check", "--live", path)
	assert.Equal(t, ExitOK, code, errs+out)
	assert.Regexp(t, `box-office +registered until .* +486 from .*off hook.* +reads closed`, out)
	moves, _ := board.list()
	assert.Empty(t, moves)
}

func TestCheckLivePulse(t *testing.T) {
	board := &boardHandler{}
	path := file(t, serve(t, board), answeringPeer(t, "200 OK"), answeringPeer(t, "200 OK"))
	code, out, errs := call("no\n", "check", "--live", "--pulse", "box-office", path)
	assert.Equal(t, ExitOK, code, errs+out)
	assert.Contains(t, out, "not opened")
	moves, _ := board.list()
	assert.Empty(t, moves)

	code, out, errs = call("yes\n", "check", "--live", "--pulse", "box-office", path)
	assert.Equal(t, ExitOK, code, errs+out)
	moves, at := board.list()
	require.Equal(t, []bool{true, false}, moves, out)
	assert.InDelta(t, 800, at[1].Sub(at[0]).Milliseconds(), 100)
	assert.Contains(t, out, "loop-opened")
	assert.Contains(t, out, "contact now: reads closed")

	code, _, errs = call("yes\n", "check", "--live", "--pulse", "curtain", path)
	assert.Equal(t, ExitFaults, code)
	assert.Contains(t, errs, `no line "curtain"`)
}

func TestCheckLiveSaysWhatIsWrong(t *testing.T) {
	path := file(t, "127.0.0.1:1", answeringPeer(t, "200 OK"), answeringPeer(t, "404 Not Found"))
	signals := make(chan os.Signal, 2)
	signals <- os.Interrupt // a user who does not want to wait
	signals <- os.Interrupt // not even for the board
	var o, e outputBuffer
	code := Main([]string{"check", "--live", path}, Streams{In: strings.NewReader(""), Out: &o, Err: &e}, signals)
	assert.Equal(t, ExitNotClosed, code)
	assert.Contains(t, e.String(), "not known closed: box-office (cabinet)")
}

// A line that is not registered is reported, even if its adapter answers.
func TestCheckLiveWithoutRegistration(t *testing.T) {
	c := loaded(t, file(t, serve(t, &boardHandler{}), answeringPeer(t, "403 Forbidden"),
		answeringPeer(t, "486 Busy Here")))
	d, err := StartDaemon(c, zap.NewNop())
	require.NoError(t, err)
	defer d.Shutdown(t.Context())
	f := d.look(t.Context(), &c.Lines[0], 50*time.Millisecond)
	assert.Contains(t, f.service, "NOT registered")
	assert.Contains(t, f.adapter, "486 from")
	assert.False(t, f.good)
}

// `close` works without a daemon: it closes a coil that a killed daemon left open.
func TestClose(t *testing.T) {
	board := &boardHandler{coil: true}
	path := file(t, serve(t, board), "192.0.2.1", "192.0.2.2:5060")
	code, out, errs := call("", "close", "--config", path)
	assert.Equal(t, ExitOK, code, errs)
	assert.Contains(t, out, "every contact is closed")
	moves, _ := board.list()
	assert.Equal(t, []bool{false}, moves)
}

// A board that does not answer does not delay a daemon that is about to start again.
func TestCloseWithin(t *testing.T) {
	path := file(t, "127.0.0.1:1", "192.0.2.1", "192.0.2.2:5060")
	began := time.Now()
	code, _, errs := call("", "close", "--config", path, "--within", "100ms")
	assert.Equal(t, ExitNotClosed, code)
	assert.Contains(t, errs, "not known closed: box-office (cabinet)")
	assert.Less(t, time.Since(began), time.Second)
	code, _, errs = call("", "close", "--config", path, "--within", "0s")
	assert.Equal(t, ExitFaults, code)
	assert.Contains(t, errs, "--within 0s: allowed is more than 0")
}

// With a faulty file and an unreadable password, `close` still closes the contact.
func TestCloseWithInvalidFile(t *testing.T) {
	board := &boardHandler{coil: true}
	path := file(t, serve(t, board), "192.0.2.1", "192.0.2.2:5060")
	text, err := os.ReadFile(path)
	require.NoError(t, err)
	spoilt := strings.NewReplacer("MILLRACE_SERVICE", "NOBODY_SET_THIS", "media: direct", "media: dirct", "country: US",
		"contry: US").Replace(string(text))
	require.NoError(t, os.WriteFile(path, []byte(spoilt), 0o600))
	code, _, errs := call("", "close", "--config", path)
	assert.Equal(t, ExitFaults, code)
	assert.Contains(t, errs, `"dirct" is not known`)
	assert.NotContains(t, errs, "NOBODY_SET_THIS")
	moves, _ := board.list()
	assert.Equal(t, []bool{false}, moves)
}

// `check --live --pulse` reports what the loop-current input showed: current, none, and current again.
func TestCheckLivePulseSenses(t *testing.T) {
	board := &boardHandler{}
	path := file(t, serve(t, board), answeringPeer(t, "200 OK"), answeringPeer(t, "200 OK"))
	text, err := os.ReadFile(path)
	require.NoError(t, err)
	with := strings.Replace(string(text), "coil: 0,", "coil: 0, sense: {input: 3, current_when: on},", 1)
	require.NoError(t, os.WriteFile(path, []byte(with), 0o600))
	code, out, errs := call("yes\n", "check", "--live", "--pulse", "box-office", path)
	assert.Equal(t, ExitOK, code, errs+out)
	assert.Contains(t, out, "reads closed, loop current flows")
	assert.Regexp(t, `sense: loop current flows at \d+ ms, no loop current at \d+ ms, loop current flows at \d+ ms`,
		out)

	other := strings.Replace(with, "input: 3", "input: 4", 1)
	require.NoError(t, os.WriteFile(path, []byte(other), 0o600))
	code, out, errs = call("no\n", "check", "--live", "--pulse", "box-office", path)
	assert.Equal(t, ExitFailed, code, errs+out)
	assert.Contains(t, out, "the loop-current input is NOT readable")
}
