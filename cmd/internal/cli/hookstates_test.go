package cli

import (
	"fmt"
	"io"
	"net"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"testing"
	"time"

	mb "github.com/simonvetter/modbus"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"clearback/bridge/journal"
)

// port is an adapter on loopback. It answers OPTIONS by its hook state (RFC 3261 section 11.2) and every other request
// with 200, and it can make a call.
type port struct {
	t    *testing.T
	conn net.PacketConn

	mu     sync.Mutex
	code   string // the answer to OPTIONS
	remote string // the To of the 200 that answers its call
	done   sync.WaitGroup
}

func newPort(t *testing.T) *port {
	c, err := net.ListenPacket("udp", "127.0.0.1:0")
	require.NoError(t, err)
	p := &port{t: t, conn: c, code: "200 OK"}
	p.done.Go(p.run)
	t.Cleanup(func() { c.Close(); p.done.Wait() })
	return p
}

func (p *port) run() {
	keep := regexp.MustCompile(`(?m)^(Via|From|To|Call-ID|CSeq): .*\r\n`)
	to := regexp.MustCompile(`(?m)^To: (.*)\r\n`)
	b := make([]byte, 65536)
	for {
		size, from, err := p.conn.ReadFrom(b)
		if err != nil {
			return
		}
		text := string(b[:size])
		p.mu.Lock()
		code := p.code
		if strings.HasPrefix(text, "SIP/2.0 200") && strings.Contains(text, "INVITE") {
			p.remote = to.FindStringSubmatch(text)[1]
		}
		p.mu.Unlock()
		if strings.HasPrefix(text, "SIP/2.0") || strings.HasPrefix(text, "ACK") {
			continue
		}
		if !strings.HasPrefix(text, "OPTIONS") {
			code = "200 OK"
		}
		_, _ = p.conn.WriteTo([]byte("SIP/2.0 "+code+"\r\n"+strings.Join(keep.FindAllString(text, -1), "")+
			"Server: Millrace 2.1\r\nContent-Length: 0\r\n\r\n"), from)
	}
}

func (p *port) send(to, method string, seq int, remote string) {
	at, err := net.ResolveUDPAddr("udp", to)
	require.NoError(p.t, err)
	_, err = p.conn.WriteTo(fmt.Appendf(nil,
		"%s sip:555-0151@%s SIP/2.0\r\nVia: SIP/2.0/UDP %s;branch=z9hG4bKmillrace%d%s\r\nMax-Forwards: 70\r\n"+
			"From: <sip:box-office@%s>;tag=port\r\nTo: %s\r\nCall-ID: matinee\r\nCSeq: %d %s\r\nContact: <sip:box-office@%s>\r\nContent-Length: 0\r\n\r\n",
		method, to, p.conn.LocalAddr(), seq, method, to, remote, seq, method, p.conn.LocalAddr()), at)
	require.NoError(p.t, err)
}

func (p *port) set(code string) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.code = code
}

func (p *port) answered() string {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.remote
}

// sensed is a board whose input shows whether loop current flows.
type sensed struct {
	boardHandler
	mu   sync.Mutex
	flow bool
}

func (s *sensed) HandleDiscreteInputs(*mb.DiscreteInputsRequest) ([]bool, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return []bool{s.flow}, nil
}

func (s *sensed) set(flow bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.flow = flow
}

// seen takes a line with a port and an input through the three states and returns the recorded trust. wrong may change
// what the port or the input shows in one of them.
func seen(t *testing.T, by string, wrong func(state int, p *port, s *sensed)) (code int, out string,
	trust journal.Trust) {
	p, board := newPort(t), &sensed{}
	path := file(t, serve(t, board), answeringPeer(t, "200 OK"), p.conn.LocalAddr().String())
	recorded(t, path)
	text, err := os.ReadFile(path)
	require.NoError(t, err)
	text = []byte(strings.Replace(string(text), "accept_open_if_daemon_dies: true}",
		"accept_open_if_daemon_dies: true, sense: {input: 3}}\n    verify: {by: "+by+"}", 1))
	require.NoError(t, os.WriteFile(path, text, 0o600))
	adapterSide := regexp.MustCompile(`adapter_side: \{listen: "([^"]+)"`).FindStringSubmatch(string(text))[1]

	in, keys, err := os.Pipe() // holds what is typed too early
	require.NoError(t, err)
	defer in.Close()
	defer keys.Close()
	var o, e outputBuffer
	ended := make(chan int, 1)
	go func() {
		ended <- Main([]string{"check", "--live", "--states", "box-office", path}, Streams{In: in, Out: &o, Err: &e},
			make(chan os.Signal))
	}()
	asked := func(what string) {
		t.Helper()
		require.Eventually(t, func() bool { return strings.Contains(o.String(), what) }, 10*time.Second,
			5*time.Millisecond, "%s\n%s", &o, &e)
	}
	enter := func() {
		_, err := io.WriteString(keys, "\n")
		require.NoError(t, err)
	}
	asked("1 of 3")
	wrong(1, p, board)
	enter()
	asked("2 of 3")
	enter()
	asked("No answered call is up")
	p.send(adapterSide, "INVITE", 1, "<sip:555-0151@"+adapterSide+">")
	require.Eventually(t, func() bool { return p.answered() != "" }, 5*time.Second, 5*time.Millisecond, &e)
	p.send(adapterSide, "ACK", 1, p.answered())
	p.set("486 Busy Here")
	board.set(true)
	wrong(2, p, board)
	enter()
	asked("3 of 3")
	p.send(adapterSide, "BYE", 2, p.answered())
	p.set("486 Busy Here")
	board.set(true)
	wrong(3, p, board)
	// Until the daemon has processed the BYE, it says so and asks again.
	require.Eventually(t, func() bool {
		enter()
		return strings.Contains(o.String(), "trust")
	}, 10*time.Second, 20*time.Millisecond)
	code = <-ended
	j := journal.Open(journal.Options{Path: filepath.Join(filepath.Dir(path), "journal.db"), Version: "v1.0.0"})
	defer j.Close()
	return code, o.String(), j.SavedLine("box-office").Trust
}

// An answer is trusted only if it was right in all three states.
func TestThreeStates(t *testing.T) {
	t.Run("all right", func(t *testing.T) {
		code, out, trust := seen(t, "options", func(int, *port, *sensed) {})
		assert.Equal(t, ExitOK, code, out)
		assert.True(t, trust.Probe && trust.Sense, out)
		assert.Equal(t, "Millrace 2.1", trust.UserAgent)
		assert.WithinDuration(t, time.Now(), trust.At, time.Minute)
	})
	t.Run("call waiting: 200 always", func(t *testing.T) {
		code, out, trust := seen(t, "options", func(_ int, p *port, _ *sensed) { p.set("200 OK") })
		assert.Equal(t, ExitFailed, code)
		assert.False(t, trust.Probe)
		assert.Contains(t, out, "OPTIONS: 200; expected 486")
		assert.Contains(t, out, "NOT trusted")
	})
	for state := 1; state <= 3; state++ {
		t.Run(fmt.Sprintf("the input is wrong in state %d", state), func(t *testing.T) {
			code, out, trust := seen(t, "sense", func(is int, _ *port, s *sensed) {
				if is == state {
					s.set(state == 1)
				} else {
					s.set(is != 1)
				}
			})
			assert.Equal(t, ExitFailed, code, out)
			assert.False(t, trust.Sense)
			assert.True(t, trust.Probe)
		})
	}
}
