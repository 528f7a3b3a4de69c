package daemon

import (
	"context"
	"fmt"
	"net/http"
	"time"

	"go.uber.org/zap"

	"clearback/bridge/control"
	"clearback/bridge/sipua"
	"clearback/supervision"
)

// This file tests the second server in a line's adapter. The daemon answers nothing to the adapter, a person makes a
// call, and says whether it got through.

// secondServerTestFor is the longest silence: two registrations of at most 120 s each (registration.maxExpires), and
// the time in which a REGISTER without an answer fails, 32 s (RFC 3261 section 17.1.2.2, Timer F). An adapter goes
// elsewhere when its registration, or a call, has failed (common practice).
const secondServerTestFor = 5 * time.Minute

// secondServerTest is a test under way. The mutex of Line guards answered.
type secondServerTest struct {
	stop     context.CancelFunc
	until    time.Time
	answered bool
}

// TestSecondServer implements control.Backend.
func (h *backend) TestSecondServer(ctx context.Context, line string) (control.SecondServerTest, error) {
	l, err := h.named(line)
	if err != nil {
		return control.SecondServerTest{}, err
	}
	ctx, stop := context.WithTimeout(ctx, secondServerTestFor)
	defer stop()
	defer context.AfterFunc(l.ctx, stop)()
	t := &secondServerTest{stop: stop, until: time.Now().Add(secondServerTestFor)}
	if err := l.beginSecondServerTest(t); err != nil {
		return control.SecondServerTest{}, err
	}
	defer l.endSecondServerTest()
	s, err := l.SIP().StaySilent(ctx)
	out := secondServerTestOf(s, t.until)
	if err != nil {
		return out, refusedTest(line, err.Error())
	}
	l.mu.Lock()
	answered := t.answered
	l.mu.Unlock()
	switch {
	case answered:
		out.Ended = "answered"
	case s.End == sipua.SilenceStopped && ctx.Err() == context.DeadlineExceeded:
		out.Ended = "time"
	}
	l.log.Info("the test of the second server has ended; the adapter gets its answers again",
		zap.String("because", out.Ended))
	return out, nil
}

func refusedTest(line, why string) error {
	return &control.Error{Code: http.StatusConflict, Reason: control.ReasonRefused,
		Text: line + ": the second server is not tested now: " + why}
}

// beginSecondServerTest makes t the line's test, if the line is at rest.
func (l *Line) beginSecondServerTest(t *secondServerTest) error {
	v, s := l.line.View(), l.SIP().Status()
	l.mu.Lock()
	defer l.mu.Unlock()
	if err := l.busyLocked(); err != nil {
		return err
	}
	switch {
	case l.pulsing || v.Loop != supervision.StateClosed:
		return refusedTest(l.name, "its loop is being opened, or its state is not known")
	case l.callbackUntil(v) != nil:
		return refusedTest(l.name, l.refusal(supervision.SuppressedCallback, v))
	case len(v.Calls) > 0:
		return refusedTest(l.name, callPhrase(v.Calls[0]))
	case !s.Bound:
		return refusedTest(l.name, "its adapter is not registered here")
	}
	l.secondTest = t
	return nil
}

func (l *Line) endSecondServerTest() {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.secondTest = nil
}

// errTestingSecondServer is the error for a request during a test.
func errTestingSecondServer(line string) error {
	return &control.Error{Code: http.StatusConflict, Reason: control.ReasonBusy,
		Text: fmt.Sprintf("%s: the adapter's second server is being tested; that ends with its command, or within %s",
			line, secondServerTestFor)}
}

// SecondServerTested implements control.Backend.
func (h *backend) SecondServerTested(line string, passed bool) error {
	l, err := h.named(line)
	if err != nil {
		return err
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	// A call that came meanwhile has ended the silence, so the answer may be about that call.
	if _, silent := l.SIP().Silence(); l.secondTest == nil || !silent {
		return refusedTest(line, "no test is under way")
	}
	l.secondTest.answered = true
	l.saveSecondServerLocked(passed)
	l.secondTest.stop()
	return nil
}

func (l *Line) saveSecondServerLocked(passed bool) {
	if l.journal == nil {
		return
	}
	state := l.journal.SavedLine(l.name)
	if passed {
		state.Second.Passed = time.Now()
	} else {
		state.Second.Failed = time.Now()
	}
	l.journal.SaveLine(state)
}

// secondServerLocked returns what is known about the adapter's second server, or nil.
func (l *Line) secondServerLocked() *control.SecondServer {
	out := &control.SecondServer{}
	if l.journal != nil {
		was := l.journal.SavedLine(l.name).Second
		out.Passed, out.Failed, out.TestAgain = was.Passed, was.Failed, was.TestAgain(time.Now())
	}
	if silence, ok := l.SIP().Silence(); ok && l.secondTest != nil {
		t := secondServerTestOf(silence, l.secondTest.until)
		out.Test = &t
	}
	if *out == (control.SecondServer{}) {
		return nil
	}
	return out
}

func secondServerTestOf(s sipua.Silence, until time.Time) control.SecondServerTest {
	return control.SecondServerTest{Until: until, Unanswered: s.Unanswered, Last: s.Last, Ended: string(s.End)}
}
