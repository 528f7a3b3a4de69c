//go:build linux

package interop

import (
	"fmt"
	"net"
	"slices"
	"strconv"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"

	"clearback/bridge/relay/modbus/modbustest"
)

// board is a relay board that uses libmodbus, with its times on the wall clock.
type board struct {
	*modbustest.LibmodbusBoard
	port int
	zero time.Time // see monotonicZero
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
	b := &board{LibmodbusBoard: modbustest.StartLibmodbusBoard(t, buildBoard, args...), zero: monotonicZero()}
	_, port, err := net.SplitHostPort(b.Address())
	require.NoError(t, err)
	b.port, err = strconv.Atoi(port)
	require.NoError(t, err)
	return b
}

func (b *board) all() (all []boardEvent) {
	for _, e := range b.Events() {
		all = append(all, boardEvent{b.zero.Add(e.At), e.Name, e.Conn, e.Fn, e.Index, e.Value})
	}
	return all
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

// openings returns the times for which the contact was open, by the movements of the coil.
func (b *board) openings(t testing.TB, coil int) []opening {
	t.Helper()
	b.Peer() // answered after all events before it
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
