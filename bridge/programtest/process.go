package programtest

import (
	"io"
	"os/exec"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"
)

// Process is a running program. All methods are safe for concurrent use.
type Process struct {
	// Cmd is the started command. Its ProcessState is valid after Done.
	Cmd *exec.Cmd
	// Input is the program's standard input, nil unless StartWithInput started it.
	Input io.WriteCloser

	done chan struct{} // closed when the process has ended
	err  error         // of Cmd.Wait, valid then

	out Buffer

	mu   sync.Mutex
	read int           // octets of the lines that Next has returned
	more chan struct{} // closed and replaced at each new output
}

// Start starts a program that is killed when the test ends. The process collects the output that cmd does not direct
// elsewhere. If cmd asks for a process group of its own (Setpgid, Setsid), signals go to the whole group.
func Start(t testing.TB, cmd *exec.Cmd) *Process {
	t.Helper()
	p := Launch(t, cmd)
	t.Cleanup(p.Kill)
	return p
}

// StartWithInput starts a program that ends when its input ends, which is when the test ends at the latest.
func StartWithInput(t testing.TB, cmd *exec.Cmd) *Process {
	t.Helper()
	in, err := cmd.StdinPipe()
	if err != nil {
		t.Fatal(err)
	}
	p := Launch(t, cmd)
	p.Input = in
	t.Cleanup(func() {
		in.Close()
		<-p.done
	})
	return p
}

// Launch is Start for a program that the caller ends.
func Launch(t testing.TB, cmd *exec.Cmd) *Process {
	t.Helper()
	p := &Process{Cmd: cmd, done: make(chan struct{}), more: make(chan struct{})}
	if cmd.Stdout == nil {
		cmd.Stdout = collector{p}
	}
	if cmd.Stderr == nil {
		cmd.Stderr = collector{p}
	}
	if err := cmd.Start(); err != nil {
		t.Fatalf("starting %s: %v", cmd.Path, err)
	}
	go func() {
		p.err = cmd.Wait()
		close(p.done)
	}()
	return p
}

// Buffer collects output. Its methods are safe for concurrent use.
type Buffer struct {
	mu   sync.Mutex
	text strings.Builder
}

// Write appends.
func (b *Buffer) Write(text []byte) (int, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.text.Write(text)
}

// String returns what has been written so far.
func (b *Buffer) String() string {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.text.String()
}

// collector appends to a process's output.
type collector struct{ p *Process }

func (c collector) Write(b []byte) (int, error) {
	n, err := c.p.out.Write(b)
	c.p.mu.Lock()
	defer c.p.mu.Unlock()
	close(c.p.more)
	c.p.more = make(chan struct{})
	return n, err
}

// Output returns the collected output so far.
func (p *Process) Output() string { return p.out.String() }

// Await waits for a complete line of output that contains text, and returns the first one without its end. The test
// fails if the process ends before, or after the limit.
func (p *Process) Await(t testing.TB, text string, limit time.Duration) string {
	t.Helper()
	line := ""
	p.AwaitOutput(t, text, limit, func(out string) bool {
		for l := range strings.Lines(out) {
			if strings.HasSuffix(l, "\n") && strings.Contains(l, text) {
				line = strings.TrimRight(l, "\r\n")
				return true
			}
		}
		return false
	})
	return line
}

// Next returns the next line of output that it has not returned yet, without its end. ok is false if the process has
// ended and there is none. The test fails after the limit.
func (p *Process) Next(t testing.TB, limit time.Duration) (line string, ok bool) {
	t.Helper()
	p.await(t, "another line", limit, func(out string, over bool) bool {
		p.mu.Lock()
		defer p.mu.Unlock()
		line, _, ok = strings.Cut(out[p.read:], "\n")
		ok = ok || over && line != "" // an unfinished last line
		if ok {
			p.read = min(p.read+len(line)+1, len(out))
			line = strings.TrimSuffix(line, "\r")
		}
		return ok || over
	})
	return line, ok
}

// AwaitOutput waits until found is true of the whole output. The test fails if the process ends before, or after the
// limit. what is what is waited for.
func (p *Process) AwaitOutput(t testing.TB, what string, limit time.Duration, found func(string) bool) {
	t.Helper()
	p.await(t, what, limit, func(out string, over bool) bool {
		if is := found(out); is || !over {
			return is
		}
		t.Fatalf("%s ended (%v), and its output has no %q:\n%s", p.Cmd.Path, p.err, what, out)
		return false
	})
}

// await waits until done is true of the whole output. over means that the process has ended.
func (p *Process) await(t testing.TB, what string, limit time.Duration, done func(out string, over bool) bool) {
	t.Helper()
	timer := time.NewTimer(limit)
	defer timer.Stop()
	for {
		over := p.Ended() // before the output is read, so that none is missed
		p.mu.Lock()
		more := p.more
		p.mu.Unlock()
		out := p.Output()
		if done(out, over) {
			return
		}
		select {
		case <-more:
		case <-p.done:
		case <-timer.C:
			t.Fatalf("the output of %s has no %q within %v:\n%s", p.Cmd.Path, what, limit, out)
		}
	}
}

// Done is closed when the process has ended.
func (p *Process) Done() <-chan struct{} { return p.done }

// Ended reports whether the process has ended.
func (p *Process) Ended() bool {
	select {
	case <-p.done:
		return true
	default:
		return false
	}
}

// Err waits until the process has ended and returns the error of Cmd.Wait.
func (p *Process) Err() error {
	<-p.done
	return p.err
}

// ExitCode waits until the process has ended, and returns its exit code, or -1 if a signal ended it. The test fails if
// it has not ended within the limit.
func (p *Process) ExitCode(t testing.TB, limit time.Duration) int {
	t.Helper()
	select {
	case <-p.done:
	case <-time.After(limit):
		t.Fatalf("%s has not ended within %v:\n%s", p.Cmd.Path, limit, p.Output())
	}
	return p.Cmd.ProcessState.ExitCode()
}

// Signal sends a signal to the process, if it still runs.
func (p *Process) Signal(s syscall.Signal) {
	if a := p.Cmd.SysProcAttr; a != nil && (a.Setpgid || a.Setsid) {
		_ = syscall.Kill(-p.Cmd.Process.Pid, s) // members of the group may outlive the first process
		return
	}
	_ = p.Cmd.Process.Signal(s) // it may have ended
}

// Kill kills the process and waits until it has ended.
func (p *Process) Kill() {
	p.Signal(syscall.SIGKILL)
	<-p.done
}

// Stop ends the process with SIGTERM, or kills it after the limit. It reports whether the process ended by itself.
func (p *Process) Stop(limit time.Duration) bool {
	p.Signal(syscall.SIGTERM)
	select {
	case <-p.done:
		return true
	case <-time.After(limit):
		p.Kill()
		return false
	}
}
