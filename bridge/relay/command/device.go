package command

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"strings"
	"sync"
	"time"

	"clearback/bridge/relay"
	"clearback/bridge/relay/controller"
	"clearback/supervision/sanitize"
)

// ExitRefused is the exit status by which a program reports that it refused the request and did nothing at all. No
// common tool uses this status (from memory).
const ExitRefused = 113

const (
	// killWait is how long a killed program may take to end. If the kernel does not end it by then, the program is
	// abandoned.
	killWait = 200 * time.Millisecond
	// maxAbandoned is the number of abandoned programs of one line at which no further program is started.
	maxAbandoned = 4
)

// CheckProgram returns why a program cannot be started, or nil. The program must be a file that this user may execute
// and that not every user may change.
func CheckProgram(path string) error {
	i, err := os.Stat(path)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return fmt.Errorf("command: program %s does not exist; install it, or correct the path: %w", path, err)
	case err != nil:
		return fmt.Errorf("command: program %s: %w", path, err)
	case !i.Mode().IsRegular():
		return fmt.Errorf("command: %s is not a regular file but %v; name the program itself", path, i.Mode().Type())
	case i.Size() == 0:
		return fmt.Errorf("command: program %s is empty; install it again", path)
	case i.Mode().Perm()&0o002 != 0:
		return fmt.Errorf("command: every user may change program %s; run chmod o-w %s", path, path)
	}
	if err := executable(path); err != nil {
		return fmt.Errorf("command: program %s cannot be executed by this user; "+
			"run chmod +x on it, and check that its file system allows programs: %w",
			path, err)
	}
	return nil
}

// starter starts a program; tests replace it.
type starter func(program string, arguments []string) (process, error)

// process is a running program.
type process interface {
	// kill kills the program and its whole process group. It may be called repeatedly.
	kill()
	// wait waits for the end of the program. It must be called only once.
	wait() programResult
}

// programResult is the result of a program.
type programResult struct {
	status  int // -1 after a signal
	out     string
	problem string // the first line on standard error
	err     error  // if not nil, the program's end could not be determined
}

// lineProgram is the state that one line keeps from one connection to the next.
type lineProgram struct {
	program string
	opt     ContactOptions
	start   starter
	check   func(program string) error

	mu        sync.Mutex
	abandoned int  // number of abandoned runs that have not ended, or not even started
	stale     bool // an abandoned run has ended since the connection was made; its effect is unknown
	// gone belongs to the latest connection. It is closed when an abandoned run ends, and then set to nil.
	gone chan struct{}

	opening map[*device]int // number of openings that have not ended, by the connection that began them
}

// device is the program as one connection uses it.
type device struct {
	*lineProgram
	ordinary chan struct{} // buffer 1: whoever has put its token in has the one run that is not a close
	gone     <-chan struct{}
}

var _ controller.GoneNotifier = (*device)(nil)

// Gone is closed when an abandoned run has ended. The next connection then closes what that run may have opened.
func (d *device) Gone() <-chan struct{} { return d.gone }

// Cause returns errStale.
func (d *device) Cause() error { return errStale }

// connect checks the program. It returns when ctx ends, since the program's file system may hang.
func (d *lineProgram) connect(ctx context.Context) (*device, error) {
	d.mu.Lock()
	left := d.abandoned
	d.mu.Unlock()
	if left >= maxAbandoned {
		return nil, fmt.Errorf("command: %d runs of %s were given up and have not ended; "+
			"check what the kernel waits for (ps: state D)",
			left, d.program)
	}
	checked := make(chan error) // always received, by the caller or by the goroutine that counts abandoned runs
	go func() { checked <- d.check(d.program) }()
	select {
	case err := <-checked:
		if err != nil {
			return nil, err
		}
	case <-ctx.Done():
		d.abandon(func() { <-checked })
		return nil, fmt.Errorf("command: checking %s: %w; its file system may hang", d.program, ctx.Err())
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	d.stale = false // the new connection begins with a close
	d.gone = make(chan struct{})
	return &device{lineProgram: d, ordinary: make(chan struct{}, 1), gone: d.gone}, nil
}

var errStale = errors.New("a run of the program that was given up has ended only now, so the contact is closed again")

func (d *lineProgram) isStale() bool {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.stale
}

// Close does nothing, since each run ends with its context.
func (d *device) Close() error { return nil }

// Do runs the program once.
func (d *device) Do(ctx context.Context, r controller.Request, before func() error) (relay.Level, error) {
	if d.isStale() {
		return relay.LevelUnknown, errStale
	}
	if r.Op != controller.Close {
		select {
		case d.ordinary <- struct{}{}:
			defer func() { <-d.ordinary }()
		case <-ctx.Done():
			return relay.LevelUnknown, ctx.Err()
		}
	}
	arguments, over := d.opt.arguments(r), func() {}
	if r.Op == controller.Open {
		over = d.opens()
	}
	if err := before(); err != nil {
		over()
		return relay.LevelUnknown, err
	}
	e, err := d.run(ctx, arguments, over)
	switch {
	case err != nil:
		return relay.LevelUnknown, err
	case r.Op == controller.Close && d.mayStillOpen():
		return relay.LevelUnknown, fmt.Errorf("%s: %w", d.program, errOpening)
	}
	return d.result(r.Op, e)
}

// errOpening means that an opening of an earlier connection may still be carried out. Until it has ended, no close
// counts.
var errOpening = errors.New("an opening that was given up and killed has not ended; " +
	"until it ends, the contact counts as open")

// opens counts an opening of this connection until the function that it returns is called.
func (d *device) opens() (over func()) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.opening == nil {
		d.opening = map[*device]int{}
	}
	d.opening[d]++
	return func() {
		d.mu.Lock()
		defer d.mu.Unlock()
		if d.opening[d]--; d.opening[d] == 0 {
			delete(d.opening, d)
		}
	}
}

// mayStillOpen reports whether an opening of an earlier connection has not ended.
func (d *device) mayStillOpen() bool {
	d.mu.Lock()
	defer d.mu.Unlock()
	return len(d.opening) > 1 || len(d.opening) == 1 && d.opening[d] == 0
}

// startResult is the result of starting a program.
type startResult struct {
	process
	err error
}

// run starts the program and waits for its end. If the start hangs, run abandons it when ctx ends; the program is
// killed as soon as it has started. The function over is called when the run has ended, even if it was abandoned
// before.
func (d *lineProgram) run(ctx context.Context, arguments []string, over func()) (programResult, error) {
	started := make(chan startResult) // always received, as in connect
	start := d.start                  // the goroutine may outlive this call
	go func() {
		p, err := start(d.program, arguments)
		started <- startResult{p, err}
	}()
	var b startResult
	select {
	case b = <-started:
	case <-ctx.Done():
		select {
		case b = <-started: // await then kills the program
		case <-time.After(killWait):
			return programResult{}, d.abandonStart(ctx, started, over)
		}
	}
	if b.err != nil {
		over()
		return programResult{}, fmt.Errorf("%s: %w", d.program, b.err)
	}
	return d.await(ctx, b.process, over)
}

func (d *lineProgram) abandonStart(ctx context.Context, started <-chan startResult, over func()) error {
	d.abandon(func() {
		defer over()
		if b := <-started; b.err == nil {
			b.kill()
			b.wait()
		}
	})
	return fmt.Errorf("%s did not start in time: %w", d.program, ctx.Err())
}

// abandon counts a run as abandoned until end returns.
func (d *lineProgram) abandon(end func()) {
	d.mu.Lock()
	d.abandoned++
	d.mu.Unlock()
	go func() {
		end()
		d.mu.Lock()
		defer d.mu.Unlock()
		d.abandoned--
		d.stale = true
		if d.gone != nil { // at once, since the next poll may be far off
			close(d.gone)
			d.gone = nil
		}
	}()
}

// await waits for the end of a run. If ctx ends first, it kills the program.
func (d *lineProgram) await(ctx context.Context, p process, over func()) (programResult, error) {
	ended := make(chan programResult) // always received, as in connect
	go func() {
		e := p.wait()
		over()
		ended <- e
	}()
	select {
	case e := <-ended:
		return e, nil
	case <-ctx.Done():
	}
	p.kill()
	select {
	// The program ended too late, whatever its result. The connection may have timed out as well.
	case <-ended:
		d.mu.Lock()
		defer d.mu.Unlock()
		d.stale = true
		return programResult{}, fmt.Errorf("%s was killed: %w", d.program, ctx.Err())
	case <-time.After(killWait):
	}
	d.abandon(func() { <-ended })
	return programResult{}, fmt.Errorf("%s was killed and has not ended within %v: %w", d.program, killWait, ctx.Err())
}

// result turns a program's result into an answer.
func (d *lineProgram) result(op controller.Op, e programResult) (relay.Level, error) {
	said := ""
	if e.problem != "" {
		said = ": " + e.problem
	}
	switch {
	case e.err != nil:
		return relay.LevelUnknown, fmt.Errorf("%s: %w", d.program, e.err)
	case e.status == ExitRefused:
		return relay.LevelUnknown, &controller.Refusal{Cause: fmt.Errorf("%s refused to %s (exit status %d)%s",
			d.program, op, ExitRefused, said), Sure: true}
	case e.status < 0:
		return relay.LevelUnknown, fmt.Errorf("%s was ended by a signal%s", d.program, said)
	case e.status != 0:
		return relay.LevelUnknown, fmt.Errorf("%s: exit status %d%s", d.program, e.status, said)
	case op == controller.Open || op == controller.Close:
		return relay.LevelUnknown, nil
	}
	if said := strings.Fields(e.out); len(said) > 0 {
		switch said[0] {
		case "open":
			return relay.LevelOpen, nil
		case "closed":
			return relay.LevelClosed, nil
		}
	}
	return relay.LevelUnknown, fmt.Errorf("%s: for %s it printed %q; allowed are open and closed%s", d.program, op,
		firstLine(e.out), said)
}

// firstLine returns the first line of a text, bounded and safe to show in an error.
func firstLine(s string) string {
	s, _, _ = strings.Cut(strings.TrimSpace(s), "\n")
	return sanitize.Text(s, 200)
}
