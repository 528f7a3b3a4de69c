package bridge

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"go.uber.org/zap"
	"go.uber.org/zap/zaptest/observer"

	"clearback/bridge/relay"
	"clearback/bridge/relay/relaytest"
	"clearback/supervision"
	"clearback/supervision/callrecord"
)

// fakeLoop is the loop of the fake contact: current flows while the near end is off hook and the contact is closed.
type fakeLoop struct {
	offHook atomic.Bool
	broken  atomic.Bool // the input cannot be read, for the reason failure
	failure error
	slow    time.Duration // of one answer
}

var errInput = errors.New("board cabinet: illegal data address")

func (p *fakeLoop) read(open bool) (relay.Level, error) {
	<-time.After(p.slow)
	switch {
	case p.broken.Load():
		return relay.LevelUnknown, p.failure
	case p.offHook.Load() && !open:
		return relay.LevelClosed, nil
	default:
		return relay.LevelOpen, nil
	}
}

// currentEvent is a Seized or Released event, and the time it was posted.
type currentEvent struct {
	at   time.Duration
	kind supervision.EventKind
}

// currentTestBed is a testBed whose contact has a loop-current input.
type currentTestBed struct {
	*testBed
	pair *fakeLoop

	mu   sync.Mutex
	seen []currentEvent
	all  []supervision.EventKind
}

// allEvents returns the events of the current monitor, and the kinds of all events.
func (s *currentTestBed) allEvents() ([]currentEvent, []supervision.EventKind) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return slices.Clone(s.seen), slices.Clone(s.all)
}

// currentEvents returns the events of the current monitor.
func (s *currentTestBed) currentEvents() []currentEvent {
	seen, _ := s.allEvents()
	return seen
}

// last returns the last event of the current monitor.
func (s *currentTestBed) last() currentEvent {
	seen := s.currentEvents()
	return seen[len(seen)-1]
}

// forget discards the events so far.
func (s *currentTestBed) forget() {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.seen, s.all = nil, nil
}

// newCurrentTestBed starts a line whose input takes slow to answer. The hook state is set before the first reading.
func newCurrentTestBed(slow time.Duration, offHook bool) *currentTestBed {
	core, logs := observer.New(zap.DebugLevel)
	s := &currentTestBed{
		testBed: &testBed{callLog: &callLog{}, contact: relaytest.NewFake(relay.KindNone), log: logs,
			began: time.Now()},
		pair: &fakeLoop{slow: slow, failure: errInput},
	}
	s.pair.offHook.Store(offHook)
	s.contact.SenseBy(s.pair.read)
	p := supervision.DefaultPolicy()
	p.Listening = 0 // a hold that stayed counts at once
	p.SenseTrusted = true
	s.Line = NewLine(LineOptions{Name: "box-office", Policy: p, Contact: s.contact, Epoch: s.began,
		Logger: zap.New(core), Sense: true})
	s.Follow(func(e callrecord.Entry) {
		if e.Event.Kind == supervision.EventNone {
			return
		}
		s.mu.Lock()
		defer s.mu.Unlock()
		s.all = append(s.all, e.Event.Kind)
		if e.Event.Kind == supervision.Seized || e.Event.Kind == supervision.Released {
			s.seen = append(s.seen, currentEvent{time.Since(s.began), e.Event.Kind})
		}
	})
	s.Start(s.callLog)
	return s
}

// The first state is posted, whichever it is, once it has lasted as long as any other must. Current that flows from the
// start neither opens nor closes the loop.
func TestSenseFirstState(t *testing.T) {
	for off, want := range map[bool]supervision.EventKind{false: supervision.Released, true: supervision.Seized} {
		synctest.Test(t, func(t *testing.T) {
			s := newCurrentTestBed(0, off)
			s.after(100*time.Millisecond - 1)
			assert.Empty(t, s.currentEvents())
			s.after(100 * time.Millisecond)
			assert.Equal(t, []currentEvent{{100 * time.Millisecond, want}}, s.currentEvents())
			s.after(30 * time.Second)
			assert.Len(t, s.currentEvents(), 1, "a state that lasts is reported once")
			assert.Empty(t, s.contact.Calls())
			s.Stop()
		})
	}
}

// On an idle line the input is read at multiples of 200 ms, the same for all lines. A change that lasts less than 100
// ms is no seizure. So the break of a dial pulse is not seen. It lasts at most 75 ms, the longest that an adapter
// counts (dial pulse settings of RFC 5098, common practice).
func TestSenseAtRest(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := newCurrentTestBed(0, false)
		s.after(10*time.Second + 1)
		n := len(s.contact.SenseTimes())
		for _, at := range s.contact.SenseTimes()[n-20:] {
			assert.Zero(t, at.Sub(s.began)%(200*time.Millisecond))
		}
		s.pair.offHook.Store(true)
		s.after(11 * time.Second)
		assert.Equal(t, currentEvent{10*time.Second + 300*time.Millisecond, supervision.Seized}, s.last())
		told := len(s.currentEvents())
		for range 10 { // ten pulses a second: 66 ms break, 34 ms make
			s.pair.offHook.Store(false)
			<-time.After(66 * time.Millisecond)
			s.pair.offHook.Store(true)
			<-time.After(34 * time.Millisecond)
		}
		s.after(13 * time.Second)
		assert.Len(t, s.currentEvents(), told, "dialling is no hanging up")
		s.Stop()
	})
}

// When a hold stays, the sensor sees the loop open within 75 ms and closed again, the latter only after the contact has
// confirmed the closing. This also holds with a controller that needs 100 ms to answer, at the shortest interval.
func TestSenseSeesTheInterruption(t *testing.T) {
	for _, slow := range []time.Duration{0, 100 * time.Millisecond} {
		synctest.Test(t, func(t *testing.T) {
			s := newCurrentTestBed(slow, true)
			p := supervision.DefaultPolicy()
			p.Listening = 0 // a hold that stayed counts at once
			p.SenseTrusted, p.Interval = true, supervision.IntervalFloor
			s.SetPolicy(p)
			s.after(time.Second)
			s.forget()
			s.answeredCall()
			s.confirmed()
			opened := time.Since(s.began)
			s.after(10 * time.Second)
			seen, all := s.allEvents()
			require.NotEmpty(t, seen)
			assert.Equal(t, supervision.Released, seen[0].kind)
			if slow == 0 {
				assert.LessOrEqual(t, seen[0].at-opened, 75*time.Millisecond)
			}
			assert.LessOrEqual(t, seen[0].at-opened, 250*time.Millisecond+slow,
				"within the interval, as far as the answers let it")
			closed, seized := -1, -1
			for i, k := range all {
				switch k {
				case supervision.LoopClosed:
					closed = i
				case supervision.Seized:
					seized = i
				}
			}
			assert.Less(t, closed, seized, "%v", all)
			assert.NotContains(t, s.texts(), "report cancelled")
			s.Stop()
		})
	}
}

// If the contact reports that it is open while current flows, a telephone bridges the contact. That is a seizure
// (invariant 6), posted once it has lasted.
func TestSenseDuringAnOpening(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := newCurrentTestBed(0, false)
		s.after(time.Second)
		s.answeredCall()
		s.confirmed()
		s.after(1200 * time.Millisecond)
		require.True(t, s.contact.Open())
		s.contact.SenseBy(func(bool) (relay.Level, error) { return relay.LevelClosed, nil })
		s.forget()
		s.after(1200*time.Millisecond + 250*time.Millisecond - 1)
		assert.Empty(t, s.currentEvents(), "usually the loop has just closed, and the contact reports that first")
		s.after(1200*time.Millisecond + 275*time.Millisecond)
		require.NotEmpty(t, s.currentEvents())
		assert.Equal(t, supervision.Seized, s.last().kind)
		s.Stop()
	})
}

// inputFailures are the errors of an input that could be read before. The second is the answer of a contact without an
// input, such as one whose controller has new settings.
var inputFailures = []error{errInput, fmt.Errorf("board cabinet: %w", relay.ErrNoSense)}

// An input that cannot be read posts nothing. This is logged once, and once again when the input can be read.
func TestSenseUnreadable(t *testing.T) {
	for _, failure := range inputFailures {
		synctest.Test(t, func(t *testing.T) { testSenseUnreadable(t, failure) })
	}
}

func testSenseUnreadable(t *testing.T, failure error) {
	s := newCurrentTestBed(0, false)
	s.pair.failure = failure
	s.after(time.Second)
	s.forget()
	s.pair.broken.Store(true)
	count := func(words string) (n int) {
		for _, e := range s.log.All() {
			if strings.Contains(e.Message, words) {
				n++
			}
		}
		return n
	}
	s.after(time.Second + senseLost)
	assert.Zero(t, count("cannot be read;"), "a controller that is connected late is no trouble")
	s.after(10 * time.Second)
	assert.Empty(t, s.currentEvents())
	assert.Equal(t, 1, count("cannot be read;"))
	assert.Contains(t, s.texts(), "current-unreadable", "the machine knows it")
	assert.Zero(t, count("can be read again"))
	s.pair.broken.Store(false)
	s.pair.offHook.Store(true)
	s.after(11 * time.Second)
	assert.Equal(t, 1, count("cannot be read;"))
	assert.Equal(t, 1, count("can be read again"))
	require.Len(t, s.currentEvents(), 1)
	assert.Equal(t, supervision.Seized, s.currentEvents()[0].kind, "a change in the meantime is reported")
	s.Stop()
}

// What an input reported before it became unreadable proves neither that a hold cleared nor that it stayed.
func TestSenseLost(t *testing.T) {
	for _, off := range []bool{false, true} {
		for _, failure := range append(inputFailures, nil) {
			synctest.Test(t, func(t *testing.T) {
				broken := failure != nil
				s := newCurrentTestBed(0, off)
				s.pair.failure = failure
				s.after(time.Second)
				s.pair.broken.Store(broken)
				s.after(2 * time.Second)
				s.answeredCall()
				s.confirmed()
				s.after(10 * time.Second)
				want := map[bool]string{false: "hook=on", true: "hook=off"}[off]
				assert.Equal(t, !broken, strings.Contains(s.texts(), want), s.texts())
				assert.Contains(t, s.texts(), "report interrupted")
				assert.Equal(t, off && !broken, strings.Contains(s.texts(), "report incident"))
				assert.True(t, s.Policy().SenseTrusted, "it is the sensor that is at fault, not the setting")

				s.pair.broken.Store(false)
				s.pair.offHook.Store(false)
				s.after(20 * time.Second)
				s.Post(supervision.Event{Kind: supervision.PulseRequested})
				s.after(30 * time.Second)
				assert.Contains(t, s.texts(), "hook=on", "and it counts again")
				s.Stop()
			})
		}
	}
}

func TestSenseWithoutAnInput(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		core, logs := observer.New(zap.DebugLevel)
		contact := relaytest.NewFake(relay.KindNone)
		l := NewLine(LineOptions{Name: "box-office", Policy: supervision.DefaultPolicy(), Contact: contact,
			Epoch: time.Now(), Logger: zap.New(core), Sense: true})
		l.Start(&callLog{})
		<-time.After(time.Minute)
		assert.Len(t, contact.SenseTimes(), 1)
		assert.Equal(t, 1, logs.FilterMessageSnippet("no input").Len())
		l.Stop()
	})
}

// A reading that never returns delays neither an opening nor a close, nor Stop.
func TestHangingReadingDelaysNothing(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := newCurrentTestBed(0, false)
		s.after(time.Second)
		hang := make(chan struct{})
		s.contact.SenseBy(func(bool) (relay.Level, error) { <-hang; return relay.LevelUnknown, errInput })
		s.after(2 * time.Second)
		s.answeredCall()
		s.confirmed()
		assert.Equal(t, []time.Duration{2 * time.Second}, s.interruptions())
		s.after(2800 * time.Millisecond)
		assert.False(t, s.contact.Open())
		close(hang)
		s.Stop()
	})
}

// TestReadings checks what a current monitor does with its readings, one by one.
func TestReadings(t *testing.T) {
	const flows, none = relay.LevelClosed, relay.LevelOpen
	synctest.Test(t, func(t *testing.T) {
		began, box := time.Now(), &mailbox{}
		log, logs := logged()
		n := newCurrentMonitor(nil, &Line{mailbox: box}, func() bool { return false }, began, log)
		at := func(d time.Duration, level relay.Level, err error) (posted []string) {
			<-time.After(time.Until(began.Add(d * time.Millisecond)))
			n.read(time.Now(), level, err)
			for _, ev := range box.take(nil) {
				posted = append(posted, ev.String())
			}
			return posted
		}
		at(0, flows, nil)
		// without a level the reading does not count, and settling starts with the next one
		at(50, relay.LevelUnknown, nil)
		require.Equal(t, senseIdle, n.pause(), "a controller in trouble is left alone")
		require.Empty(t, at(100, flows, nil))
		require.Equal(t, senseBusy, n.pause())
		require.Empty(t, at(199, flows, nil))
		require.Equal(t, []string{"seized"}, at(200, flows, nil))

		for round := range time.Duration(2) {
			from := 1000 + 2000*round
			require.Empty(t, at(from, none, errInput))
			require.Empty(t, at(from+499, none, errInput))
			require.Equal(t, int(round), logs.FilterMessageSnippet("cannot be read").Len())
			require.Equal(t, []string{"current-unreadable"}, at(from+500, none, errInput))
			require.Empty(t, at(from+700, none, errInput), "once")
			require.Equal(t, int(round)+1, logs.FilterMessageSnippet("cannot be read").Len())
			require.Empty(t, at(from+800, flows, nil))
			require.Equal(t, int(round)+1, logs.FilterMessageSnippet("can be read again").Len())
			require.Equal(t, []string{"seized reading=repeated"}, at(from+900, flows, nil), "the state is posted again")
		}
		n.busy.Store(true)
		n.failing = time.Now()
		require.Equal(t, senseIdle, n.pause())
	})
}

// TestReadingsAroundAClosing: after each closing of the loop the state is posted again. A reading that was requested
// before the closing and is posted after it is marked as such. The next reading is compared with the reading before
// that one.
func TestReadingsAroundAClosing(t *testing.T) {
	const flows, none = relay.LevelClosed, relay.LevelOpen
	synctest.Test(t, func(t *testing.T) {
		box := &mailbox{}
		log, _ := logged()
		n := newCurrentMonitor(nil, &Line{mailbox: box}, func() bool { return false }, time.Now(), log)
		var closings uint64
		settles := func(level relay.Level) string {
			for range 2 {
				n.begin(closings)
				n.read(time.Now(), level, nil)
				<-time.After(settleIdle)
			}
			var posted []string
			for _, ev := range box.take(nil) {
				posted = append(posted, ev.String())
			}
			return strings.Join(posted, ", ")
		}
		for _, kind := range []supervision.EventKind{supervision.LoopClosed, supervision.LoopFailed} {
			require.Contains(t, settles(flows), "seized")
			require.Empty(t, settles(flows), "nothing has changed")
			require.False(t, box.put(supervision.Event{Kind: supervision.LoopOpened}))
			require.True(t, box.put(supervision.Event{Kind: kind}))
			require.Equal(t, "loop-opened, "+kind.String()+", released reading=before-closing", settles(none))
			closings = box.closings()
			require.Equal(t, "released", settles(none))
			box.put(supervision.Event{Kind: supervision.LoopOpened})
			box.put(supervision.Event{Kind: kind})
			closings = box.closings()
			require.Equal(t, "loop-opened, "+kind.String()+", released reading=repeated", settles(none))
		}
		require.False(t, box.put(supervision.Event{Kind: supervision.LoopFailed}), "of an opening that was not made")
		require.Equal(t, "loop-failed, seized", settles(flows), "a seizure meanwhile counts at once")
	})
}
