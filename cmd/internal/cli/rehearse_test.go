package cli

import (
	"bytes"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"clearback/bridge/relay/relaytest"
)

// Every scene of the main job passes on real sockets, with the daemon that `run` starts.
func TestRehearse(t *testing.T) {
	t.Parallel()
	var out, err bytes.Buffer
	began, late := time.Now(), relaytest.Allowance(t)
	code := Main([]string{"rehearse"}, Streams{Out: &out, Err: &err}, nil)
	t.Log(out.String())
	require.Equal(t, ExitOK, code, "%s", &err)
	require.Contains(t, out.String(), "24 of 24 scenes ended as they should")
	require.Less(t, time.Since(began), 20*time.Second+late())
}

func TestRehearseList(t *testing.T) {
	var out bytes.Buffer
	require.Equal(t, ExitOK, Main([]string{"rehearse", "--list"}, Streams{Out: &out, Err: &out}, nil))
	for _, name := range []string{"held-call", "welded", "tune", "call-waiting"} { // scenes, and a habit
		require.Contains(t, "\n"+out.String(), "\n"+name+" ", "a line each")
	}
}
