package bridge

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"go.uber.org/zap"
	"go.uber.org/zap/zapcore"
	"go.uber.org/zap/zaptest/observer"

	"clearback/bridge/relay"
	"clearback/bridge/relay/relaytest"
	"clearback/supervision"
	"clearback/supervision/callrecord"
)

func logged() (*zap.Logger, *observer.ObservedLogs) {
	core, logs := observer.New(zap.DebugLevel)
	return zap.New(core), logs
}

// TestIncidentsThatLast checks that incidents with different reasons last beside each other, that each is logged again
// until the machine reports its end, and that the end is logged once.
func TestIncidentsThatLast(t *testing.T) {
	log, logs := logged()
	s := newIncidents("box-office", time.Minute, log)
	wall := time.Date(2026, 11, 2, 14, 2, 0, 0, time.UTC)
	take := func(at time.Duration, e supervision.Effect) {
		e.Kind = supervision.Report
		s.take(supervision.Instant(at), wall.Add(at), &e)
	}
	take(0, supervision.Effect{Report: supervision.ReportNextInterval})
	require.Equal(t, supervision.Never, s.next, "no incident lasts")
	take(0, supervision.Effect{Report: supervision.ReportIncident, Incident: supervision.IncidentSuppressed,
		Suppression: supervision.SuppressedLate, Call: 2})
	take(10*time.Second, supervision.Effect{Report: supervision.ReportIncident,
		Incident: supervision.IncidentTooManyOpenings})
	require.Equal(t, supervision.Instant(time.Minute), s.next)
	s.remind(s.next)
	lasts := logs.FilterMessage("incident lasts").All()
	require.Len(t, lasts, 2)
	require.EqualValues(t, 2, lasts[0].ContextMap()["call"])
	require.Equal(t, wall, lasts[0].ContextMap()["since"])
	require.Equal(t, "1m0s", lasts[0].ContextMap()["lasted"])
	require.Equal(t, "late", lasts[0].ContextMap()["rule"])
	require.Equal(t, "50s", lasts[1].ContextMap()["lasted"])
	require.NotContains(t, lasts[1].ContextMap(), "rule")
	require.NotContains(t, lasts[1].ContextMap(), "call")
	require.Equal(t, supervision.Instant(2*time.Minute), s.next)

	take(70*time.Second, supervision.Effect{Report: supervision.ReportIncidentEnded,
		Incident: supervision.IncidentSuppressed})
	over := logs.FilterMessage("incident is over").All()
	require.Len(t, over, 1)
	require.Equal(t, "suppressed", over[0].ContextMap()["reason"])
	s.remind(s.next)
	require.Len(t, logs.FilterMessage("incident lasts").All(), 3, "only the other one")
	take(2*time.Minute, supervision.Effect{Report: supervision.ReportIncidentEnded,
		Incident: supervision.IncidentTooManyOpenings})
	require.Equal(t, 2, logs.FilterMessage("incident is over").Len())
	require.Equal(t, supervision.Never, s.next, "no incident lasts")
}

// TestLevelOfAnEffect checks that a failed emergency call is logged as an error.
func TestLevelOfAnEffect(t *testing.T) {
	report := func(r supervision.ReportKind, i supervision.Incident) *supervision.Effect {
		return &supervision.Effect{Kind: supervision.Report, Report: r, Incident: i}
	}
	require.Equal(t, zapcore.ErrorLevel, level(report(supervision.ReportIncident, supervision.IncidentEmergencyFailed)))
	require.Equal(t, zapcore.WarnLevel, level(report(supervision.ReportIncident, supervision.IncidentIntervalShort)))
	require.Equal(t, zapcore.InfoLevel, level(report(supervision.ReportIncidentEnded,
		supervision.IncidentEmergencyFailed)))
	require.Equal(t, zapcore.InfoLevel, level(&supervision.Effect{Kind: supervision.OpenLoop}))
}

// TestFailures checks that each error of a contact has its own kind of failure, and that the more specific of two
// errors counts.
func TestFailures(t *testing.T) {
	for err, want := range map[error]supervision.Failure{
		relay.ErrShort: supervision.FailureShort, relay.ErrReadBack: supervision.FailureNotMoved,
		relay.ErrLate:    supervision.FailureLate,
		relay.ErrStopped: supervision.FailureStopped, relay.ErrUnreachable: supervision.FailureUnreachable,
		relay.ErrNoContact: supervision.FailureNoContact,
		relay.ErrNoAnswer:  supervision.FailureNoAnswer, relay.ErrRefused: supervision.FailureRefused,
		errors.New("else"): supervision.FailureRefused,
	} {
		require.Equal(t, want, failure(fmt.Errorf("line box-office: %w", err)), err)
	}
	require.Equal(t, supervision.FailureNotMoved, failure(errors.Join(relay.ErrRefused, relay.ErrReadBack)))
	require.Equal(t, supervision.FailureShort, failure(errors.Join(relay.ErrNoAnswer, relay.ErrShort)))
}

// posted collects what an interrupter posts.
type posted struct {
	mu  sync.Mutex
	evs []supervision.Event
}

func (p *posted) post(ev supervision.Event) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.evs = append(p.evs, ev)
}

func (p *posted) take() []supervision.Event {
	p.mu.Lock()
	defer p.mu.Unlock()
	evs := p.evs
	p.evs = nil
	return evs
}

// TestOneOpeningAtATime checks that a second opening is refused, that a withdrawal with another number closes the
// contact, and that nothing opens after the end.
func TestOneOpeningAtATime(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var p posted
		contact := relaytest.NewFake(relay.KindNone)
		count := func(name string) (n int) {
			for _, c := range contact.Calls() {
				if c.Name == name {
					n++
				}
			}
			return n
		}
		o := newInterrupter(contact, p.post)
		o.open(2, 800*time.Millisecond, time.Now().Add(time.Second))
		synctest.Wait()
		o.open(3, 800*time.Millisecond, time.Now().Add(time.Second))
		synctest.Wait()
		refused := supervision.Event{Kind: supervision.LoopFailed, Seq: 3, Failure: supervision.FailureRefused}
		require.Equal(t, []supervision.Event{{Kind: supervision.LoopOpened, Seq: 2}, refused}, p.take())
		require.Equal(t, 1, count("interrupt"))
		require.True(t, o.busy())
		o.withdraw(2)
		synctest.Wait()
		require.False(t, contact.Open())
		require.Equal(t, []supervision.Event{{Kind: supervision.LoopClosed, Seq: 2}}, p.take())
		require.False(t, o.busy())

		for range 2 { // no interruption is under way: the contact is closed, each time
			o.withdraw(2)
			synctest.Wait()
			require.Equal(t, []supervision.Event{{Kind: supervision.LoopClosed, Seq: 2}}, p.take())
		}
		require.Equal(t, 2, count("close"))

		for _, seq := range []supervision.Seq{0, 1} { // 0 means the interruption under way; 1 is another one
			o.open(4, 800*time.Millisecond, time.Now().Add(time.Second))
			synctest.Wait()
			p.take()
			closes := count("close")
			o.withdraw(seq)
			synctest.Wait()
			if seq == 0 {
				require.False(t, o.busy())
				require.Equal(t, closes, count("close"))
			} else {
				require.Equal(t, closes+1, count("close"))
			}
			<-time.After(time.Second)
			p.take()
		}
		began := time.Now()
		o.open(5, 800*time.Millisecond, time.Now().Add(time.Second))
		synctest.Wait()
		o.end()
		require.Zero(t, time.Since(began), "the end of the line ends an opening")
		p.take()
		o.open(3, 800*time.Millisecond, time.Now().Add(time.Second))
		o.withdraw(3)
		synctest.Wait()
		require.Equal(t, []supervision.Event{refused}, p.take())
	})
}

// counted is a sensor that counts its readings.
type counted struct {
	relaytest.Fake
	mu sync.Mutex
	at []time.Time
}

func (c *counted) Sense(context.Context) (relay.Level, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.at = append(c.at, time.Now())
	return relay.LevelOpen, nil
}

// TestPaceOfReadings checks the times of the readings: at once when the line becomes busy or the loop has closed, then
// every 25 ms while the line is busy, and none after the end.
func TestPaceOfReadings(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		began := time.Now()
		log, _ := logged()
		c := &counted{}
		n := newCurrentMonitor(c, &Line{mailbox: &mailbox{}}, func() bool { return false }, began, log)
		n.start()
		since := func() (all []time.Duration) {
			synctest.Wait()
			c.mu.Lock()
			defer c.mu.Unlock()
			for _, at := range c.at {
				all = append(all, at.Sub(began)/time.Millisecond)
			}
			c.at = nil
			return all
		}
		<-time.After(1050 * time.Millisecond)
		since()
		n.pace(false)
		require.Empty(t, since())
		n.pace(true)
		require.Equal(t, []time.Duration{1050}, since())
		n.pace(true)
		require.Empty(t, since(), "it is busy already")
		<-time.After(55 * time.Millisecond)
		require.Equal(t, []time.Duration{1075, 1100}, since())
		n.pace(false)
		<-time.After(300 * time.Millisecond)
		require.Equal(t, []time.Duration{1125, 1200, 1400}, since())
		n.awaken()
		require.Equal(t, []time.Duration{1405}, since())
		n.end()
		require.Empty(t, since())
	})
}

// TestLineCopiesPolicy checks that the line copies its steps, returns its name, and monitors itself from the start.
func TestLineCopiesPolicy(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := supervision.DefaultPolicy()
		p.ProbeTrusted, p.Watch = true, time.Minute
		p.Steps = []time.Duration{p.Interval}
		r := newTestBedWith(LineOptions{Policy: p})
		p.Steps[0] = time.Hour
		require.Equal(t, []time.Duration{p.Interval}, r.Policy().Steps)
		require.Equal(t, "box-office", r.Name())
		r.after(10 * time.Minute)
		require.Contains(t, r.callLog.list(), "probe")
		r.Stop()
	})
}

// TestSecondFailingCloseIsReported checks that a second failing close is reported too.
func TestSecondFailingCloseIsReported(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newTestBed()
		for range 2 {
			r.Notice(relay.Notice{Kind: relay.CloseFailing, Err: relay.ErrNoAnswer})
			synctest.Wait()
			require.Equal(t, supervision.StateFaulted, r.View().Loop)
			r.Notice(relay.Notice{Kind: relay.CloseConfirmed})
			synctest.Wait()
			<-time.After(10 * time.Second)
			require.Equal(t, supervision.StateClosed, r.View().Loop)
		}
		r.Stop()
	})
}

// TestEffectsAreCarriedOut checks that a waiting call is refused when the near end lifts the handset, and that the far
// end is cleared when the near end hangs up.
func TestEffectsAreCarriedOut(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newTestBed()
		r.answeredCall()
		r.confirmed()
		r.Post(supervision.Event{Kind: supervision.CallArrived, Call: 2})
		synctest.Wait()
		r.Post(supervision.Event{Kind: supervision.CallRequested, Call: 3})
		synctest.Wait()
		require.Contains(t, r.callLog.list(), "refuse")
		r.Post(supervision.Event{Kind: supervision.CallAnswered, Call: 3})
		r.Post(supervision.Event{Kind: supervision.NearEndCleared, Call: 3})
		synctest.Wait()
		require.Contains(t, r.callLog.list(), "clear far end")
		for _, e := range r.log.All() {
			text, _ := e.ContextMap()["text"].(string)
			call, has := e.ContextMap()["call"]
			if text == "call-requested call=3" {
				require.EqualValues(t, 3, call)
			}
			if text == "loop-opened seq=1" {
				require.False(t, has)
			}
		}
		r.Stop()
	})
}

// TestAnIncidentComesWithAdvice checks that an incident is logged with advice, and that nothing else is.
func TestAnIncidentComesWithAdvice(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := incidentLine(0)
		incidents := 0
		for _, e := range r.log.All() {
			text, _ := e.ContextMap()["text"].(string)
			given, has := e.ContextMap()["advice"]
			if is := len(text) > 15 && text[:15] == "report incident"; is {
				incidents++
				require.Equal(t, advice("box-office", supervision.IncidentIntervalShort, 0, false), given)
			} else {
				require.False(t, has, text)
			}
		}
		require.Equal(t, 1, incidents)
		r.Stop()
	})
}

// TestStopWaits checks that Stop waits for what the line is doing, and that later events are discarded.
func TestStopWaits(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newTestBed()
		goOn, stopped := make(chan struct{}), make(chan struct{})
		r.Follow(func(callrecord.Entry) { <-goOn })
		r.Post(supervision.Event{Kind: supervision.LeftOffHook})
		r.Post(supervision.Event{Kind: supervision.LeftOffHook})
		synctest.Wait()
		go func() { r.Stop(); close(stopped) }()
		synctest.Wait()
		select {
		case <-stopped:
			t.Error("the line is busy")
		default:
		}
		close(goOn)
		<-stopped
		require.True(t, r.mailbox.empty())
		r.Post(supervision.Event{Kind: supervision.Seized})
		require.True(t, r.mailbox.empty())
		assert.True(t, r.AtRest())
	})
}

// TestTheGuardTimeEndsByItself checks that without a trusted input the line waits only for the guard time.
func TestTheGuardTimeEndsByItself(t *testing.T) {
	for _, trusted := range []bool{false, true} {
		synctest.Test(t, func(t *testing.T) {
			p := supervision.DefaultPolicy()
			p.SenseTrusted = trusted
			r := newTestBedWith(LineOptions{Policy: p}) // without an input
			r.answeredCall()
			r.confirmed()
			r.after(800*time.Millisecond + p.GuardTime - 1)
			require.Equal(t, supervision.StateGuarding, r.View().Loop)
			r.after(800*time.Millisecond + p.GuardTime)
			require.Equal(t, supervision.StateClosed, r.View().Loop)
			r.Stop()
		})
	}
	synctest.Test(t, func(t *testing.T) {
		s := newCurrentTestBed(0, false)
		p := s.Policy()
		p.SenseTrusted = false
		s.SetPolicy(p)
		s.after(time.Second)
		s.answeredCall()
		s.confirmed()
		s.after(1800*time.Millisecond + p.GuardTime)
		require.Equal(t, supervision.StateClosed, s.View().Loop)
		s.Stop()
	})
}

// TestIncidentReplacedBySameReason checks that an incident is over when one with the same reason replaces it, and that
// the new one lasts since its own beginning.
func TestIncidentReplacedBySameReason(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newTestBedWith(LineOptions{Remind: time.Minute})
		refused := relaytest.Step{Outcome: relay.Refused, Err: relay.ErrRefused}
		r.contact.Script(refused, refused)
		for i := range 2 {
			r.after(time.Duration(i+1) * 10 * time.Second)
			r.Post(supervision.Event{Kind: supervision.PulseRequested})
			synctest.Wait()
			require.Equal(t, i, r.log.FilterMessage("incident is over").Len())
		}
		r.after(2 * time.Minute)
		lasts := r.log.FilterMessage("incident lasts").All()
		require.NotEmpty(t, lasts)
		require.Equal(t, r.began.Add(20*time.Second), lasts[0].ContextMap()["since"])
		r.Stop()
	})
}
