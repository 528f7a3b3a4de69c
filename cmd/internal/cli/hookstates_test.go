package cli

import (
	"fmt"
	"io"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"clearback/bridge/daemon/daemontest"
	"clearback/bridge/journal"
)

// sensed is a board whose input shows whether loop current flows.
type sensed struct {
	daemontest.Board
	mu   sync.Mutex
	flow bool
}

func (s *sensed) flows() bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.flow
}

func (s *sensed) set(flow bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.flow = flow
}

// seen takes a line with a port and an input through the three states and returns the recorded trust. wrong may change
// what the port or the input shows in one of them.
func seen(t *testing.T, by string, wrong func(state int, p *daemontest.Adapter, s *sensed)) (code int, out string,
	trust journal.Trust) {
	p, board := daemontest.NewAdapter(t), &sensed{}
	board.Flow = board.flows
	path := daemontest.File(t, daemontest.Serve(t, &board.Board), daemontest.Answering(t, "200 OK"), p.Addr())
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
	p.Send(adapterSide, "INVITE", 1, "<sip:555-0151@"+adapterSide+">")
	require.Eventually(t, func() bool { return p.Answered() != "" }, 5*time.Second, 5*time.Millisecond, &e)
	p.Send(adapterSide, "ACK", 1, p.Answered())
	p.Set("486 Busy Here")
	board.set(true)
	wrong(2, p, board)
	enter()
	asked("3 of 3")
	p.Send(adapterSide, "BYE", 2, p.Answered())
	p.Set("486 Busy Here")
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
		code, out, trust := seen(t, "options", func(int, *daemontest.Adapter, *sensed) {})
		assert.Equal(t, ExitOK, code, out)
		assert.True(t, trust.Probe && trust.Sense, out)
		assert.Equal(t, "Millrace 2.1", trust.UserAgent)
		assert.WithinDuration(t, time.Now(), trust.At, time.Minute)
	})
	t.Run("call waiting: 200 always", func(t *testing.T) {
		code, out, trust := seen(t, "options", func(_ int, p *daemontest.Adapter, _ *sensed) { p.Set("200 OK") })
		assert.Equal(t, ExitFailed, code)
		assert.False(t, trust.Probe)
		assert.Contains(t, out, "OPTIONS: 200; expected 486")
		assert.Contains(t, out, "NOT trusted")
	})
	for state := 1; state <= 3; state++ {
		t.Run(fmt.Sprintf("the input is wrong in state %d", state), func(t *testing.T) {
			code, out, trust := seen(t, "sense", func(is int, _ *daemontest.Adapter, s *sensed) {
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
