package controller_test

import (
	"context"
	"errors"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"clearback/bridge/relay"
	"clearback/bridge/relay/controller"

	"github.com/stretchr/testify/require"
)

// dialled is a device with a connection for each request. Connecting takes time and cannot be interrupted.
type dialled struct {
	dials func(controller.Op) time.Duration
	acts  func(context.Context, controller.Op) error // nil: success

	mu   sync.Mutex
	open bool
	done []controller.Op // the requests that reached the device, except reads
}

func (d *dialled) Do(ctx context.Context, r controller.Request, before func() error) (relay.Level, error) {
	<-time.After(d.dials(r.Op))
	if err := before(); err != nil {
		return relay.LevelUnknown, err
	}
	d.mu.Lock()
	switch r.Op {
	case controller.Open, controller.Close:
		d.open = r.Op == controller.Open
		d.done = append(d.done, r.Op)
	}
	level := relay.LevelClosed
	if d.open {
		level = relay.LevelOpen
	}
	d.mu.Unlock()
	if d.acts != nil {
		return level, d.acts(ctx, r.Op)
	}
	return level, nil
}

func (*dialled) Close() error { return nil }

func (d *dialled) opened() int {
	d.mu.Lock()
	defer d.mu.Unlock()
	n := 0
	for _, op := range d.done {
		if op == controller.Open {
			n++
		}
	}
	return n
}

// onDialled runs a test on a started contact of the device, on virtual time. No opening may last in it, since the end
// of an opening sleeps in the kernel.
func onDialled(t *testing.T, d *dialled, change func(*controller.Options, *controller.ContactOptions),
	test func(*testing.T, *controller.Contact)) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) { onDialledNow(t, d, change, test) })
}

func onDialledNow(t *testing.T, d *dialled, change func(*controller.Options, *controller.ContactOptions),
	test func(*testing.T, *controller.Contact)) {
	t.Helper()
	o := controller.Options{Name: "loft", At: "here", Timeout: time.Second, Poll: time.Hour, NoLock: true,
		Connect: func(context.Context) (controller.Session, error) {
			return controller.NewDeviceSession(d, time.Second), nil
		}}
	co := controller.ContactOptions{Name: "box-office"}
	if change != nil {
		change(&o, &co)
	}
	b := controller.New(o)
	c, err := b.Contact(co)
	require.NoError(t, err)
	b.Start()
	require.NoError(t, b.Ready(t.Context()))
	defer func() {
		ctx, cancel := context.WithTimeout(context.Background(), 10*time.Second)
		defer cancel()
		require.Empty(t, b.Shutdown(ctx))
	}()
	test(t, c)
}

// mayOpen requires that only its NotAfter prevents an opening, once the connection has begun with the close. It is for
// tests on virtual time.
func mayOpen(t *testing.T, c *controller.Contact) {
	t.Helper()
	synctest.Wait()
	i := opening(1000)
	i.NotAfter = time.Now().Add(-1)
	require.ErrorIs(t, c.Interrupt(t.Context(), i).Err, relay.ErrLate)
}

func opening(seq uint32) relay.Interruption {
	return relay.Interruption{Seq: seq, Duration: 800 * time.Millisecond, NotAfter: time.Now().Add(2 * time.Second)}
}

// TestCloseWithdrawsAtOnce checks that a close prevents a pending opening from being written even if the close's own
// connection is slower than the opening's.
func TestCloseWithdrawsAtOnce(t *testing.T) {
	d := &dialled{dials: func(op controller.Op) time.Duration {
		if op == controller.Close {
			return 300 * time.Millisecond
		}
		return 100 * time.Millisecond
	}}
	onDialled(t, d, nil, func(t *testing.T, c *controller.Contact) {
		result := make(chan relay.Result, 1) // read below
		go func() { result <- c.Interrupt(t.Context(), opening(1)) }()
		<-time.After(50 * time.Millisecond)
		require.NoError(t, c.Close(t.Context()))
		r := <-result
		require.Zero(t, d.opened(), "withdrawn before it was written")
		require.Equal(t, relay.Refused, r.Outcome)
		require.ErrorIs(t, r.Err, relay.ErrStopped)
	})
}

// TestNothingIsWrittenOnADeadSession checks a request whose connection is ready just after another request has ended
// the session. It is not written, since the next connection closes first and must be the last to move anything.
func TestNothingIsWrittenOnADeadSession(t *testing.T) {
	broken := errors.New("broken")
	wrote := false
	over(t, func(_ context.Context, r controller.Request, before func() error) (relay.Level, error) {
		if r.Op == controller.Open {
			<-time.After(200 * time.Millisecond) // even after its context has ended
			if err := before(); err != nil {
				return relay.LevelUnknown, err
			}
			wrote = true
			return relay.LevelUnknown, nil
		}
		<-time.After(100 * time.Millisecond)
		return relay.LevelUnknown, broken
	}, func(t *testing.T, s controller.Session) {
		started := make(chan error, 1) // read below
		go func() {
			started <- s.Start(controller.NewPendingRequest(), controller.Request{Op: controller.Open},
				func() error { return nil })
		}()
		require.ErrorIs(t, s.Start(controller.NewPendingRequest(), controller.Request{Op: controller.Read}, nil),
			broken)
		err := <-started
		require.ErrorIs(t, err, relay.ErrUnreachable)
		require.ErrorIs(t, err, broken)
		synctest.Wait()
		require.False(t, wrote)
	})
}

// TestARefusedCloseOfABlindContact checks that a refused close of an idle contact that cannot be read makes a close
// owed, because the next opening could not be ended either.
func TestARefusedCloseOfABlindContact(t *testing.T) {
	var mu sync.Mutex
	var notices []relay.NoticeKind
	refuses := false
	d := &dialled{dials: func(controller.Op) time.Duration { return 0 }}
	d.acts = func(_ context.Context, op controller.Op) error {
		mu.Lock()
		defer mu.Unlock()
		if refuses && op == controller.Close {
			return &controller.Refusal{Cause: errors.New("no"), Sure: true}
		}
		return nil
	}
	onDialled(t, d, func(o *controller.Options, co *controller.ContactOptions) {
		o.Poll, co.Blind = time.Second, true
		o.Notify = func(n relay.Notice) { mu.Lock(); defer mu.Unlock(); notices = append(notices, n.Kind) }
	}, func(t *testing.T, c *controller.Contact) {
		set := func(on bool) { mu.Lock(); defer mu.Unlock(); refuses = on }
		set(true)
		<-time.After(1500 * time.Millisecond)
		i := opening(1)
		i.NotAfter = time.Now().Add(-1)
		require.ErrorIs(t, c.Interrupt(t.Context(), i).Err, relay.ErrRefused)
		set(false)
		require.NoError(t, c.Close(t.Context()))
		mayOpen(t, c)
		mu.Lock()
		defer mu.Unlock()
		require.Equal(t, []relay.NoticeKind{relay.CloseFailing, relay.CloseConfirmed}, notices)
	})
}

// TestHangingClose checks that a close that hangs is given up when its caller's context ends, is reported as a failed
// close, and is repeated until it succeeds.
func TestHangingClose(t *testing.T) {
	var mu sync.Mutex
	hangs := false
	d := &dialled{dials: func(controller.Op) time.Duration { return 0 }}
	d.acts = func(ctx context.Context, op controller.Op) error {
		mu.Lock()
		defer mu.Unlock()
		if !hangs || op != controller.Close {
			return nil
		}
		mu.Unlock()
		<-ctx.Done()
		mu.Lock()
		hangs = false
		return ctx.Err()
	}
	onDialled(t, d, nil, func(t *testing.T, c *controller.Contact) {
		mu.Lock()
		hangs = true
		mu.Unlock()
		ctx, cancel := context.WithTimeout(t.Context(), 100*time.Millisecond)
		defer cancel()
		began := time.Now()
		err := c.Close(ctx)
		require.Equal(t, 100*time.Millisecond, time.Since(began))
		require.ErrorIs(t, err, context.DeadlineExceeded)
		require.NotErrorIs(t, err, relay.ErrStopped, "no opening was withdrawn")
		i := opening(1)
		i.NotAfter = time.Now().Add(-1)
		require.ErrorIs(t, c.Interrupt(t.Context(), i).Err, relay.ErrRefused, "the state is still in doubt")
		require.NoError(t, c.Close(t.Context()))
		mayOpen(t, c)
	})
}

// TestCloseWhileTheConnectionBegins checks a close that is requested while a connection begins with a close. It is
// written as soon as the connection is available, not after the pause between attempts.
func TestCloseWhileTheConnectionBegins(t *testing.T) {
	for _, blind := range []bool{false, true} {
		broken := false
		var closing, goOn chan struct{} // each is closed once
		d := &dialled{dials: func(controller.Op) time.Duration { return 0 }}
		d.acts = func(_ context.Context, op controller.Op) error {
			switch {
			case op == controller.Open:
				broken = true
				return errors.New("gone")
			case op == controller.Close && broken:
				broken = false
				close(closing)
				<-goOn
			}
			return nil
		}
		synctest.Test(t, func(t *testing.T) {
			closing, goOn = make(chan struct{}), make(chan struct{}) // must belong to this bubble
			onDialledNow(t, d, func(_ *controller.Options, co *controller.ContactOptions) { co.Blind = blind },
				func(t *testing.T, c *controller.Contact) {
					require.Equal(t, relay.Unknown, c.Interrupt(t.Context(), opening(1)).Outcome)
					<-closing
					began := time.Now()
					closed := make(chan error, 1) // one result
					go func() { closed <- c.Close(t.Context()) }()
					synctest.Wait()
					close(goOn)
					require.NoError(t, <-closed)
					require.Zero(t, time.Since(began))
					written := d.written()
					require.Equal(t, []controller.Op{controller.Open, controller.Close, controller.Close},
						written[len(written)-3:], "one of them after it was wanted")
				})
		})
	}
}

// TestSessionEndsBeforeTheReadBack checks a session that ends right after the answer to an opening.
func TestSessionEndsBeforeTheReadBack(t *testing.T) {
	var mu sync.Mutex
	broken := 0
	d := &dialled{dials: func(controller.Op) time.Duration { return 0 }}
	d.acts = func(_ context.Context, op controller.Op) error {
		mu.Lock()
		defer mu.Unlock()
		if op == controller.Open {
			broken++
		}
		if op == controller.Read && broken == 1 {
			broken++
			return errors.New("gone")
		}
		return nil
	}
	onDialled(t, d, nil, func(t *testing.T, c *controller.Contact) {
		began := time.Now()
		r := c.Interrupt(t.Context(), opening(1))
		require.Equal(t, relay.Unknown, r.Outcome)
		require.Zero(t, time.Since(began), "returned at once")
		require.NoError(t, c.Close(t.Context()))
		require.Less(t, time.Since(began), relay.CloseEvery, "the next connection closes first")
		require.Equal(t, relay.Unknown, c.Interrupt(t.Context(), opening(1)).Outcome,
			"the same command again has the same result")
		require.Equal(t, 1, d.opened())
		mayOpen(t, c)
	})
}

// TestUrgentFirst checks that a new connection first closes the contacts that may be open.
func TestUrgentFirst(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var mu sync.Mutex
		var order []int
		down := false
		b := controller.New(controller.Options{Name: "loft", At: "here", Timeout: time.Second, Poll: time.Hour,
			NoLock: true,
			Connect: func(context.Context) (controller.Session, error) {
				return controller.NewDeviceSession(&doing{func(_ context.Context, r controller.Request,
					before func() error) (relay.Level, error) {
					if err := before(); err != nil {
						return relay.LevelUnknown, err
					}
					mu.Lock()
					defer mu.Unlock()
					if down && r.Op == controller.Open {
						down, order = false, nil
						return relay.LevelUnknown, errGone
					}
					if r.Op == controller.Close {
						order = append(order, r.Contact)
					}
					return relay.LevelClosed, nil
				}, make(chan struct{})}, time.Second), nil
			}})
		var contacts []*controller.Contact
		for _, line := range []string{"box-office", "stage-door", "workshop"} {
			c, err := b.Contact(controller.ContactOptions{Name: line})
			require.NoError(t, err)
			contacts = append(contacts, c)
		}
		b.Start()
		require.NoError(t, b.Ready(t.Context()))
		mu.Lock()
		down = true
		mu.Unlock()
		require.Equal(t, relay.Unknown, contacts[2].Interrupt(t.Context(), opening(1)).Outcome)
		require.NoError(t, contacts[2].Close(t.Context()))
		synctest.Wait()
		mu.Lock()
		require.GreaterOrEqual(t, len(order), 3)
		require.Equal(t, []int{2, 0, 1}, order[:3])
		mu.Unlock()
		require.Empty(t, b.Shutdown(t.Context()))
	})
}

// TestShutdownRepeatsAnOwedClose checks an opening whose outcome becomes unknown after Shutdown's confirmed close.
func TestShutdownRepeatsAnOwedClose(t *testing.T) {
	d := &dialled{dials: func(controller.Op) time.Duration { return 0 }}
	d.acts = func(ctx context.Context, op controller.Op) error {
		if op != controller.Open {
			return nil
		}
		<-time.After(100 * time.Millisecond)
		return errors.New("broken")
	}
	synctest.Test(t, func(t *testing.T) {
		var mu sync.Mutex
		connections := 0
		b := controller.New(controller.Options{Name: "loft", At: "here", Timeout: time.Second, Poll: time.Hour,
			NoLock: true,
			Connect: func(context.Context) (controller.Session, error) {
				mu.Lock()
				defer mu.Unlock()
				if connections++; connections > 1 {
					return nil, errors.New("nobody is there any more")
				}
				return controller.NewDeviceSession(d, time.Second), nil
			}})
		c, err := b.Contact(controller.ContactOptions{Name: "box-office"})
		require.NoError(t, err)
		b.Start()
		require.NoError(t, b.Ready(t.Context()))
		result := make(chan relay.Result, 1) // read below
		go func() { result <- c.Interrupt(t.Context(), opening(1)) }()
		<-time.After(50 * time.Millisecond)
		ctx, cancel := context.WithTimeout(t.Context(), 5*time.Second)
		defer cancel()
		require.Len(t, b.Shutdown(ctx), 1, "the state of the contact is unknown")
		require.Equal(t, relay.Unknown, (<-result).Outcome)
	})
}

// TestUnmovedIsNotRepeated checks that an opening that was confirmed but read back closed is refused, and that its
// command is not written again.
func TestUnmovedIsNotRepeated(t *testing.T) {
	d := &dialled{dials: func(controller.Op) time.Duration { return 0 }}
	d.acts = func(_ context.Context, op controller.Op) error {
		if op == controller.Open {
			d.mu.Lock()
			defer d.mu.Unlock()
			d.open = false
		}
		return nil
	}
	onDialled(t, d, nil, func(t *testing.T, c *controller.Contact) {
		for range 2 {
			r := c.Interrupt(t.Context(), opening(1))
			require.Equal(t, relay.Refused, r.Outcome)
			require.ErrorIs(t, r.Err, relay.ErrReadBack)
		}
		require.Equal(t, 1, d.opened())
	})
}
