package serial

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"
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
		{Options{Poll: 10 * ms}, true}, {Options{Poll: 10*ms - 1}, false},
	} {
		c.o.Device = "/dev/ttyX0"
		_, err := c.o.withDefaults()
		require.Equal(t, c.ok, err == nil, c.o)
	}
	for _, c := range []struct {
		o  ContactOptions
		ok bool
	}{
		{ContactOptions{Line: DTR}, true}, {ContactOptions{Line: DTR + 1}, false},
		{ContactOptions{Sense: &Sense{Input: RI}}, true}, {ContactOptions{Sense: &Sense{Input: RI + 1}}, false},
	} {
		require.Equal(t, c.ok, len(c.o.Check()) == 0, c.o)
	}
}
