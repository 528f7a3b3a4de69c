//go:build linux

package interop

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"
)

// TestNoDescriptorsLeft: a daemon that may open no more files refuses a call that needs media ports, so that the
// adapter's second server can serve it, and the log says what to raise. An emergency call that needs none passes.
// Once there is room, calls pass and clear as before.
func TestNoDescriptorsLeft(t *testing.T) {
	t.Parallel()
	r := newTestBed(t, setup{settled: true, lines: []lineSetup{{name: boxOffice},
		{name: stageDoor, coil: 1, direct: true}}})
	var usual unix.Rlimit
	require.NoError(t, unix.Prlimit(r.d.Cmd.Process.Pid, unix.RLIMIT_NOFILE, &unix.Rlimit{Cur: 3, Max: 4096}, &usual))
	near := r.adapter(boxOffice, callsChallenged("555-0101"), rejected("555-0101", 503, 2)).ok()
	require.NotEmpty(t, near.got("SIP/2.0 503", "INVITE").header("Retry-After"))
	r.logs("no file descriptors are left; raise the limit of this process (LimitNOFILE=")
	far := r.farWaits(offered(0), answers(), cleared(0))
	r.adapter(stageDoor, emergencyCall(pause(100*time.Millisecond))).ok()
	far.ok()

	require.NoError(t, unix.Prlimit(r.d.Cmd.Process.Pid, unix.RLIMIT_NOFILE, &unix.Rlimit{Cur: 4096, Max: 4096}, nil))
	near, far = r.heldByArrivedCall(boxOffice)
	near.ok()
	far.ok()
	r.board.once(t, 0)
}
