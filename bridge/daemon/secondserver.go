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

const (
	// secondServerTestFor is the longest silence: two registrations of at most 120 s each (registration.maxExpires),
	// and the time in which a REGISTER without an answer fails, 32 s (RFC 3261 section 17.1.2.2, Timer F). An adapter
	// goes elsewhere when its registration, or a call, has failed (common practice).
	secondServerTestFor = 5 * time.Minute
	// secondServerRemind is how often the age of the last test is checked. Our own number.
	secondServerRemind = 24 * time.Hour
)

// secondServerTest is a test under way. The mutex of Line guards answered.
type secondServerTest struct {
	stop      context.CancelFunc
	until     time.Time
	userAgent string // of the adapter, whose registration may expire during the test
	answered  bool
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
	l.log.Warn("the daemon answers nothing to this line's adapter, to test its second server; calls for help are served",
		zap.Time("until", t.until))
	s, err := l.port.StaySilent(ctx)
	out := secondServerTestOf(s, t.until)
	l.mu.Lock()
	l.secondTest = nil
	switch {
	case err != nil:
		l.mu.Unlock()
		return out, refusedTest(line, err.Error())
	case t.answered:
		out.Ended = "answered"
	case s.End == sipua.SilenceStillCalled:
		l.saveSecondServerLocked(t, false)
	case s.End == sipua.SilenceStopped && ctx.Err() == context.DeadlineExceeded:
		out.Ended = "time"
	}
	l.mu.Unlock()
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
	v, s := l.line.View(), l.port.Status()
	t.userAgent = s.Binding.UserAgent
	l.mu.Lock()
	defer l.mu.Unlock()
	if err := l.busyLocked(); err != nil {
		return err
	}
	switch {
	case l.pulsing || v.Loop != supervision.StateClosed:
		return refusedTest(l.c.Name, "its loop is being opened, or its state is not known")
	case l.callbackUntil(v) != nil:
		return refusedTest(l.c.Name, l.refusal(supervision.SuppressedCallback, v))
	case len(v.Calls) > 0:
		return refusedTest(l.c.Name, callPhrase(v.Calls[0]))
	case !s.Bound:
		return refusedTest(l.c.Name, "its adapter is not registered here")
	}
	l.secondTest = t
	return nil
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
	if _, silent := l.port.Silence(); l.secondTest == nil || !silent {
		return refusedTest(line, "no test is under way")
	}
	l.secondTest.answered = true
	l.saveSecondServerLocked(l.secondTest, passed)
	l.secondTest.stop()
	return nil
}

func (l *Line) saveSecondServerLocked(t *secondServerTest, passed bool) {
	if l.journal == nil {
		return
	}
	state := l.journal.SavedLine(l.c.Name)
	if passed {
		state.Second.Passed, state.Second.UserAgent = time.Now(), t.userAgent
	} else {
		state.Second.Failed = time.Now()
	}
	l.journal.SaveLine(state)
}

// secondServerLocked returns what is known about the adapter's second server, or nil.
func (l *Line) secondServerLocked(s *sipua.Status) *control.SecondServer {
	out := &control.SecondServer{}
	if l.journal != nil {
		was := l.journal.SavedLine(l.c.Name).Second
		out.Passed, out.Failed, out.TestAgain = was.Passed, was.Failed, was.TestAgain(time.Now())
		if out.TestAgain == "" && !was.Passed.IsZero() && s.Bound && s.Binding.UserAgent != was.UserAgent {
			out.TestAgain = "adapter-changed"
		}
	}
	if silence, ok := l.port.Silence(); ok && l.secondTest != nil {
		t := secondServerTestOf(silence, l.secondTest.until)
		out.Test = &t
	}
	if *out == (control.SecondServer{}) {
		return nil
	}
	return out
}

func secondServerTestOf(s sipua.Silence, until time.Time) control.SecondServerTest {
	return control.SecondServerTest{Began: s.Began, Until: until, Unanswered: s.Unanswered, Last: s.Last,
		Called: s.Called, Ended: string(s.End)}
}

// remindOfSecondServer logs once for each reason that the second server has to be tested again. It checks once a day,
// until end.
func (l *Line) remindOfSecondServer() {
	l.reminding.Go(func() {
		reported := ""
		for {
			s := l.port.Status()
			l.mu.Lock()
			second := l.secondServerLocked(&s)
			l.mu.Unlock()
			if second != nil && second.TestAgain != "" && second.TestAgain != reported {
				reported = second.TestAgain
				l.log.Warn("the adapter's second server has to be tested again, which calls for help need while the daemon is down: `clearback check --live --second "+l.c.Name+"`",
					zap.String("because", reported))
			}
			select {
			case <-time.After(secondServerRemind):
			case <-l.ctx.Done():
				return
			}
		}
	})
}
