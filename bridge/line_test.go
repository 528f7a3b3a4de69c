package bridge

import (
	"errors"
	"fmt"
	"strings"
	"sync"
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
)

// callLog is a Calls that records its calls.
type callLog struct {
	mu    sync.Mutex
	asked []string
}

func (d *callLog) note(s string) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.asked = append(d.asked, s)
}

func (d *callLog) list() []string {
	d.mu.Lock()
	defer d.mu.Unlock()
	return append([]string(nil), d.asked...)
}

func (d *callLog) Offer(supervision.CallID)           { d.note("offer") }
func (d *callLog) Refuse(supervision.CallID, int)     { d.note("refuse") }
func (d *callLog) ClearAdapterLeg(supervision.CallID) { d.note("clear adapter leg") }
func (d *callLog) ClearFarEnd(supervision.CallID)     { d.note("clear far end") }
func (d *callLog) Probe()                             { d.note("probe") }

// testBed is a line in a synctest bubble, with a fake contact.
type testBed struct {
	*Line
	callLog *callLog
	contact *relaytest.Fake
	log     *observer.ObservedLogs
	began   time.Time
}

func newTestBed() *testBed {
	core, logs := observer.New(zap.DebugLevel)
	r := &testBed{callLog: &callLog{}, contact: relaytest.NewFake(relay.KindNone), log: logs, began: time.Now()}
	r.Line = NewLine(LineOptions{Name: "box-office", Policy: supervision.DefaultPolicy(), Contact: r.contact,
		Epoch: time.Now(), Logger: zap.New(core)})
	r.Start(r.callLog)
	return r
}

// after waits until d after the test bed was created, and until all goroutines are idle.
func (r *testBed) after(d time.Duration) {
	<-time.After(d - time.Since(r.began)) // the clock of the synctest bubble: no real time passes
	synctest.Wait()
}

// answeredCall adds an answered call to the line and makes its far end clear.
func (r *testBed) answeredCall() {
	r.Post(supervision.Event{Kind: supervision.CallArrived, Call: 1})
	r.Post(supervision.Event{Kind: supervision.CallAnswered, Call: 1})
	r.Post(supervision.Event{Kind: supervision.FarEndCleared, Call: 1, Evidence: supervision.EvidenceBye})
	synctest.Wait()
}

func (r *testBed) confirmed() {
	r.Post(supervision.Event{Kind: supervision.AdapterLegCleared, Call: 1, Answer: supervision.AnswerConfirmed})
	synctest.Wait()
}

func (r *testBed) texts() string {
	var all []string
	for _, e := range r.log.All() {
		if text, ok := e.ContextMap()["text"].(string); ok { // otherwise it is neither an event nor an effect
			all = append(all, e.Message+" "+text)
		}
	}
	return strings.Join(all, "\n")
}

// interruptions returns when each interruption was requested, relative to the creation of the test bed.
func (r *testBed) interruptions() (at []time.Duration) {
	for _, c := range r.contact.Calls() {
		if c.Name == "interrupt" {
			at = append(at, c.At.Sub(r.began))
		}
	}
	return at
}

func (r *testBed) closes() (at []time.Duration) {
	for _, c := range r.contact.Calls() {
		if c.Name == "close" {
			at = append(at, c.At.Sub(r.began))
		}
	}
	return at
}

func TestClearingOpensOnce(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newTestBed()
		r.answeredCall()
		assert.Equal(t, []string{"offer", "clear adapter leg"}, r.callLog.list())
		assert.False(t, r.AtRest())
		r.confirmed()
		require.Len(t, r.contact.Calls(), 1)
		i := r.contact.Calls()[0].Interruption
		assert.Equal(t, 800*time.Millisecond, i.Duration)
		assert.Equal(t, r.began.Add(1200*time.Millisecond), i.NotAfter,
			"invariant 11: 2 s after the BYE, less the interval")
		r.after(800*time.Millisecond - 1)
		assert.True(t, r.contact.Open())
		r.after(800 * time.Millisecond)
		assert.False(t, r.contact.Open())
		assert.False(t, r.AtRest(), "the guard time is under way")
		r.after(10 * time.Second)
		assert.True(t, r.AtRest())
		assert.Len(t, r.contact.Calls(), 1)
		assert.Contains(t, r.texts(), "event far-end-cleared call=1 evidence=bye\neffect clear-adapter-leg call=1")
		assert.Equal(t, 1, strings.Count(r.texts(), "effect open-loop"))
		r.Stop()
	})
}

func TestLeadIsTheMachinesDeadline(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newTestBed()
		r.answeredCall()
		r.after(600*time.Millisecond - 1)
		assert.Empty(t, r.interruptions())
		r.after(600 * time.Millisecond)
		assert.Equal(t, []time.Duration{600 * time.Millisecond}, r.interruptions())
		r.Stop()
	})
}

// Invariant 6, tested through the line: a call request from the near end closes an open loop at once.
func TestSeizureCloses(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newTestBed()
		r.answeredCall()
		r.confirmed()
		r.after(300 * time.Millisecond)
		require.True(t, r.contact.Open())
		r.Post(supervision.Event{Kind: supervision.CallRequested, Call: 2})
		synctest.Wait()
		assert.False(t, r.contact.Open())
		assert.Contains(t, r.texts(), "loop-closed seq=1")
		r.Stop()
	})
}

// If the contact is not known to be closed, the close is repeated at most 250 ms apart.
func TestUnknownIsClosedUntilConfirmed(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newTestBed()
		boom := errors.New("no answer")
		r.contact.Script(relaytest.Step{Outcome: relay.Unknown})
		r.contact.FailClose(boom, boom, boom, boom)
		r.answeredCall()
		r.confirmed()
		r.after(20 * time.Second)
		at := r.closes()
		require.Len(t, at, 5)
		for i := 1; i < len(at); i++ {
			assert.LessOrEqual(t, at[i]-at[i-1], 250*time.Millisecond)
		}
		assert.False(t, r.contact.Open())
		assert.Contains(t, r.texts(), "event loop-unknown seq=1")
		assert.Contains(t, r.texts(), "event loop-closed seq=1")
		assert.True(t, r.AtRest())
		r.Stop()
	})
}

func TestRefusalsReachTheMachine(t *testing.T) {
	for want, err := range map[string]error{
		"failure=late": relay.ErrLate, "failure=unreachable": relay.ErrUnreachable,
		"failure=no-contact": relay.ErrNoContact,
		"failure=refused":    relay.ErrRefused, "failure=stopped": relay.ErrStopped,
		"failure=short": fmt.Errorf("%w: %w", relay.ErrNoAnswer, relay.ErrShort),
	} {
		synctest.Test(t, func(t *testing.T) {
			r := newTestBed()
			r.contact.Script(relaytest.Step{Outcome: relay.Refused, Err: err})
			r.answeredCall()
			r.confirmed()
			r.after(10 * time.Second)
			assert.Contains(t, r.texts(), "event loop-failed seq=1 "+want)
			r.Stop()
		})
	}
}

// deviceError is an error with the device's own text.
type deviceError struct{ error }

func (deviceError) Reason() string { return "register 16:\x1b exception 2" }

// The device's text is logged with the event, and nothing else of the error.
func TestDeviceReasonIsLogged(t *testing.T) {
	for _, outcome := range []relay.Outcome{relay.Refused, relay.Unknown} {
		synctest.Test(t, func(t *testing.T) {
			r := newTestBed()
			r.contact.Script(relaytest.Step{Outcome: outcome, Err: fmt.Errorf("line box-office: %w: %w",
				relay.ErrRefused, deviceError{relay.ErrRefused})})
			r.answeredCall()
			r.confirmed()
			r.after(10 * time.Second)
			assert.Contains(t, r.texts(), `failure=refused why="register 16:? exception 2"`)
			r.Stop()
		})
	}
}

func TestStopClosesTheLoop(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newTestBed()
		r.answeredCall()
		r.confirmed()
		r.after(100 * time.Millisecond)
		require.True(t, r.contact.Open())
		r.Stop()
		assert.False(t, r.contact.Open())
		assert.True(t, r.AtRest())
		r.Post(supervision.Event{Kind: supervision.Seized}) // posting after Stop does no harm
	})
}

func TestNoEventIsLost(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newTestBed()
		var all sync.WaitGroup
		for i := range 500 {
			all.Go(func() { r.Post(supervision.Event{Kind: supervision.CallArrived, Call: supervision.CallID(i + 1)}) })
		}
		all.Wait()
		synctest.Wait()
		assert.Len(t, r.callLog.list(), 500)
		r.Stop()
	})
}

func TestEventsBeforeStartAreQueued(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := &callLog{}
		l := NewLine(LineOptions{Name: "stage-door", Policy: supervision.DefaultPolicy(), Contact: relay.NoContact{},
			Epoch: time.Now(), Logger: zap.NewNop()})
		l.Post(supervision.Event{Kind: supervision.CallArrived, Call: 1})
		l.Start(d)
		synctest.Wait()
		assert.Equal(t, []string{"offer"}, d.list())
		l.Stop()
	})
}

// The time limit: a contact that does not answer gets the command to close within 2 s of the BYE (invariant 11).
func TestOpeningWithoutAnswerIsClosed(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newTestBed()
		r.contact.Script(relaytest.Step{Outcome: relay.Done, Delay: 5 * time.Second})
		r.answeredCall()
		r.confirmed()
		r.after(2 * time.Second)
		assert.Contains(t, r.texts(), "effect close-loop")
		assert.False(t, r.contact.Open())
		r.Stop()
	})
}

// A hold that may stay because of another call is logged as a warning. A call that was not answered is not.
func TestLogLevels(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newTestBed()
		r.Post(supervision.Event{Kind: supervision.CallArrived, Call: 1})
		r.Post(supervision.Event{Kind: supervision.CallAnswered, Call: 1})
		r.Post(supervision.Event{Kind: supervision.CallArrived, Call: 2})
		r.Post(supervision.Event{Kind: supervision.FarEndCleared, Call: 1, Evidence: supervision.EvidenceBye})
		r.Post(supervision.Event{Kind: supervision.FarEndCleared, Call: 2, Evidence: supervision.EvidenceBye})
		synctest.Wait()
		levels := map[string]string{}
		for _, e := range r.log.All() {
			levels[e.ContextMap()["text"].(string)] = e.Level.String()
		}
		assert.Equal(t, "warn", levels["report suppressed call=1 rule=other-call pending"])
		assert.Equal(t, "info", levels["report suppressed call=2 rule=unanswered"])
		assert.Equal(t, "info", levels["clear-adapter-leg call=1"])
		r.Stop()
	})
}
