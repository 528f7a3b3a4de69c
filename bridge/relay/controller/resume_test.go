package controller_test

import (
	"context"
	"slices"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"clearback/bridge/relay"
	"clearback/bridge/relay/controller"
	"clearback/bridge/relay/relaytest"

	"github.com/stretchr/testify/require"
)

// losingController is a test controller whose connections can be ended and whose readings can be left unanswered.
type losingController struct {
	*testController
	mu     sync.Mutex
	latest *losingDevice
	refuse bool          // refuse new connections
	hang   bool          // leave readings unanswered
	slow   time.Duration // duration of a reading
}

type losingDevice struct {
	*testDevice
	of   *losingController
	lost chan struct{} // closed by lose
}

func (p *losingDevice) Gone() <-chan struct{} { return p.lost }
func (p *losingDevice) Cause() error          { return errGone }

func (p *losingDevice) Do(ctx context.Context, r controller.Request, before func() error) (relay.Level, error) {
	p.of.mu.Lock()
	hangs := p.of.hang && r.Op == controller.Read
	slow := p.of.slow
	p.of.mu.Unlock()
	if r.Op == controller.Read {
		<-time.After(slow)
	}
	if hangs {
		if err := before(); err != nil {
			return relay.LevelUnknown, err
		}
		<-ctx.Done()
		return relay.LevelUnknown, context.Cause(ctx)
	}
	return p.testDevice.Do(ctx, r, before)
}

func (l *losingController) connect(context.Context) (controller.Session, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.refuse {
		return nil, errGone
	}
	l.latest = &losingDevice{testDevice: &testDevice{l.testController, 0, make(chan struct{}), new(sync.Once)}, of: l,
		lost: make(chan struct{})}
	return controller.NewDeviceSession(l.latest, timeout), nil
}

// lose ends the connection like a reset. As set does, it also says how the next connections behave.
func (l *losingController) lose(refuse, hang bool) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.refuse, l.hang = refuse, hang
	close(l.latest.lost)
}

func (l *losingController) set(refuse, hang bool) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.refuse, l.hang = refuse, hang
}

const asked = 800 * time.Millisecond

// onLosing opens the first of two contacts of a timed controller for [asked], on virtual time, and calls meanwhile
// during the opening.
func onLosing(t *testing.T, timed controller.Timed, meanwhile func(*testing.T, *losingController,
	[2]*controller.Contact),
	then func(*testing.T, relay.Result, []relaytest.Change, []relay.NoticeKind)) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		l := &losingController{testController: newTestController(false)}
		l.timed = true
		var mu sync.Mutex
		var notices []relay.NoticeKind
		c := controller.New(controller.Options{Name: "bench", At: "here", Timeout: timeout, Poll: time.Hour,
			NoLock: true, Connect: l.connect,
			Notify: func(n relay.Notice) { mu.Lock(); defer mu.Unlock(); notices = append(notices, n.Kind) }})
		timed.Quantum, timed.Limit = time.Millisecond, 10*time.Second
		var contacts [2]*controller.Contact
		for i, line := range []string{relaytest.LineA, relaytest.LineB} {
			var err error
			contacts[i], err = c.Contact(controller.ContactOptions{Name: line, Kind: relay.KindOneshot, Timed: &timed})
			require.NoError(t, err)
		}
		c.Start()
		defer func() { require.Empty(t, c.Shutdown(background(t))) }()
		require.NoError(t, c.Ready(background(t)))
		l.began = time.Now()
		result := make(chan relay.Result, 1) // read below
		go func() {
			result <- contacts[0].Interrupt(t.Context(), relay.Interruption{Seq: 1, Duration: asked,
				NotAfter: time.Now().Add(time.Second)})
		}()
		synctest.Wait()
		meanwhile(t, l, contacts)
		r := <-result
		<-time.After(2 * asked) // all owed closes are done
		mu.Lock()
		seen := slices.Clone(notices)
		mu.Unlock()
		require.False(t, l.isOpen(0))
		then(t, r, l.Changes(0), seen)
	})
}

func (b *testController) isOpen(line int) bool {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.open[line]
}

// lastOf returns a contact's last request that was not a reading.
func (b *testController) lastOf(line int) (op controller.Op) {
	b.mu.Lock()
	defer b.mu.Unlock()
	for _, r := range b.log {
		if r.Contact == line && r.Op != controller.Read {
			op = r.Op
		}
	}
	return op
}

func (l *losingController) at(d time.Duration) { <-time.After(time.Until(l.began.Add(d))) }

// openFor requires that the contact opened and closed once, and that the opening lasted between from and to.
func openFor(t *testing.T, changes []relaytest.Change, from, to time.Duration) {
	t.Helper()
	require.Len(t, changes, 2)
	d := changes[1].At - changes[0].At
	require.True(t, from <= d && d <= to, "open for %v, want %v to %v", d, from, to)
}

var outlasts = controller.Timed{SurvivesLoss: true}

// SAFETY.md S35: an opening that the board itself ends continues if its connection is lost and the next connection
// reads the contact open.
func TestALostConnectionDoesNotEndATimedOpening(t *testing.T) {
	for name, back := range map[string]time.Duration{"at once": 0, "after 20 ms": 20 * time.Millisecond,
		"just in time": 79 * time.Millisecond} {
		t.Run(name, func(t *testing.T) {
			onLosing(t, outlasts, func(_ *testing.T, l *losingController, _ [2]*controller.Contact) {
				for _, d := range []time.Duration{200, 500} { // lose the connection more than once
					l.at(d * time.Millisecond)
					l.lose(back > 0, false)
					<-time.After(back)
					l.set(false, false)
				}
			}, func(t *testing.T, r relay.Result, changes []relaytest.Change, seen []relay.NoticeKind) {
				require.Equal(t, relay.Done, r.Outcome, r.Err)
				// The contact was read at the instant of the closing or at the next reading.
				require.Contains(t, []time.Duration{asked, asked + 20*time.Millisecond}, r.OpenFor)
				openFor(t, changes, asked, asked)
				require.Equal(t, []relay.NoticeKind{relay.LinkLost, relay.LinkBack, relay.LinkLost, relay.LinkBack},
					seen)
			})
		})
	}
}

// The next connection does not wait for a pause, since the time for the read-back is short.
func TestTheNextConnectionForAnOpeningIsMadeAtOnce(t *testing.T) {
	onLosing(t, outlasts, func(t *testing.T, l *losingController, contacts [2]*controller.Contact) {
		l.at(200 * time.Millisecond)
		l.lose(false, false)
		<-time.After(time.Millisecond)
		level, err := contacts[0].Read(t.Context())
		require.NoError(t, err, "connected")
		require.Equal(t, relay.LevelOpen, level)
	}, func(t *testing.T, r relay.Result, changes []relaytest.Change, _ []relay.NoticeKind) {
		require.Equal(t, relay.Done, r.Outcome, r.Err)
		openFor(t, changes, asked, asked)
	})
}

// An opening that is not read back within 100 ms is closed. So is every opening of a controller that does not end
// openings itself.
func TestALostConnectionEndsAnOpeningThatIsNotReadBack(t *testing.T) {
	const loss = 200 * time.Millisecond
	for name, c := range map[string]struct {
		timed        controller.Timed
		refuse, hang bool
		from, to     time.Duration
	}{
		"a reading without an answer": {outlasts, false, true, loss + 100*time.Millisecond, loss +
			100*time.Millisecond},
		"no connection in time": {outlasts, true, false, loss + 120*time.Millisecond, loss +
			120*time.Millisecond + relay.CloseEvery},
		"one that may not outlast it": {controller.Timed{}, false, false, loss, loss + 100*time.Millisecond},
	} {
		t.Run(name, func(t *testing.T) {
			onLosing(t, c.timed, func(_ *testing.T, l *losingController, _ [2]*controller.Contact) {
				l.at(loss)
				l.lose(c.refuse, c.hang)
				<-time.After(120 * time.Millisecond)
				l.set(false, false)
			}, func(t *testing.T, r relay.Result, changes []relaytest.Change, seen []relay.NoticeKind) {
				require.Equal(t, relay.Unknown, r.Outcome, r.Err)
				require.ErrorIs(t, r.Err, relay.ErrNoAnswer)
				openFor(t, changes, c.from, c.to)
				if c.refuse || c.hang { // otherwise the next connection may have closed it before the alarm
					require.Contains(t, seen, relay.CloseFailing)
				}
			})
		})
	}
}

// The controller closed the contact when the connection was lost, or was reset. The contact was open, but not for as
// long as requested.
func TestAShortOpeningIsNotDone(t *testing.T) {
	onLosing(t, outlasts, func(_ *testing.T, l *losingController, _ [2]*controller.Contact) {
		l.at(200 * time.Millisecond)
		l.Move(0, false)
		l.lose(false, false)
		<-time.After(resumeMost)
		require.Equal(t, controller.Close, l.lastOf(0), "the connection began with the close")
	}, func(t *testing.T, r relay.Result, changes []relaytest.Change, _ []relay.NoticeKind) {
		require.Equal(t, relay.Refused, r.Outcome)
		require.ErrorIs(t, r.Err, relay.ErrShort)
		openFor(t, changes, 200*time.Millisecond, 200*time.Millisecond)
	})
}

// The controller's timer ended with the connection. The contact is closed by command 50 ms after the end, and an alarm
// is given.
func TestAnOpeningThatOutlastsItsTimeIsClosed(t *testing.T) {
	onLosing(t, outlasts, func(_ *testing.T, l *losingController, _ [2]*controller.Contact) {
		l.at(200 * time.Millisecond)
		l.testController.mu.Lock()
		l.timers[0].Stop()
		l.testController.mu.Unlock()
		l.lose(false, false)
	}, func(t *testing.T, r relay.Result, changes []relaytest.Change, seen []relay.NoticeKind) {
		require.Equal(t, relay.Done, r.Outcome, r.Err)
		openFor(t, changes, asked+50*time.Millisecond, asked+50*time.Millisecond)
		require.Contains(t, seen, relay.TimerFailed)
	})
}

// Somebody lifts while there is no connection. The next connection closes before anything else.
func TestACloseWhileTheConnectionIsAway(t *testing.T) {
	onLosing(t, outlasts, func(t *testing.T, l *losingController, contacts [2]*controller.Contact) {
		l.at(200 * time.Millisecond)
		l.lose(true, false)
		<-time.After(30 * time.Millisecond)
		closed := make(chan error, 1) // read below
		go func() { closed <- contacts[0].Close(t.Context()) }()
		synctest.Wait()
		l.set(false, false)
		require.NoError(t, <-closed)
		require.False(t, l.isOpen(0))
	}, func(t *testing.T, _ relay.Result, changes []relaytest.Change, _ []relay.NoticeKind) {
		openFor(t, changes, 230*time.Millisecond, 230*time.Millisecond+relay.CloseEvery)
	})
}

// Somebody lifts while the next connection reads the contact back. The connection closes the contact as soon as the
// answer arrives.
func TestACloseWhileTheContactIsReadBack(t *testing.T) {
	onLosing(t, outlasts, func(t *testing.T, l *losingController, contacts [2]*controller.Contact) {
		l.at(200 * time.Millisecond)
		l.mu.Lock()
		l.slow = 60 * time.Millisecond
		l.mu.Unlock()
		l.lose(false, false)
		<-time.After(resumeMost)
		go func() { _ = contacts[0].Close(t.Context()) }()
		synctest.Wait()
		require.True(t, l.isOpen(0))
		<-time.After(resumeMost + 60*time.Millisecond)
		require.False(t, l.isOpen(0))
	}, func(t *testing.T, _ relay.Result, changes []relaytest.Change, _ []relay.NoticeKind) {
		openFor(t, changes, 200*time.Millisecond+resumeMost, 200*time.Millisecond+2*resumeMost+60*time.Millisecond)
	})
}

// Only that opening is spared. If another contact of the same controller is found open, it is closed when the
// connection is back.
func TestOthersAreClosedWhenTheConnectionIsBack(t *testing.T) {
	onLosing(t, outlasts, func(t *testing.T, l *losingController, _ [2]*controller.Contact) {
		l.at(200 * time.Millisecond)
		l.lose(true, false)
		l.Move(1, true)
		l.set(false, false)
		<-time.After(resumeMost)
		require.False(t, l.isOpen(1))
		require.True(t, l.isOpen(0))
	}, func(t *testing.T, r relay.Result, changes []relaytest.Change, _ []relay.NoticeKind) {
		require.Equal(t, relay.Done, r.Outcome, r.Err)
		openFor(t, changes, asked, asked)
	})
}

// resumeMost is the longest time from a loss to the next connection, if nothing refuses it.
const resumeMost = 25 * time.Millisecond
