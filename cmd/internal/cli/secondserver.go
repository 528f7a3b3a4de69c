package cli

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"clearback/bridge/control"
	"clearback/bridge/journal"
	"clearback/config"
)

const (
	// returnTimeout is how long the check waits until the adapter has registered here again. An adapter tries its first
	// server again when its registration is due, or after a time of its own (common practice).
	returnTimeout = 5 * time.Minute
	// returnPoll is how often the daemon is asked meanwhile.
	returnPoll = time.Second
)

// secondServerClient is the part of the running daemon that the check needs.
type secondServerClient interface {
	Daemon(ctx context.Context) (control.Daemon, error)
	TestSecondServer(ctx context.Context, line string) (control.SecondServerTest, error)
	SecondServerTested(ctx context.Context, line string, passed bool) error
}

// checkSecondServer guides the user through a test of the second server in the line's adapter. The running daemon
// answers nothing to the adapter, and the user makes a call.
func (e *env) checkSecondServer(c *config.Config, path, name string) int {
	k, code, ok := e.client(c, path)
	if !ok {
		return code
	}
	ctx, cancel := e.context()
	defer cancel()
	s := &secondServerCheck{client: k, user: &terminalOperator{in: e.input(), say: e.say, line: name}}
	good, err := s.run(ctx, c.Journal.File != "")
	switch {
	case ctx.Err() != nil:
		fmt.Fprintf(e.Err, "clearback: %s: interrupted; the test has ended\n", name)
		return ExitFailed
	case err != nil:
		return e.failed(err)
	case !good:
		return ExitFailed
	}
	return ExitOK
}

// secondServerCheck is one test of a second server.
type secondServerCheck struct {
	client secondServerClient
	user   *terminalOperator
}

// run makes the test and reports whether it passed and the adapter came back. recorded: the daemon has a journal.
func (s *secondServerCheck) run(ctx context.Context, recorded bool) (bool, error) {
	name, say := s.user.line, s.user.say
	answer, err := s.user.ask(ctx, `For at most 5 minutes the daemon will answer nothing to the adapter of %s, as if this machine were off.
Meanwhile the line may not ring, and calls from it take longer or fail. Emergency calls that come here are put through.
Is the line free, and can you make a call from it? Type yes:`, name)
	if err != nil || answer != "yes" {
		say("not tested")
		return false, err
	}
	back := false
	passed, err := s.test(ctx)
	if err == nil {
		if !recorded {
			say("%s: there is no journal, so the result is not saved; set journal.file and repeat this check", name)
		}
		back, err = s.awaitReturn(ctx)
	}
	if refused := (*control.Error)(nil); err != nil && !errors.As(err, &refused) {
		say("%s: the adapter may not be back; until it registers here again, the line may not ring. `clearback lines` may show its old registration for up to 2 min.",
			name)
	}
	return passed && back, err
}

// test makes the test and says what was seen.
func (s *secondServerCheck) test(ctx context.Context) (passed bool, err error) {
	name, say := s.user.line, s.user.say
	testing, stop := context.WithCancel(ctx)
	defer stop()
	asking, over := context.WithCancel(ctx)
	defer over()
	var is control.SecondServerTest
	var failed error
	done := make(chan struct{}) // closed when is and failed are set
	go func() {
		defer close(done)
		defer over()
		is, failed = s.client.TestSecondServer(testing, name)
	}()
	for answer := ""; answer == ""; {
		answer, err = s.user.ask(asking, `Wait about 2.5 minutes, so that the adapter notices. Then make a call from %s, but not to an emergency number. If it
fails, wait a minute and try again. Did a call get through? y, or n to give up:`, name)
		if err != nil {
			break
		}
		switch answer[:min(1, len(answer))] {
		case "y", "n":
			passed = strings.HasPrefix(answer, "y")
			err = s.client.SecondServerTested(ctx, name, passed)
		default:
			answer = ""
		}
	}
	if errors.Is(err, errInput) {
		stop()
	}
	select {
	case <-done: // the answer was taken, or the test had ended already
	case <-time.After(controlTimeout):
		stop()
	}
	if <-done; errors.Is(err, errInput) {
		return false, err
	}
	if failed != nil {
		return false, failed
	}
	passed = passed && is.Ended == "answered"
	say("%s: %s", name, secondServerResult(is, passed))
	seen := "no message of the adapter came here in that time: it went elsewhere without asking here, or noticed nothing"
	if is.Unanswered > 0 {
		seen = fmt.Sprintf("%d messages of the adapter got no answer, the last at %s", is.Unanswered,
			is.Last.Local().Format(time.TimeOnly))
	}
	say("%s: seen: %s.\n%s: not shown: that the line rings while the daemon is down, and that its emergency calls reach the right centre (SAFETY.md 39).",
		name, seen, name)
	return passed, nil
}

func secondServerResult(is control.SecondServerTest, passed bool) string {
	switch {
	case passed:
		return "PASSED: a call got through while the daemon did not answer"
	case is.Ended == "answered":
		return "FAILED: no call got through; check the second server in the adapter"
	}
	return map[string]string{
		"time": "NOT SHOWN: nobody said that a call got through",
		"still-called": "NOT SHOWN: it still called here, and that call was put through; repeat the test, and wait 2.5 minutes before the call. " +
			"If that does not help, check the second server in the adapter, or set a shorter time after which it goes there",
		"emergency":    "NOT SHOWN: an emergency call came, and was put through; repeat the test when it is over",
		"call-arrived": "NOT SHOWN: a call for the line came; repeat the test when it is over",
		"stopped":      "NOT SHOWN: the daemon has ended the test",
	}[is.Ended]
}

// adapter returns the state of the line's adapter.
func (s *secondServerCheck) adapter(ctx context.Context) (control.Adapter, error) {
	ctx, cancel := context.WithTimeout(ctx, controlTimeout)
	defer cancel()
	d, err := s.client.Daemon(ctx)
	for i := range d.Lines {
		if d.Lines[i].Name == s.user.line {
			return d.Lines[i].Adapter, nil
		}
	}
	if err == nil {
		err = fmt.Errorf("the running daemon does not serve %s; restart it with this file", s.user.line)
	}
	return control.Adapter{}, err
}

// awaitReturn waits until the adapter registers, and says so. It is called when the test has ended: a registration from
// before the test does not show that the adapter is back. An adapter that has a fixed contact does not register.
func (s *secondServerCheck) awaitReturn(ctx context.Context) (bool, error) {
	name, say := s.user.line, s.user.say
	before, err := s.adapter(ctx)
	if err != nil {
		return false, err
	}
	if before.Bound && before.Until.IsZero() {
		return true, nil
	}
	say("%s: waiting at most %s until the adapter registers here again", name, returnTimeout)
	for end := time.Now().Add(returnTimeout); ; {
		is, err := s.adapter(ctx)
		switch {
		case err != nil:
			return false, err
		case is.Bound && !is.Until.Equal(before.Until):
			say("%s: the adapter is back", name)
			return true, nil
		case !time.Now().Before(end):
			say("%s: the adapter has NOT come back. Until it registers here, the line may not ring and its holds do not clear. Restart the adapter, and look for its setting that makes it return to its first server.",
				name)
			return false, nil
		}
		select {
		case <-time.After(returnPoll):
		case <-ctx.Done():
			return false, ctx.Err()
		}
	}
}

// describeSecondServers says when the second servers of the adapters were last tested.
func describeSecondServers(ctx context.Context, c *config.Config, now time.Time) string {
	const about = "second servers of the adapters (`clearback check --live --second LINE` tests them): "
	tested := map[string]journal.SecondServer{}
	if c.Journal.File != "" {
		r, err := journal.OpenReader(c.Journal.File)
		if err == nil {
			defer r.Close()
			var all []journal.SavedLine
			all, err = r.SavedLines(ctx)
			for _, l := range all {
				tested[l.Line] = l.Second
			}
		}
		if err != nil && !errors.Is(err, journal.ErrNotFound) && !errors.Is(err, journal.ErrOlder) {
			return about + err.Error()
		}
	}
	words := make([]string, len(c.Lines))
	for i := range c.Lines {
		was := tested[c.Lines[i].Name]
		state := "never tested"
		switch again := was.TestAgain(now); {
		case again == "failed":
			state = "FAILED " + was.Failed.Local().Format(time.DateOnly)
		case again == "old":
			state = "OLD, passed " + was.Passed.Local().Format(time.DateOnly)
		case !was.Passed.IsZero():
			state = "passed " + was.Passed.Local().Format(time.DateOnly)
		}
		words[i] = c.Lines[i].Name + " " + state
	}
	return about + strings.Join(words, ", ")
}

// secondServerWords returns a line for `lines`, or "" if there is nothing to do.
func secondServerWords(name string, s *control.SecondServer) string {
	again := "; test it: `clearback check --live --second " + name + "`"
	switch {
	case s == nil:
		return ""
	case s.Test != nil:
		return "the adapter gets no answer until " + s.Test.Until.Local().Format(time.TimeOnly) +
			", while its second server is tested"
	case s.TestAgain == "failed":
		return "the adapter's second server FAILED its last test, on " + s.Failed.Local().Format(time.DateOnly) + again
	case s.TestAgain != "":
		return "the adapter's second server was last tested on " + s.Passed.Local().Format(time.DateOnly) + again
	}
	return ""
}
