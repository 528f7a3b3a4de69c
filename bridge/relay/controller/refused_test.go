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

var (
	errNo = errors.New("the device says no")
	no    = &controller.Refusal{Cause: errNo, Sure: true}
)

// atOnce returns a device without delays that answers each request with the result of acts.
func atOnce(acts func(d *dialled, op controller.Op) error) *dialled {
	d := &dialled{dials: func(controller.Op) time.Duration { return 0 }}
	d.acts = func(_ context.Context, op controller.Op) error { return acts(d, op) }
	return d
}

// isOpen reports whether the device's last command was to open.
func (d *dialled) isOpen() bool {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.open
}

// TestBeforeTheStart checks that a controller refuses requests before Start, and that omitted options have defaults.
func TestBeforeTheStart(t *testing.T) {
	connect := func(context.Context) (controller.Session, error) { return nil, errGone }
	b := controller.New(controller.Options{Name: "loft", At: "192.0.2.50:502", Timeout: time.Second, Poll: time.Minute,
		Connect: connect})
	claim := relaytest.ProcessName(t.Name())
	c, err := b.Contact(controller.ContactOptions{Name: "box-office", Claim: claim, Kind: relay.KindWatchdog})
	require.NoError(t, err)
	require.Equal(t, relay.KindWatchdog, c.Kind())
	_, err = b.Contact(controller.ContactOptions{Name: "stage-door", Claim: claim})
	require.ErrorIs(t, err, relay.ErrLocked)
	require.ErrorContains(t, err, "controller loft: line stage-door: ")
	_, err = c.Read(t.Context())
	require.ErrorIs(t, err, relay.ErrUnreachable)
	require.ErrorContains(t, err, "line box-office: controller loft at 192.0.2.50:502: ")
	require.ErrorContains(t, err, "not connected yet")
	_, err = c.Sense(t.Context())
	require.ErrorIs(t, err, relay.ErrNoSense)
	_, err = b.Session()
	require.ErrorIs(t, err, relay.ErrUnreachable)
	ended, cancel := context.WithCancel(t.Context())
	cancel()
	require.ErrorIs(t, b.Ready(ended), relay.ErrUnreachable)
	for _, d := range []time.Duration{0, -1} {
		r := c.Interrupt(t.Context(), relay.Interruption{Seq: 1, Duration: d, NotAfter: time.Now().Add(time.Hour)})
		require.Equal(t, relay.Refused, r.Outcome)
		require.ErrorContains(t, r.Err, "it must be longer than 0")
	}
	r := c.Interrupt(t.Context(), opening(1))
	require.Equal(t, relay.Refused, r.Outcome)
	require.ErrorIs(t, r.Err, relay.ErrUnreachable)

	require.Empty(t, b.Shutdown(t.Context()))
	b.Start()
	_, err = b.Contact(controller.ContactOptions{Name: "green-room"})
	require.ErrorContains(t, err,
		"controller loft at 192.0.2.50:502: the contact of line green-room was added after the start")
	r = c.Interrupt(t.Context(), opening(1))
	require.ErrorIs(t, r.Err, relay.ErrStopped)
	again := controller.New(controller.Options{Name: "loft", Connect: connect})
	_, err = again.Contact(controller.ContactOptions{Name: "box-office", Claim: claim})
	require.NoError(t, err, "the contact can be claimed again")
	require.Empty(t, again.Shutdown(t.Context()))
}

// TestReadAndSense checks that Read and Sense return the device's answer or its error.
func TestReadAndSense(t *testing.T) {
	var refuse error
	d := atOnce(func(*dialled, controller.Op) error { return refuse })
	onDialled(t, d, func(o *controller.Options, co *controller.ContactOptions) {
		co.Senses = true
	}, func(t *testing.T, c *controller.Contact) {
		for _, open := range []bool{true, false} {
			d.mu.Lock()
			d.open = open
			d.mu.Unlock()
			want := relay.LevelClosed
			if open {
				want = relay.LevelOpen
			}
			level, err := c.Read(t.Context())
			require.NoError(t, err)
			require.Equal(t, want, level)
			level, err = c.Sense(t.Context())
			require.NoError(t, err)
			require.Equal(t, want, level)
		}
		refuse = no
		level, err := c.Read(t.Context())
		require.ErrorIs(t, err, errNo)
		require.ErrorContains(t, err, "line box-office: reading the contact: ")
		require.Equal(t, relay.LevelUnknown, level)
		level, err = c.Sense(t.Context())
		require.ErrorIs(t, err, errNo)
		require.ErrorContains(t, err, "line box-office: reading the input: ")
		require.Equal(t, relay.LevelUnknown, level)
		refuse = nil
	})
	onDialled(t, d, func(_ *controller.Options, co *controller.ContactOptions) { co.Blind = true },
		func(t *testing.T, c *controller.Contact) {
			_, err := c.Read(t.Context())
			require.ErrorIs(t, err, relay.ErrNoRead)
		})
}

// TestLimitOfATimedContact checks that an opening as long as the limit is made, in whole quanta, and that a longer one
// is refused.
func TestLimitOfATimedContact(t *testing.T) {
	d := atOnce(func(*dialled, controller.Op) error { return nil })
	onDialled(t, d, func(_ *controller.Options, co *controller.ContactOptions) {
		co.Blind, co.Timed = true, &controller.Timed{Quantum: 100 * time.Millisecond, Limit: 500 * time.Millisecond}
	}, func(t *testing.T, c *controller.Contact) {
		i := opening(1)
		i.Duration = 500*time.Millisecond + 1
		r := c.Interrupt(t.Context(), i)
		require.Equal(t, relay.Refused, r.Outcome)
		require.ErrorContains(t, r.Err, "the controller's limit is set to 500ms")
		require.Zero(t, d.opened())
		i.Duration = 401 * time.Millisecond
		r = c.Interrupt(t.Context(), i)
		require.Equal(t, relay.Done, r.Outcome, r.Err)
		require.Equal(t, 500*time.Millisecond, r.OpenFor)
	})
}

// TestWaitingForItsTurn checks that an opening that waits behind another contact's request is given up at its NotAfter,
// or when its context ends.
func TestWaitingForItsTurn(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newTestController(false)
		d := newDriver(t, b, false, controller.Options{Poll: time.Hour, NoLock: true}, nil)
		d.group.Start()
		require.NoError(t, d.group.Ready(background(t)))
		b.Inject(relaytest.Fault{Do: relaytest.Delay, On: relaytest.Opening, Once: true, Delay: timeout / 2})
		first := make(chan relay.Result, 1) // read below
		go func() { first <- d.contacts[0].Interrupt(t.Context(), opening(1)) }()
		synctest.Wait()
		began := time.Now()
		i := opening(2)
		i.NotAfter = began.Add(timeout / 4)
		r := d.contacts[1].Interrupt(t.Context(), i)
		require.Equal(t, relay.Refused, r.Outcome)
		require.ErrorIs(t, r.Err, relay.ErrLate)
		require.Equal(t, timeout/4, time.Since(began))
		ctx, cancel := context.WithTimeout(t.Context(), timeout/8)
		defer cancel()
		r = d.contacts[1].Interrupt(ctx, opening(3))
		require.ErrorIs(t, r.Err, relay.ErrStopped)
		require.Equal(t, timeout*3/8, time.Since(began))
		r = d.contacts[0].Interrupt(t.Context(), opening(4))
		require.ErrorContains(t, r.Err, "an opening is under way")
		is, ends, _ := d.contacts[0].UnderWay()
		require.True(t, is)
		require.Zero(t, ends, "not confirmed yet")
		<-time.After(timeout)
		_, ends, _ = d.contacts[0].UnderWay()
		require.Equal(t, began.Add(timeout/2+800*time.Millisecond), ends)
		require.Equal(t, relay.Done, (<-first).Outcome)
		is, _, after := d.contacts[0].UnderWay()
		require.False(t, is)
		require.Equal(t, time.Now(), after)
		d.group.Shutdown(background(t))
	})
}

// TestTheLastInstant checks that an opening that need not wait is written even at the exact instant of its NotAfter. A
// later opening is refused with its lateness.
func TestTheLastInstant(t *testing.T) {
	d := atOnce(func(_ *dialled, op controller.Op) error {
		if op == controller.Open {
			return no
		}
		return nil
	})
	onDialled(t, d, nil, func(t *testing.T, c *controller.Contact) {
		for n := range 20 { // repeated, so that a random choice would show
			synctest.Wait() // the previous request has released the slot
			i := opening(1)
			i.NotAfter = time.Now()
			require.ErrorIs(t, c.Interrupt(t.Context(), i).Err, errNo)
			require.Equal(t, n+1, d.opened())
			synctest.Wait()
			i.NotAfter = time.Now().Add(-time.Millisecond)
			r := c.Interrupt(t.Context(), i)
			require.ErrorIs(t, r.Err, relay.ErrLate)
			require.ErrorContains(t, r.Err, ", by 1ms")
			require.Equal(t, n+1, d.opened())
		}
	})
}

// TestWithdrawnBeforeItsAnswer checks the result of an opening that a close has overtaken, for each answer to the
// opening and to the close.
func TestWithdrawnBeforeItsAnswer(t *testing.T) {
	for name, c := range map[string]struct {
		opening, closing error
		closedLevel      relay.Level
		outcome          relay.Outcome
	}{
		"both done":                    {outcome: relay.Done},
		"opening refused":              {opening: no, outcome: relay.Refused},
		"opening refused, perhaps":     {opening: &controller.Refusal{Cause: errNo}, outcome: relay.Unknown},
		"closing refused":              {closing: no, outcome: relay.Unknown},
		"both refused":                 {opening: no, closing: no, outcome: relay.Unknown},
		"opening without a connection": {opening: errGone, outcome: relay.Unknown},
	} {
		t.Run(name, func(t *testing.T) {
			var mu sync.Mutex
			var began time.Time
			d := atOnce(nil)
			d.acts = func(_ context.Context, op controller.Op) error {
				mu.Lock()
				during := !began.IsZero() && time.Since(began) < time.Second
				if op == controller.Open {
					began = time.Now()
				}
				mu.Unlock()
				switch {
				case op == controller.Open:
					<-time.After(300 * time.Millisecond)
					return c.opening
				case op == controller.Close && during:
					return c.closing
				}
				return nil
			}
			var told []time.Time
			onDialled(t, d, nil, func(t *testing.T, contact *controller.Contact) {
				ctx, cancel := context.WithTimeout(t.Context(), 100*time.Millisecond)
				defer cancel()
				i := opening(1)
				i.Opened = func(at time.Time) { told = append(told, at) }
				start := time.Now()
				r := contact.Interrupt(ctx, i)
				require.Equal(t, c.outcome, r.Outcome, r.Err)
				if c.outcome == relay.Done {
					require.Equal(t, []time.Time{start.Add(300 * time.Millisecond)}, told)
					require.Equal(t, -200*time.Millisecond, r.OpenFor, "the close went first")
				} else {
					require.Empty(t, told)
				}
				<-time.After(2 * time.Second)
				require.False(t, d.isOpen())
				mayOpen(t, contact)
			})
		})
	}
}

// TestReadBackFails checks that an opening whose read-back fails in any way does not count as done, and that its
// contact is closed.
func TestReadBackFails(t *testing.T) {
	type turn struct {
		after time.Duration
		err   error
		level relay.Level
	}
	for name, c := range map[string]struct {
		reads   []turn // results of the read-backs after the opening; later ones succeed
		closing error  // result of the first close after the opening
		blind   bool
		outcome relay.Outcome
		says    string
	}{
		"refused while open": {reads: []turn{{err: no}}, outcome: relay.Unknown, says: "open: "},
		"refused after the end": {reads: []turn{{after: 900 * time.Millisecond, err: no}}, outcome: relay.Unknown,
			says: "reading back the opening: "},
		"closed": {reads: []turn{{level: relay.LevelClosed}}, outcome: relay.Refused,
			says: "opening: "},
		"closed, close refused": {reads: []turn{{level: relay.LevelClosed}}, closing: no, outcome: relay.Unknown,
			says: "closing: "},
		"open again after the end": {reads: []turn{{level: relay.LevelOpen}, {level: relay.LevelOpen}},
			outcome: relay.Unknown, says: "closing: "},
		"end refused": {reads: []turn{{level: relay.LevelOpen}, {err: no}}, outcome: relay.Unknown,
			says: "closing: "},
		"close refused": {reads: []turn{{level: relay.LevelOpen}}, closing: no, outcome: relay.Unknown,
			says: "closing: "},
		"close refused, blind": {blind: true, closing: no, outcome: relay.Unknown, says: "closing: "},
		"read open and then closed": {reads: []turn{{level: relay.LevelOpen}, {level: relay.LevelClosed}},
			outcome: relay.Done},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				s := &levels{}
				var mu sync.Mutex
				reads, closing, opened := c.reads, c.closing, false
				s.do = func(op controller.Op) (relay.Level, error) {
					mu.Lock()
					defer mu.Unlock()
					switch {
					case op == controller.Open:
						opened = true
					case !opened:
					case op == controller.Close && closing != nil:
						err := closing
						closing = nil
						return 0, err
					case op == controller.Read && len(reads) > 0:
						now := reads[0]
						reads = reads[1:]
						mu.Unlock()
						<-time.After(now.after)
						mu.Lock()
						return now.level, now.err
					}
					return relay.LevelClosed, nil
				}
				b := controller.New(controller.Options{Name: "loft", At: "here", Timeout: 2 * time.Second,
					Poll: time.Hour, NoLock: true,
					Connect: func(context.Context) (controller.Session, error) {
						return controller.NewDeviceSession(s, 2*time.Second), nil
					}})
				contact, err := b.Contact(controller.ContactOptions{Name: "box-office", Blind: c.blind})
				require.NoError(t, err)
				b.Start()
				require.NoError(t, b.Ready(t.Context()))
				r := contact.Interrupt(t.Context(), opening(1))
				require.Equal(t, c.outcome, r.Outcome, r.Err)
				if c.outcome != relay.Done {
					require.ErrorContains(t, r.Err, "line box-office: "+c.says)
				}
				again := contact.Interrupt(t.Context(), opening(1))
				require.Equal(t, r, again, "the same command again has the same result")
				require.NoError(t, contact.Close(t.Context()))
				mayOpen(t, contact)
				require.Empty(t, b.Shutdown(t.Context()))
			})
		})
	}
}

// levels is a device whose answers come from a function.
type levels struct {
	do func(controller.Op) (relay.Level, error)
}

func (l *levels) Do(_ context.Context, r controller.Request, before func() error) (relay.Level, error) {
	if err := before(); err != nil {
		return relay.LevelUnknown, err
	}
	return l.do(r.Op)
}

func (*levels) Close() error { return nil }

// TestEndOfATimedOpening checks that a timed contact is read until it is closed, and closed by command if the opening
// does not end in time or must end early.
func TestEndOfATimedOpening(t *testing.T) {
	const quantum = 10 * time.Millisecond
	for name, c := range map[string]struct {
		closes  time.Duration // time from the opening until the contact reads closed; 0: only after a command
		fails   bool          // the reads after the end fail
		stop    time.Duration // time until the opening is withdrawn; 0: never
		outcome relay.Outcome
		openFor time.Duration
		notices int
	}{
		"in time":           {closes: 800 * time.Millisecond, outcome: relay.Done, openFor: 800 * time.Millisecond},
		"a little late":     {closes: 850 * time.Millisecond, outcome: relay.Done, openFor: 860 * time.Millisecond},
		"never":             {outcome: relay.Done, openFor: 900 * time.Millisecond, notices: 1},
		"read-back refused": {fails: true, outcome: relay.Unknown},
		"withdrawn":         {stop: 830 * time.Millisecond, outcome: relay.Done, openFor: 830 * time.Millisecond},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				var mu sync.Mutex
				var opened time.Time
				closed := false
				s := &levels{do: func(op controller.Op) (relay.Level, error) {
					mu.Lock()
					defer mu.Unlock()
					since := time.Since(opened)
					switch {
					case op == controller.Open:
						opened = time.Now()
					case op == controller.Close:
						closed = !opened.IsZero()
					case opened.IsZero() || closed || c.closes > 0 && since >= c.closes:
						return relay.LevelClosed, nil
					case c.fails && since >= 800*time.Millisecond:
						return 0, no
					}
					return relay.LevelOpen, nil
				}}
				var notices []relay.Notice
				b := controller.New(controller.Options{Name: "loft", At: "here", Timeout: time.Second, Poll: time.Hour,
					NoLock: true,
					Notify: func(n relay.Notice) { mu.Lock(); defer mu.Unlock(); notices = append(notices, n) },
					Connect: func(context.Context) (controller.Session, error) {
						return controller.NewDeviceSession(s, time.Second), nil
					}})
				contact, err := b.Contact(controller.ContactOptions{Name: "box-office", Kind: relay.KindOneshot,
					Timed: &controller.Timed{Quantum: quantum, Limit: time.Second}})
				require.NoError(t, err)
				b.Start()
				require.NoError(t, b.Ready(t.Context()))
				ctx := t.Context()
				if c.stop > 0 {
					var cancel context.CancelFunc
					ctx, cancel = context.WithTimeout(ctx, c.stop)
					defer cancel()
				}
				r := contact.Interrupt(ctx, opening(1))
				require.Equal(t, c.outcome, r.Outcome, r.Err)
				if c.outcome == relay.Done {
					require.Equal(t, c.openFor, r.OpenFor)
				} else {
					require.ErrorContains(t, r.Err, "reading back the end of the opening")
				}
				mu.Lock()
				require.Len(t, notices, c.notices)
				if c.notices > 0 {
					require.Equal(t, relay.TimerFailed, notices[0].Kind)
					require.Equal(t, "box-office", notices[0].Contact)
					require.Equal(t, "loft", notices[0].Controller)
					require.Equal(t, time.Now(), notices[0].Since)
					require.ErrorContains(t, notices[0].Err, "still open 900ms after the confirmation")
				}
				mu.Unlock()
				require.NoError(t, contact.Close(t.Context()))
				require.Empty(t, b.Shutdown(t.Context()))
			})
		})
	}
}
