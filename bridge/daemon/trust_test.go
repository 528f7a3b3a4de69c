package daemon

import (
	"context"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"go.uber.org/zap"
	"go.uber.org/zap/zaptest/observer"

	"clearback/bridge/journal"
	"clearback/config"
	"clearback/supervision"
	"clearback/supervision/callrecord"
)

func trustedAs(t *testing.T, c *config.Config, names string) {
	t.Helper()
	require.NoError(t, journal.SaveTrust(c.Journal.File, "box-office",
		journal.Trust{Probe: true, Sense: true, UserAgent: names, At: time.Now()}))
}

// The result of check --live --states counts from the next start, for the method that the file names, until the
// adapter's User-Agent changes.
func TestTrust(t *testing.T) {
	c, _ := stage(t)
	d, _ := startTestDaemon(t, c)
	require.False(t, d.Line("box-office").View().ProbeTrusted, "check --live has confirmed nothing yet")
	d.Shutdown(context.Background())

	// An adapter that registers with one User-Agent and answers with another has both.
	trustedAs(t, c, "Millrace 2.1"+nameSeparator+"Millrace/fxs")
	d, logs := startTestDaemon(t, c)
	for _, name := range []string{"Millrace/fxs", "Millrace 2.1", "Millrace/fxs"} {
		d.userAgentSeen("box-office", name)
		awaitPosted(d)
		require.True(t, d.Line("box-office").View().ProbeTrusted, name)
		require.False(t, d.Line("box-office").line.Policy().SenseTrusted, "the file says options")
	}
	_, _, err := d.agent.Line("box-office").Ask(t.Context())
	require.NoError(t, err)
	awaitPosted(d)
	require.True(t, d.Line("box-office").View().ProbeTrusted)
	require.Zero(t, logs.FilterMessageSnippet("User-Agent has changed").Len())
	d.userAgentSeen("box-office", "Millrace 3.0")
	requireDistrust(t, d)
	warnings := logs.FilterMessageSnippet("User-Agent has changed")
	require.Equal(t, 1, warnings.Len())
	require.Equal(t, "Millrace 2.1 and Millrace/fxs", warnings.All()[0].ContextMap()["was"])
	d.userAgentSeen("box-office", "Millrace 2.1")
	require.NoError(t, d.Line("box-office").setInterval(700*time.Millisecond))
	require.False(t, d.Line("box-office").View().ProbeTrusted, "the line must be confirmed again")
	d.Shutdown(context.Background())
	d, _ = startTestDaemon(t, c)
	require.False(t, d.Line("box-office").View().ProbeTrusted, "after a restart too")
	d.Shutdown(context.Background())
	trustedAs(t, c, "Millrace 2.1")
	d, _ = startTestDaemon(t, c)
	require.True(t, d.Line("box-office").View().ProbeTrusted, "the line has been confirmed again")
	d.Shutdown(context.Background())

	// Trust that the file grants is never withdrawn.
	c.Lines[0].Policy.ProbeTrusted = true
	d, logs = startTestDaemon(t, c)
	d.userAgentSeen("box-office", "Millrace 3.0")
	awaitPosted(d)
	require.True(t, d.Line("box-office").View().ProbeTrusted)
	require.Zero(t, logs.FilterMessageSnippet("User-Agent has changed").Len())
	d.Shutdown(context.Background())

	c.Lines[0].Policy.ProbeTrusted = false
	c.Lines[0].Verify.By = "sense"
	trustedAs(t, c, "Millrace 2.1")
	d, _ = startTestDaemon(t, c)
	require.True(t, d.Line("box-office").line.Policy().SenseTrusted)
	require.False(t, d.Line("box-office").View().ProbeTrusted)
}

// awaitPosted waits until the machine has seen every event posted so far.
func awaitPosted(d *Daemon) {
	const last = supervision.CallID(1 << 40)                     // no call has this number
	seen, l := make(chan struct{}, 1), d.Line("box-office").line // one event, received below
	defer l.Follow(func(e callrecord.Entry) {
		if e.Event.Call == last {
			seen <- struct{}{}
		}
	})()
	l.Post(supervision.Event{Kind: supervision.NearEndCleared, Call: last})
	<-seen
}

// requireDistrust checks that the machine does not trust the adapter's answers after what was posted so far.
func requireDistrust(t *testing.T, d *Daemon) {
	t.Helper()
	awaitPosted(d)
	require.False(t, d.Line("box-office").View().ProbeTrusted)
}

// The adapter's own answer, to the probe at the start, shows that it is another one. The machine learns of the change
// before it gets the answer.
func TestChangeOfTheAdapterPrecedesItsAnswer(t *testing.T) {
	c, _ := stage(t)
	trustedAs(t, c, "Millrace 1.9")
	core, logs := observer.New(zap.InfoLevel)
	d, err := Start(c, Options{Logger: zap.New(core)})
	require.NoError(t, err)
	defer d.Shutdown(context.Background())
	steps := func() (texts []string) {
		for _, e := range logs.All() {
			text, _ := e.ContextMap()["text"].(string)
			if slices.Contains([]string{"adapter-changed", "report trust-withdrawn", "probe-answered hook=on"}, text) {
				texts = append(texts, text)
			}
		}
		return texts
	}
	require.Eventually(t, func() bool { return len(steps()) == 3 }, 5*time.Second, time.Millisecond)
	require.Equal(t, []string{"adapter-changed", "report trust-withdrawn", "probe-answered hook=on"}, steps())
}

// An adapter without a User-Agent when it was checked, which has one now, counts as another adapter.
func TestTrustOfANamelessAdapter(t *testing.T) {
	c, p := stage(t)
	p.Set("486 Busy Here")
	trustedAs(t, c, "")
	d, logs := startTestDaemon(t, c)
	d.userAgentSeen("box-office", "Millrace 2.1")
	requireDistrust(t, d)
	require.Equal(t, 1, logs.FilterMessageSnippet("User-Agent has changed").Len())
}

// Each answered call tests the adapter's answers (SAFETY.md S94): 486 is due. An adapter that answers 200 twice is not
// trusted from then on, not even after a restart.
func TestTrustIsTestedInCalls(t *testing.T) {
	c, p := stage(t)
	p.Set("486 Busy Here")
	trustedAs(t, c, "Millrace 2.1")
	d, logs := startTestDaemon(t, c)
	k := d.Line("box-office")
	k.mu.Lock()
	k.trustAfter = 10 * time.Millisecond
	k.mu.Unlock()
	answered := func(id supervision.CallID, emergency bool) {
		k.line.Post(supervision.Event{Kind: supervision.CallRequested, Call: id, Emergency: emergency})
		k.line.Post(supervision.Event{Kind: supervision.CallAnswered, Call: id})
	}
	trusts := func() bool { return k.View().ProbeTrusted }
	tested := func() { // all queries have been answered
		t.Helper()
		require.Eventually(t, func() bool {
			calls := k.line.View().Calls
			return len(calls) > 0 && calls[0].Answered
		}, 5*time.Second, time.Millisecond)
		k.work.Wait()
	}
	ended := func(id supervision.CallID) {
		k.line.Post(supervision.Event{Kind: supervision.NearEndCleared, Call: id})
		require.Eventually(t, func() bool { return len(k.line.View().Calls) == 0 }, 5*time.Second, time.Millisecond)
	}
	answered(81, false)
	tested()
	ended(81)
	require.True(t, trusts(), "486 is due")
	p.Set("200 OK")
	answered(82, true)
	tested()
	ended(82) // what was posted before is done
	require.True(t, trusts(), "an emergency call is no test")
	require.Zero(t, logs.FilterMessageSnippet("answered call").Len())
	answered(83, false)
	tested()
	requireDistrust(t, d)
	require.Equal(t, 1, logs.FilterField(zap.String("text", "report trust-withdrawn call=83")).Len())
	warnings := logs.FilterMessageSnippet("reported on hook (200 to OPTIONS) in an answered call")
	require.Equal(t, 1, warnings.Len())
	require.EqualValues(t, 83, warnings.All()[0].ContextMap()["call"])
	d.Shutdown(context.Background())

	p.Set("486 Busy Here")
	d, _ = startTestDaemon(t, c)
	require.False(t, d.Line("box-office").View().ProbeTrusted, "after a restart")
}
