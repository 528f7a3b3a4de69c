package rehearsal

import (
	"bytes"
	"testing"

	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// Without the daemon the trouble itself is seen: every held line stays held, and the next caller gets busy.
func TestWithoutTheDaemonLinesStayHeld(t *testing.T) {
	var out bytes.Buffer
	err := Run(t.Context(), Options{Without: true, Out: &out})
	t.Log(out.String())
	require.NoError(t, err)
}
