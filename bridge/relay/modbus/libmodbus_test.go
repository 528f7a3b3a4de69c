package modbus

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"clearback/bridge/programtest"
	"clearback/bridge/relay/relaytest"

	"github.com/stretchr/testify/require"
)

// libmodbusBoard is testdata/board.c, whose framing and register model are libmodbus's and not our own. A coil that is
// on means that the loop is open.
type libmodbusBoard struct {
	address string
	stdin   io.WriteCloser
	telling sync.Mutex // one command at a time, so that each gets its own event

	mu     sync.Mutex
	events []boardEvent
	more   chan struct{} // closed and replaced at every event
}

type boardEvent struct {
	at                     time.Duration // CLOCK_MONOTONIC
	name                   string
	conn, fn, index, value int
}

// buildDir is the directory in which the board is built. TestMain removes it. It is empty if it could not be made.
var buildDir, errBuildDir = os.MkdirTemp("", "clearback-board")

var buildBoard = sync.OnceValues(func() (string, error) {
	bin := filepath.Join(buildDir, "board")
	out, err := exec.Command("sh", "-c", `cc -O2 -o "$1" testdata/board.c $(pkg-config --cflags --libs libmodbus)`,
		"sh", bin).CombinedOutput()
	if err = errors.Join(errBuildDir, err); err != nil {
		return "", fmt.Errorf("%w: %s", err, out)
	}
	return bin, nil
})

func newLibmodbusBoard(t *testing.T, args ...string) *libmodbusBoard {
	t.Helper()
	bin, err := buildBoard()
	if err != nil {
		t.Log(err)
		programtest.Missing(t, "libmodbus, or a C compiler for it,", "gcc libc6-dev pkg-config libmodbus-dev")
	}
	place := []string{"127.0.0.1", "0"}
	// This option comes last, with its device and speed.
	if i := slices.IndexFunc(args, func(s string) bool { return s == "--rtu" || s == "--pty" }); i >= 0 {
		args, place = args[:i], args[i:]
	}
	cmd := exec.Command(bin, slices.Concat(args, []string{"--stdin"}, place)...)
	cmd.Stderr = os.Stderr
	b := &libmodbusBoard{more: make(chan struct{})}
	b.stdin, err = cmd.StdinPipe()
	require.NoError(t, err)
	out, err := cmd.StdoutPipe()
	require.NoError(t, err)
	require.NoError(t, cmd.Start())
	var reading sync.WaitGroup
	reading.Go(func() { b.read(out) })
	t.Cleanup(func() {
		b.stdin.Close() // the board ends when its input ends
		reading.Wait()
		cmd.Wait()
	})
	b.address = fmt.Sprintf("127.0.0.1:%d", b.await(t, "listen", 0).value)
	return b
}

func (b *libmodbusBoard) read(out io.Reader) {
	lines := bufio.NewScanner(out)
	for lines.Scan() {
		f := strings.Split(lines.Text(), ",")
		if len(f) != 7 || f[0] == "t_us" {
			continue
		}
		n := func(i int) int { v, _ := strconv.Atoi(f[i]); return v }
		b.mu.Lock()
		b.events = append(b.events, boardEvent{time.Duration(n(0)) * time.Microsecond, f[1], n(2), n(4), n(5), n(6)})
		close(b.more)
		b.more = make(chan struct{})
		b.mu.Unlock()
	}
}

// await returns the first event of the given name at or after position from.
func (b *libmodbusBoard) await(t testing.TB, name string, from int) boardEvent {
	t.Helper()
	limit := time.NewTimer(5 * time.Second)
	defer limit.Stop()
	for {
		b.mu.Lock()
		i := slices.IndexFunc(b.events[from:], func(e boardEvent) bool { return e.name == name })
		more := b.more
		b.mu.Unlock()
		if i >= 0 {
			return b.all()[from+i]
		}
		select {
		case <-more:
		case <-limit.C:
			t.Errorf("the board reported no %q", name)
			return boardEvent{}
		}
	}
}

func (b *libmodbusBoard) all() []boardEvent {
	b.mu.Lock()
	defer b.mu.Unlock()
	return slices.Clone(b.events)
}

// tell sends a command and waits for the event that confirms it.
func (b *libmodbusBoard) tell(event, format string, a ...any) {
	b.telling.Lock()
	defer b.telling.Unlock()
	from := len(b.all())
	fmt.Fprintf(b.stdin, format+"\n", a...)
	if event != "" {
		b.await(failer{}, event, from)
	}
}

// failer turns a failed command into a panic, since the methods of a Controller have no test that they could fail.
type failer struct{ testing.TB }

func (failer) Helper() {}

func (failer) Errorf(format string, a ...any) { panic(fmt.Sprintf(format, a...)) }

func (b *libmodbusBoard) Inject(f relaytest.Fault) {
	what := map[relaytest.Do]string{relaytest.Refuse: "exception", relaytest.Ignore: "silent", relaytest.Mute: "mute",
		relaytest.Hangup:    "drop",
		relaytest.ActHangup: "actdrop", relaytest.Delay: "delay", relaytest.StallRequest: "hold"}[f.Do]
	arg, nth := 6, 0
	if f.Do == relaytest.Delay {
		arg = int(f.Delay.Milliseconds())
	}
	if f.Once {
		nth = 1
	}
	when := map[relaytest.On]string{relaytest.Any: "any", relaytest.Opening: "opening", relaytest.Closing: "off"}[f.On]
	b.tell("fault", "fault %s %s %d %d", what, when, nth, arg)
}

// peer makes a request without effect, for a subject's Peer.
func (b *libmodbusBoard) peer() { b.tell("here", "here") }

func (b *libmodbusBoard) Clear()   { b.tell("clear", "clear") }
func (b *libmodbusBoard) Cut()     { b.tell("cut", "cut") }
func (b *libmodbusBoard) Restore() { b.tell("restore", "restore") }

// Stalled returns the number of held requests, at most one, since the board serves no other meanwhile.
func (b *libmodbusBoard) Stalled() (n int) {
	b.tell("here", "here")
	for _, e := range b.all() {
		switch e.name {
		case "hold":
			n++
		case "release":
			n--
		}
	}
	return n
}

func (b *libmodbusBoard) Release() { b.tell("release", "release") }

func (b *libmodbusBoard) Move(line int, open bool) {
	level := 0
	if open {
		level = 1
	}
	b.tell("", "coil %d %d", line, level)
}

func (b *libmodbusBoard) Changes(line int) []relaytest.Change {
	// A command without effect is answered after all events before it.
	b.tell("here", "here")
	var all []relaytest.Change
	for _, e := range b.all() {
		if e.name == "coil" && e.index == line {
			all = append(all, relaytest.Change{At: e.at, Open: e.value == 1})
		}
	}
	return all
}

func TestSuiteLibmodbusBoard(t *testing.T) {
	t.Parallel()
	run := func(name string, change func(*ContactOptions), args ...string) {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			defer suiteTurn()()
			relaytest.Run(t, func(t *testing.T, s relaytest.Setup) *relaytest.Subject {
				own := slices.Clone(args)
				if s.Open {
					own = append(own, "--power-on")
				}
				b := newLibmodbusBoard(t, own...)
				return subject(t, b, b.address, s, change)
			})
		})
	}
	run("coil", nil)
	run("timed", func(o *ContactOptions) {
		o.Timed = &Timed{Register: 10 + o.Coil, Unit: 20 * time.Millisecond, Limit: 3 * time.Second}
	}, "--timed", "10,0,20", "--timed", "11,1,20")
	run("pulse", pulsed, "--pulse", "10,0,20,150", "--pulse", "12,1,20,150")
	dog := relaytest.Timeout(300 * time.Millisecond) // one time for both contacts
	run("watchdog", func(o *ContactOptions) {
		o.Watchdog = &Watchdog{Register: 7, Unit: 10 * time.Millisecond, Timeout: dog}
	}, "--watchdog", "7,10")
}

// pulsed gives a contact a sequence number, as the C board has it with --pulse 10,0,20,150 --pulse 12,1,20,150.
func pulsed(o *ContactOptions) {
	o.Timed = &Timed{Register: 10 + 2*o.Coil, Sequence: true, Unit: 20 * time.Millisecond, Limit: 3 * time.Second}
}
