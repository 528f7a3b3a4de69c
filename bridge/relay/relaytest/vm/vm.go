//go:build unix

// Package vm runs tests and programs as root in a small virtual machine. The machine has simulated GPIO chips, serial
// ports with real registers, and a power supply that can be cut. boot.sh, in this directory, makes the machine and
// describes it; it can also be used by hand. It needs Debian on amd64 and, the first time, Debian's package archive.
//
// A package whose tests need the machine has a test like
//
//	var inVM = flag.Bool("vm", false, "run the tests that need the virtual machine in one")
//
//	func TestVM(t *testing.T) {
//		if vm.Inside() || !*inVM {
//			t.Skip("in the virtual machine only by -vm")
//		}
//		vm.Tests(t, vm.Options{}, "^TestKernel")
//	}
//
// Its tests named TestKernel... skip themselves unless Inside returns true. Durations in the machine prove nothing,
// since its processor is emulated.
package vm

import (
	_ "embed" // the machine
	"fmt"
	"io"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"clearback/bridge/programtest"
)

//go:embed boot.sh
var boot string

// Statuses of a machine, besides the exit statuses of its program.
const (
	StatusTimeout = 124 // the time-out is over, or the power was cut
	StatusBroken  = 125 // boot.sh failed, or the machine ended without a status
)

// Inside reports whether this process runs in the machine.
func Inside() bool { return os.Getenv("VM") == "1" }

// Options are the options of a machine. The zero value means one processor, 256 MB, no disk, no network, and 2 minutes.
type Options struct {
	// Timeout is the longest run of the machine, counted from its start; 0 means 2 min. The first build of its kernel
	// is not counted.
	Timeout time.Duration
	// Env is the program's environment, NAME=VALUE, without line ends.
	Env []string
	// Files are copied into the machine: a map from the path here to the path there. The directory testdata of the
	// working directory is always copied.
	Files map[string]string
	// Disk is the image file of /dev/vda; empty means no disk.
	Disk string
	// Ports forwards TCP ports: a map from a port of 127.0.0.1 to a port in the machine. The machine itself cannot
	// connect to anything outside.
	Ports map[int]int
	// CPUs is the number of processors; 0 means 1.
	CPUs int
}

// Tests runs the tests of the calling package whose names match run, in a new machine. It fails if one of them fails or
// is skipped; a subtest (t.Run) may be skipped. Further arguments go to the test binary, such as -test.short.
func Tests(t *testing.T, o Options, run string, arguments ...string) {
	t.Helper()
	m := Start(t, o, Build(t, "test", "-c", "."), append([]string{"-test.v", "-test.run", run}, arguments...)...)
	status := m.Wait()
	out := "\n" + m.Output()
	switch {
	case status != 0:
		t.Errorf("status %d in the virtual machine", status)
	case strings.Contains(out, "\n--- SKIP"):
		t.Error("a test was skipped in the virtual machine")
	case !strings.Contains(out, "\n--- PASS"):
		t.Error("no test ran in the virtual machine")
	}
	t.Log("in the virtual machine:" + out)
}

// Build makes a static program: a test binary with "test", "-c" and a package, or a command with "build" and a package.
func Build(t testing.TB, arguments ...string) string {
	t.Helper()
	name := filepath.Join(t.TempDir(), "program")
	last := len(arguments) - 1
	all := append(append(append([]string{}, arguments[:last]...), "-o", name), arguments[last])
	cmd := exec.Command("go", all...)
	cmd.Env = append(os.Environ(), "CGO_ENABLED=0", "GOFLAGS=")
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Fatalf("go %s: %v\n%s", strings.Join(all, " "), err, out)
	}
	return name
}

// Machine is a running machine. Its output is that of the machine and its program. All methods are safe for concurrent
// use.
type Machine struct {
	*programtest.Process
	dir string
	cut atomic.Bool // the power was cut
}

// Start boots a machine that runs the static program with its arguments, which must not contain line ends. The machine
// ends with the test at the latest.
func Start(t testing.TB, o Options, program string, arguments ...string) *Machine {
	t.Helper()
	need(t)
	dir, err := os.MkdirTemp("", "vm") // a short path, since it becomes part of a Unix socket's name
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command("bash", append([]string{"-c", boot, "boot.sh", program}, arguments...)...)
	cmd.Env = append(os.Environ(), o.environment(dir)...)
	cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true}
	m := &Machine{Process: programtest.Launch(t, cmd), dir: dir}
	t.Cleanup(func() {
		m.CutPower()
		m.Wait()
		os.RemoveAll(dir)
	})
	return m
}

// need ends the test if this machine cannot run another.
func need(t testing.TB) {
	t.Helper()
	for program, debian := range map[string]string{"apt-get": "apt", "dpkg-deb": "dpkg", "flock": "util-linux",
		"bash": "bash"} {
		programtest.Need(t, program, debian)
	}
	if os.Geteuid() != 0 { // otherwise boot.sh installs what it needs
		programtest.Need(t, "qemu-system-x86_64",
			"qemu-system-x86 busybox-static cpio make xz-utils linux-headers-amd64")
	}
}

func (o Options) environment(dir string) []string {
	env := []string{"VM_ENV=" + strings.Join(o.Env, "\n"), "VM_MONITOR=" + filepath.Join(dir, "monitor"), "TMPDIR=" +
		dir}
	if o.Timeout > 0 {
		env = append(env, fmt.Sprintf("VM_TIMEOUT=%d", int(o.Timeout.Seconds())+1))
	}
	if o.Disk != "" {
		env = append(env, "VM_DISK="+o.Disk)
	}
	if o.CPUs > 0 {
		env = append(env, fmt.Sprintf("VM_CPUS=%d", o.CPUs))
	}
	var files, ports []string
	for here, there := range o.Files {
		files = append(files, here+":"+there)
	}
	for here, there := range o.Ports {
		ports = append(ports, fmt.Sprintf("%d:%d", here, there))
	}
	return append(env, "VM_FILES="+strings.Join(files, ","), "VM_FORWARD="+strings.Join(ports, ","))
}

// Wait waits for the end of the machine and returns the program's status, or StatusTimeout or StatusBroken.
func (m *Machine) Wait() int {
	<-m.Done()
	switch status := m.Cmd.ProcessState.ExitCode(); {
	case m.cut.Load():
		return StatusTimeout
	case status < 0:
		return StatusBroken
	default:
		return status
	}
}

// CutPower ends the machine at once. Everything in its memory is lost.
func (m *Machine) CutPower() {
	if !m.Ended() {
		m.cut.Store(true)
		m.Kill()
	}
}

// Monitor sends a command to QEMU's monitor and returns its answer. For example "i /b 0x2fc" reads a register from
// outside the machine.
func (m *Machine) Monitor(command string) (string, error) {
	c, err := net.DialTimeout("unix", filepath.Join(m.dir, "monitor"), 5*time.Second)
	if err != nil {
		return "", fmt.Errorf("vm: qemu's monitor: %w", err)
	}
	defer c.Close()
	_ = c.SetDeadline(time.Now().Add(5 * time.Second))
	const prompt = "(qemu) "
	if _, err := readTo(c, prompt); err != nil {
		return "", err
	}
	if _, err := io.WriteString(c, command+"\n"); err != nil {
		return "", fmt.Errorf("vm: qemu's monitor: %w", err)
	}
	all, err := readTo(c, prompt)
	if err != nil {
		return "", err
	}
	_, answer, _ := strings.Cut(strings.ReplaceAll(all, "\r", ""), "\n") // the monitor first echoes the command
	return strings.TrimSpace(answer), nil
}

func readTo(r io.Reader, end string) (string, error) {
	var all []byte
	var b [256]byte
	for {
		n, err := r.Read(b[:])
		all = append(all, b[:n]...)
		if strings.HasSuffix(string(all), end) {
			return strings.TrimSuffix(string(all), end), nil
		}
		if err != nil {
			return "", fmt.Errorf("vm: qemu's monitor: %w", err)
		}
	}
}
