package daemon

import (
	"fmt"
	"os"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"clearback/bridge/sipua"
)

// TestCountNames compares the names of the control socket's counts with those recorded: names may be added, but none
// may change or disappear.
func TestCountNames(t *testing.T) {
	var now strings.Builder
	for _, c := range networkCounts(&sipua.Counts{}) {
		fmt.Fprintf(&now, "%s, turned away %t\n", c.Name, c.Rejected)
	}
	frozen, err := os.ReadFile("testdata/counts.txt")
	require.NoError(t, err)
	require.Equal(t, string(frozen), now.String())
}
