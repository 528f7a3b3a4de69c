package command

import (
	"bytes"
	"errors"
	"os"
	"os/exec"
	"slices"
	"sync"
	"syscall"
	"time"

	"golang.org/x/sys/unix"
)

const (
	// maxOutput is the number of bytes kept of each output.
	maxOutput = 4096
	// outputWait is how long a descendant may hold the outputs open after the program has ended.
	outputWait = 100 * time.Millisecond
)

// environment is the complete environment of a program, so that a manual test and a run by the daemon behave alike.
var environment = []string{"PATH=/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin", "HOME=/",
	"LANG=C.UTF-8"}

func executable(path string) error {
	return unix.Faccessat(unix.AT_FDCWD, path, unix.X_OK, unix.AT_EACCESS)
}

// launch is a shell script that replaces the shell with the program $0.
//
// Go starts a program with vfork, and the thread that does so stays suspended until execve returns. Go's scheduler does
// not know this: the next garbage collection waits for that thread, and with it the whole process (golang/go#11155).
// execve of a program on a disk that hangs returns late or never. So the daemon starts the shell, which is in memory
// already, and only the new process waits for that disk.
//
// A shell takes an empty file for a script that succeeds, hence the test. It unsets the variables that shells add.
const launch = `unset PWD OLDPWD SHLVL _
[ -s "$0" ] && exec "$0" "$@"
echo it does not exist or is empty >&2
exit 127`

// run is a running program.
type run struct {
	cmd          *exec.Cmd
	out, problem outputHead

	mu     sync.Mutex
	ending bool // the program has ended, so its process ID may soon be reused
}

// start starts the program in a process group of its own. A program that cannot be started ends with status 126 or 127
// (POSIX, exec).
func start(program string, arguments []string) (process, error) {
	return startWith(program, arguments, nil, nil)
}

// startWith is start with more variables of the environment, and with a text on standard input if it is not nil.
func startWith(program string, arguments, variables []string, input []byte) (process, error) {
	// Go's own descriptors are not inherited. This also covers descriptors that were open when this process was
	// started.
	if err := unix.CloseRange(3, ^uint(0), unix.CLOSE_RANGE_CLOEXEC); err != nil && !errors.Is(err, unix.ENOSYS) &&
		!errors.Is(err, unix.EINVAL) {
		return nil, os.NewSyscallError("close_range", err) // these two errors: Linux before 5.11, which cannot do that
	}
	r := &run{cmd: exec.Command("/bin/sh", append([]string{"-c", launch, program}, arguments...)...)}
	r.cmd.Env, r.cmd.Dir, r.cmd.WaitDelay = slices.Concat(environment, variables), "/", outputWait
	if input != nil {
		r.cmd.Stdin = bytes.NewReader(input)
	}
	r.cmd.Stdout, r.cmd.Stderr = &r.out, &r.problem
	r.cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true}
	if err := r.cmd.Start(); err != nil {
		return nil, err
	}
	return r, nil
}

func (r *run) kill() {
	r.mu.Lock()
	defer r.mu.Unlock()
	if !r.ending {
		_ = unix.Kill(-r.cmd.Process.Pid, unix.SIGKILL) // an error means that all processes of the group have ended
	}
}

// wait determines how the program ended before it releases the process ID. Until then the ID cannot be reused, so the
// group can be killed safely.
func (r *run) wait() programResult {
	pid := r.cmd.Process.Pid
	status, err := outcome(pid)
	r.mu.Lock()
	if status != 0 || err != nil {
		_ = unix.Kill(-pid, unix.SIGKILL)
	}
	r.ending = true
	r.mu.Unlock()
	_ = r.cmd.Wait() // the result is known already
	return programResult{status: status, out: r.out.String(), problem: firstLine(r.problem.String()), err: err}
}

// outcome waits for the end of a program and leaves the process for Wait. It returns -1 after a signal.
func outcome(pid int) (int, error) {
	var i childInfo
	for {
		err := unix.Waitid(unix.P_PID, pid, i.pointer(), unix.WEXITED|unix.WNOWAIT, nil)
		switch {
		case errors.Is(err, unix.EINTR):
			continue
		case err != nil:
			return -1, os.NewSyscallError("waitid", err)
		case !i.exited():
			return -1, nil
		}
		return i.status(), nil
	}
}

// outputHead keeps the first bytes of an output and discards the rest.
type outputHead struct {
	mu   sync.Mutex
	head []byte
}

func (b *outputHead) Write(p []byte) (int, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.head = append(b.head, p[:min(len(p), maxOutput-len(b.head))]...)
	return len(p), nil
}

func (b *outputHead) String() string {
	b.mu.Lock()
	defer b.mu.Unlock()
	return string(b.head)
}
