//go:build linux

package interop

import (
	"flag"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"
)

var mounts = flag.Bool("mount", false, "mount a file system in memory, which takes root")

// TestJournalOnAFullDisk: a journal that cannot be written is an alarm and delays no interruption. Once there is room,
// the journal continues.
func TestJournalOnAFullDisk(t *testing.T) {
	if !*mounts {
		t.Skip("mounts a file system; -mount runs it, as root")
	}
	t.Parallel()
	need(t, "sqlite3")
	small := filepath.Join(t.TempDir(), "small")
	require.NoError(t, os.Mkdir(small, 0o700))
	require.NoError(t, unix.Mount("tmpfs", small, "tmpfs", 0, "size=2m,mode=0700"))
	t.Cleanup(func() { require.NoError(t, unix.Unmount(small, 0)) })
	r := newTestBed(t, setup{record: true, journal: filepath.Join(small, "journal.db"),
		lines: []lineSetup{{name: boxOffice, interval: 300 * time.Millisecond, policy: quickPolicy, more: unwatched}}})
	filler, err := os.Create(filepath.Join(small, "filler"))
	require.NoError(t, err)
	for block := make([]byte, 4096); err == nil; {
		_, err = filler.Write(block)
	}
	require.ErrorIs(t, err, unix.ENOSPC)
	require.NoError(t, filler.Close())

	near, far := r.heldByArrivedCall(boxOffice)
	near.ok()
	far.ok()
	o := r.board.once(t, 0)
	requireInterval(t, 300*time.Millisecond, o)
	require.Less(t, o.begin.Sub(near.gave("SIP/2.0 200", "BYE").at), r.soon(), "opened as soon as ever")
	eventually(t, 10*time.Second, "the alarm", func() bool {
		return strings.Contains(r.d.Output(),
			"the journal cannot be written")
	})
	require.Contains(t, r.lines().Journal.Problem, "full")
	require.Contains(t, r.mustRun("lines"), "journal: ")

	require.NoError(t, os.Remove(filler.Name()))
	eventually(t, 15*time.Second, "the journal continues", func() bool {
		return strings.Contains(r.d.Output(),
			"the journal is written again")
	})
	require.Empty(t, r.lines().Journal.Problem)
	r.recorded("what was queued meanwhile", func(c callSeen) bool { return c.Outcome == "unknown" })
	r.requireWhole()
}
