package cli

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"clearback/bridge/control"
	"clearback/bridge/journal"
	"clearback/config"
)

// silentDaemon is a daemon that tests a second server.
type silentDaemon struct {
	ends    chan control.SecondServerTest // the end of the test, if it is not the user's answer
	back    time.Duration                 // when the adapter registers again after the test; 0: never
	refused error                         // why no test begins

	mu      sync.Mutex
	adapter control.Adapter
	ended   time.Time
	passed  []bool
}

func (d *silentDaemon) Daemon(context.Context) (control.Daemon, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if !d.ended.IsZero() && d.back > 0 && time.Since(d.ended) >= d.back {
		d.adapter.Bound, d.adapter.Until = true, d.ended.Add(d.back+2*time.Minute)
	}
	return control.Daemon{Lines: []control.Line{{Name: "stage-door"}, {Name: "box-office", Adapter: d.adapter}}}, nil
}

// TestSecondServer is called after the consent. Meanwhile the adapter has registered once more.
func (d *silentDaemon) TestSecondServer(ctx context.Context, line string) (is control.SecondServerTest, err error) {
	d.mu.Lock()
	if !d.adapter.Until.IsZero() {
		d.adapter.Until = d.adapter.Until.Add(30 * time.Second)
	}
	d.mu.Unlock()
	if d.refused != nil {
		return is, d.refused
	}
	select {
	case is = <-d.ends:
	case <-ctx.Done():
		err = ctx.Err()
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	d.ended = time.Now()
	return is, err
}

func (d *silentDaemon) SecondServerTested(_ context.Context, line string, passed bool) error {
	d.mu.Lock()
	d.passed = append(d.passed, passed)
	d.mu.Unlock()
	d.ends <- control.SecondServerTest{Unanswered: 3, Last: time.Now(), Ended: "answered"}
	return nil
}

// One test in every way that it can end, with what the user reads.
func TestCheckSecondServer(t *testing.T) {
	t.Parallel()
	registered := control.Adapter{Bound: true, Until: time.Date(2000, 1, 1, 0, 2, 0, 0, time.UTC)}
	fixed := control.Adapter{Bound: true}
	for name, is := range map[string]struct {
		adapter     control.Adapter
		input       string
		ended       string // by the daemon, after two minutes
		back        time.Duration
		journal     bool
		good        bool
		refused     string // why the daemon does not begin the test
		interrupted bool   // after a minute
		fails       string
		took        time.Duration
		reads, not  []string
	}{
		"a call gets through": {adapter: registered, input: "yes\ny\n", back: 40 * time.Second, journal: true, good: true,
			took: 40 * time.Second, reads: []string{"PASSED", "3 messages of the adapter got no answer",
				"not shown: that the line rings", "the adapter is back"}, not: []string{"no journal"}},
		"no call gets through": {adapter: registered, input: "yes\n?\nn\n", back: time.Second, journal: true,
			took: time.Second, reads: []string{"FAILED: no call got through", "the adapter is back"}},
		"the adapter does not return": {adapter: registered, input: "yes\ny\n", journal: true, took: returnTimeout,
			reads: []string{"PASSED", "NOT come back"}},
		"a fixed contact": {adapter: fixed, input: "yes\ny\n", good: true,
			reads: []string{"PASSED", "there is no journal"}, not: []string{"waiting"}},
		"no consent": {adapter: fixed, input: "no\n", reads: []string{"not tested"},
			not: []string{"PASSED", "may not be back"}},
		"the line is in use": {adapter: fixed, input: "yes\n-", refused: "call 4 is up", fails: "call 4 is up",
			not: []string{"may not be back"}},
		"nobody answers": {adapter: fixed, input: "yes\n", fails: errInput.Error(),
			reads: []string{"the adapter may not be back"}},
		"Ctrl-C": {adapter: fixed, input: "yes\n-", interrupted: true, fails: context.Canceled.Error(),
			took: time.Minute, reads: []string{"the adapter may not be back"}},
		"Ctrl-C while it waits": {adapter: registered, input: "yes\ny\n", interrupted: true,
			fails: context.Canceled.Error(), took: time.Minute,
			reads: []string{"PASSED", "the adapter may not be back"}},
		"the adapter still calls": {adapter: fixed, input: "yes\n-", ended: "still-called", took: 2 * time.Minute,
			reads: []string{"NOT SHOWN: it still called here", "wait 2.5 minutes before the call",
				"no message of the adapter came"}, not: []string{"FAILED"}},
		"an emergency call": {adapter: fixed, input: "yes\n-", ended: "emergency", took: 2 * time.Minute,
			reads: []string{"NOT SHOWN: an emergency call came, and was put through"}},
		"a caller": {adapter: fixed, input: "yes\n-", ended: "call-arrived", took: 2 * time.Minute,
			reads: []string{"NOT SHOWN: a call for the line came"}},
		"nothing within the time": {adapter: fixed, input: "yes\n-", ended: "time", took: 2 * time.Minute,
			reads: []string{"NOT SHOWN: nobody said"}},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			synctest.Test(t, func(t *testing.T) {
				d := &silentDaemon{ends: make(chan control.SecondServerTest, 1), adapter: is.adapter, back: is.back}
				text, waits := strings.CutSuffix(is.input, "-")
				in, more := io.Pipe() // read beside the test
				defer more.Close()
				go func() {
					_, _ = io.WriteString(more, text) // an error means that the test is over
					if !waits {
						more.Close()
					}
				}()
				if is.ended != "" {
					time.AfterFunc(2*time.Minute, func() { d.ends <- control.SecondServerTest{Ended: is.ended} })
				}
				var out strings.Builder
				s := &secondServerCheck{client: d, user: &terminalOperator{in: bufio.NewReader(in), line: "box-office",
					say: func(format string, a ...any) { fmt.Fprintf(&out, format+"\n", a...) }}}
				ctx, interrupt := context.WithCancel(t.Context())
				if is.interrupted {
					time.AfterFunc(time.Minute, interrupt)
				}
				if is.refused != "" {
					d.refused = &control.Error{Reason: control.ReasonRefused, Text: is.refused}
				}
				began := time.Now()
				good, err := s.run(ctx, is.journal)
				interrupt()
				if is.fails != "" {
					require.ErrorContains(t, err, is.fails)
				} else {
					require.NoError(t, err)
				}
				assert.Equal(t, is.good, good, out.String())
				assert.Equal(t, is.took, time.Since(began).Round(time.Second))
				for _, s := range is.reads {
					assert.Contains(t, out.String(), s)
				}
				for _, s := range is.not {
					assert.NotContains(t, out.String(), s)
				}
			})
		})
	}
}

// `lines` mentions a second server only if there is something to do, `check` always.
func TestSecondServerWords(t *testing.T) {
	t.Parallel()
	at := time.Date(2026, 3, 14, 19, 30, 0, 0, time.Local)
	assert.Empty(t, secondServerWords("box-office", nil))
	assert.Empty(t, secondServerWords("box-office", &control.SecondServer{Passed: at}))
	for want, s := range map[string]control.SecondServer{
		"the adapter gets no answer until 19:30:00": {Test: &control.SecondServerTest{Until: at}},
		"FAILED its last test, on 2026-03-14":       {Failed: at, TestAgain: "failed"},
		"was last tested on 2026-03-14; test it: `clearback check --live --second box-office`": {Passed: at,
			TestAgain: "old"},
	} {
		assert.Contains(t, secondServerWords("box-office", &s), want)
	}

	c := &config.Config{Lines: []config.Line{{Name: "box-office"}, {Name: "stage-door"}, {Name: "workshop"}}}
	c.Journal.File = filepath.Join(t.TempDir(), "journal.db")
	now := at.Add(time.Hour)
	describe := func() string {
		_, words, _ := strings.Cut(describeSecondServers(t.Context(), c, now), "tests them): ")
		return words
	}
	assert.Equal(t, "box-office never tested, stage-door never tested, workshop never tested", describe())
	j := journal.Open(journal.Options{Path: c.Journal.File})
	j.SaveLine(journal.SavedLine{Line: "box-office", Second: journal.SecondServer{Passed: at, Failed: at.Add(-time.Hour)}})
	j.SaveLine(journal.SavedLine{Line: "stage-door", Second: journal.SecondServer{Passed: at, Failed: at.Add(time.Minute)}})
	require.NoError(t, j.Close())
	assert.Equal(t, "box-office passed 2026-03-14, stage-door FAILED 2026-03-14, workshop never tested", describe())
	now = at.Add(366 * 24 * time.Hour)
	assert.Equal(t, "box-office OLD, passed 2026-03-14, stage-door FAILED 2026-03-14, workshop never tested", describe())
	require.NoError(t, os.WriteFile(c.Journal.File, []byte("scenery"), 0o600))
	assert.Contains(t, describe(), c.Journal.File)
	assert.NotContains(t, describe(), "never tested")
}
