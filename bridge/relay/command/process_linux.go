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
	out, problem *output

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
	r.cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true}
	var ours, theirs [2]*os.File
	for i := range ours {
		var err error
		if ours[i], theirs[i], err = os.Pipe(); err != nil {
			closeFiles(ours[:i], theirs[:i])
			return nil, err
		}
	}
	r.cmd.Stdout, r.cmd.Stderr = theirs[0], theirs[1]
	if err := r.cmd.Start(); err != nil {
		closeFiles(ours[:], theirs[:])
		return nil, err
	}
	closeFiles(theirs[:])
	r.out, r.problem = newOutput(ours[0]), newOutput(ours[1])
	go r.out.read()
	go r.problem.read()
	return r, nil
}

func closeFiles(all ...[]*os.File) {
	for _, f := range slices.Concat(all...) {
		_ = f.Close()
	}
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
	limit := time.Now().Add(outputWait)
	_ = r.cmd.Wait() // the result is known already
	out, problem := r.out.end(limit), r.problem.end(limit)
	return programResult{status: status, out: out, problem: firstLine(problem), err: err}
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

// output reads one output of a program through a pipe, and keeps its first bytes.
type output struct {
	file *os.File
	done chan struct{} // closed when read has ended
	head []byte        // owned by read, and then by end
}

func newOutput(file *os.File) *output { return &output{file: file, done: make(chan struct{})} }

// read reads until every process has closed the output, or until the limit of end.
func (o *output) read() {
	defer close(o.done)
	for b := make([]byte, maxOutput); ; {
		n, err := o.file.Read(b)
		o.keep(b[:n])
		if err != nil {
			return
		}
	}
}

func (o *output) keep(b []byte) { o.head = append(o.head, b[:min(len(b), maxOutput-len(o.head))]...) }

// end is called once the program has ended, and returns the output. It waits until limit for descendants that hold the
// output open. What was written by then is not lost, even if read got no processor meanwhile.
func (o *output) end(limit time.Time) string {
	if err := o.file.SetReadDeadline(limit); err != nil {
		_ = o.file.Close() // ends read too
	}
	<-o.done
	if raw, err := o.file.SyscallConn(); err == nil {
		_ = raw.Control(func(fd uintptr) { // the descriptor of a pipe does not block
			for b := make([]byte, maxOutput); len(o.head) < maxOutput; {
				n, err := unix.Read(int(fd), b)
				if errors.Is(err, unix.EINTR) {
					continue
				}
				if err != nil || n <= 0 {
					return
				}
				o.keep(b[:n])
			}
		})
	}
	_ = o.file.Close()
	return string(o.head)
}
