//go:build unix

// Package vm runs tests and programs as root in a small virtual machine: with simulated GPIO chips, with serial ports
// that have real registers, and with a power supply that can be cut. boot.sh beside this file is the machine, and tells
// what is in it; it may also be used by hand. It needs Debian on amd64 and, the first time, its package archive.
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
// whose tests TestKernel... skip themselves unless Inside. Times in the machine prove nothing: its processor is
// emulated.
package vm

import (
	"bufio"
	_ "embed" // the machine
	"fmt"
	"io"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"
)

//go:embed boot.sh
var boot string

// Statuses of a machine besides those of the program in it.
const (
	StatusTimeout = 124 // also when its power was cut
	StatusBroken  = 125 // the rig itself, or a machine that ended without a status
)

// Inside reports whether this process runs in the machine.
func Inside() bool { return os.Getenv("VM") == "1" }

// Options of a machine. The zero value is one processor with 256 MB, no disk and no network, for 2 minutes.
type Options struct {
	// Timeout ends the machine, counted from its start; 0 means 2 min. Making its kernel for the first time is not
	// counted.
	Timeout time.Duration
	// Env is the program's environment, NAME=VALUE, without line ends.
	Env []string
	// Files are put into the machine: the path here by the path there. The directory testdata of the working directory
	// is there anyway.
	Files map[string]string
	// Disk is the image file of /dev/vda; empty: no disk.
	Disk string
	// Ports are TCP ports in the machine by the ports of 127.0.0.1 that lead to them; the machine reaches nothing by
	// itself.
	Ports map[int]int
	// CPUs is the number of processors; 0 means 1.
	CPUs int
}

// Tests runs the tests of the calling package whose names match run in a machine of their own, and fails if one of them
// fails or skips; a part (t.Run) may skip. More arguments are those of a test binary, such as -test.short.
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

// Build makes a static program: with "test", "-c" and a package, a test binary; with "build" and a package, a command.
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

// Machine is one that runs. All methods are safe for concurrent use.
type Machine struct {
	dir  string
	cmd  *exec.Cmd
	over chan struct{} // closed when the machine has ended, with status set

	status int

	mu     sync.Mutex
	cut    bool
	output strings.Builder
	more   chan struct{} // closed and replaced when there is more output, or its end
	ended  bool
}

// Start boots a machine that runs the static program with its arguments, which must have no line ends. It ends with the
// test.
func Start(t testing.TB, o Options, program string, arguments ...string) *Machine {
	t.Helper()
	if missing := lacks(); missing != "" {
		if os.Getenv("CI") != "" {
			t.Fatal(missing)
		}
		t.Skip(missing)
	}
	dir, err := os.MkdirTemp("", "vm") // a short path: a Unix socket's name is in it
	if err != nil {
		t.Fatal(err)
	}
	m := &Machine{dir: dir, over: make(chan struct{}), more: make(chan struct{})}
	m.cmd = exec.Command("bash", append([]string{"-c", boot, "boot.sh", program}, arguments...)...)
	m.cmd.Env = append(os.Environ(), o.environment(dir)...)
	m.cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true}
	r, w, err := os.Pipe()
	if err != nil {
		t.Fatal(err)
	}
	m.cmd.Stdout, m.cmd.Stderr = w, w
	err = m.cmd.Start()
	w.Close()
	if err != nil {
		t.Fatalf("starting bash: %v", err)
	}
	go m.run(r)
	t.Cleanup(func() {
		m.CutPower()
		m.Wait()
		os.RemoveAll(dir)
	})
	return m
}

// lacks tells why no machine can be had here; empty: it can.
func lacks() string {
	for _, tool := range []string{"apt-get", "dpkg-deb", "flock", "bash"} {
		if _, err := exec.LookPath(tool); err != nil {
			return "the virtual machine needs Debian: no " + tool + " here"
		}
	}
	if os.Geteuid() == 0 {
		return "" // boot.sh installs what it needs
	}
	if _, err := exec.LookPath("qemu-system-x86_64"); err != nil {
		return "no qemu-system-x86_64 here: apt-get install qemu-system-x86 busybox-static cpio make xz-utils linux-headers-amd64"
	}
	return ""
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

// run collects the output to its end, then the status.
func (m *Machine) run(r *os.File) {
	in := bufio.NewReader(r)
	for {
		line, err := in.ReadString('\n')
		m.add(strings.TrimRight(line, "\r\n"), line != "", err != nil)
		if err != nil {
			break
		}
	}
	r.Close()
	_ = m.cmd.Wait() // its status tells
	m.mu.Lock()
	defer m.mu.Unlock()
	switch m.status = m.cmd.ProcessState.ExitCode(); {
	case m.cut:
		m.status = StatusTimeout
	case m.status < 0:
		m.status = StatusBroken
	}
	close(m.over)
}

func (m *Machine) add(line string, is, end bool) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if is {
		m.output.WriteString(line + "\n")
	}
	m.ended = m.ended || end
	close(m.more)
	m.more = make(chan struct{})
}

// Output returns what the machine and its program have written so far.
func (m *Machine) Output() string {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.output.String()
}

// Expect waits at most d until a whole line of the output has the text in it, and returns the first such line.
func (m *Machine) Expect(t testing.TB, text string, d time.Duration) string {
	t.Helper()
	timer := time.NewTimer(d)
	defer timer.Stop()
	for {
		m.mu.Lock()
		out, more, ended := m.output.String(), m.more, m.ended
		m.mu.Unlock()
		for line := range strings.Lines(out) {
			if strings.Contains(line, text) {
				return strings.TrimRight(line, "\n")
			}
		}
		if ended {
			t.Fatalf("the machine ended without the line %q:\n%s", text, out)
		}
		select {
		case <-more:
		case <-timer.C:
			t.Fatalf("no line %q within %v:\n%s", text, d, out)
		}
	}
}

// Wait waits for the end of the machine and returns the program's status, or one of ours.
func (m *Machine) Wait() int {
	<-m.over
	return m.status
}

// CutPower ends the machine at once, as it is: whatever ran in it is gone with its memory.
func (m *Machine) CutPower() {
	m.mu.Lock()
	defer m.mu.Unlock()
	if !m.ended && !m.cut { // else the process group may be somebody else's by now
		m.cut = true
		_ = syscall.Kill(-m.cmd.Process.Pid, syscall.SIGKILL)
	}
}

// Monitor gives qemu's monitor a command and returns its answer: "i /b 0x2fc" reads a register from outside the
// machine.
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
	_, answer, _ := strings.Cut(strings.ReplaceAll(all, "\r", ""), "\n") // the command itself comes back first
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
