package journal

import (
	"bytes"
	"compress/gzip"
	"database/sql"
	"flag"
	"fmt"

	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"clearback/bridge/programtest"
	"clearback/supervision/callrecord"
)

var (
	powercuts = flag.Int("powercuts", 0,
		"how often the power of a virtual machine that writes is cut; some 10 s each")
	powercutKernel = flag.String("powercuts.kernel", "",
		"folder with the machine's kernel, kept for the next time (see testdata/kernel.sh)")
)

// TestPowerCut cuts the power of a virtual machine that is writing. Its memory is lost, but what it handed to its disk
// stays. Everything that was committed must be in the file. The machine is emulated by qemu, the kernel is Debian's and
// the file system is ext4. The test does not cover a disk that loses data it reported as synced.
func TestPowerCut(t *testing.T) {
	if *powercuts == 0 {
		t.Skip("needs -powercuts N")
	}
	for _, tool := range []string{"qemu-system-x86_64", "mke2fs", "e2fsck", "debugfs", "dpkg-deb"} {
		if _, err := exec.LookPath(tool); err != nil {
			t.Skipf("needs %s (Debian: qemu-system-x86, e2fsprogs)", tool)
		}
	}
	dir := t.TempDir()
	kernel := *powercutKernel
	if kernel == "" {
		kernel = filepath.Join(dir, "kernel")
	}
	if _, err := os.Stat(kernel); err != nil {
		run(t, "sh", "testdata/kernel.sh", kernel)
	}
	initrd := filepath.Join(dir, "initrd")
	packGuest(t, kernel, initrd)
	disk := filepath.Join(dir, "disk")
	for round := range *powercuts {
		run(t, "mke2fs", "-q", "-F", "-t", "ext4", disk, "64M")
		committed := bootAndCut(t, kernel, initrd, disk)
		found := afterTheCut(t, disk)
		t.Logf("cut %d: %d were committed; of these %d were found, and %d others", round, committed,
			min(committed, found), max(0, found-committed))
		require.GreaterOrEqual(t, found, committed)
	}
}

func run(t *testing.T, name string, args ...string) {
	t.Helper()
	cmd := exec.Command(name, args...)
	cmd.Env = append(os.Environ(), "PATH="+os.Getenv("PATH")+":/usr/sbin:/sbin")
	out, err := cmd.CombinedOutput()
	require.NoError(t, err, "%s %v:\n%s", name, args, out)
}

// packGuest makes an initramfs (cpio, form newc) from this program, built without C, and the kernel's modules.
func packGuest(t *testing.T, kernel, to string) {
	t.Helper()
	program := to + ".test"
	cmd := exec.Command("go", "test", "-c", "-o", program, ".")
	cmd.Env = append(os.Environ(), "CGO_ENABLED=0", "GOFLAGS=")
	out, err := cmd.CombinedOutput()
	require.NoError(t, err, "%s", out)
	var b bytes.Buffer
	z, err := gzip.NewWriterLevel(&b, gzip.BestSpeed)
	require.NoError(t, err)
	n := 0
	add := func(name string, mode int, data []byte) {
		n++
		_, err := fmt.Fprintf(z, "070701%08x%08x%08x%08x%08x%08x%08x%08x%08x%08x%08x%08x%08x%s", n, mode, 0, 0, 1, 0,
			len(data), 0, 0, 0, 0,
			len(name)+1, 0, pad(append([]byte(name), 0), 110))
		require.NoError(t, err)
		_, err = z.Write(pad(data, 0))
		require.NoError(t, err)
	}
	read := func(path string) []byte {
		data, err := os.ReadFile(path)
		require.NoError(t, err)
		return data
	}
	add("init", 0o100755, read(program))
	add("modules", 0o040755, nil)
	add("dev", 0o040755, nil)
	modules, err := filepath.Glob(filepath.Join(kernel, "*.ko"))
	require.NoError(t, err)
	for _, m := range modules {
		add("modules/"+filepath.Base(m), 0o100644, read(m))
	}
	add("TRAILER!!!", 0, nil)
	require.NoError(t, z.Close())
	require.NoError(t, os.WriteFile(to, b.Bytes(), 0o644))
}

// pad pads the total length, including before, to a multiple of four.
func pad(data []byte, before int) []byte {
	return append(data, make([]byte, (4-(len(data)+before)%4)%4)...)
}

// bootAndCut starts the machine, cuts its power at a random moment after it began to write, and returns the last number
// that it printed.
func bootAndCut(t *testing.T, kernel, initrd, disk string) (told int) {
	t.Helper()
	cmd := exec.Command("qemu-system-x86_64", "-machine", "q35,accel=tcg", "-cpu", "max", "-m", "512", "-nodefaults",
		"-no-user-config",
		"-display", "none", "-no-reboot", "-kernel", filepath.Join(kernel, "vmlinuz"), "-initrd", initrd,
		"-append", "console=ttyS0 quiet loglevel=4 panic=-1 mitigations=off "+virtualMachineEnv+"=1",
		"-chardev", "stdio,id=out,signal=off", "-serial", "chardev:out",
		"-drive", "file="+disk+",format=raw,if=virtio,cache=writeback")
	p := programtest.Start(t, cmd)
	p.AwaitOutput(t, "committed 101", 2*time.Minute, func(out string) bool { return committed(t, out) > 100 })
	<-time.After(time.Duration(rand.Int64N(int64(3 * time.Second)))) // the moment of the cut
	p.Kill()
	return committed(t, p.Output())
}

// committed returns the last number that the machine printed. A truncated line does not count.
func committed(t *testing.T, out string) (last int) {
	t.Helper()
	for line := range strings.Lines(out) {
		if text, is := strings.CutPrefix(strings.TrimSpace(line), "committed "); is && strings.HasSuffix(line, "\n") {
			var err error
			last, err = strconv.Atoi(text)
			require.NoError(t, err)
		}
	}
	return last
}

// afterTheCut repairs the file system as the machine would at its next start, checks the journal, and lets a daemon
// continue it. It returns how many of the first events and effects are there without a gap.
func afterTheCut(t *testing.T, disk string) int {
	t.Helper()
	fsck := exec.Command("e2fsck", "-fy", disk)
	fsck.Env = append(os.Environ(), "PATH="+os.Getenv("PATH")+":/usr/sbin:/sbin")
	_ = fsck.Run() // it returns 1 if it repaired something; the second run must find nothing
	run(t, "e2fsck", "-fn", disk)
	dir := t.TempDir()
	run(t, "debugfs", "-R", "rdump / "+dir, disk)
	path := filepath.Join(dir, "journal.db")
	db, err := sql.Open("sqlite", dsn(path, "mode=rw"))
	require.NoError(t, err)
	var sound string
	require.NoError(t, db.QueryRow("PRAGMA integrity_check").Scan(&sound))
	require.Equal(t, "ok", sound)
	var top, count int
	require.NoError(t, db.QueryRow(topQuery).Scan(&top))
	require.NoError(t, db.QueryRow("SELECT (SELECT count(*) FROM events) + (SELECT count(*) FROM effects)").Scan(&count))
	require.NoError(t, db.Close())
	assert.Equal(t, top, count, "no gap")

	j := Open(options(t, path))
	heldCallScript("box-office", time.Now(), j.FirstCall(), "on").into(j)
	require.NoError(t, j.Close())
	rows, err := reader(t, path).Calls(ctx, Filter{Limit: 1})
	require.NoError(t, err)
	assert.Equal(t, callrecord.OutcomeCleared, rows[0].Outcome, "the daemon continues the journal")
	return count
}
