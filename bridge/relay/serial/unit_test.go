package serial

import (
	"context"
	"errors"
	"testing"
	"time"

	"clearback/bridge/relay"
	"clearback/bridge/relay/controller"
	"clearback/bridge/relay/relaytest"

	"github.com/stretchr/testify/require"
)

func TestOptions(t *testing.T) {
	for _, c := range []struct {
		board   Options
		contact ContactOptions
		want    string
	}{
		{Options{}, ContactOptions{},
			`controller c: device: "" is not the path of a serial port; write one such as /dev/ttyS1`},
		{Options{Device: "ttyS1"}, ContactOptions{},
			`controller c: device: "ttyS1" is not the path of a serial port; write one such as /dev/ttyS1`},
		{Options{Device: "/dev/ttyX0", Timeout: time.Minute}, ContactOptions{},
			"controller c: timeout: 1m0s is out of range; allowed: 20ms to 10s"},
		{Options{Device: "/dev/ttyX0", Poll: 1}, ContactOptions{}, "controller c: poll: 1ns is out of range; allowed: 10ms or more"},
		{Options{Device: "/dev/ttyX0"}, ContactOptions{Line: 2}, "line box-office: line: 2 is not known; allowed: rts, dtr"},
		{Options{Device: "/dev/ttyX0"}, ContactOptions{Sense: &Sense{Input: 4}},
			"line box-office: sense.line: 4 is not known; allowed: cts, dsr, dcd, ri"},
	} {
		c.board.Name, c.contact.Name, c.board.NoLock = "c", "box-office", true
		b, err := NewBoard(c.board)
		if err == nil {
			_, err = b.Contact(c.contact)
		}
		require.ErrorIs(t, err, ErrOptions)
		require.EqualError(t, err, "serial: setting out of range: "+c.want)
	}
}

// A port drives only one contact, whichever line asks for it.
func TestOneContact(t *testing.T) {
	device := relaytest.ProcessName("/dev/tty-" + t.Name())
	b, err := NewBoard(Options{Name: "c", Device: device})
	require.NoError(t, err)
	defer b.Shutdown(context.Background())
	c, err := b.Contact(ContactOptions{Name: "box-office"})
	require.NoError(t, err)
	require.Equal(t, relay.KindNone, c.Kind())
	_, err = b.Contact(ContactOptions{Name: "stage-door", Line: DTR})
	require.ErrorIs(t, err, relay.ErrLocked)
	require.ErrorContains(t, err, "opening a port moves both its lines")
	other, err := NewBoard(Options{Name: "d", Device: device})
	require.NoError(t, err)
	_, err = other.Contact(ContactOptions{Name: "box-office"})
	require.ErrorIs(t, err, relay.ErrLocked)
}

// newTestPort returns a port in memory that counts how often it was opened.
func newTestPort(o ContactOptions, m port) (*sharedPort, *int) {
	opened := new(int)
	return &sharedPort{device: "/dev/ttyX0", opt: o, timeout: 5 * time.Second,
		open: func(string, bool) (port, lines, error) {
			*opened++
			l, err := m.Get()
			return m, l, err
		}}, opened
}

func pass() error { return nil }

// A port is opened once for all sessions, since opening it moves its lines. A port that has gone is reopened.
func TestPortStaysOpenBetweenSessions(t *testing.T) {
	m := &faultyPort{&memoryPort{out: [2]bool{true, true}}, newFaultyPorts(), 0}
	m.ports.ports[0].outputs = func() [2]bool { return [2]bool{} }
	h, opened := newTestPort(ContactOptions{OpenOn: true}, m)
	require.NoError(t, h.connect(t.Context()))
	require.NoError(t, h.connect(t.Context()))
	require.Equal(t, 1, *opened)
	require.True(t, h.wasRaised())
	l, err := m.port.Get()
	require.NoError(t, err)
	require.Equal(t, [2]bool{}, l.out)
	m.ports.Cut()
	require.ErrorIs(t, h.connect(t.Context()), errUnplugged)
	m.ports.Restore()
	require.NoError(t, h.connect(t.Context()))
	require.Equal(t, 3, *opened)
	require.False(t, h.wasRaised())
	h.release()
	require.ErrorContains(t, h.connect(t.Context()), "took too long")
}

// openNew sets both lines in one call. The line that does not drive the contact is off.
func TestClosedLevels(t *testing.T) {
	for o, want := range map[ContactOptions][2]bool{
		{Line: RTS, OpenOn: true}: {false, false}, {Line: DTR, OpenOn: true}: {false, false},
		{Line: RTS}: {true, false}, {Line: DTR}: {false, true},
	} {
		m := &memoryPort{out: [2]bool{true, true}}
		h, _ := newTestPort(o, m)
		require.NoError(t, h.connect(t.Context()))
		require.Equal(t, want, m.out)
	}
}

// TestLevels checks each input in both polarities, and each output.
func TestLevels(t *testing.T) {
	for input := CTS; input <= RI; input++ {
		for _, on := range []bool{false, true} {
			m := &memoryPort{}
			m.in[input] = true
			h, _ := newTestPort(ContactOptions{OpenOn: true, Sense: &Sense{Input: input, CurrentOn: on}}, m)
			require.NoError(t, h.connect(t.Context()))
			level, err := h.now().Do(t.Context(), controller.Request{Op: controller.Sense}, pass)
			require.NoError(t, err)
			require.Equal(t, on, level == relay.LevelClosed)
			for _, op := range []controller.Op{controller.Open, controller.Close} {
				_, err = h.now().Do(t.Context(), controller.Request{Op: op}, pass)
				require.NoError(t, err)
				level, err = h.now().Do(t.Context(), controller.Request{Op: controller.Read}, pass)
				require.NoError(t, err)
				require.Equal(t, op == controller.Open, level == relay.LevelOpen)
				require.Equal(t, op == controller.Open, m.out[RTS])
			}
		}
	}
}

// hangingPort is a port whose Set hangs.
type hangingPort struct {
	memoryPort
	free chan struct{}
}

func (s *hangingPort) Set(Line, bool) error { <-s.free; return nil }

// Calls that do not return are abandoned, and their number is bounded. When one of them returns, the contact is closed
// again.
func TestCallsThatHang(t *testing.T) {
	m := &hangingPort{free: make(chan struct{})}
	h, _ := newTestPort(ContactOptions{OpenOn: true}, m)
	for range maxAbandoned {
		require.NoError(t, h.connect(t.Context()))
		ctx, cancel := context.WithTimeout(t.Context(), time.Millisecond)
		_, err := h.now().Do(ctx, controller.Request{Op: controller.Open}, pass)
		require.ErrorContains(t, err, "a kernel call on /dev/ttyX0 does not return")
		require.ErrorIs(t, err, context.DeadlineExceeded)
		cancel()
	}
	require.ErrorContains(t, h.connect(t.Context()), "4 kernel calls on /dev/ttyX0 have not returned")
	h.abandoned-- // as if there were one fewer
	require.NoError(t, h.connect(t.Context()))
	h.abandoned++
	require.True(t, h.now().mayStillOpen(), "no close counts while an opening from before is in the kernel")
	gone := h.now().Gone()
	close(m.free)
	select {
	case <-gone:
	case <-time.After(5 * time.Second):
		t.Fatal("the connection in use is to end at once")
	}
	require.Eventually(t, func() bool { h.mu.Lock(); defer h.mu.Unlock(); return h.abandoned == 0 && h.stale },
		5*time.Second, time.Millisecond)
	_, err := h.now().Do(t.Context(), controller.Request{Op: controller.Close},
		func() error { t.Error("asked"); return nil })
	require.ErrorIs(t, err, errStale)
	require.NoError(t, h.connect(t.Context()))
	require.False(t, h.now().mayStillOpen())
	_, err = h.now().Do(t.Context(), controller.Request{Op: controller.Close}, pass)
	require.NoError(t, err)
}

// If before forbids a write, nothing is written.
func TestForbiddenWrite(t *testing.T) {
	m := &memoryPort{}
	h, _ := newTestPort(ContactOptions{OpenOn: true}, m)
	require.NoError(t, h.connect(t.Context()))
	no := errors.New("no")
	_, err := h.now().Do(t.Context(), controller.Request{Op: controller.Open}, func() error { return no })
	require.Equal(t, no, err)
	require.False(t, m.out[RTS])
}
