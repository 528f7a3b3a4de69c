package rehearsal

import (
	"bytes"
	"flag"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

var (
	allHabits = flag.Bool("habits", false, "play every habit of the adapter in every scene of a clearing")
	only      = flag.String("only", "", "play these habits or scenes only, with commas between them")
)

// Every habit in the plainest clearing; with -habits in every one.
func TestHabits(t *testing.T) {
	t.Parallel()
	o := Options{Start: startWired, AllHabits: true, Scenes: []string{"held-call"}}
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

// The scenes without a habit, with the parts of the daemon.
func TestScenes(t *testing.T) {
	if *only == "" {
		t.Skip("the whole daemon plays them elsewhere")
	}
	var out bytes.Buffer
	o := Options{Start: startWired, Out: &out}
	if *only != "all" {
		o.Scenes = strings.Split(*only, ",")
	}
	err := Run(t.Context(), o)
	t.Logf("%s", &out)
	require.NoError(t, err)
}
