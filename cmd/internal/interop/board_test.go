//go:build linux

package interop

import (
	"bufio"
	"fmt"
	"io"
	"os"
	"os/exec"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"

	"clearback/bridge/programtest"
)

// board is the relay board of the Modbus driver's tests, a program that uses libmodbus. Here, coil on means open.
type board struct {
	port  int
	cmd   *exec.Cmd
	stdin io.WriteCloser

	mu     sync.Mutex
	events []boardEvent
}

// boardEvent is a line of the board's report, with its time converted to the wall clock.
type boardEvent struct {
	at                     time.Time
	name                   string
	conn, fn, index, value int
}

// opening is one time for which a contact was open. end is zero as long as it is open.
type opening struct{ begin, end time.Time }

func (o opening) length() time.Duration { return o.end.Sub(o.begin) }

// monotonicZero returns the wall time at which CLOCK_MONOTONIC was zero. It takes the median of several readings,
// because a reading may be interrupted.
func monotonicZero() time.Time {
	looks := make([]time.Time, 0, 9)
	for range cap(looks) {
		var ts unix.Timespec
		if err := unix.ClockGettime(unix.CLOCK_MONOTONIC, &ts); err != nil {
			panic(err)
		}
		looks = append(looks, time.Now().Round(0).Add(-time.Duration(ts.Nano())))
	}
	slices.SortFunc(looks, time.Time.Compare)
	return looks[len(looks)/2]
}

func newBoard(t testing.TB, args ...string) *board {
	t.Helper()
	return startBoard(t, append(args, "--stdin", "127.0.0.1", "0")...)
}

func startBoard(t testing.TB, args ...string) *board {
	t.Helper()
	bin, err := buildBoard()
	if err != nil {
		t.Log(err)
		programtest.Missing(t, "libmodbus, or a C compiler for it,", "gcc libc6-dev pkg-config libmodbus-dev")
	}
	cmd := exec.Command(bin, args...)
	cmd.Stderr = os.Stderr
	b := &board{cmd: cmd}
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
		_ = cmd.Wait()
	})
	b.port = b.await(t, "the board listens", func(e boardEvent) bool { return e.name == "listen" }).value
	return b
}

func (b *board) read(out io.Reader) {
	zero := monotonicZero()
	for lines := bufio.NewScanner(out); lines.Scan(); {
		f := strings.Split(lines.Text(), ",")
		if len(f) != 7 || f[0] == "t_us" {
			continue
		}
		n := func(i int) int { v, _ := strconv.Atoi(f[i]); return v }
		e := boardEvent{zero.Add(time.Duration(n(0)) * time.Microsecond), f[1], n(2), n(4), n(5), n(6)}
		b.mu.Lock()
		b.events = append(b.events, e)
		b.mu.Unlock()
	}
}

func (b *board) all() []boardEvent {
	b.mu.Lock()
	defer b.mu.Unlock()
	return slices.Clone(b.events)
}

// await returns the first event that matches.
func (b *board) await(t testing.TB, what string, fits func(boardEvent) bool) boardEvent {
	t.Helper()
	return b.awaitFrom(t, 0, what, fits)
}

func (b *board) awaitFrom(t testing.TB, from int, what string, fits func(boardEvent) bool) boardEvent {
	t.Helper()
	var found boardEvent
	eventually(t, 10*time.Second, what, func() bool {
		all := b.all()
		if i := slices.IndexFunc(all[min(from, len(all)):], fits); i >= 0 {
			found = all[from+i]
			return true
		}
		return false
	})
	return found
}

func (b *board) awaitCoil(t testing.TB, coil, value int) boardEvent {
	t.Helper()
	return b.await(t, fmt.Sprintf("coil %d moves to %d", coil, value), func(e boardEvent) bool {
		return e.name == "coil" && e.index == coil && e.value == value
	})
}

// settle returns once everything that the board was asked before has been reported.
func (b *board) settle(t testing.TB) {
	t.Helper()
	from := len(b.all())
	_, err := io.WriteString(b.stdin, "here\n")
	require.NoError(t, err)
	b.awaitFrom(t, from, "the board answers", func(e boardEvent) bool { return e.name == "here" })
}

// openings returns the times for which the contact was open, by the movements of the coil.
func (b *board) openings(t testing.TB, coil int) []opening {
	t.Helper()
	b.settle(t)
	var all []opening
	for _, e := range b.all() {
		if e.name != "coil" || e.index != coil {
			continue
		}
		if e.value == 1 {
			all = append(all, opening{begin: e.at})
		} else if n := len(all); n > 0 {
			all[n-1].end = e.at
		}
	}
	return all
}

// once returns the opening of a contact that opened exactly once. The opening must have ended.
func (b *board) once(t testing.TB, coil int) opening {
	t.Helper()
	b.awaitCoil(t, coil, 0)
	all := b.openings(t, coil)
	require.Len(t, all, 1, "openings of coil %d", coil)
	require.False(t, all[0].end.IsZero(), "coil %d is still open", coil)
	return all[0]
}
