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

// The end of the guard time waits for a reading only if the policy trusts the input and the input can be read.
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
				open := time.Since(s.began)
				guardBy := open + p.Interval + p.GuardTime
				s.Follow(func(callrecord.Entry) { s.incidents.next = supervision.Instant(guardBy) }) // no effect on it
				s.confirmed()
				s.after(guardBy)
				assert.Equal(t, c.waits, s.View().Loop == supervision.StateGuarding)
				s.after(open + p.OnHookRecognition)
				assert.Equal(t, supervision.StateClosed, s.View().Loop)
				s.Stop()
			})
		})
	}
}

// A report that a closed loop is closed makes the monitor post the state again. It changes nothing else.
func TestClosingOfAClosedLoop(t *testing.T) {
	for _, trusted := range []bool{true, false} {
		synctest.Test(t, func(t *testing.T) {
			s := newCurrentTestBed(0, true)
			p := s.Policy()
			p.SenseTrusted = trusted
			s.SetPolicy(p)
			s.after(time.Second)
			s.answeredCall()
			s.Post(supervision.Event{Kind: supervision.LoopClosed})
			s.after(1300 * time.Millisecond)
			assert.Contains(t, s.texts(), "seized reading=repeated")
			s.confirmed()
			s.after(10 * time.Second)
			assert.NotContains(t, s.texts(), "cancelled", "current that still flows is no seizure")
			assert.Len(t, s.interruptions(), 1)
			s.Stop()
		})
	}
}
