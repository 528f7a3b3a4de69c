//go:build linux

package figures

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"

	"clearback/bridge/programtest"
)

// Below these values, which are our own figures, the machine counts as quiet, and the limits for a quiet machine apply.
const (
	// p99 of how late a bare wait ends. Measured before the figure, or during it if the figure does not load the
	// machine.
	quietWait  = 500 * time.Microsecond
	quietShare = 0.10 // of the machine's time, taken by other processes during the measurement
)

// samples are sorted when a quantile is computed.
type samples []time.Duration

func (s samples) quantile(percent int) time.Duration {
	if len(s) == 0 {
		return 0
	}
	sorted := slices.Clone(s)
	slices.Sort(sorted)
	return sorted[min(len(s)*percent/100, len(s)-1)]
}

func (s samples) String() string {
	r := func(percent int) time.Duration { return s.quantile(percent).Round(time.Microsecond) }
	return fmt.Sprintf("min %9v  p50 %9v  p99 %9v  max %9v  n %d", r(0), r(50), r(99), r(100), len(s))
}

// bareWaits sleeps in the kernel until stop is closed, and returns how late each wait ended.
func bareWaits(stop <-chan struct{}, length time.Duration) samples {
	runtime.LockOSThread()
	defer runtime.UnlockOSThread()
	var late samples
	for {
		select {
		case <-stop:
			return late
		default:
		}
		begin := monotonic()
		end := unix.NsecToTimespec((begin + length).Nanoseconds())
		for errors.Is(unix.ClockNanosleep(unix.CLOCK_MONOTONIC, unix.TIMER_ABSTIME, &end, nil), unix.EINTR) {
		}
		late = append(late, monotonic()-begin-length)
	}
}

func monotonic() time.Duration {
	var ts unix.Timespec
	if err := unix.ClockGettime(unix.CLOCK_MONOTONIC, &ts); err != nil {
		panic(err)
	}
	return time.Duration(ts.Nano())
}

// alongside runs bare waits while f runs. It returns how late they ended.
func alongside(length time.Duration, f func()) samples {
	var late samples
	var waiting sync.WaitGroup
	stop := make(chan struct{})
	waiting.Go(func() { late = bareWaits(stop, length) })
	f()
	close(stop)
	waiting.Wait()
	return late
}

// watch checks whether the machine is quiet, apart from our own processes, from newWatch to verdict.
type watch struct {
	t          testing.TB
	pids       []int
	wait       time.Duration // how late bare waits ended (p99)
	loaded     bool          // the test keeps the processors busy, so wait does not count
	busy, ours time.Duration
	at         time.Time
}

func newWatch(t testing.TB, pids ...int) *watch {
	w := &watch{t: t, pids: append(pids, os.Getpid())}
	half := time.NewTimer(500 * time.Millisecond)
	w.wait = alongside(time.Millisecond, func() { <-half.C }).quantile(99)
	w.busy, w.ours, w.at = busyTime(t), w.own(), time.Now()
	return w
}

func (w *watch) own() time.Duration {
	var sum time.Duration
	for _, pid := range w.pids {
		sum += cpuTime(w.t, pid)
	}
	return sum
}

// verdict ends the watch.
func (w *watch) verdict() *verdict {
	span := time.Since(w.at) * time.Duration(runtime.NumCPU())
	share := max(0, float64((busyTime(w.t)-w.busy)-(w.own()-w.ours))/float64(span))
	v := &verdict{t: w.t, table: &results, quiet: share <= quietShare && (w.loaded || w.wait <= quietWait)}
	v.how = fmt.Sprintf("other processes took %.0f %% of the machine", 100*share)
	if !w.loaded {
		v.how += fmt.Sprintf(", a bare wait ended %v late (p99)", w.wait.Round(time.Microsecond))
	}
	if v.quiet {
		v.t.Logf("the machine is quiet: %s", v.how)
	} else {
		v.t.Logf("THE MACHINE IS NOT QUIET, limits that need it are not applied: %s", v.how)
	}
	return v
}

func ms(d time.Duration) float64 { return float64(d) / float64(time.Millisecond) }

const tick = 10 * time.Millisecond // USER_HZ is 100 on Linux, proc(5)

// busyTime returns the time that all processors spent in processes, or that a hypervisor took (proc(5), /proc/stat).
// Interrupts are not included.
func busyTime(t testing.TB) time.Duration {
	b, err := os.ReadFile("/proc/stat")
	require.NoError(t, err)
	line, _, _ := strings.Cut(string(b), "\n")
	f := strings.Fields(line)[1:]
	var sum time.Duration
	for _, i := range []int{0, 1, 2, 7} { // user, nice, system, steal
		n, err := strconv.Atoi(f[i])
		require.NoError(t, err)
		sum += time.Duration(n) * tick
	}
	return sum
}

// cpuTime returns the processor time of a process and of the children that it waited for (proc(5), fields 14 to 17 of
// stat).
func cpuTime(t testing.TB, pid int) time.Duration {
	b, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", pid))
	require.NoError(t, err)
	f := bytes.Fields(b[bytes.LastIndexByte(b, ')')+1:])
	var sum time.Duration
	for i := 11; i <= 14; i++ {
		n, err := strconv.Atoi(string(f[i]))
		require.NoError(t, err)
		sum += time.Duration(n) * tick
	}
	return sum
}

// memory returns a size from /proc/PID/status in MB of a million bytes.
func memory(t testing.TB, pid int, name string) float64 {
	b, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", pid))
	require.NoError(t, err)
	for line := range strings.Lines(string(b)) {
		var kib float64
		if n, _ := fmt.Sscanf(line, name+": %f kB", &kib); n == 1 {
			return kib * 1024 / 1e6
		}
	}
	t.Fatalf("no %s of process %d", name, pid)
	return 0
}

// longestHelp limits how long a helper works until it prints a line. Only a failing test waits for so long.
const longestHelp = 10 * time.Minute

// helper is a process of the test binary that plays one of the helpers' parts.
type helper struct{ *programtest.Process }

func startHelper(t testing.TB, part string, args ...string) *helper {
	t.Helper()
	cmd := exec.Command(os.Args[0], args...)
	cmd.Env = append(os.Environ(), helperVariable+"="+part)
	return startProgram(t, cmd)
}

// startProgram starts a program that reads and writes lines, and that ends when its input ends.
func startProgram(t testing.TB, cmd *exec.Cmd) *helper {
	t.Helper()
	cmd.Stderr = os.Stderr
	cmd.SysProcAttr = ownSession()
	return &helper{programtest.StartWithInput(t, cmd)}
}

// ownSession gives a process a session of its own, and so its own share of the processors. systemd gives each service a
// control group for that. Where Linux groups processes by session (sched(7), autogroup), the process would otherwise
// share with those that it is compared with. The process ends with the test.
func ownSession() *syscall.SysProcAttr {
	return &syscall.SysProcAttr{Setsid: true, Pdeathsig: syscall.SIGTERM}
}

func (h *helper) pid() int { return h.Cmd.Process.Pid }

// line returns the next line that the helper prints.
func (h *helper) line(t testing.TB) string {
	t.Helper()
	line, ok := h.Next(t, longestHelp)
	require.True(t, ok, "a helper ended")
	return line
}

// hogHelper keeps one processor busy until its input ends.
func hogHelper() int {
	go func() {
		_, _ = io.Copy(io.Discard, os.Stdin)
		os.Exit(0)
	}()
	fmt.Println("busy")
	for x := 1; ; x = x*31 + 1 {
		runtime.KeepAlive(x)
	}
}

// bareStarts is the name of a baseline of [bareStart].
const bareStarts = "prints its version"

// bareStart returns how long the program takes to print its version, which is nearly all the kernel's work and the
// runtime's.
func bareStart(t testing.TB) time.Duration {
	t.Helper()
	began := time.Now()
	require.NoError(t, exec.Command(program, "version").Run())
	return time.Since(began)
}
