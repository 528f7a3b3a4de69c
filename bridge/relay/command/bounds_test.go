package command

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"clearback/bridge/relay/controller"
)

// TestBoundsAreAllowed checks that each bound of a setting is allowed, and that a value just beyond it is not.
func TestBoundsAreAllowed(t *testing.T) {
	const ms = time.Millisecond
	for _, c := range []struct {
		o  Options
		ok bool
	}{
		{Options{Timeout: 20 * ms}, true}, {Options{Timeout: 20*ms - 1}, false},
		{Options{Timeout: 10_000 * ms}, true}, {Options{Timeout: 10_000*ms + 1}, false},
		{Options{Poll: 10 * ms}, true}, {Options{Poll: 10*ms - 1}, false}, {Options{Program: "relay"}, false},
		{Options{Program: "/opt/re\x00lay"}, false},
	} {
		if c.o.Program == "" {
			c.o.Program = "/opt/relay"
		}
		_, err := c.o.withDefaults()
		require.Equal(t, c.ok, err == nil, c.o)
	}
	all := func(n, length int) []string {
		a := []string{"{action}{ms}"}
		for range n - 1 {
			a = append(a, strings.Repeat("x", length))
		}
		return a
	}
	for _, c := range []struct {
		o  ContactOptions
		ok bool
	}{
		{ContactOptions{}, true}, {ContactOptions{Arguments: all(64, 1)}, true},
		{ContactOptions{Arguments: all(65, 1)}, false},
		{ContactOptions{Arguments: all(2, 4096)}, true}, {ContactOptions{Arguments: all(2, 4097)}, false},
		{ContactOptions{Arguments: []string{"{action}", "\x00"}}, false},
		{ContactOptions{Arguments: []string{"{line}"}}, false},
		{ContactOptions{Arguments: []string{"{action}"}, Timed: &Timed{Limit: time.Second}}, false},
		{ContactOptions{Timed: &Timed{Limit: ms}}, true}, {ContactOptions{Timed: &Timed{Limit: ms - 1}}, false},
		{ContactOptions{Timed: &Timed{Limit: time.Hour}}, true},
		{ContactOptions{Timed: &Timed{Limit: time.Hour + 1}}, false},
		{ContactOptions{Timed: &Timed{Quantum: ms, Limit: ms}}, true},
		{ContactOptions{Timed: &Timed{Quantum: -ms, Limit: ms}}, false},
		{ContactOptions{Timed: &Timed{Quantum: ms + 1, Limit: time.Second}}, false},
		{ContactOptions{Timed: &Timed{Quantum: 2 * ms, Limit: 2*ms - 1}}, false},
	} {
		o, err := c.o.withDefaults()
		require.Equal(t, c.ok, err == nil, c.o)
		if c.ok && c.o.Timed != nil {
			require.GreaterOrEqual(t, o.Timed.Quantum, ms)
		}
	}
	_, err := ContactOptions{Arguments: []string{"{action}", "{ms", "{seconds}"}}.withDefaults()
	require.ErrorContains(t, err, "arguments[2]: the word {seconds} is unknown")
}

// TestArguments checks that only an opening has a length and a number; every other run has 0 for both. A length is
// rounded up to whole milliseconds.
func TestArguments(t *testing.T) {
	o, err := ContactOptions{Name: "{ms}"}.withDefaults()
	require.NoError(t, err)
	for d, want := range map[time.Duration]string{1: "1", time.Millisecond: "1", time.Millisecond + 1: "2",
		800 * time.Millisecond: "800"} {
		require.Equal(t, []string{"open", "{ms}", want, "7"}, o.arguments(controller.Request{Op: controller.Open,
			Seq: 7, Duration: d}))
	}
	require.Equal(t, []string{"close", "{ms}", "0", "0"}, o.arguments(controller.Request{Op: controller.Close, Seq: 7,
		Duration: time.Second}))
}
