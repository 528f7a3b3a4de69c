package daemon

import (
	"context"
	"database/sql"
	"fmt"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"go.uber.org/zap"
	"go.uber.org/zap/zaptest/observer"

	"clearback/bridge/control"
	"clearback/bridge/daemon/daemontest"
	"clearback/bridge/journal"
	"clearback/bridge/relay"
	"clearback/config"
	"clearback/supervision"
	"clearback/supervision/callrecord"
)

// startTestDaemon starts the daemon of a configuration, with a journal, until the test or the daemon ends.
func startTestDaemon(t *testing.T, c *config.Config) (*Daemon, *observer.ObservedLogs) {
	t.Helper()
	core, logs := observer.New(zap.WarnLevel)
	d, err := Start(c, Options{Logger: zap.New(core)})
	require.NoError(t, err)
	t.Cleanup(func() { d.Shutdown(context.Background()) })
	return d, logs
}

// stage returns the configuration of a line with a board and a service, and its adapter, whose User-Agent is Millrace
// 2.1.
func stage(t *testing.T) (*config.Config, *daemontest.Adapter) {
	t.Helper()
	p := daemontest.NewAdapter(t)
	c := daemontest.Load(t, daemontest.File(t,
		daemontest.Serve(t, &daemontest.Board{}), daemontest.Answering(t, "200 OK"), p.Addr()))
	c.Journal.File = filepath.Join(t.TempDir(), "journal.db")
	return c, p
}

// After a restart the daemon still has the count of holds that stayed, if interval and steps are the same, the
// call-back window, at most as long as the file says, and the next call number.
func TestStateOverARestart(t *testing.T) {
	c, _ := stage(t)
	d, _ := startTestDaemon(t, c)
	k := d.Line("box-office")
	steps := d.Line("box-office").line.Policy().Steps
	require.NotEmpty(t, steps)
	end := supervision.Instant(time.Since(k.epoch) + 10*time.Minute)
	k.save(supervision.SavedState{Stayed: 1, CallbackBy: end})
	until := k.epoch.Add(time.Duration(end))
	k.line.Post(supervision.Event{Kind: supervision.CallRequested, Call: 41})
	k.line.Post(supervision.Event{Kind: supervision.NearEndCleared, Call: 41})
	require.Eventually(t, func() bool { return len(k.line.View().Calls) == 0 }, 5*time.Second, time.Millisecond)
	d.Shutdown(context.Background())

	d, _ = startTestDaemon(t, c)
	l := d.backend.Daemon().Lines[0]
	assert.Equal(t, control.Interval{Milliseconds: steps[0].Milliseconds(), Configured: 800, Stayed: 1}, l.Interval)
	require.NotNil(t, l.CallbackUntil)
	assert.WithinDuration(t, until, *l.CallbackUntil, time.Second)
	assert.Equal(t, uint64(42), d.journal.FirstCall())
	d.Shutdown(context.Background())

	shorter := *c
	shorter.Lines = []config.Line{c.Lines[0]}
	shorter.Lines[0].Policy.CallbackWindow = time.Minute
	shorter.Lines[0].Policy.Steps = steps[:1]
	d, _ = startTestDaemon(t, &shorter)
	l = d.backend.Daemon().Lines[0]
	assert.Equal(t, 0, l.Interval.Stayed, "counted on other steps")
	require.NotNil(t, l.CallbackUntil)
	assert.Less(t, time.Until(*l.CallbackUntil), time.Minute+time.Second)
	d.Shutdown(context.Background())
}

// After a restart, openings of the last minute still count. A pause after too many openings continues, for at most 5
// min and even if the clock was set.
func TestStormOverARestart(t *testing.T) {
	c, _ := stage(t)
	d, _ := startTestDaemon(t, c)
	k := d.Line("box-office")
	now := supervision.Instant(time.Since(k.epoch))
	k.save(supervision.SavedState{Recent: 4, RecentAt: now, NoOpeningBy: now.Add(time.Minute)})
	until := k.epoch.Add(time.Duration(now.Add(time.Minute)))
	d.Shutdown(context.Background())

	d, _ = startTestDaemon(t, c)
	l := d.backend.Daemon().Lines[0]
	require.NotNil(t, l.NoOpeningUntil)
	assert.WithinDuration(t, until, *l.NoOpeningUntil, time.Second)
	require.NotNil(t, l.Incident)
	assert.Equal(t, "too-many-openings", l.Incident.Reason)
	d.Shutdown(context.Background())

	for name, is := range map[string]struct {
		was  journal.SavedLine
		want supervision.SavedState
	}{
		"just before": {journal.SavedLine{Recent: 4, RecentAt: time.Now().Add(-50 * time.Second)},
			supervision.SavedState{Recent: 4}},
		"longer ago": {journal.SavedLine{Recent: 4, RecentAt: time.Now().Add(-61 * time.Second)},
			supervision.SavedState{}},
		"the clock was set back": {journal.SavedLine{Recent: 4, RecentAt: time.Now().Add(50 * time.Second)},
			supervision.SavedState{Recent: 4}},
		"the clock stood wrong": {journal.SavedLine{Recent: 4, RecentAt: time.Now().Add(time.Hour)},
			supervision.SavedState{}},
		"a pause that is over": {journal.SavedLine{NoOpeningBy: time.Now().Add(-time.Second)},
			supervision.SavedState{}},
		"a pause by a wrong clock": {journal.SavedLine{NoOpeningBy: time.Now().Add(time.Hour)},
			supervision.SavedState{NoOpeningBy: supervision.Instant(supervision.BreakerPause)}},
	} {
		var got supervision.SavedState
		epoch := time.Now()
		restoreOpenings(&got, &is.was, epoch)
		assert.Equal(t, is.want.Recent, got.Recent, name)
		assert.InDelta(t, int64(is.want.NoOpeningBy), int64(got.NoOpeningBy), float64(10*time.Second), name)
	}
}

// The steps that follow a new interval are those that the file will have when it is next read.
func TestStepsFollowTheInterval(t *testing.T) {
	c, _ := stage(t)
	d, _ := startTestDaemon(t, c)
	k := d.Line("box-office")
	line := c.Lines[0]
	for _, interval := range []time.Duration{900 * time.Millisecond, 700 * time.Millisecond, 1300 * time.Millisecond} {
		require.NoError(t, k.setInterval(interval))
		require.Equal(t, line.StepsAbove(interval), k.line.Policy().Steps, "%s", interval)
		require.Equal(t, basis(&supervision.Policy{Interval: interval, Steps: line.StepsAbove(interval)}), k.basis)
	}
	p := k.line.Policy()
	p.Interval, p.Steps = 800*time.Millisecond, []time.Duration{950 * time.Millisecond, 1200 * time.Millisecond}
	k.line.SetPolicy(p)
	require.NoError(t, k.setInterval(time.Second))
	require.Equal(t, []time.Duration{1200 * time.Millisecond}, k.line.Policy().Steps)
	require.ErrorContains(t, k.setInterval(1900*time.Millisecond), "line box-office: ")
	require.Equal(t, time.Second, k.line.Policy().Interval)
}

// If the journal or the control socket cannot be opened, the lines are still served.
func TestServesWithoutJournalAndSocket(t *testing.T) {
	t.Parallel()
	c, _ := stage(t)
	c.Journal.File = filepath.Join(t.TempDir(), "no such folder", "journal.db")
	c.Control.Socket = filepath.Join(t.TempDir(), "no such folder", "control")
	d, logs := startTestDaemon(t, c)
	require.Eventually(t, func() bool { return d.agent.Line("box-office").Status().Service.Registered }, 5*time.Second,
		5*time.Millisecond)
	told := logs.FilterMessageSnippet("no control socket")
	require.Equal(t, 1, told.Len())
	require.Contains(t, told.All()[0].ContextMap()["error"], "no such folder")
	seen := (d.backend).Daemon()
	require.NotEmpty(t, seen.Journal.Problem)
	require.Empty(t, seen.Lines[0].Contact.Problem)
	pulsedBy(t, d.backend)
	require.Empty(t, d.Shutdown(context.Background()))
}

// The journal has a newer version: a later program has upgraded it, and then crashed or was replaced by this one. The
// line is served, a call-back window is still known as long as this program can read it, nothing is recorded, and the
// daemon says so. The later program finds everything as it left it.
func TestJournalOfANewerVersion(t *testing.T) {
	t.Parallel()
	c, _ := stage(t)
	change := func(statements string) {
		db, err := sql.Open("sqlite", "file:"+c.Journal.File)
		require.NoError(t, err)
		_, err = db.Exec(statements)
		require.NoError(t, err)
		require.NoError(t, db.Close())
	}
	served := func() (seen control.Daemon, line journal.SavedLine, log string) {
		before, err := os.ReadFile(c.Journal.File)
		require.NoError(t, err)
		d, logs := startTestDaemon(t, c)
		require.Eventually(t, func() bool { return d.agent.Line("box-office").Status().Service.Registered },
			5*time.Second, 5*time.Millisecond)
		seen, line = d.backend.Daemon(), d.journal.SavedLine("box-office")
		require.Contains(t, seen.Journal.Problem, "written by a newer version; nothing is recorded")
		if seen.Lines[0].CallbackUntil == nil {
			pulsedBy(t, d.backend)
		} else {
			p, err := d.backend.Pulse(t.Context(), "box-office", 300*time.Millisecond)
			require.NoError(t, err)
			require.Contains(t, p.Refused, "the emergency centre may be about to call back")
		}
		require.Empty(t, d.Shutdown(context.Background()))
		after, err := os.ReadFile(c.Journal.File)
		require.NoError(t, err)
		require.Equal(t, before, after)
		said := logs.FilterMessageSnippet("the journal cannot be written; calls are not affected").All()
		require.NotEmpty(t, said)
		return seen, line, fmt.Sprint(said[0].ContextMap()["error"])
	}

	d, _ := startTestDaemon(t, c)
	k := d.Line("box-office")
	k.save(supervision.SavedState{CallbackBy: supervision.Instant(time.Since(k.epoch) + 10*time.Minute)})
	d.Shutdown(context.Background())
	trust := journal.Trust{Probe: true, UserAgent: "Millrace 2.1", At: time.Now().UTC().Truncate(time.Microsecond)}
	require.NoError(t, journal.SaveTrust(c.Journal.File, "box-office", trust))
	change("ALTER TABLE lines ADD COLUMN lamp INTEGER; CREATE TABLE lamps(id INTEGER PRIMARY KEY); PRAGMA user_version = 4711")

	seen, line, log := served()
	require.NotNil(t, seen.Lines[0].CallbackUntil)
	assert.WithinDuration(t, time.Now().Add(10*time.Minute), *seen.Lines[0].CallbackUntil, time.Minute)
	assert.Zero(t, line.Trust)
	assert.Contains(t, log, "version 4711")
	assert.Contains(t, log, "use the clearback that wrote the file, or a later one")
	assert.NotContains(t, log, "cannot be read")

	change("ALTER TABLE lines RENAME TO pairs")
	seen, _, log = served()
	assert.Nil(t, seen.Lines[0].CallbackUntil)
	assert.Contains(t, log, "call-back windows and pauses after storms cannot be read from it either")

	change("ALTER TABLE pairs RENAME TO lines; PRAGMA user_version = 5")
	d, _ = startTestDaemon(t, c)
	assert.Equal(t, trust, d.journal.SavedLine("box-office").Trust)
	assert.NotNil(t, d.backend.Daemon().Lines[0].CallbackUntil)
}

// pulsedBy opens the loop by hand once the board is connected.
func pulsedBy(t *testing.T, h *backend) {
	t.Helper()
	var p control.Pulse
	var err error
	for until := time.Now().Add(10 * time.Second); time.Now().Before(until); <-time.After(10 * time.Millisecond) {
		if p, err = h.Pulse(t.Context(), "box-office", 300*time.Millisecond); err == nil && p.Measured > 0 {
			return
		}
	}
	t.Fatalf("no opening by hand in 10 s; the last one: %+v, %v", p, err)
}

// A board that cannot be reached at the start is reported from the start, whether its notice or the lines come first.
func TestNoticeBeforeTheLinesStart(t *testing.T) {
	t.Parallel()
	c := daemontest.Load(t, daemontest.File(t,
		daemontest.FreePort(t), daemontest.Answering(t, "200 OK"), daemontest.Answering(t, "200 OK")))
	d := &Daemon{log: zap.NewNop()}
	d.contactNotice(relay.Notice{Kind: relay.LinkLost, Controller: "cabinet"})
	require.Len(t, d.earlyNotices, 1)
	started, _ := startTestDaemon(t, c)
	h := started.backend
	require.Eventually(t, func() bool { return h.Daemon().Lines[0].Contact.Problem != "" }, 5*time.Second,
		5*time.Millisecond)
	since := h.Daemon().Lines[0].Contact.Since
	require.False(t, since.IsZero() || since.After(time.Now()), since)
	hurry, cancel := context.WithCancel(context.Background())
	cancel()
	require.Len(t, started.Shutdown(hurry), 1, "not known closed")
}

func reason(err error) string {
	if e, ok := err.(*control.Error); ok {
		return e.Reason
	}
	return ""
}

// Each refusal of the control backend has its reason code and says what to do.
func TestControlRefusals(t *testing.T) {
	c, p := stage(t)
	d, _ := startTestDaemon(t, c)
	h := d.backend
	ctx := t.Context()
	_, pulsing := h.Pulse(ctx, "trapdoor", 0)
	_, ringing := h.Ring(ctx, "trapdoor")
	_, clearing := h.Clear(ctx, "trapdoor", 0, false)
	for _, err := range []error{pulsing, ringing, clearing, h.SetInterval("trapdoor", time.Second),
		h.BeginTrials("trapdoor"), h.EndTrials("trapdoor"), h.SaveTrial("trapdoor", control.TrialAnswer{})} {
		require.ErrorContains(t, err, `there is no line "trapdoor"; there are`)
		require.Equal(t, control.ReasonNoLine, reason(err))
	}
	_, err := h.Ring(ctx, "box-office")
	require.ErrorContains(t, err, "begin one")
	require.NoError(t, h.EndTrials("box-office"), "nothing to end")
	require.Equal(t, control.ReasonBadBody, reason(h.SaveTrial("box-office", control.TrialAnswer{Cleared: "perhaps"})))
	require.Equal(t, control.ReasonRefused, reason(h.SetInterval("box-office", 1900*time.Millisecond)))

	require.NoError(t, h.BeginTrials("box-office"))
	require.Equal(t, control.ReasonBusy, reason(h.BeginTrials("box-office")))
	_, err = h.Pulse(ctx, "box-office", 0)
	require.Equal(t, control.ReasonBusy, reason(err))
	require.True(t, h.Daemon().Lines[0].Tuning)
	// This port answers INVITE with 200. No call is up yet.
	p.Set("486 Busy Here")
	_, err = h.Clear(ctx, "box-office", 300*time.Millisecond, false)
	require.Equal(t, control.ReasonRefused, reason(err))
	require.NotContains(t, err.Error(), "trial: ")
	require.NoError(t, h.EndTrials("box-office"))
	require.False(t, h.Daemon().Lines[0].Tuning)

	// A session that nobody uses ends by itself, and the next request is told so.
	require.NoError(t, h.BeginTrials("box-office"))
	k := d.Line("box-office")
	k.mu.Lock()
	k.session.idleTimer.Reset(time.Nanosecond)
	k.mu.Unlock()
	require.Eventually(t, func() bool { return !h.Daemon().Lines[0].Tuning }, 5*time.Second, time.Millisecond)
	_, err = h.Ring(ctx, "box-office")
	require.Equal(t, control.ReasonStopped, reason(err))
	require.ErrorContains(t, err, "it was idle for 5m0s")

	// If the adapter asks for a call, the call is refused and the session ends, so that the next call passes.
	require.NoError(t, h.BeginTrials("box-office"))
	at := d.AdapterAddr("box-office").String()
	p.Send(at, "INVITE", 1, "<sip:555-0151@"+at+">")
	require.Eventually(t, func() bool { return !h.Daemon().Lines[0].Tuning }, 5*time.Second, time.Millisecond)
	_, err = h.Clear(ctx, "box-office", 0, false)
	require.ErrorContains(t, err, "the adapter asked for 555-0151")

	// A line that cannot be tuned is refused at once, before anybody walks to the telephone.
	policy := k.line.Policy()
	policy.LifeSafety = true
	k.line.SetPolicy(policy)
	require.ErrorContains(t, h.BeginTrials("box-office"), "life_safety")
	policy.LifeSafety = false
	k.line.SetPolicy(policy)

	// A shutdown ends the session and lets no other begin.
	require.NoError(t, h.BeginTrials("box-office"))
	require.Empty(t, d.Shutdown(context.Background()))
	require.Equal(t, control.ReasonStopped, reason(h.BeginTrials("box-office")))
	_, err = h.Pulse(ctx, "box-office", 0)
	require.Equal(t, control.ReasonStopped, reason(err))
}

// A line is not rung for a trial in the call-back window (SAFETY.md S56, S93) or while it has a call, not even in a
// session that was begun before.
func TestTrialsRefusedInCallbackWindowAndCalls(t *testing.T) {
	c, _ := stage(t)
	d, _ := startTestDaemon(t, c)
	h, k := d.backend, d.Line("box-office")
	post := func(evs ...supervision.Event) {
		for _, ev := range evs {
			k.line.Post(ev)
		}
		require.Eventually(t, k.line.AtRest, 5*time.Second, time.Millisecond)
	}
	require.NoError(t, h.BeginTrials("box-office"))
	post(supervision.Event{Kind: supervision.CallRequested, Call: 71})
	_, err := h.Ring(t.Context(), "box-office")
	require.ErrorContains(t, err,
		"box-office: call 71 is ringing or being made; a line is tuned only while it has no call")
	require.Equal(t, control.ReasonRefused, reason(err))
	require.NoError(t, h.EndTrials("box-office"))
	require.ErrorContains(t, h.BeginTrials("box-office"), "call 71")

	// A clearing that waits for the adapter's answer prevents no tuning, just as it prevents no opening.
	post(supervision.Event{Kind: supervision.CallAnswered, Call: 71},
		supervision.Event{Kind: supervision.AdapterLost, Call: 71})
	require.NoError(t, h.BeginTrials("box-office"))

	post(supervision.Event{Kind: supervision.CallRequested, Call: 72, Emergency: true},
		supervision.Event{Kind: supervision.CallAnswered, Call: 72},
		supervision.Event{Kind: supervision.NearEndCleared, Call: 72})
	until := k.callbackUntil(k.line.View()).Local().Format(time.TimeOnly)
	_, err = h.Ring(t.Context(), "box-office")
	require.ErrorContains(t, err, "until "+until)
	require.Equal(t, control.ReasonRefused, reason(err))
	require.NoError(t, h.EndTrials("box-office"))
	require.ErrorContains(t, h.BeginTrials("box-office"), "until "+until)
	p, err := h.Pulse(t.Context(), "box-office", 0)
	require.NoError(t, err)
	require.Contains(t, p.Refused, "until "+until)
}

// If the daemon ends during a manual interruption, its client gets an error, the interruption lasts as long as asked,
// and the journal has it in full.
func TestEndingDuringAPulse(t *testing.T) {
	t.Parallel()
	c, _ := stage(t)
	dir, err := os.MkdirTemp("", "millrace")
	require.NoError(t, err)
	t.Cleanup(func() { os.RemoveAll(dir) })
	c.Control.Socket = filepath.Join(dir, "control")
	d, _ := startTestDaemon(t, c)
	pulsedBy(t, d.backend)
	client := control.NewClient(c.Control.Socket)
	defer client.Close()
	answered := make(chan error, 1) // one answer, received below
	go func() { _, err := client.Pulse(t.Context(), "box-office", 1200*time.Millisecond); answered <- err }()
	require.Eventually(t, func() bool { return d.Line("box-office").View().Loop == supervision.StateOpen },
		5*time.Second, time.Millisecond)
	require.Empty(t, d.Shutdown(context.Background()))
	require.ErrorContains(t, <-answered, "the daemon is ending")
	r, err := journal.OpenReader(c.Journal.File)
	require.NoError(t, err)
	defer r.Close()
	rows, err := r.Calls(t.Context(), journal.Filter{})
	require.NoError(t, err)
	require.NotEmpty(t, rows)
	last := rows[len(rows)-1].Account
	require.Equal(t, 1200*time.Millisecond, last.Asked)
	require.NotZero(t, last.Measured)
	_, err = os.Stat(c.Control.Socket)
	require.ErrorIs(t, err, os.ErrNotExist)
}

// An input that was never confirmed is not watched: if it were wrong, it would end every opening as a seizure.
func TestOnlyATrustedInputIsWatched(t *testing.T) {
	c := config.Line{Name: "box-office", Verify: config.Verify{By: "sense"}, Policy: supervision.DefaultPolicy()}
	_, o := newLine(&c, relay.NoContact{}, nil, time.Now(), zap.NewNop())
	require.False(t, o.Sense)
	c.Policy.SenseTrusted = true
	_, o = newLine(&c, relay.NoContact{}, nil, time.Now(), zap.NewNop())
	require.True(t, o.Sense)
}

// The journal also records parties that become known only after their call began.
func TestLateCallInfoIsRecorded(t *testing.T) {
	file := filepath.Join(t.TempDir(), "journal.db")
	j := journal.Open(journal.Options{Path: file})
	c := config.Line{Name: "box-office", Policy: supervision.DefaultPolicy()}
	l, o := newLine(&c, relay.NoContact{}, j, time.Now(), zap.NewNop())
	l.setCallInfo(callrecord.CallInfo{Call: 1, Party: callrecord.Party{Number: "555-0142"}})
	o.Record(callrecord.Entry{At: time.Now(), Line: "box-office",
		Event: supervision.Event{Kind: supervision.CallRequested, Call: 1}})
	l.setCallInfo(callrecord.CallInfo{Call: 1, Party: callrecord.Party{Name: "Wardrobe"}})
	require.NoError(t, j.Close())
	r, err := journal.OpenReader(file)
	require.NoError(t, err)
	defer r.Close()
	row, _, err := r.Call(t.Context(), 1)
	require.NoError(t, err)
	require.Equal(t, callrecord.Party{Number: "555-0142", Name: "Wardrobe"}, row.Party)
}

// The journal records what was received in a call, also if that becomes known after its outcome.
func TestCallMediaIsRecorded(t *testing.T) {
	file := filepath.Join(t.TempDir(), "journal.db")
	j := journal.Open(journal.Options{Path: file})
	c := config.Line{Name: "box-office", Policy: supervision.DefaultPolicy()}
	l, o := newLine(&c, relay.NoContact{}, j, time.Now(), zap.NewNop())
	for _, kind := range []supervision.EventKind{supervision.CallRequested, supervision.NearEndCleared} {
		o.Record(callrecord.Entry{At: time.Now(), Line: "box-office", Event: supervision.Event{Kind: kind, Call: 1}})
	}
	m := callrecord.Media{FarEnd: callrecord.Reception{Packets: 41}}
	d := &Daemon{}
	d.lines.Store(&[]*Line{l})
	d.callMedia("workshop", 1, callrecord.Media{})
	d.callMedia("box-office", 2, callrecord.Media{})
	d.callMedia("box-office", 1, m)
	require.NoError(t, j.Close())
	r, err := journal.OpenReader(file)
	require.NoError(t, err)
	defer r.Close()
	rows, err := r.Calls(t.Context(), journal.Filter{})
	require.NoError(t, err)
	require.Len(t, rows, 1)
	require.Equal(t, &m, rows[0].Media)
	require.Equal(t, callrecord.OutcomeNotNeeded, rows[0].Outcome)
}
