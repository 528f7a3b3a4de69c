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
	"clearback/bridge/relay/relaytest"

	"github.com/stretchr/testify/require"
)

// faulty is a device without delays. Its next requests fail with the errors set by fail.
type faulty struct {
	*dialled
	mu   sync.Mutex
	next map[controller.Op][]error
}

func newFaulty() *faulty {
	f := &faulty{next: map[controller.Op][]error{}}
	f.dialled = atOnce(func(_ *dialled, op controller.Op) (err error) {
		f.mu.Lock()
		defer f.mu.Unlock()
		if all := f.next[op]; len(all) > 0 {
			err, f.next[op] = all[0], all[1:]
		}
		return err
	})
	return f
}

// fail sets the errors of the next requests of one kind; a nil error lets the request succeed.
func (f *faulty) fail(op controller.Op, errs ...error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.next[op] = errs
}

// written returns the requests that reached the device, except reads.
func (d *dialled) written() []controller.Op {
	d.mu.Lock()
	defer d.mu.Unlock()
	return append([]controller.Op(nil), d.done...)
}

// TestOpeningAskedForAgain checks the repetition of an opening under its number. An opening that was refused is closed,
// and may be requested again. An opening that may have been made is not made again.
func TestOpeningAskedForAgain(t *testing.T) {
	f := newFaulty()
	onDialled(t, f.dialled, nil, func(t *testing.T, c *controller.Contact) {
		f.fail(controller.Open, no)
		before := len(f.written())
		r := c.Interrupt(t.Context(), opening(1))
		require.Equal(t, relay.Refused, r.Outcome)
		require.ErrorIs(t, r.Err, errNo)
		require.Equal(t, []controller.Op{controller.Open, controller.Close}, f.written()[before:])
		i := opening(1)
		i.Duration = 1
		require.Equal(t, relay.Done, c.Interrupt(t.Context(), i).Outcome, "1 ns is an opening too")
		f.fail(controller.Open, errGone)
		unknown := c.Interrupt(t.Context(), opening(2))
		require.Equal(t, relay.Unknown, unknown.Outcome)
		require.NoError(t, c.Close(t.Context()))
		before = len(f.written())
		require.Equal(t, unknown, c.Interrupt(t.Context(), opening(2)))
		require.Len(t, f.written(), before)
	})
}

// TestReasonOfTheDoubt checks that the error which left the contact in doubt stays the reason until the contact is
// closed, even if a later close fails with another error.
func TestReasonOfTheDoubt(t *testing.T) {
	f := newFaulty()
	maybe := &controller.Refusal{Cause: errors.New("the device may have opened")}
	var mu sync.Mutex
	var notices []relay.Notice
	onDialled(t, f.dialled, func(o *controller.Options, _ *controller.ContactOptions) {
		o.Notify = func(n relay.Notice) { mu.Lock(); defer mu.Unlock(); notices = append(notices, n) }
	}, func(t *testing.T, c *controller.Contact) {
		f.fail(controller.Open, maybe)
		f.fail(controller.Close, no, no)
		require.Equal(t, relay.Unknown, c.Interrupt(t.Context(), opening(1)).Outcome)
		mu.Lock()
		require.Equal(t, relay.CloseFailing, notices[0].Kind)
		require.ErrorIs(t, notices[0].Err, maybe)
		require.NotErrorIs(t, notices[0].Err, errNo)
		mu.Unlock()
		require.NoError(t, c.Close(t.Context()))
		f.fail(controller.Open, no)
		f.fail(controller.Close, no, no)
		require.Equal(t, relay.Refused, c.Interrupt(t.Context(), opening(2)).Outcome)
		mu.Lock()
		require.ErrorIs(t, notices[len(notices)-1].Err, errNo, "nothing was in doubt before the close failed")
		mu.Unlock()
		require.NoError(t, c.Close(t.Context()))
	})
}

// TestReadOftenAfterADoubt checks that the contacts are read every 250 ms for 10 s, and then at the usual interval.
func TestReadOftenAfterADoubt(t *testing.T) {
	for poll, want := range map[time.Duration][2]int{time.Minute: {39, 0}, 100 * time.Millisecond: {100, 100}} {
		f := newFaulty()
		var reads []time.Time
		acts := f.acts
		f.acts = func(ctx context.Context, op controller.Op) error {
			f.mu.Lock()
			if op == controller.Read {
				reads = append(reads, time.Now())
			}
			f.mu.Unlock()
			return acts(ctx, op)
		}
		onDialled(t, f.dialled, func(o *controller.Options, _ *controller.ContactOptions) { o.Poll = poll },
			func(t *testing.T, c *controller.Contact) {
				f.fail(controller.Open, errGone) // ends the connection, so that the counting starts with a new one
				require.Equal(t, relay.Unknown, c.Interrupt(t.Context(), opening(1)).Outcome)
				require.NoError(t, c.Close(t.Context()))
				<-time.After(30 * time.Millisecond) // so that no reading falls on the bounds of the counted time
				for _, n := range want {
					f.mu.Lock()
					reads = nil
					f.mu.Unlock()
					<-time.After(10 * time.Second)
					f.mu.Lock()
					require.InDelta(t, n, len(reads), 1)
					for i := 1; i < len(reads); i++ {
						require.Equal(t, min(poll, 250*time.Millisecond), reads[i].Sub(reads[i-1]))
					}
					f.mu.Unlock()
				}
			})
	}
}

// TestLateReadBack checks a read-back that is answered after the end of the opening. If the controller may carry out a
// close before an earlier reading, such a read-back proves nothing. Otherwise it counts.
func TestLateReadBack(t *testing.T) {
	for name, c := range map[string]struct {
		unordered bool
		late      time.Duration // lateness of the read-back
		outcome   relay.Outcome
	}{
		"in order":                       {false, 900 * time.Millisecond, relay.Refused},
		"out of order":                   {true, 900 * time.Millisecond, relay.Done},
		"out of order, while it is open": {true, 700 * time.Millisecond, relay.Refused},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				var mu sync.Mutex
				opened := 0
				l := &levels{do: func(op controller.Op) (relay.Level, error) {
					mu.Lock()
					if op == controller.Open {
						opened++
					}
					first := op == controller.Read && opened == 1
					opened += btoi(first)
					mu.Unlock()
					if first {
						<-time.After(c.late)
					}
					return relay.LevelClosed, nil
				}}
				b := controller.New(controller.Options{Name: "loft", At: "here", Timeout: 2 * time.Second,
					Poll: time.Hour, NoLock: true, Unordered: c.unordered,
					Connect: func(context.Context) (controller.Session, error) {
						return controller.NewDeviceSession(l, 2*time.Second), nil
					}})
				contact, err := b.Contact(controller.ContactOptions{Name: "box-office"})
				require.NoError(t, err)
				b.Start()
				require.NoError(t, b.Ready(t.Context()))
				r := contact.Interrupt(t.Context(), opening(1))
				require.Equal(t, c.outcome, r.Outcome, r.Err)
				require.Empty(t, b.Shutdown(t.Context()))
			})
		})
	}
}

func btoi(b bool) int {
	if b {
		return 1
	}
	return 0
}

// TestClosesOfAWithdrawnOpening checks that one close is enough if requests are carried out in order. If they may
// overtake each other, a second close follows the opening.
func TestClosesOfAWithdrawnOpening(t *testing.T) {
	for unordered, closes := range map[bool]int{false: 1, true: 2} {
		d := atOnce(func(_ *dialled, op controller.Op) error {
			if op == controller.Open {
				<-time.After(300 * time.Millisecond)
			}
			return nil
		})
		onDialled(t, d, func(o *controller.Options, _ *controller.ContactOptions) { o.Unordered = unordered },
			func(t *testing.T, c *controller.Contact) {
				ctx, cancel := context.WithTimeout(t.Context(), 100*time.Millisecond)
				defer cancel()
				before := len(d.written())
				require.Equal(t, relay.Done, c.Interrupt(ctx, opening(1)).Outcome)
				require.Len(t, d.written()[before+1:], closes)
			})
	}
}

// TestAnOpeningBeforeASlowClose checks that an opening may begin while a close is still on its way, and ends when the
// close is written.
func TestAnOpeningBeforeASlowClose(t *testing.T) {
	d := atOnce(func(*dialled, controller.Op) error { return nil })
	slow := time.Duration(0)
	d.dials = func(op controller.Op) time.Duration {
		if op == controller.Close {
			return slow
		}
		return 0
	}
	onDialled(t, d, nil, func(t *testing.T, c *controller.Contact) {
		slow = 300 * time.Millisecond
		closed := make(chan error, 1) // read below
		go func() { closed <- c.Close(t.Context()) }()
		<-time.After(100 * time.Millisecond)
		began := time.Now()
		r := c.Interrupt(t.Context(), opening(1))
		require.Equal(t, relay.Done, r.Outcome, r.Err)
		require.Equal(t, 500*time.Millisecond, time.Since(began),
			"withdrawn after 200 ms, and closed with a close of its own")
		require.NoError(t, <-closed)
	})
}

// TestACloseAfterAFailureWaits checks that Close keeps waiting if the contact came into doubt after the close was
// confirmed.
func TestACloseAfterAFailureWaits(t *testing.T) {
	f := newFaulty()
	acts := f.acts
	f.acts = func(ctx context.Context, op controller.Op) error {
		if op == controller.Open {
			<-time.After(300 * time.Millisecond)
			f.fail(controller.Close, no, no)
		}
		return acts(ctx, op)
	}
	onDialled(t, f.dialled, func(o *controller.Options, _ *controller.ContactOptions) { o.Unordered = true },
		func(t *testing.T, c *controller.Contact) {
			f.fail(controller.Open, &controller.Refusal{Cause: errNo})
			began := time.Now()
			result := make(chan relay.Result, 1) // read below
			go func() { result <- c.Interrupt(t.Context(), opening(1)) }()
			<-time.After(100 * time.Millisecond)
			require.NoError(t, c.Close(t.Context()))
			require.Equal(t, 300*time.Millisecond+relay.CloseEvery, time.Since(began))
			require.Equal(t, relay.Unknown, (<-result).Outcome)
		})
}

// TestClosesOfABlindContact checks that a contact that cannot be read is never read, and that each poll closes it, but
// not during an interruption.
func TestClosesOfABlindContact(t *testing.T) {
	d := atOnce(func(*dialled, controller.Op) error { return nil })
	var mu sync.Mutex
	asked := map[controller.Op]int{}
	d.dials = func(op controller.Op) time.Duration {
		mu.Lock()
		defer mu.Unlock()
		asked[op]++
		return 0
	}
	onDialled(t, d, func(o *controller.Options, co *controller.ContactOptions) {
		o.Poll, co.Blind = 100*time.Millisecond, true
	}, func(t *testing.T, c *controller.Contact) {
		<-time.After(950 * time.Millisecond)
		mu.Lock()
		require.Equal(t, map[controller.Op]int{controller.Close: 10}, asked, "one at the beginning, and nine polls")
		mu.Unlock()
		r := c.Interrupt(t.Context(), opening(1))
		require.Equal(t, relay.Done, r.Outcome, r.Err)
		require.Equal(t, 800*time.Millisecond, r.OpenFor)
		mu.Lock()
		require.Equal(t, map[controller.Op]int{controller.Close: 11, controller.Open: 1}, asked)
		mu.Unlock()
	})
}

// TestFoundOpen checks that a contact that reads open without an opening is reported, and that an alarm follows at once
// if it cannot be closed.
func TestFoundOpen(t *testing.T) {
	f := newFaulty()
	var mu sync.Mutex
	var notices []relay.Notice
	onDialled(t, f.dialled, func(o *controller.Options, _ *controller.ContactOptions) {
		o.Poll = time.Second
		o.Notify = func(n relay.Notice) { mu.Lock(); defer mu.Unlock(); notices = append(notices, n) }
	}, func(t *testing.T, c *controller.Contact) {
		f.fail(controller.Close, no)
		f.dialled.mu.Lock()
		f.open = true
		f.dialled.mu.Unlock()
		<-time.After(1100 * time.Millisecond)
		mu.Lock()
		require.Len(t, notices, 2)
		for i, kind := range []relay.NoticeKind{relay.FoundOpen, relay.CloseFailing} {
			require.Equal(t, kind, notices[i].Kind)
			require.Equal(t, "box-office", notices[i].Contact)
		}
		require.ErrorContains(t, notices[0].Err, "line box-office: the contact reads open, but no opening is under way")
		mu.Unlock()
		<-time.After(relay.CloseEvery)
		require.False(t, f.isOpen())
		mu.Lock()
		require.Equal(t, relay.CloseConfirmed, notices[2].Kind)
		mu.Unlock()
	})
}

// TestCloseBeforeTheFirstConnection checks that no alarm is given while the first attempt to connect is under way. The
// reason for the owed close is then that the daemon has not reached the controller yet.
func TestCloseBeforeTheFirstConnection(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var mu sync.Mutex
		var notices []relay.NoticeKind
		d := atOnce(func(*dialled, controller.Op) error { return nil })
		b := controller.New(controller.Options{Name: "loft", At: "here", Timeout: time.Second, Poll: time.Hour,
			NoLock: true,
			Notify: func(n relay.Notice) { mu.Lock(); defer mu.Unlock(); notices = append(notices, n.Kind) },
			Connect: func(context.Context) (controller.Session, error) {
				<-time.After(time.Second)
				return controller.NewDeviceSession(d, time.Second), nil
			}})
		c, err := b.Contact(controller.ContactOptions{Name: "box-office"})
		require.NoError(t, err)
		b.Start()
		ctx, cancel := context.WithTimeout(t.Context(), 500*time.Millisecond)
		defer cancel()
		err = c.Close(ctx)
		require.ErrorContains(t, err, "has not been closed since the start")
		require.ErrorIs(t, err, context.DeadlineExceeded)
		began := time.Now()
		require.NoError(t, c.Close(t.Context()))
		require.Equal(t, 500*time.Millisecond, time.Since(began))
		require.Empty(t, notices)
		require.Empty(t, b.Shutdown(t.Context()))
	})
}

// An opening survives the loss of its connection even if Opened is slow to return. If the next connection is lost
// before Opened has returned, the contact is closed.
func TestSlowToHear(t *testing.T) {
	for losses, open := range map[int]time.Duration{1: asked, 2: 0} {
		synctest.Test(t, func(t *testing.T) {
			l := &losingController{testController: newTestController(false)}
			l.timed = true
			c := controller.New(controller.Options{Name: "bench", At: "here", Timeout: timeout, Poll: time.Hour,
				NoLock: true, Connect: l.connect})
			contact, err := c.Contact(controller.ContactOptions{Name: relaytest.LineA, Kind: relay.KindOneshot,
				Timed: &controller.Timed{SurvivesLoss: true, Quantum: time.Millisecond, Limit: time.Second}})
			require.NoError(t, err)
			c.Start()
			require.NoError(t, c.Ready(background(t)))
			l.began = time.Now()
			heard := make(chan struct{})         // closed once
			result := make(chan relay.Result, 1) // read below
			go func() {
				result <- contact.Interrupt(t.Context(), relay.Interruption{Seq: 1, Duration: asked,
					NotAfter: time.Now().Add(time.Second),
					Opened:   func(time.Time) { <-heard }})
			}()
			for range losses {
				<-time.After(100 * time.Millisecond)
				l.lose(false, false)
			}
			<-time.After(50 * time.Millisecond)
			close(heard)
			<-result
			<-time.After(time.Second)
			if open > 0 {
				openFor(t, l.Changes(0), open, open)
			} else {
				openFor(t, l.Changes(0), 200*time.Millisecond, 250*time.Millisecond)
			}
			require.Empty(t, c.Shutdown(background(t)))
		})
	}
}
