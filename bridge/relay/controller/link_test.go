package controller_test

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"clearback/bridge/relay"
	"clearback/bridge/relay/controller"
	"clearback/bridge/relay/relaytest"

	"github.com/stretchr/testify/require"
)

// preparing is a device with a Prepare method.
type preparing struct {
	*dialled
	err      error
	prepared []time.Duration // the time allowed for each preparation
	sawOpen  bool
}

func (p *preparing) Prepare(ctx context.Context) error {
	by, _ := ctx.Deadline()
	p.prepared = append(p.prepared, time.Until(by))
	p.sawOpen = p.isOpen()
	return p.err
}

// TestConnection checks that a connection is prepared after its contacts were closed and becomes available after that,
// and that its contacts are read at the requested interval.
func TestConnection(t *testing.T) {
	for name, c := range map[string]struct {
		poll, atLeast time.Duration
		reads         int // within 1.1 s, without the reading at the beginning
	}{
		"less often than asked": {time.Hour, 300 * time.Millisecond, 3},
		"more often than asked": {200 * time.Millisecond, time.Hour, 5},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				var mu sync.Mutex
				reads := 0
				p := &preparing{dialled: atOnce(func(_ *dialled, op controller.Op) error {
					mu.Lock()
					defer mu.Unlock()
					if op == controller.Read {
						reads++
					}
					return nil
				})}
				p.open = true
				connections := 0
				b := controller.New(controller.Options{Name: "loft", At: "here", Timeout: time.Second, Poll: c.poll,
					NoLock: true,
					Connect: func(context.Context) (controller.Session, error) {
						connections++
						return controller.NewDeviceSession(p, 700*time.Millisecond), nil
					}})
				_, err := b.Contact(controller.ContactOptions{Name: "box-office"})
				require.NoError(t, err)
				b.PollAtLeast(c.atLeast)
				b.Start()
				b.Start()
				require.NoError(t, b.Ready(t.Context()))
				require.NoError(t, b.Ready(t.Context()), "and at once if it is connected")
				s, err := b.Session()
				require.NoError(t, err)
				require.NoError(t, s.Cause())
				require.Equal(t, []time.Duration{700 * time.Millisecond}, p.prepared)
				require.False(t, p.sawOpen)
				<-time.After(1100 * time.Millisecond)
				mu.Lock()
				require.Equal(t, 1+c.reads, reads)
				mu.Unlock()
				require.Equal(t, 1, connections)
				require.Empty(t, b.Shutdown(t.Context()))
				_, err = b.Session()
				require.ErrorIs(t, err, relay.ErrUnreachable)
			})
		})
	}
}

// TestPreparationFails checks that there is no connection if its preparation fails.
func TestPreparationFails(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := &preparing{dialled: atOnce(func(*dialled, controller.Op) error { return nil }), err: errNo}
		b := controller.New(controller.Options{Name: "loft", At: "here", Timeout: time.Second, Poll: time.Hour,
			NoLock: true,
			Connect: func(context.Context) (controller.Session, error) {
				return controller.NewDeviceSession(p, time.Second), nil
			}})
		c, err := b.Contact(controller.ContactOptions{Name: "box-office", Senses: true,
			Try: controller.TryWithZeroLength})
		require.NoError(t, err)
		b.Start()
		ctx, cancel := context.WithTimeout(t.Context(), time.Second)
		defer cancel()
		err = b.Ready(ctx)
		require.ErrorIs(t, err, errNo)
		_, err = c.Sense(t.Context())
		require.ErrorIs(t, err, errNo)
		require.ErrorContains(t, err, "line box-office: controller loft at here: ")
		require.ErrorIs(t, c.Try(t.Context()), errNo)
		require.Empty(t, b.Shutdown(t.Context()), "it was closed nevertheless")
	})
}

// TestStuckAtTheBeginning checks a contact that cannot be closed or read when the connection begins, or that still
// reads open. That is an alarm. The connection becomes available all the same, but nothing is opened on that contact
// until it is closed.
func TestStuckAtTheBeginning(t *testing.T) {
	for name, c := range map[string]struct {
		level relay.Level
		err   error
		of    controller.Op
		says  string
	}{
		"reads open": {level: relay.LevelOpen, of: controller.Read,
			says: "reading back at the beginning of the connection"},
		"reading refused": {err: no, of: controller.Read, says: "reading back at the beginning of the connection"},
		"close refused":   {err: no, of: controller.Close, says: "closing at the beginning of the connection"},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				var mu sync.Mutex
				stuck := true
				l := &levels{do: func(op controller.Op) (relay.Level, error) {
					mu.Lock()
					defer mu.Unlock()
					if stuck && op == c.of {
						return c.level, c.err
					}
					return relay.LevelClosed, nil
				}}
				var notices []relay.Notice
				b := controller.New(controller.Options{Name: "loft", At: "here", Timeout: time.Second, Poll: time.Hour,
					NoLock: true,
					Notify: func(n relay.Notice) { mu.Lock(); defer mu.Unlock(); notices = append(notices, n) },
					Connect: func(context.Context) (controller.Session, error) {
						return controller.NewDeviceSession(l, time.Second), nil
					}})
				contact, err := b.Contact(controller.ContactOptions{Name: "box-office"})
				require.NoError(t, err)
				b.Start()
				require.NoError(t, b.Ready(t.Context()))
				synctest.Wait()
				mu.Lock()
				require.NotEmpty(t, notices)
				require.Equal(t, relay.CloseFailing, notices[0].Kind)
				require.ErrorContains(t, notices[0].Err, c.says)
				mu.Unlock()
				r := contact.Interrupt(t.Context(), opening(1))
				require.Equal(t, relay.Refused, r.Outcome)
				require.ErrorContains(t, r.Err, "not known to be closed")
				mu.Lock()
				stuck = false
				mu.Unlock()
				<-time.After(relay.CloseEvery)
				mayOpen(t, contact)
				require.Empty(t, b.Shutdown(t.Context()))
			})
		})
	}
}

// breaking is a session on which some requests cannot be started.
type breaking struct {
	controller.Session
	breaks func(controller.Op) bool
}

func (s breaking) Start(c *controller.PendingRequest, r controller.Request, before func() error) error {
	if s.breaks(r.Op) {
		return relay.ErrUnreachable
	}
	return s.Session.Start(c, r, before)
}

// TestNoReadBackOfAnOpening checks a session that ends between the answer to an opening and the request that reads the
// contact back.
func TestNoReadBackOfAnOpening(t *testing.T) {
	d := atOnce(func(*dialled, controller.Op) error { return nil })
	onDialled(t, d, func(o *controller.Options, _ *controller.ContactOptions) {
		o.Connect = func(context.Context) (controller.Session, error) {
			return breaking{controller.NewDeviceSession(d, time.Second),
				func(op controller.Op) bool { return op == controller.Read && d.isOpen() }}, nil
		}
	}, func(t *testing.T, c *controller.Contact) {
		began := time.Now()
		r := c.Interrupt(t.Context(), opening(1))
		require.Equal(t, relay.Unknown, r.Outcome)
		require.ErrorContains(t, r.Err, "line box-office: reading back the opening: ")
		require.ErrorIs(t, r.Err, relay.ErrNoAnswer, "what was written may have been done")
		require.Zero(t, time.Since(began), "returned at once")
		require.False(t, d.isOpen())
		mayOpen(t, c)
	})
}

// TestCloseBehindAnUnansweredOpening checks that, if a close may be done before an opening that was written earlier,
// the close proves nothing while the opening has no answer.
func TestCloseBehindAnUnansweredOpening(t *testing.T) {
	d := atOnce(func(_ *dialled, op controller.Op) error {
		if op == controller.Open {
			<-time.After(500 * time.Millisecond)
		}
		return nil
	})
	onDialled(t, d, func(o *controller.Options, _ *controller.ContactOptions) { o.Unordered = true },
		func(t *testing.T, c *controller.Contact) {
			result := make(chan relay.Result, 1) // read below
			go func() { result <- c.Interrupt(t.Context(), opening(1)) }()
			synctest.Wait()
			began := time.Now()
			ctx, cancel := context.WithTimeout(t.Context(), 100*time.Millisecond)
			defer cancel()
			err := c.Close(ctx)
			require.ErrorIs(t, err, context.DeadlineExceeded)
			require.ErrorContains(t, err, "the opening before it has no answer yet")
			require.Equal(t, 100*time.Millisecond, time.Since(began))
			require.NoError(t, c.Close(t.Context()))
			require.Equal(t, 500*time.Millisecond, time.Since(began))
			r := <-result
			require.Equal(t, relay.Done, r.Outcome, r.Err)
			require.Equal(t, []controller.Op{controller.Close, controller.Open}, d.done[:2])
			require.Equal(t, controller.Close, d.done[len(d.done)-1])
		})
}

// TestALateRepetitionClosesNothing checks a repetition of an owed close whose connection was slow. It is not written
// after another close was confirmed, since the contact may be open again by then.
func TestALateRepetitionClosesNothing(t *testing.T) {
	var mu sync.Mutex
	var dials []time.Duration // the delays of the next closes
	refuse := false
	d := atOnce(func(_ *dialled, op controller.Op) error {
		mu.Lock()
		defer mu.Unlock()
		if op == controller.Close && refuse {
			refuse = false
			return no
		}
		return nil
	})
	d.dials = func(op controller.Op) (d time.Duration) {
		mu.Lock()
		defer mu.Unlock()
		if op == controller.Close && len(dials) > 0 {
			d, dials = dials[0], dials[1:]
		}
		return d
	}
	onDialled(t, d, nil, func(t *testing.T, c *controller.Contact) {
		mu.Lock()
		refuse, dials = true, []time.Duration{0, 300 * time.Millisecond, 50 * time.Millisecond}
		mu.Unlock()
		ctx, cancel := context.WithCancel(t.Context())
		cancel()
		require.ErrorIs(t, c.Close(ctx), context.Canceled)
		synctest.Wait() // the repetition of the close is under way
		require.NoError(t, c.Close(t.Context()))
		r := c.Interrupt(t.Context(), opening(1))
		require.Equal(t, relay.Done, r.Outcome, r.Err)
		require.Equal(t, []controller.Op{controller.Open, controller.Close}, d.done[len(d.done)-2:],
			"nothing in between")
	})
}

// TestTryWaitsForItsTurn checks that a Try behind an unanswered request is given up after the time-out, or when its
// context ends.
func TestTryWaitsForItsTurn(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newTestController(false)
		d := newDriver(t, b, false, controller.Options{Poll: time.Hour, NoLock: true},
			func(o *controller.ContactOptions) { o.Try = controller.TryWithZeroLength })
		d.group.Start()
		require.NoError(t, d.group.Ready(background(t)))
		b.Inject(relaytest.Fault{Do: relaytest.Delay, On: relaytest.Opening, Once: true, Delay: timeout / 2})
		first := make(chan relay.Result, 1) // read below
		go func() { first <- d.contacts[0].Interrupt(t.Context(), opening(1)) }()
		synctest.Wait()
		began := time.Now()
		ctx, cancel := context.WithTimeout(t.Context(), timeout/4)
		defer cancel()
		err := d.contacts[1].Try(ctx)
		require.ErrorIs(t, err, relay.ErrStopped)
		require.ErrorContains(t, err, "trying the command that opens, with a length of 0")
		require.Equal(t, timeout/4, time.Since(began))
		require.NoError(t, d.contacts[1].Try(t.Context()))
		require.Equal(t, timeout/2, time.Since(began))
		require.Equal(t, relay.Done, (<-first).Outcome)
		d.group.Shutdown(background(t))
	})
}

// The connection is lost just before the end of an opening, and is back when the opening is over.
func TestALostConnectionAtTheEnd(t *testing.T) {
	onLosing(t, outlasts, func(_ *testing.T, l *losingController, _ [2]*controller.Contact) {
		l.at(asked - 10*time.Millisecond)
		l.lose(true, false)
		l.at(asked)
		l.set(false, false)
	}, func(t *testing.T, r relay.Result, changes []relaytest.Change, _ []relay.NoticeKind) {
		require.Equal(t, relay.Done, r.Outcome, r.Err)
		require.InDelta(t, asked, r.OpenFor, float64(20*time.Millisecond), "the time of the reading")
		require.GreaterOrEqual(t, r.OpenFor, asked)
		openFor(t, changes, asked, asked)
	})
}

func TestWordsOfASession(t *testing.T) {
	require.Equal(t, "read close open sense try",
		controller.Read.String()+" "+controller.Close.String()+" "+controller.Open.String()+" "+
			controller.Sense.String()+" "+controller.Try.String())
	require.Equal(t, "unknown request", (controller.Try + 1).String())
	lost := &controller.ConnectionLost{Cause: errGone}
	require.Equal(t, errGone.Error(), lost.Reason())
	require.ErrorIs(t, lost, relay.ErrNoAnswer)
	require.True(t, errors.Is(lost, errGone))
	require.Equal(t, errNo.Error(), no.Reason())
}

// SAFETY.md S92: a contact that opens by itself, and does not close, is an alarm within 2 s, whenever that happens and
// however slowly the controller answers: up to the time-out, or with two contacts up to the poll's time for both.
func TestFoundOpenInTime(t *testing.T) {
	for _, takes := range []time.Duration{time.Second - 1, controller.DefaultPoll / 2, 0} {
		for after := time.Duration(0); after <= 2*time.Second; after += 100 * time.Millisecond {
			synctest.Test(t, func(t *testing.T) {
				lines := 2
				if 2*takes > controller.DefaultPoll {
					lines = 1
				}
				var open atomic.Bool
				alarm := make(chan time.Time, 1) // read below
				b := controller.New(controller.Options{Name: "loft", At: "here", Timeout: time.Second, NoLock: true,
					Poll: controller.DefaultPoll,
					Notify: func(n relay.Notice) {
						if n.Kind == relay.CloseFailing && len(alarm) == 0 {
							alarm <- time.Now()
						}
					},
					Connect: func(context.Context) (controller.Session, error) {
						return controller.NewDeviceSession(&stuckDevice{open: &open, takes: takes}, time.Second), nil
					}})
				for i := range lines {
					_, err := b.Contact(controller.ContactOptions{Name: fmt.Sprint("line-", i)})
					require.NoError(t, err)
				}
				b.Start()
				require.NoError(t, b.Ready(t.Context()))
				<-time.After(after)
				began := time.Now()
				open.Store(true)
				require.LessOrEqual(t, (<-alarm).Sub(began), 2*time.Second, "reads of %v, opened after %v", takes,
					after)
				ctx, cancel := context.WithTimeout(t.Context(), time.Second)
				defer cancel()
				b.Shutdown(ctx)
				<-time.After(time.Second)
			})
		}
	}
}

// stuckDevice is a device whose contacts no command moves. It looks at them at once, and answers later.
type stuckDevice struct {
	open  *atomic.Bool
	takes time.Duration
}

func (d *stuckDevice) Do(_ context.Context, _ controller.Request, before func() error) (relay.Level, error) {
	if err := before(); err != nil {
		return relay.LevelUnknown, err
	}
	level := relay.LevelClosed
	if d.open.Load() {
		level = relay.LevelOpen
	}
	<-time.After(d.takes)
	return level, nil
}

func (*stuckDevice) Close() error { return nil }
