package agent

import (
	"errors"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"

	"clearback/bridge/relay"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// output is an output whose failures a test can set. It records its movements and their times.
type output struct {
	mu       sync.Mutex
	open     bool
	moves    []move
	opened   int           // number of times that it was opened
	slow     time.Duration // duration of an opening
	slowGet  time.Duration // duration of a read-back
	setFails error
	getFails error
	hang     chan struct{} // if not nil, an opening waits for it
	hangGet  chan struct{} // if not nil, a read-back waits for it
	stuck    bool          // a close has no effect
	panics   bool
}

type move struct {
	open bool
	at   time.Time
}

func (o *output) Set(open bool) error {
	o.mu.Lock()
	hang, slow := o.hang, o.slow
	o.mu.Unlock()
	if open && hang != nil {
		<-hang
	}
	if open && slow > 0 {
		t := time.NewTimer(slow)
		<-t.C
	}
	o.mu.Lock()
	defer o.mu.Unlock()
	if o.panics && open {
		panic("the stage is on fire")
	}
	if o.setFails != nil {
		return o.setFails
	}
	if !open && o.stuck {
		return nil
	}
	if o.open != open {
		o.moves = append(o.moves, move{open, time.Now()})
	}
	o.open = open
	return nil
}

func (o *output) Get() (bool, error) {
	o.mu.Lock()
	hang, slow := o.hangGet, o.slowGet
	o.mu.Unlock()
	if hang != nil {
		<-hang
	}
	if slow > 0 {
		<-time.After(slow)
	}
	o.mu.Lock()
	defer o.mu.Unlock()
	return o.open, o.getFails
}

func (o *output) Current() (bool, error) {
	open, err := o.Get()
	return !open, err
}

func (o *output) Close() error { return nil }

func (o *output) isOpen() bool {
	o.mu.Lock()
	defer o.mu.Unlock()
	return o.open
}

func (o *output) set(f func()) {
	o.mu.Lock()
	defer o.mu.Unlock()
	f()
}

// lengths returns the lengths of the openings so far.
func (o *output) lengths() (all []time.Duration) {
	o.mu.Lock()
	defer o.mu.Unlock()
	for i := 1; i < len(o.moves); i++ {
		if !o.moves[i].open {
			all = append(all, o.moves[i].at.Sub(o.moves[i-1].at))
		}
	}
	return all
}

// testBed is an agent with one contact. In a synctest bubble it uses virtual time.
type testBed struct {
	*Agent
	c       *Contact
	out     *output
	m       *Master
	mu      sync.Mutex
	notices []NoticeKind
}

func newTestBed(t *testing.T, out *output) *testBed {
	t.Helper()
	r := &testBed{out: out, m: NewMaster("test")}
	var err error
	r.Agent, err = New(Options{MaxInterval: 2 * time.Second, plain: true, Notify: func(n Notice) {
		r.mu.Lock()
		defer r.mu.Unlock()
		r.notices = append(r.notices, n.Kind)
	}})
	require.NoError(t, err)
	r.c, err = r.Contact(ContactOptions{Name: "box-office", Senses: true, Open: func() (Output, error) {
		out.set(func() { out.opened++ })
		return out, nil
	}})
	require.NoError(t, err)
	r.Start()
	require.Empty(t, r.Ready(t.Context()))
	t.Cleanup(func() { r.Shutdown(t.Context()) })
	return r
}

func (r *testBed) end(t *testing.T) { require.Empty(t, r.Shutdown(t.Context())) }

func (r *testBed) pulse(seq uint32, d time.Duration) error {
	return r.c.Pulse(r.m, Command{Seq: seq, For: d})
}

func (r *testBed) told() []NoticeKind {
	r.mu.Lock()
	defer r.mu.Unlock()
	return append([]NoticeKind(nil), r.notices...)
}

const ms = time.Millisecond

// on runs f with a new test bed on virtual time.
func on(t *testing.T, out *output, f func(t *testing.T, r *testBed)) {
	synctest.Test(t, func(t *testing.T) {
		r := newTestBed(t, out)
		f(t, r)
		r.end(t)
		require.False(t, out.isOpen(), "the loop is closed last")
	})
}

func sleep(d time.Duration) {
	time.Sleep(d) // virtual
	synctest.Wait()
}

func TestContactIsClosedAtTheStart(t *testing.T) {
	out := &output{open: true}
	on(t, out, func(t *testing.T, r *testBed) {
		require.False(t, out.isOpen())
		require.Equal(t, State{Level: relay.LevelClosed}, r.c.State())
	})
}

func TestTimedExactly(t *testing.T) {
	out := &output{}
	on(t, out, func(t *testing.T, r *testBed) {
		require.NoError(t, r.pulse(7, 300*ms))
		require.Equal(t, State{Level: relay.LevelOpen, Seq: 7, HasSeq: true, Last: OutcomeOpen, Left: 300 * ms,
			Pulses: 1}, r.c.State())
		sleep(300*ms - 1)
		require.True(t, out.isOpen())
		sleep(1)
		require.False(t, out.isOpen())
		require.Equal(t, State{Level: relay.LevelClosed, Seq: 7, HasSeq: true, Last: OutcomeDone, Measured: 300 * ms,
			Pulses: 1}, r.c.State())
	})
}

func TestRepeatHasNoEffect(t *testing.T) {
	out := &output{}
	on(t, out, func(t *testing.T, r *testBed) {
		require.NoError(t, r.pulse(7, 300*ms))
		sleep(200 * ms)
		require.NoError(t, r.pulse(7, 300*ms), "the opening is not lengthened")
		sleep(200 * ms)
		require.NoError(t, r.pulse(7, 300*ms), "nor repeated")
		sleep(time.Second)
		require.ErrorIs(t, r.pulse(8, 5*time.Second), ErrTooLong)
		require.ErrorIs(t, r.pulse(8, 300*ms), ErrTooLong, "the result of the first command")
		sleep(time.Second)
		require.Equal(t, []time.Duration{300 * ms}, out.lengths())
	})
}

func TestLaterEndCounts(t *testing.T) {
	out := &output{}
	on(t, out, func(t *testing.T, r *testBed) {
		require.NoError(t, r.pulse(1, 300*ms))
		sleep(100 * ms)
		require.NoError(t, r.pulse(2, 300*ms))
		require.NoError(t, r.pulse(3, 50*ms))
		sleep(time.Second)
		require.Equal(t, []time.Duration{400 * ms}, out.lengths())
		require.EqualValues(t, 1, r.c.State().Pulses)
	})
}

func TestNeverLongerThanMaxInterval(t *testing.T) {
	out := &output{}
	on(t, out, func(t *testing.T, r *testBed) {
		require.ErrorIs(t, r.pulse(1, 2*time.Second+1), ErrTooLong)
		require.Equal(t, OutcomeTooLong, r.c.State().Last)
		require.False(t, out.isOpen())
		require.NoError(t, r.pulse(2, 2*time.Second))
		for seq := range uint32(19) { // together they would keep the loop open for ever
			sleep(100 * ms)
			require.ErrorIs(t, r.pulse(3+seq, 2*time.Second), ErrTooLong)
		}
		sleep(time.Second)
		require.Equal(t, []time.Duration{2 * time.Second}, out.lengths())
	})
}

func TestShorterCommandDoesNotCloseEarly(t *testing.T) {
	out := &output{}
	on(t, out, func(t *testing.T, r *testBed) {
		require.NoError(t, r.pulse(1, time.Second))
		sleep(200 * ms)
		require.NoError(t, r.pulse(2, 0))
		require.False(t, out.isOpen())
		require.Equal(t, OutcomeClosed, r.c.State().Last)
		require.NoError(t, r.pulse(3, time.Second))
		sleep(300 * ms)
		require.NoError(t, r.c.Close(NewMaster("another")))
		require.Equal(t, OutcomeClosed, r.c.State().Last)
		require.Equal(t, -700*ms, r.c.State().Late)
		sleep(2 * time.Second)
		require.Equal(t, []time.Duration{200 * ms, 300 * ms}, out.lengths())
	})
}

func TestPlainCommandsCountEach(t *testing.T) {
	out := &output{}
	on(t, out, func(t *testing.T, r *testBed) {
		for range 2 {
			require.NoError(t, r.c.Pulse(r.m, Command{Plain: true, For: 100 * ms}))
			sleep(time.Second)
		}
		require.Equal(t, []time.Duration{100 * ms, 100 * ms}, out.lengths())
		require.False(t, r.c.State().HasSeq)
	})
}

func TestWatchdog(t *testing.T) {
	out := &output{}
	on(t, out, func(t *testing.T, r *testBed) {
		require.NoError(t, r.SetWatchdog(500*ms))
		require.NoError(t, r.pulse(1, 2*time.Second))
		sleep(400 * ms)
		r.m.Heard()
		sleep(500*ms - 1)
		require.True(t, out.isOpen())
		sleep(1)
		require.Equal(t, []time.Duration{900 * ms}, out.lengths())
		require.Equal(t, OutcomeWatchdog, r.c.State().Last)
		require.Equal(t, []NoticeKind{MasterQuiet}, r.told())

		require.NoError(t, r.pulse(2, 1500*ms))
		other := NewMaster("another")
		for range 10 { // another master's requests do not count
			sleep(100 * ms)
			other.Heard()
		}
		require.Equal(t, 500*ms, out.lengths()[1])

		require.NoError(t, r.pulse(3, 1500*ms))
		require.NoError(t, r.SetWatchdog(200*ms), "for the opening under way too")
		sleep(time.Second)
		require.Equal(t, 200*ms, out.lengths()[2])
		require.ErrorIs(t, r.SetWatchdog(0), ErrOptions)
	})
}

func TestCloseIsRepeatedUntilItSucceeds(t *testing.T) {
	out := &output{}
	broken := errors.New("no such device")
	on(t, out, func(t *testing.T, r *testBed) {
		require.NoError(t, r.pulse(1, 100*ms))
		out.set(func() { out.setFails = broken })
		sleep(150 * ms)
		s := r.c.State()
		require.Equal(t, relay.LevelUnknown, s.Level)
		require.ErrorIs(t, s.Fault, broken)
		require.ErrorIs(t, r.pulse(2, 100*ms), ErrOutput)
		require.NotZero(t, r.Health()&HealthOutput)
		require.True(t, out.isOpen())
		out.set(func() { out.setFails = nil })
		sleep(retryEvery)
		require.False(t, out.isOpen())
		require.NoError(t, r.pulse(3, 100*ms))
		sleep(time.Second)
		require.Equal(t, OutcomeDone, r.c.State().Last)
		require.Zero(t, r.Health())
		require.Equal(t, []NoticeKind{OutputFailed, OutputBack, ClosedLate}, r.told())
	})
}

// An output that confirms the close but does not move does not count as closed.
func TestCloseIsReadBack(t *testing.T) {
	out := &output{}
	on(t, out, func(t *testing.T, r *testBed) {
		require.NoError(t, r.pulse(1, 100*ms))
		out.set(func() { out.stuck = true })
		sleep(time.Second)
		require.Equal(t, relay.LevelUnknown, r.c.State().Level)
		require.Greater(t, out.opened, 3, "a fresh output each time")
		out.set(func() { out.stuck = false })
		sleep(retryEvery)
		require.Equal(t, relay.LevelClosed, r.c.State().Level)
	})
}

func TestOutputThatOpensByItselfIsClosed(t *testing.T) {
	out := &output{}
	on(t, out, func(t *testing.T, r *testBed) {
		out.set(func() { out.open = true })
		level, err := r.c.Read()
		require.NoError(t, err)
		require.Equal(t, relay.LevelOpen, level)
		require.False(t, out.isOpen())
		require.Equal(t, []NoticeKind{OutputFailed}, r.told())
	})
}

// The watchdog is not fed while a thread hangs.
func TestFeed(t *testing.T) {
	out := &output{}
	on(t, out, func(t *testing.T, r *testBed) {
		var fed atomic.Int32
		r.Feed(100*ms, func() { fed.Add(1) })
		sleep(time.Second)
		require.EqualValues(t, 10, fed.Load())
		hang := make(chan struct{})
		out.set(func() { out.hangGet = hang })
		_, err := r.c.Read()
		require.ErrorIs(t, err, ErrHung)
		before := fed.Load()
		sleep(time.Second)
		require.LessOrEqual(t, fed.Load(), before+1)
		require.Equal(t, []NoticeKind{WatchdogNotFed}, r.told(), "once")
		close(hang)
		sleep(time.Second)
		require.GreaterOrEqual(t, fed.Load(), before+9)
	})
}

func TestEmergency(t *testing.T) {
	out := &output{}
	on(t, out, func(t *testing.T, r *testBed) {
		require.NoError(t, r.pulse(1, time.Second))
		sleep(100 * ms)
		r.Emergency()
		require.False(t, out.isOpen())
		require.ErrorIs(t, r.pulse(2, time.Second), ErrStopping)
		require.False(t, out.isOpen())
	})
}

func TestGuardClosesBeforeThePanicGoesOn(t *testing.T) {
	out := &output{}
	on(t, out, func(t *testing.T, r *testBed) {
		require.NoError(t, r.pulse(1, time.Second))
		require.PanicsWithValue(t, "the stage is on fire", func() { r.Guard(func() { panic("the stage is on fire") }) })
		require.False(t, out.isOpen())
	})
}

func TestShutdownCloses(t *testing.T) {
	out := &output{}
	on(t, out, func(t *testing.T, r *testBed) {
		require.NoError(t, r.pulse(1, time.Second))
		sleep(10 * ms)
		r.end(t)
		require.Equal(t, []time.Duration{10 * ms}, out.lengths())
		require.Equal(t, OutcomeStopped, r.c.State().Last)
		require.ErrorIs(t, r.pulse(2, time.Second), ErrStopping)
	})
}

func TestShutdownTellsWhatIsNotClosed(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		out := &output{}
		r := newTestBed(t, out)
		require.NoError(t, r.pulse(1, time.Second))
		out.set(func() { out.setFails = errors.New("unplugged") })
		left := r.Shutdown(t.Context())
		require.Len(t, left, 1)
		require.Equal(t, "box-office", left[0].Contact)
		require.ErrorContains(t, left[0].Err, "unplugged")
	})
}

// OnChange reports the changes in order, and the last report is the final state.
func TestChanges(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		a, err := New(Options{MaxInterval: time.Second, plain: true})
		require.NoError(t, err)
		c, err := a.Contact(ContactOptions{Name: "workshop", Open: func() (Output, error) { return NewSimulated("") }})
		require.NoError(t, err)
		var levels []relay.Level
		a.OnChange(func(c *Contact) { levels = append(levels, c.State().Level) })
		a.Start()
		require.Empty(t, a.Ready(t.Context()))
		require.NoError(t, c.Pulse(NewMaster("test"), Command{Seq: 1, For: ms}))
		sleep(time.Second)
		require.Empty(t, a.Shutdown(t.Context()))
		require.Equal(t, relay.LevelClosed, levels[0])
		require.Contains(t, levels, relay.LevelOpen)
		require.Equal(t, relay.LevelClosed, levels[len(levels)-1])
		_, err = c.Current()
		require.ErrorIs(t, err, relay.ErrNoSense)
	})
}
