package rehearsal

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"flag"
	"io"
	"net/netip"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"
	"go.uber.org/zap"

	"clearback/config"
	"clearback/supervision"
)

func TestMain(m *testing.M) {
	if err := flag.Set("test.parallel", "5"); err != nil { // the tests mostly wait; the flag -parallel overrides this
		panic(err)
	}
	goleak.VerifyTestMain(m)
}

// Without the daemon the problem itself appears: every held line stays held, and the next caller gets busy.
func TestWithoutTheDaemonLinesStayHeld(t *testing.T) {
	t.Parallel()
	var out bytes.Buffer
	require.NoError(t, Run(t.Context(), Options{Without: true, Out: &out}), "%s", &out)
	require.Equal(t, 4, strings.Count(out.String(), "verdict: ok: "))
	require.Contains(t, out.String(),
		"box-office STAYS HELD: its far end was gone for 3s, the lamp kept winking, the next caller got busy")
	require.Contains(t, out.String(), "4 of 4 scenes show the problem that clearback solves")
	require.Regexp(t, `(?m)^ +0\.0 ms  555-01\d\d     far end    sends BYE$`, out.String())
}

// The form of the JSON must not change, since programs read it.
func TestJSON(t *testing.T) {
	t.Parallel()
	var out bytes.Buffer
	require.NoError(t, Run(t.Context(), Options{Start: startTestDaemon, JSON: true, Scenes: []string{"held-call"},
		Habits: []string{"bye-late"}, Out: &out}))
	var r struct {
		Mode   string
		OK     bool
		TookMS float64 `json:"took_ms"`
		Scenes []struct {
			Name, About    string
			Habit          string
			Lines          []string
			OK             bool
			Seen, Problems []string
			TookMS         float64 `json:"took_ms"`
			TimeLine       []struct {
				MS               float64
				Place, Who, Text string
			} `json:"time_line"`
		}
	}
	d := json.NewDecoder(&out)
	d.DisallowUnknownFields()
	require.NoError(t, d.Decode(&r))
	require.Equal(t, "with", r.Mode)
	require.True(t, r.OK)
	require.Greater(t, r.TookMS, 1000.)
	require.Len(t, r.Scenes, 1)
	s := r.Scenes[0]
	require.Equal(t, "held-call", s.Name)
	require.Equal(t, "bye-late", s.Habit)
	require.Equal(t, []string{"box-office"}, s.Lines)
	require.True(t, s.OK)
	require.NotNil(t, s.Problems)
	require.Empty(t, s.Problems)
	require.Len(t, s.Seen, 2)
	zeros, last := 0, s.TimeLine[0].MS
	for _, e := range s.TimeLine {
		require.GreaterOrEqual(t, e.MS, last, "in the order of time")
		last = e.MS
		if e.MS == 0 && e.Text == "sends BYE" && e.Who == "far end" {
			zeros++
		}
	}
	require.Equal(t, 1, zeros)
}

func TestListNamesEveryScene(t *testing.T) {
	var out bytes.Buffer
	List(&out)
	names, lines, numbers := map[string]bool{}, map[string]bool{}, map[string]bool{}
	for _, h := range habits() {
		require.Contains(t, out.String(), h.name+" ")
		require.Contains(t, out.String(), h.about+"\n")
		require.False(t, names[h.name], "two habits %s", h.name)
		names[h.name] = true
		p := newLine(lineSetup{}, h).policy
		require.Empty(t, p.Check(), "a line of an adapter with the habit %s", h.name)
	}
	require.Len(t, names, 14)
	clear(names)
	for _, s := range scenes() {
		require.LessOrEqual(t, len(s.name), 16)
		require.Contains(t, out.String(), s.name+" ")
		require.Contains(t, out.String(), s.about+"\n")
		require.False(t, names[s.name], "two scenes %s", s.name)
		names[s.name] = true
		for _, p := range s.lines { // scenes run concurrently
			require.False(t, lines[p.name] || numbers[p.number], "line %s %s is in two scenes", p.name, p.number)
			lines[p.name], numbers[p.number] = true, true
			require.Regexp(t, `^555-01[0-4]\d$`, p.number, "the numbers above are the far ends'")
			policy := newLine(p, habit{}).policy
			require.Empty(t, policy.Check(), p.name)
			if p.habit != "" {
				_, err := habitNamed(p.habit)
				require.NoError(t, err)
			}
		}
	}
	require.Len(t, names, 25)
}

func TestUnknownScene(t *testing.T) {
	require.ErrorIs(t, Run(t.Context(), Options{Scenes: []string{"no-such"}, Out: io.Discard}), ErrNoScene)
	err := Run(t.Context(), Options{Without: true, Scenes: []string{"cut-plain"}, Out: io.Discard})
	require.ErrorIs(t, err, ErrNoScene)
	require.ErrorContains(t, err, "without the daemon")
	err = Run(t.Context(), Options{AllHabits: true, Scenes: []string{"cut-plain"}, Out: io.Discard})
	require.ErrorIs(t, err, ErrNoScene)
	require.ErrorContains(t, err, "with an adapter's habits")
}

func TestUnknownHabit(t *testing.T) {
	err := Run(t.Context(), Options{Habits: []string{"late-486", "no-such"}, Out: io.Discard})
	require.ErrorIs(t, err, ErrNoHabit)
	require.ErrorContains(t, err, "no-such")
	require.ErrorIs(t, Run(t.Context(), Options{Without: true, AllHabits: true, Out: io.Discard}), ErrNoHabit)
}

// A row for each habit, a column for each scene.
func TestMatrix(t *testing.T) {
	var out bytes.Buffer
	r := &Report{Mode: "with", Scenes: []SceneReport{
		{Name: "held-call", Habit: "late-486", OK: true, TimeLine: []TimelineEntry{{Text: "left out"}}},
		{Name: "house-call", Habit: "late-486", OK: true},
		{Name: "held-call", Habit: "reboot", TimeLine: []TimelineEntry{{Text: "what went wrong"}}},
		{Name: "house-call", Habit: "reboot", OK: true},
	}}
	require.NoError(t, r.print(Options{Out: &out, Habits: []string{"late-486", "reboot"}}))
	require.Contains(t, out.String(), "held-call, with the adapter's habit reboot: ")
	require.Contains(t, out.String(), "what went wrong")
	require.NotContains(t, out.String(), "left out")
	require.Contains(t, out.String(), "summary\n"+
		"                    held-call  house-call\n"+
		"  late-486          ok         ok        \n"+
		"  reboot            FAIL       ok        \n"+
		"3 of 4 scenes ended as they should")
}

// idleDaemon is a daemon that does nothing.
type idleDaemon struct{ closed *int }

func (d idleDaemon) AdapterAddr(string) netip.AddrPort { return netip.MustParseAddrPort("127.0.0.1:9") }
func (d idleDaemon) ServiceAddr(string) netip.AddrPort { return netip.MustParseAddrPort("127.0.0.1:9") }
func (d idleDaemon) Close() error                      { *d.closed++; return nil }

func TestADaemonThatDoesNotStart(t *testing.T) {
	t.Parallel()
	broken := errors.New("no")
	err := Run(t.Context(), Options{Out: io.Discard, Start: func(context.Context, *config.Config, *zap.Logger) (Daemon,
		error) {
		return nil, broken
	}})
	require.ErrorIs(t, err, broken)

	closed := 0
	ctx, cancel := context.WithTimeout(t.Context(), 200*time.Millisecond)
	defer cancel()
	err = Run(ctx, Options{Out: io.Discard, Start: func(_ context.Context, c *config.Config, _ *zap.Logger) (Daemon,
		error) {
		require.Len(t, c.Lines, 29)
		return idleDaemon{&closed}, nil
	}})
	require.ErrorContains(t, err, "the adapter did not register")
	require.ErrorIs(t, err, context.DeadlineExceeded)
	require.Equal(t, 1, closed)
}

func TestRunStopsWhenToldTo(t *testing.T) {
	t.Parallel()
	ctx, cancel := context.WithTimeout(t.Context(), 500*time.Millisecond)
	defer cancel()
	began := time.Now()
	err := Run(ctx, Options{Without: true, Out: io.Discard})
	require.ErrorIs(t, err, context.DeadlineExceeded)
	require.Less(t, time.Since(began), 2*time.Second)
}

// failing is a writer that fails.
type failing struct{}

func (failing) Write([]byte) (int, error) { return 0, io.ErrClosedPipe }

func TestPrintingFails(t *testing.T) {
	r := &Report{Scenes: []SceneReport{{Name: "x"}}}
	require.ErrorIs(t, r.print(Options{Out: failing{}}), io.ErrClosedPipe)
	require.ErrorIs(t, r.print(Options{Out: failing{}, JSON: true}), io.ErrClosedPipe)
}

func TestFailedSceneIsReported(t *testing.T) {
	var out bytes.Buffer
	r := &Report{
		Mode: "with", Warnings: []string{"warn: the roof leaks"},
		Scenes: []SceneReport{{Name: "held-call", Seen: []string{"a"}, Problems: []string{"the hold stayed", "twice"}}},
	}
	require.NoError(t, r.print(Options{Out: &out}))
	require.Contains(t, out.String(), "verdict: NOT AS IT SHOULD BE: the hold stayed; twice\n")
	require.Contains(t, out.String(), "clearback, outside any scene: warn: the roof leaks\n")
	require.Contains(t, out.String(), "held-call        NOT AS IT SHOULD BE\n0 of 1 scenes ended as they should")
}

func TestCaptureFilesByLine(t *testing.T) {
	tl, n := &timeline{}, &notes{}
	dock := &timeline{}
	log := zap.New(&capture{lines: map[string]*timeline{"foyer": tl}, controllers: map[string]*timeline{"dock": dock},
		notes: n})
	log.Warn("link lost", zap.String("controller", "dock"))
	require.Equal(t, "dock clearback warn: link lost",
		dock.entries[0].place+" "+dock.entries[0].who+" "+dock.entries[0].text)
	line := log.With(zap.String("line", "foyer"))
	line.Info("event", zap.Uint64("call", 3), zap.String("text", "call-arrived call=3"))
	line.Debug("effect", zap.String("text", "not seen"))
	line.Info("something else")
	line.Warn("a bad thing", zap.Error(io.ErrUnexpectedEOF))
	log.Info("event", zap.String("line", "foyer"), zap.String("text", "from the field"))
	log.Error("a worse thing", zap.String("line", "bar"))
	var said []string
	for _, e := range tl.sorted() {
		require.Equal(t, []string{"foyer", "clearback"}, []string{e.place, e.who})
		said = append(said, e.text)
	}
	require.Equal(t, []string{"call-arrived call=3", "warn: a bad thing: unexpected EOF", "from the field"}, said)
	require.Equal(t, []string{"bar error: a worse thing"}, n.all())

	line.Warn("incident lasts", zap.Stringer("reason", supervision.IncidentSeized), zap.String("advice", "Look."))
	e, found := tl.find("foyer", "clearback", "incident lasts")
	require.True(t, found)
	require.Equal(t, "warn: incident lasts: seized: Look.", e.text)
}
