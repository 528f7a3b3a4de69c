package debian

import (
	"flag"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

var (
	inContainer = flag.Bool("container", false, "run the tests in a container with systemd as process 1; as root")
	rootDir     = flag.String("container.root", "", "copy this root file system instead of making one with mmdebstrap")
)

// need skips a test whose program is missing, or fails it if CI is set.
func need(t *testing.T, program, debianPackage string) {
	t.Helper()
	if _, err := exec.LookPath(program); err == nil {
		return
	}
	if os.Getenv("CI") != "" {
		t.Fatalf("%s is missing; install the package %s", program, debianPackage)
	}
	t.Skipf("%s is missing; install the package %s", program, debianPackage)
}

// box is a running container.
type box struct {
	root string
}

// newBox starts a container with Debian 12 and systemd as process 1. It ends with the test.
func newBox(t *testing.T) *box {
	t.Helper()
	if !*inContainer {
		t.Skip("this test starts a container as root; run it with -container")
	}
	if os.Getuid() != 0 {
		t.Fatal("a container needs root")
	}
	need(t, "systemd-nspawn", "systemd-container")
	dir := t.TempDir()
	b := &box{root: filepath.Join(dir, "root")}
	if *rootDir != "" {
		host(t, "cp", "-a", *rootDir, b.root)
	} else {
		need(t, "mmdebstrap", "mmdebstrap")
		host(t, "mmdebstrap", "--quiet", "--variant=minbase",
			"--include=systemd,systemd-sysv,dbus,libpam-systemd,udev,iproute2,procps,adduser", "bookworm", b.root)
	}
	host(t, "bash", "testdata/box.sh", "start", b.root, filepath.Join(dir, "log"))
	t.Cleanup(func() {
		if t.Failed() {
			t.Log(b.try("journalctl --no-pager -o short-precise -n 60"))
		}
		host(t, "bash", "testdata/box.sh", "stop", b.root)
		os.RemoveAll(b.root)
	})
	return b
}

// host runs a command outside of the container.
func host(t *testing.T, command ...string) {
	t.Helper()
	if out, err := exec.Command(command[0], command[1:]...).CombinedOutput(); err != nil {
		t.Fatalf("%s: %v\n%s", strings.Join(command, " "), err, out)
	}
}

// try runs a shell command in the container, and returns its output and whether it succeeded.
func (b *box) try(command string) (out string, ok bool) {
	cmd := exec.Command("timeout", "-k", "1", "90", "bash", "testdata/box.sh", "exec", b.root, "sh", "-c", command)
	cmd.Env = append(os.Environ(), "DEBIAN_FRONTEND=noninteractive", "LC_ALL=C.UTF-8", "CLEARBACK_CONFIG=")
	text, err := cmd.CombinedOutput()
	return strings.TrimSpace(string(text)), err == nil
}

// must runs a shell command that has to succeed, and returns its output.
func (b *box) must(t *testing.T, command string) string {
	t.Helper()
	out, ok := b.try(command)
	if !ok {
		t.Fatalf("%s: %s", command, out)
	}
	return out
}

// fails runs a shell command that has to fail, and returns its output.
func (b *box) fails(t *testing.T, command string) string {
	t.Helper()
	out, ok := b.try(command)
	if ok {
		t.Fatalf("%s succeeded: %s", command, out)
	}
	return out
}

// await repeats a shell command until it succeeds.
func (b *box) await(t *testing.T, command string) {
	t.Helper()
	tick := time.NewTicker(50 * time.Millisecond)
	defer tick.Stop()
	for limit := time.Now().Add(30 * time.Second); ; <-tick.C {
		out, ok := b.try(command)
		if ok {
			return
		}
		if time.Now().After(limit) {
			t.Fatalf("%s: not within 30 s: %s", command, out)
		}
	}
}

// write writes a file into the container, outside of /run and /tmp, which are its own.
func (b *box) write(t *testing.T, path, text string, mode os.FileMode) {
	t.Helper()
	path = filepath.Join(b.root, path)
	if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(path, []byte(text), mode); err != nil {
		t.Fatal(err)
	}
}

// show returns a property of a unit.
func (b *box) show(t *testing.T, unit, property string) string {
	t.Helper()
	return b.must(t, "systemctl show "+unit+" --value -p "+property)
}
