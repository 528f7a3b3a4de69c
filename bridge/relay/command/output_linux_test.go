package command

import (
	"os"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// What a program printed before its end is kept even if the reading begins when the wait for descendants is over, as on
// a machine without a free processor. Here a descendant holds the output open.
func TestOutputReadLate(t *testing.T) {
	ours, theirs, err := os.Pipe()
	require.NoError(t, err)
	defer theirs.Close()
	_, err = theirs.WriteString("open\n")
	require.NoError(t, err)
	o := newOutput(ours)
	over := time.Now().Add(-time.Second)
	require.NoError(t, ours.SetReadDeadline(over))
	go o.read()
	require.Equal(t, "open\n", o.end(over))
}
