package modbustest

import (
	_ "embed" // board.c
	"fmt"
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
)

// LibmodbusBoard is testdata/board.c, whose framing and register model are libmodbus's and not our own. A coil that is
// on means that the loop is open.
type LibmodbusBoard struct {
	process *programtest.Process
	address string
	telling sync.Mutex // one command at a time, so that each gets its own event

	mu     sync.Mutex
	parsed int // octets of the report that events has
	events []BoardEvent
}

// BoardEvent is a line of the board's report.
type BoardEvent struct {
	At                     time.Duration // CLOCK_MONOTONIC
	Name                   string
	Conn, Fn, Index, Value int
}

//go:embed testdata/board.c
var boardSource string

// BuildLibmodbusBoard compiles the board in a folder and returns the program's path.
func BuildLibmodbusBoard(dir string) (string, error) {
	bin, source := filepath.Join(dir, "board"), filepath.Join(dir, "board.c")
	if err := os.WriteFile(source, []byte(boardSource), 0o600); err != nil {
		return "", err
	}
	out, err := exec.Command("sh", "-c", `cc -O2 -o "$1" "$2" $(pkg-config --cflags --libs libmodbus)`, "sh", bin,
		source).CombinedOutput()
	if err != nil {
		return "", fmt.Errorf("%w: %s", err, out)
	}
	return bin, nil
}

// StartLibmodbusBoard starts a board that ends with the test. build returns its program. Where libmodbus is missing,
// the test is skipped as package programtest says. The head of board.c lists the arguments. Without --rtu or --pty, the
// board serves TCP.
func StartLibmodbusBoard(t testing.TB, build func() (string, error), args ...string) *LibmodbusBoard {
	t.Helper()
	bin, err := build()
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
	b := &LibmodbusBoard{process: programtest.StartWithInput(t, cmd)}
	b.address = fmt.Sprintf("127.0.0.1:%d", b.Await(t, "listen", 0).Value)
	return b
}

// Address returns host:port.
func (b *LibmodbusBoard) Address() string { return b.address }

// Events returns what the board has reported so far.
func (b *LibmodbusBoard) Events() []BoardEvent {
	b.mu.Lock()
	defer b.mu.Unlock()
	for line := range strings.Lines(b.process.Output()[b.parsed:]) {
		if !strings.HasSuffix(line, "\n") {
			break
		}
		b.parsed += len(line)
		f := strings.Split(strings.TrimSpace(line), ",")
		if len(f) != 7 || f[0] == "t_us" {
			continue
		}
		n := func(i int) int { v, _ := strconv.Atoi(f[i]); return v }
		b.events = append(b.events, BoardEvent{time.Duration(n(0)) * time.Microsecond, f[1], n(2), n(4), n(5), n(6)})
	}
	return slices.Clone(b.events)
}

// Await returns the first event of the given name at or after position from. The test fails after 30 s.
func (b *LibmodbusBoard) Await(t testing.TB, name string, from int) (e BoardEvent) {
	t.Helper()
	b.process.AwaitOutput(t, name, 30*time.Second, func(string) bool {
		all := b.Events()[from:]
		i := slices.IndexFunc(all, func(e BoardEvent) bool { return e.Name == name })
		if i >= 0 {
			e = all[i]
		}
		return i >= 0
	})
	return e
}

// Tell sends a command and waits for the event that confirms it. If event is empty, the command has none.
func (b *LibmodbusBoard) Tell(event, format string, a ...any) {
	b.telling.Lock()
	defer b.telling.Unlock()
	from := len(b.Events())
	fmt.Fprintf(b.process.Input, format+"\n", a...)
	if event != "" {
		b.Await(failer{}, event, from)
	}
}

// failer turns a failed command into a panic, since the methods of a Controller have no test that they could fail.
type failer struct{ testing.TB }

func (failer) Helper() {}

func (failer) Fatalf(format string, a ...any) { panic(fmt.Sprintf(format, a...)) }

// Inject adds a fault.
func (b *LibmodbusBoard) Inject(f relaytest.Fault) {
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
	b.Tell("fault", "fault %s %s %d %d", what, when, nth, arg)
}

// Peer makes a request without effect, for a subject's Peer. It is answered after all events before it.
func (b *LibmodbusBoard) Peer() { b.Tell("here", "here") }

// Kill ends the board at once.
func (b *LibmodbusBoard) Kill() { b.process.Kill() }

// Clear ends all faults.
func (b *LibmodbusBoard) Clear() { b.Tell("clear", "clear") }

// Cut ends all connections and refuses new ones until Restore.
func (b *LibmodbusBoard) Cut() { b.Tell("cut", "cut") }

// Restore allows connections again.
func (b *LibmodbusBoard) Restore() { b.Tell("restore", "restore") }

// Stalled returns the number of held requests, at most one, since the board serves no other meanwhile.
func (b *LibmodbusBoard) Stalled() (n int) {
	b.Peer()
	for _, e := range b.Events() {
		switch e.Name {
		case "hold":
			n++
		case "release":
			n--
		}
	}
	return n
}

// Release releases the held request.
func (b *LibmodbusBoard) Release() { b.Tell("release", "release") }

// Move opens or closes a loop by hand.
func (b *LibmodbusBoard) Move(line int, open bool) {
	level := 0
	if open {
		level = 1
	}
	b.Tell("", "coil %d %d", line, level)
}

// Changes returns the movements of a loop since the board was started.
func (b *LibmodbusBoard) Changes(line int) []relaytest.Change {
	b.Peer()
	var all []relaytest.Change
	for _, e := range b.Events() {
		if e.Name == "coil" && e.Index == line {
			all = append(all, relaytest.Change{At: e.At, Open: e.Value == 1})
		}
	}
	return all
}
