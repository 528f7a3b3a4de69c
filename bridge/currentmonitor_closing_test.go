package bridge

import (
	"context"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"go.uber.org/zap"
	"go.uber.org/zap/zaptest/observer"

	"clearback/bridge/relay"
	"clearback/supervision"
	"clearback/supervision/callrecord"
)

// busyFrom blocks the line's goroutine at the next report of a hook flash, until the channel is closed.
func (s *currentTestBed) busyFrom(busy <-chan struct{}) {
	s.Follow(func(e callrecord.Entry) {
		if e.Event.Kind == supervision.FlashReported {
			<-busy
		}
	})
}

// inAnyOrder repeats a test so often that the line's goroutine takes both orders: mailbox first and sensor first.
func inAnyOrder(t *testing.T, test func(*testing.T)) {
	for range 20 {
		synctest.Test(t, test)
	}
}

// The line was busy when the loop closed, and then the current of a hold that stayed flowed again. A reading from
// before the closing must not count as a seizure, which would prevent the repetition.
func TestReadingBeforeTheClosingIsNoSeizure(t *testing.T) {
	inAnyOrder(t, func(t *testing.T) {
		s := newCurrentTestBed(0, true)
		p := s.Policy()
		p.Repeats = 1
		s.SetPolicy(p)
		s.after(time.Second)
		busy := make(chan struct{})
		s.busyFrom(busy)
		s.answeredCall()
		s.confirmed()
		s.after(1500 * time.Millisecond)
		s.Post(supervision.Event{Kind: supervision.FlashReported})
		s.after(2 * time.Second) // closed for 200 ms
		close(busy)
		s.after(10 * time.Second)
		assert.NotContains(t, s.texts(), "report cancelled")
		assert.Contains(t, s.texts(), "report interrupted call=1 seq=1 interval=800ms hook=off")
		assert.Len(t, s.interruptions(), 2)
		s.Stop()
	})
}

// stuckOpenContact is a contact whose opening ends with an unknown outcome. It stays open until a close succeeds.
type stuckOpenContact struct {
	open, fails atomic.Bool
	senses      func(open bool) relay.Level
}

func (*stuckOpenContact) Kind() relay.Kind { return relay.KindNone }

func (u *stuckOpenContact) Interrupt(_ context.Context, i relay.Interruption) relay.Result {
	u.open.Store(true)
	i.Opened(time.Now())
	<-time.After(i.Duration)
	return relay.Result{Outcome: relay.Unknown, Err: relay.ErrNoAnswer}
}

func (u *stuckOpenContact) Close(ctx context.Context) error {
	for u.fails.Load() {
		select {
		case <-ctx.Done():
			return relay.ErrNoAnswer
		case <-time.After(relay.CloseEvery):
		}
	}
	u.open.Store(false)
	return nil
}

func (u *stuckOpenContact) Sense(context.Context) (relay.Level, error) {
	return u.senses(u.open.Load()), nil
}

// As in the test above, but for a time it was unknown whether the loop was closed. The confirmation of the closing must
// come first, so that the interruption is judged.
func TestClosingIsReportedBeforeCurrent(t *testing.T) {
	inAnyOrder(t, func(t *testing.T) {
		core, logs := observer.New(zap.DebugLevel)
		contact := &stuckOpenContact{senses: func(open bool) relay.Level {
			if open {
				return relay.LevelOpen
			}
			return relay.LevelClosed // the hold stays
		}}
		contact.fails.Store(true)
		s := &currentTestBed{testBed: &testBed{callLog: &callLog{}, log: logs, began: time.Now()}}
		p := supervision.DefaultPolicy()
		p.Listening, p.SenseTrusted = 0, true
		s.Line = NewLine(LineOptions{Name: "box-office", Policy: p, Contact: contact, Epoch: s.began,
			Logger: zap.New(core), Sense: true})
		busy := make(chan struct{})
		s.busyFrom(busy)
		s.Start(s.callLog)
		s.after(time.Second)
		s.answeredCall()
		s.confirmed()
		s.after(2400 * time.Millisecond)
		s.Post(supervision.Event{Kind: supervision.FlashReported})
		synctest.Wait()
		contact.fails.Store(false)
		s.after(3 * time.Second) // closed for at least 300 ms
		close(busy)
		s.after(10 * time.Second)
		assert.Contains(t, s.texts(), "report interrupted call=1 seq=1 interval=800ms hook=off")
		s.Stop()
	})
}

// Current that never stops means a stuck contact, even if the input could not be read for part of the opening. The same
// state read again is no seizure.
func TestUnchangedCurrentIsNoSeizure(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := newCurrentTestBed(0, true)
		p := s.Policy()
		p.Interval = 1300 * time.Millisecond
		s.SetPolicy(p)
		var broken atomic.Bool
		s.contact.SenseBy(func(bool) (relay.Level, error) {
			if broken.Load() {
				return relay.LevelUnknown, errInput
			}
			return relay.LevelClosed, nil
		})
		s.after(time.Second)
		s.answeredCall()
		s.confirmed()
		s.after(1050 * time.Millisecond)
		broken.Store(true)
		s.after(1700 * time.Millisecond)
		broken.Store(false)
		s.after(10 * time.Second)
		assert.NotContains(t, s.texts(), "report cancelled")
		assert.Contains(t, s.texts(), "reason=contact-stuck")
		s.Stop()
	})
}

// If the adapter answers 481, the loop opens only if the input is trusted and can be read.
func TestTrustedInputAfter481(t *testing.T) {
	for name, c := range map[string]struct{ trusted, broken, opens bool }{
		"trusted": {true, false, true}, "not trusted": {false, false, false},
		"trusted but unreadable": {true, true, false},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				s := newCurrentTestBed(0, true)
				p := s.Policy()
				p.SenseTrusted = c.trusted
				s.SetPolicy(p)
				s.after(time.Second)
				s.pair.broken.Store(c.broken)
				s.after(3 * time.Second)
				s.answeredCall()
				s.Post(supervision.Event{Kind: supervision.AdapterLegCleared, Call: 1,
					Answer: supervision.AnswerUnknown})
				s.after(5 * time.Second)
				assert.Equal(t, c.opens, len(s.interruptions()) == 1, s.texts())
				s.Stop()
			})
		})
	}
}

// A word of before the latest closing leaves the input as untrusted as it was; the next one makes it trusted again,
// also after readings that failed, and clears what was forgotten once.
func TestWordsAfterTheClosing(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := newCurrentTestBed(0, false)
		s.after(time.Second)
		seized := supervision.Event{Kind: supervision.Seized}
		lost := func(unreadable, stale, forgotten bool) {
			s.runInLoop(func() { s.inputUnreadable, s.currentStale, s.currentForgotten = unreadable, stale, forgotten })
		}
		is := func() (unreadable, stale, forgotten bool) {
			s.runInLoop(func() { unreadable, stale, forgotten = s.inputUnreadable, s.currentStale, s.currentForgotten })
			return unreadable, stale, forgotten
		}
		for _, was := range [][2]bool{{true, false}, {false, true}, {true, true}} {
			lost(was[0], was[1], true)
			s.currentRead(seized, s.closing-1)
			unreadable, stale, forgotten := is()
			assert.Equal(t, []bool{was[0], was[1], true}, []bool{unreadable, stale, forgotten}, "an old word: %v", was)
			s.currentRead(seized, s.closing)
			unreadable, stale, forgotten = is()
			assert.Equal(t, []bool{false, false, false}, []bool{unreadable, stale, forgotten}, "a new one: %v", was)
		}
		lost(false, false, true)
		s.currentRead(seized, s.closing)
		_, _, forgotten := is()
		assert.True(t, forgotten, "nothing was lost")
		s.Stop()
	})
}

// The end of the guard time waits for a reading only where the policy trusts the input and it can be read; and a
// closing of a loop that is not being judged leaves the input trusted.
func TestGuardTimeWaitsForTheInput(t *testing.T) {
	for name, c := range map[string]struct {
		trusted, unreadable bool
		waits               bool
	}{
		"trusted":            {true, false, true},
		"not trusted":        {false, false, false},
		"cannot be read now": {true, true, false},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				s := newCurrentTestBed(0, true)
				p := s.Policy()
				p.SenseTrusted = c.trusted
				s.SetPolicy(p)
				s.after(time.Second)
				s.Post(supervision.Event{Kind: supervision.LoopClosed})
				synctest.Wait()
				s.runInLoop(func() { assert.False(t, s.currentStale, "nothing was opened") })
				opened := false // under the contact's lock
				s.contact.SenseBy(func(open bool) (relay.Level, error) {
					opened = opened || open
					switch {
					case c.unreadable, opened && !open:
						return relay.LevelUnknown, errInput
					case open:
						return relay.LevelOpen, nil
					}
					return relay.LevelClosed, nil
				})
				if c.unreadable {
					s.after(10 * time.Second)
				}
				s.answeredCall()
				s.confirmed()
				var due, deadline supervision.Instant
				s.untilLoop(t, "open")
				s.runInLoop(func() {
					was := s.currentStale
					s.currentStale = true // of the opening before
					due, deadline = s.due(), s.deadline
					s.currentStale = was
				})
				assert.Equal(t, deadline, due, "an opening waits for nothing")
				s.untilLoop(t, "guarding")
				s.runInLoop(func() { due, deadline = s.due(), s.deadline })
				assert.Equal(t, c.waits, due > deadline)
				if c.waits { // nor does a reminder of an incident end it
					s.runInLoop(func() { s.incidents.next = deadline })
					s.after(time.Duration(deadline) + time.Millisecond)
					assert.Equal(t, "guarding", s.View().Loop)
				}
				s.untilLoop(t, "closed")
				s.runInLoop(func() { due, deadline = s.due(), s.deadline })
				assert.Equal(t, deadline, due, "the guard time is over")
				s.Stop()
			})
		})
	}
}

// untilLoop waits until the loop is said to be so.
func (s *currentTestBed) untilLoop(t *testing.T, loop string) {
	for range 2000 {
		if s.View().Loop == loop {
			return
		}
		<-time.After(10 * time.Millisecond)
		synctest.Wait()
	}
	t.Fatalf("the loop is %s, and not %s", s.View().Loop, loop)
}
