package rehearsal

import (
	"bytes"
	"context"
	"errors"
	"flag"
	"io"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

var (
	allHabits = flag.Bool("habits", false, "play every habit of the adapter in every scene of a clearing")
	only      = flag.String("only", "", "play these habits or scenes only, with commas between them")
)

// Runs every habit in the simplest clearing scene, and with -habits in every clearing scene.
func TestHabits(t *testing.T) {
	t.Parallel()
	o := Options{Start: startTestDaemon, AllHabits: true, Scenes: []string{"held-call"}}
	if *allHabits {
		o.Scenes = nil
	}
	for _, name := range strings.Split(*only, ",") {
		switch _, err := habitNamed(name); {
		case name == "":
		case err == nil:
			o.AllHabits, o.Habits = false, append(o.Habits, name)
		default:
			o.Scenes = append(o.Scenes, name)
		}
	}
	var out bytes.Buffer
	o.Out = &out
	began := time.Now()
	err := Run(t.Context(), o)
	t.Logf("%s\n%v", &out, time.Since(began))
	require.NoError(t, err)
}

// wronglyConfigured runs a scene with an adapter whose line is configured as if the adapter had no habit, and with a
// card of that release time (0: the scene's). It returns the problems.
func wronglyConfigured(t *testing.T, name, scene string, release time.Duration) string {
	h := habitOr(t, name)
	h.untrusted, h.recognition = false, 0
	o := Options{Start: startTestDaemon, Habits: []string{name}, Scenes: []string{scene}}
	casts, err := choose(o)
	require.NoError(t, err)
	casts[0].habit = h
	if release > 0 {
		casts[0].scenes[0].lines[0].release = release
	}
	r, closed, err := runBatches(t.Context(), o, casts)
	require.NoError(t, err)
	require.NoError(t, closed)
	return strings.Join(r.Scenes[0].Problems, "; ")
}

// This shows why an answer counts only if `check` found all three states: this adapter answers 200 for a line that is
// held. Its card keeps the hold longer than any opening lasts (invariant 11), also if a busy machine closes late.
func TestPortThatAlwaysAnswers200(t *testing.T) {
	t.Parallel()
	require.Contains(t, wronglyConfigured(t, "always-200", "short-interval", 3*time.Second),
		"loop current flows, and the report says")
}

// This shows why a 486 does not count before the line's onhook_recognition: this adapter sends one for a line that is
// on hook.
func TestLateOnHookRecognition(t *testing.T) {
	t.Parallel()
	require.Contains(t, wronglyConfigured(t, "late-486", "held-call", 0), "instead of hook=on")
}

// Runs the scenes without a habit, with the parts of the daemon.
func TestScenes(t *testing.T) {
	if *only == "" {
		t.Skip("the whole daemon plays them elsewhere")
	}
	var out bytes.Buffer
	o := Options{Start: startTestDaemon, Out: &out}
	if *only != "all" {
		o.Scenes = strings.Split(*only, ",")
	}
	err := Run(t.Context(), o)
	t.Logf("%s", &out)
	require.NoError(t, err)
}

// A tuner that recommends a sufficient interval passes, and one that recommends less does not.
func TestTuneScene(t *testing.T) {
	t.Parallel()
	require.Empty(t, tuned(t, 900*time.Millisecond))
	require.Contains(t, tuned(t, 410*time.Millisecond), "one hold in 100 needs more than 427.9 ms")
	err := Run(t.Context(), Options{Start: startTestDaemon, Out: io.Discard, Scenes: []string{"tune"}})
	require.ErrorIs(t, err, ErrNoScene, "no tuner")
}

// tuned runs the scene with a tuner that makes one hold and recommends the given interval. It returns the problems.
func tuned(t *testing.T, interval time.Duration) string {
	var s *testBed
	o := Options{Start: startTestDaemon, Scenes: []string{"tune"},
		Tune: func(ctx context.Context, _ Daemon, line string, near NearEnd) (time.Duration, string, error) {
			f, err := openPhone("555-0198", s.pbx, nil)
			if err != nil {
				return 0, "", err
			}
			defer f.close()
			if err := f.dial("555-0128"); err != nil {
				return 0, "", err
			}
			if err := errors.Join(near.Answer(ctx), near.Hold(ctx)); err != nil {
				return 0, "", err
			}
			if out, err := near.LampOut(ctx); out || err != nil {
				return 0, "", errors.Join(err, errors.New("the lamp of a held line is out"))
			}
			return interval, "as it likes", near.HangUp(ctx)
		}}
	casts, err := choose(o)
	require.NoError(t, err)
	s, err = newTestBed(t.Context(), o, casts[0].habit, casts[0].scenes)
	require.NoError(t, err)
	s.runs[0].runScene(t.Context())
	require.NoError(t, s.close())
	return strings.Join(s.runs[0].verdict.problems, "; ")
}
