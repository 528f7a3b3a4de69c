package cli

import (
	"fmt"
	"os"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"clearback/bridge/sipua"
)

// TestCountNames: names are added to the control socket's counts, and none changes or goes.
func TestCountNames(t *testing.T) {
	var now strings.Builder
	for _, c := range networkCounts(&sipua.Counts{}) {
		fmt.Fprintf(&now, "%s, turned away %t\n", c.Name, c.Rejected)
	}
	frozen, err := os.ReadFile("testdata/counts.txt")
	require.NoError(t, err)
	require.Equal(t, string(frozen), now.String())
}
