package cli

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"clearback/bridge/control"
	"clearback/bridge/daemon/daemontest"
	"clearback/bridge/journal"
	"clearback/config"
	"clearback/supervision"
	"clearback/supervision/tuning"
)

// fakeLine is a daemon with one line, and its operator. The line card releases a hold at the threshold.
type fakeLine struct {
	threshold time.Duration
	says      func(n int, cleared bool) control.Trial // the daemon's answer to trial n, from 1; nil: the probe decides
	fails     map[string]error                        // by step; from trial failAt on
	failAt    int
	lampSays  tuning.Answer // Unknown: the truth

	mu      sync.Mutex // guards holds, which Answer reads while Ring runs
	ended   int
	holds   int
	cleared bool
	kept    []control.TrialAnswer
	freed   []tuning.Answer
	asked   []time.Duration
	steps   []string
}

func (l *fakeLine) step(name string) error {
	l.steps = append(l.steps, name)
	if l.late() {
		return l.fails[name]
	}
	return nil
}

// late reports whether the chosen step fails by now.
func (l *fakeLine) late() bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.holds >= l.failAt
}

func (l *fakeLine) BeginTrials(context.Context, string) error { return l.step("begin") }
func (l *fakeLine) EndTrials(ctx context.Context, _ string) error {
	l.ended++
	if ctx.Err() != nil {
		return ctx.Err()
	}
	return l.step("end")
}
func (l *fakeLine) Ring(context.Context, string) (uint64, error) {
	l.mu.Lock()
	l.holds++
	l.mu.Unlock()
	return uint64(l.holds), l.step("ring")
}
func (l *fakeLine) Clear(_ context.Context, _ string, interval time.Duration, _ bool) (control.Trial, error) {
	if err := l.step("clear"); err != nil {
		return control.Trial{}, err
	}
	l.asked = append(l.asked, interval)
	l.cleared = interval >= l.threshold
	if l.says != nil {
		t := l.says(l.holds, l.cleared)
		t.Asked = interval.Milliseconds()
		return t, nil
	}
	hook := supervision.HookOff
	if l.cleared {
		hook = supervision.HookOn
	}
	return control.Trial{Call: uint64(l.holds), Asked: interval.Milliseconds(), Measured: interval.Microseconds(),
		Hook: hook.String(), By: "probe"}, nil
}
func (l *fakeLine) SaveTrial(_ context.Context, _ string, a control.TrialAnswer) error {
	l.kept = append(l.kept, a)
	return l.step("keep")
}

func (l *fakeLine) Answer(ctx context.Context, n, _ int) error {
	if l.fails["ring"] != nil {
		if n < l.failAt {
			return nil
		}
		<-ctx.Done() // nobody lifts before the daemon gives up
		return ctx.Err()
	}
	return nil
}
func (l *fakeLine) Hold(context.Context) error { return l.step("hold") }
func (l *fakeLine) Lamp(context.Context) (tuning.Answer, error) {
	err := l.step("lamp")
	switch {
	case l.lampSays != tuning.Unknown:
		return l.lampSays, err
	case l.cleared:
		return tuning.Cleared, err
	default:
		return tuning.Stayed, err
	}
}
func (l *fakeLine) RangUp(context.Context) (bool, error) { return false, l.step("rang-up") }
func (l *fakeLine) Free(_ context.Context, a tuning.Answer) error {
	l.freed = append(l.freed, a)
	return l.step("free")
}

func tuned(l *fakeLine, c *config.Line, holds int, earlier []tuning.Trial) *tuner {
	plan := planFor(c, supervision.IntervalFloor, false, holds)
	plan.Random = rand.New(rand.NewPCG(4, 2))
	return &tuner{line: "box-office", session: 7, plan: plan, earlier: earlier, client: l, operator: l,
		say: func(string, ...any) {}}
}

// millraceTuneFile loads a real configuration and returns its line.
func millraceTuneFile(t *testing.T) *config.Line {
	t.Helper()
	return &daemontest.Load(t, daemontest.File(t, "127.0.0.1:1502", "192.0.2.1", "192.0.2.2:5060")).Lines[0]
}

func TestTuner(t *testing.T) {
	l := &fakeLine{threshold: 600 * time.Millisecond}
	r, err := tuned(l, millraceTuneFile(t), defaultMaxHolds, nil).run(t.Context())
	require.NoError(t, err)
	assert.GreaterOrEqual(t, r.Recommended, l.threshold, r.Text)
	assert.Equal(t, 1, l.ended)
	assert.Len(t, l.kept, l.holds)
	assert.Equal(t, int64(7), l.kept[0].Session)
	assert.Contains(t, l.asked, time.Duration(0), "a trial that opens nothing")
	assert.NotContains(t, l.steps, "lamp", "the probe tells")
	for i, a := range l.kept {
		assert.Equal(t, map[bool]string{true: "cleared", false: "stayed"}[l.asked[i] >= l.threshold], a.Cleared)
		assert.Equal(t, a.Cleared, l.freed[i].String(), "a hold that stayed is taken back")
	}

	// If neither probe nor input can be trusted, the operator is asked.
	l = &fakeLine{threshold: 600 * time.Millisecond, says: func(int,
		bool) control.Trial {
		return control.Trial{Hook: supervision.HookUnknown.String()}
	}}
	r, err = tuned(l, millraceTuneFile(t), defaultMaxHolds, nil).run(t.Context())
	require.NoError(t, err)
	assert.GreaterOrEqual(t, r.Recommended, l.threshold, r.Text)
	assert.Contains(t, l.steps, "lamp")

	// A trial that was not made has no result, the operator is not asked about the lamp, and the line may still be
	// held.
	l = &fakeLine{says: func(int, bool) control.Trial {
		return control.Trial{Hook: supervision.HookUnknown.String(), Why: "the contact did not move"}
	}}
	r, err = tuned(l, millraceTuneFile(t), defaultMaxHolds, nil).run(t.Context())
	require.NoError(t, err)
	assert.Zero(t, r.Recommended)
	assert.NotEmpty(t, r.Text)
	assert.NotContains(t, l.steps, "lamp")
	assert.Equal(t, "unknown", l.kept[0].Cleared)
	assert.Equal(t, tuning.Unknown, l.freed[0])
	assert.Less(t, l.holds, 10, "it does not go on for ever")
}

// Whatever fails, the session is ended, the results so far are returned, and the first error is reported.
func TestTunerFails(t *testing.T) {
	trouble := fmt.Errorf("the curtain fell")
	for _, step := range []string{"ring", "hold", "clear", "lamp", "rang-up", "keep", "free", "end"} {
		l := &fakeLine{threshold: 600 * time.Millisecond, failAt: 3, fails: map[string]error{step: trouble}}
		if step == "lamp" {
			l.says = func(int, bool) control.Trial { return control.Trial{Hook: supervision.HookUnknown.String()} }
		}
		r, err := tuned(l, millraceTuneFile(t), defaultMaxHolds, nil).run(t.Context())
		require.ErrorIs(t, err, trouble, step)
		assert.Equal(t, 1, l.ended, step)
		switch step {
		// By then the result of the third hold is known.
		case "rang-up", "keep", "free":
			assert.Len(t, r.Trials, 3, step)
		case "end":
		default:
			assert.Len(t, r.Trials, 2, step)
		}
	}
	l := &fakeLine{fails: map[string]error{"begin": trouble}}
	tn := tuned(l, millraceTuneFile(t), defaultMaxHolds, nil)
	_, err := tn.run(t.Context())
	require.ErrorIs(t, err, trouble)
	assert.False(t, tn.began)
	assert.Zero(t, l.ended, "nothing to end")

	// If the user interrupts the session, the daemon is still told to end it.
	ctx, cancel := context.WithCancel(t.Context())
	l = &fakeLine{threshold: time.Second, says: func(n int, _ bool) control.Trial {
		if n == 2 {
			cancel()
		}
		return control.Trial{Hook: supervision.HookOff.String()}
	}}
	_, err = tuned(l, millraceTuneFile(t), defaultMaxHolds, nil).run(ctx)
	require.ErrorIs(t, err, context.Canceled)
	assert.Equal(t, 1, l.ended)
	assert.Equal(t, "end", l.steps[len(l.steps)-1], "with a context that has not ended")
}

// A complete session is evaluated without a daemon or an operator. An incomplete one continues where it stopped.
func TestTunerResumes(t *testing.T) {
	l := &fakeLine{threshold: 600 * time.Millisecond}
	whole, err := tuned(l, millraceTuneFile(t), defaultMaxHolds, nil).run(t.Context())
	require.NoError(t, err)

	again := &fakeLine{fails: map[string]error{"begin": fmt.Errorf("no daemon")}}
	r, err := tuned(again, millraceTuneFile(t), defaultMaxHolds, whole.Trials).run(t.Context())
	require.NoError(t, err)
	assert.Equal(t, whole.Recommended, r.Recommended)
	assert.Empty(t, again.steps)

	again = &fakeLine{threshold: l.threshold}
	r, err = tuned(again, millraceTuneFile(t), defaultMaxHolds, whole.Trials[:5]).run(t.Context())
	require.NoError(t, err)
	assert.Equal(t, len(r.Trials)-5, again.holds)
	assert.GreaterOrEqual(t, r.Recommended, l.threshold)
}

// The terminal operator asks the right questions and recognises each answer.
func TestTerminalOperator(t *testing.T) {
	var out outputBuffer
	at := func(typed string) *terminalOperator {
		return &terminalOperator{in: bufio.NewReader(strings.NewReader(typed)), line: "box-office",
			say: func(f string, a ...any) { fmt.Fprintf(&out, f+"\n", a...) }}
	}
	for typed, want := range map[string]tuning.Answer{"y\n": tuning.Cleared, " Yes\n": tuning.Cleared,
		"N\n": tuning.Stayed, "?\n": tuning.Unknown, "\nperhaps\nno\n": tuning.Stayed} {
		a, err := at(typed).Lamp(t.Context())
		require.NoError(t, err)
		assert.Equal(t, want, a, "%q", typed)
	}
	for typed, want := range map[string]bool{"y\n": true, "\n": false, "n\n": false} {
		rang, err := at(typed).RangUp(t.Context())
		require.NoError(t, err)
		assert.Equal(t, want, rang, "%q", typed)
	}
	_, err := at("").Lamp(t.Context())
	require.ErrorIs(t, err, errInput)
	require.NoError(t, at("").Free(t.Context(), tuning.Cleared), "nothing to do, nothing asked")
	require.NoError(t, at("\n").Free(t.Context(), tuning.Stayed))
	assert.Contains(t, out.String(), "The line is still held")
	require.NoError(t, at("\n").Free(t.Context(), tuning.Unknown))
	assert.Contains(t, out.String(), "If the lamp is still lit")

	// A command ends even if its question is never answered.
	in, typing := io.Pipe()
	defer typing.Close()
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	require.ErrorIs(t, (&terminalOperator{in: bufio.NewReader(in), say: func(string, ...any) {}}).Hold(ctx),
		context.Canceled)
}

// A session in the journal gives its result, and --write works, without a running daemon.
func TestTuneFromTheJournal(t *testing.T) {
	path := daemontest.File(t, "127.0.0.1:1502", "192.0.2.1", "192.0.2.2:5060")
	code, _, errs := call("", "tune", "box-office", "--resume", "--config", switchedOff(t))
	assert.Equal(t, ExitFailed, code)
	assert.Contains(t, errs, "set control.socket")
	recorded(t, path)
	code, _, errs = call("", "tune", "box-office", "--config", path)
	assert.Equal(t, ExitFailed, code)
	assert.Contains(t, errs, "clearback: no session was begun: ")
	assert.NotContains(t, errs, "--resume", "nothing to go on with")
	j := journal.Open(journal.Options{Path: filepath.Join(filepath.Dir(path), "journal.db")})
	require.NoError(t, j.Close())
	code, _, errs = call("", "tune", "box-office", "--resume", "--config", path)
	assert.Equal(t, ExitFailed, code)
	assert.Contains(t, errs, "no trials of box-office; begin without --resume")

	l := &fakeLine{threshold: 500 * time.Millisecond}
	whole, err := tuned(l, millraceTuneFile(t), 20, nil).run(t.Context())
	require.NoError(t, err)
	j = journal.Open(journal.Options{Path: filepath.Join(filepath.Dir(path), "journal.db")})
	for i, tr := range whole.Trials {
		a := journal.AnswerStayed
		if tr.Answer == tuning.Cleared {
			a = journal.AnswerCleared
		}
		j.AppendTrial(journal.Trial{Session: 7, Line: "box-office", At: time.Unix(int64(1000+i), 0),
			Catch: tr.Interval == 0, Asked: tr.Interval, Measured: tr.Measured, Cleared: a})
	}
	require.NoError(t, j.Close())
	for _, c := range []struct {
		args, says string
	}{
		{"", "To use it: clearback tune box-office --config " + path + " --holds 20 --resume --write\n"},
		{" --dry-run", "+      interval: "},
		{" --write", "no daemon is running; it takes the new interval when it starts"},
		{" --write", "has interval " + whole.Recommended.String() + " already"},
	} {
		code, out, errs := call("", strings.Fields("tune box-office --resume --holds 20 --config "+path+c.args)...)
		assert.Equal(t, ExitOK, code, errs)
		assert.Contains(t, out, c.says)
		text, err := os.ReadFile(path)
		require.NoError(t, err)
		assert.Equal(t, c.args == " --write", strings.Contains(string(text), "interval: "+whole.Recommended.String()),
			c.args)
	}
}
