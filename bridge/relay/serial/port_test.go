package serial

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"sync"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	"clearback/bridge/relay"
	"clearback/bridge/relay/controller"
	"clearback/bridge/relay/relaytest"

	"github.com/stretchr/testify/require"
)

// failingPort is a port that fails as the test says, and counts its closes.
type failingPort struct {
	memoryPort
	both, get error
	opening   chan struct{} // if set, an opening waits until it is closed
	mu        sync.Mutex
	closed    int
}

func (w *failingPort) Both(out [2]bool) error { return errors.Join(w.both, w.memoryPort.Both(out)) }

func (w *failingPort) Get() (lines, error) {
	l, err := w.memoryPort.Get()
	return l, errors.Join(w.get, err)
}

func (w *failingPort) Set(l Line, on bool) error {
	if on && w.opening != nil {
		<-w.opening
	}
	return w.memoryPort.Set(l, on)
}

func (w *failingPort) Close() {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.closed++
}

// TestPortsAreClosed checks that a port is closed if it cannot be set up, has gone, or is no longer wanted.
func TestPortsAreClosed(t *testing.T) {
	broken := errors.New("broken")
	w := &failingPort{both: broken}
	h, opened := newTestPort(ContactOptions{OpenOn: true}, w)
	err := h.connect(t.Context())
	require.ErrorIs(t, err, broken)
	require.ErrorContains(t, err, "serial: /dev/ttyX0: ")
	require.Equal(t, 1, w.closed)
	require.Nil(t, h.port)
	_, err = h.now().Do(t.Context(), controller.Request{Op: controller.Read}, pass)
	require.ErrorContains(t, err, "the port is closed")

	w.both = nil
	require.NoError(t, h.connect(t.Context()))
	require.Equal(t, 1, w.closed)
	require.ErrorContains(t, h.openNew(), "opening /dev/ttyX0 took too long", "there is another one by now")
	require.Equal(t, 2, w.closed)
	w.get = broken
	require.ErrorIs(t, h.connect(t.Context()), broken, "the old one is gone, and there is no new one")
	require.Equal(t, 3, w.closed)
	w.get = nil
	require.NoError(t, h.connect(t.Context()))
	require.Equal(t, 3, w.closed)
	require.Equal(t, 5, *opened)
	h.release()
	require.Equal(t, 4, w.closed)
	require.ErrorContains(t, h.openNew(), "took too long")
	require.Equal(t, 5, w.closed)
	h.release()
	require.Equal(t, 5, w.closed)
}

// TestRaised checks that Raised is true if either line was on when the port was opened.
func TestRaised(t *testing.T) {
	for out, want := range map[[2]bool]bool{{false, false}: false, {true, false}: true, {false, true}: true,
		{true, true}: true} {
		h, _ := newTestPort(ContactOptions{OpenOn: true}, &memoryPort{out: out})
		require.NoError(t, h.connect(t.Context()))
		require.Equal(t, want, (&Board{sharedPort: h}).Raised())
	}
	require.False(t, (&Board{}).Raised())
}

// TestEndedCalls checks that a call whose context has ended is not made.
func TestEndedCalls(t *testing.T) {
	h, opened := newTestPort(ContactOptions{OpenOn: true}, &memoryPort{})
	ctx, cancel := context.WithCancel(t.Context())
	require.NoError(t, h.connect(ctx))
	d := h.now()
	cancel()
	for _, op := range []controller.Op{controller.Open, controller.Close, controller.Read} {
		_, err := d.Do(ctx, controller.Request{Op: op}, pass)
		require.ErrorIs(t, err, context.Canceled)
	}
	require.ErrorIs(t, h.connect(ctx), context.Canceled)
	require.Equal(t, 1, *opened)
	require.False(t, d.mayStillOpen())
	require.ErrorIs(t, d.Cause(), errStale)
	require.NotNil(t, d.Gone())
}

// TestOpeningsInTheKernel checks that only an opening of an earlier connection may still open after a close. Package
// controller tracks the openings of the current connection.
func TestOpeningsInTheKernel(t *testing.T) {
	h, _ := newTestPort(ContactOptions{OpenOn: true}, &memoryPort{})
	require.NoError(t, h.connect(t.Context()))
	for _, c := range []struct {
		opening map[int]int
		may     bool
	}{
		{nil, false}, {map[int]int{1: 1}, false}, {map[int]int{0: 1}, true}, {map[int]int{0: 1, 1: 1}, true},
	} {
		h.opening = c.opening
		require.Equal(t, c.may, h.now().mayStillOpen())
		_, err := h.now().Do(t.Context(), controller.Request{Op: controller.Close}, pass)
		require.Equal(t, c.may, errors.Is(err, errOpening))
		_, err = h.now().Do(t.Context(), controller.Request{Op: controller.Read}, pass)
		require.NoError(t, err)
	}
}

// TestBoardTakesItsPort checks that a port can be claimed only once, by whatever name, and that the claim is released.
func TestBoardTakesItsPort(t *testing.T) {
	dir := t.TempDir()
	device, link := filepath.Join(dir, "ttyX0"), filepath.Join(dir, "adapter")
	require.NoError(t, os.WriteFile(device, nil, 0o600))
	require.NoError(t, os.Symlink(device, link))
	require.Equal(t, device, realPath(link))
	require.Equal(t, link+"0", realPath(link+"0"))
	board := func(path string, w *failingPort) *Board {
		b, err := NewBoard(Options{Name: "adapter", Device: path})
		require.NoError(t, err)
		b.open = func(string, bool) (port, lines, error) { return w, lines{}, nil }
		return b
	}
	w := &failingPort{}
	b, other := board(device, w), board(link, w)
	_, err := b.connect(t.Context())
	require.ErrorContains(t, err, "controller adapter has no contact")
	_, err = b.Contact(ContactOptions{Name: "box-office", OpenOn: true})
	require.NoError(t, err)
	_, err = other.Contact(ContactOptions{Name: "stage-door", OpenOn: true})
	require.ErrorIs(t, err, relay.ErrLocked)
	require.Empty(t, other.Shutdown(t.Context()))
	b.Start()
	require.NoError(t, b.Ready(t.Context()))
	require.Zero(t, w.closed)
	require.Empty(t, b.Shutdown(t.Context()))
	require.Equal(t, 1, w.closed)
	_, err = board(link, w).Contact(ContactOptions{Name: "stage-door", OpenOn: true})
	require.NoError(t, err)
}

// TestAnOpeningThatHangsIsClosed checks that a close is repeated after an opening that hangs in the kernel, since the
// first close may have been done before the opening.
func TestAnOpeningThatHangsIsClosed(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := &failingPort{opening: make(chan struct{})}
		b, err := NewBoard(Options{Name: "adapter", Device: "/dev/" + filepath.Base(relaytest.ProcessName(t.Name())),
			Timeout: time.Second, NoLock: true})
		require.NoError(t, err)
		b.open = func(string, bool) (port, lines, error) { return w, lines{}, nil }
		c, err := b.Contact(ContactOptions{Name: "box-office", OpenOn: true})
		require.NoError(t, err)
		b.Start()
		require.NoError(t, b.Ready(t.Context()))
		ctx, cancel := context.WithTimeout(t.Context(), 100*time.Millisecond)
		defer cancel()
		result := make(chan relay.Result, 1) // read below
		go func() {
			result <- c.Interrupt(ctx, relay.Interruption{Seq: 1, Duration: 10 * time.Second,
				NotAfter: time.Now().Add(time.Second)})
		}()
		<-time.After(200 * time.Millisecond)
		close(w.opening)
		require.Equal(t, relay.Done, (<-result).Outcome)
		l, err := w.Get()
		require.NoError(t, err)
		require.Equal(t, [2]bool{}, l.out)
		require.Empty(t, b.Shutdown(t.Context()))
	})
}

// TestRefusedByTheKernel checks that a refusal names the port and the line, and counts as sure.
func TestRefusedByTheKernel(t *testing.T) {
	w := &failingPort{}
	h, _ := newTestPort(ContactOptions{OpenOn: true}, w)
	require.NoError(t, h.connect(t.Context()))
	w.get = refusal{syscall.EINVAL}
	_, err := h.now().Do(t.Context(), controller.Request{Op: controller.Read}, pass)
	var no *controller.Refusal
	require.ErrorAs(t, err, &no)
	require.True(t, no.Sure)
	require.ErrorContains(t, err, "/dev/ttyX0 rts: ")
	w.get = syscall.EIO
	_, err = h.now().Do(t.Context(), controller.Request{Op: controller.Read}, pass)
	require.False(t, errors.As(err, &no))
	require.ErrorIs(t, err, syscall.EIO)
}

// SAFETY.md S92: a line that somebody else moves is found.
func TestFoundOpen(t *testing.T) {
	relaytest.FindsOpen(t, func(notify func(relay.Notice)) relaytest.Started {
		m := &memoryPort{}
		b, err := NewBoard(Options{Name: "port", Device: "/dev/ttyX0", NoLock: true, Notify: notify})
		require.NoError(t, err)
		b.open = func(string, bool) (port, lines, error) { return m, lines{}, nil }
		_, err = b.Contact(ContactOptions{Name: "box-office", OpenOn: true})
		require.NoError(t, err)
		b.Start()
		return relaytest.Started{Ready: b.Ready, Open: func() { _ = m.Set(RTS, true) },
			Shutdown: func(ctx context.Context) { b.Shutdown(ctx) }}
	})
}
