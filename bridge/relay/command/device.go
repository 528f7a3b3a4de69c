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

// ExitRefused is the exit status of a program that refused and did nothing at all. (No common tool ends so by itself,
// as far as we remember.)
const ExitRefused = 113

const (
	// killWait is how long a killed program may take to end; one that the kernel does not let go is then left behind.
	killWait = 200 * time.Millisecond
	// maxAbandoned is how many programs of one line may be left behind before no more are started.
	maxAbandoned = 4
)

// CheckProgram tells why a program cannot be started, or nil: it must be a file that this user may execute, and that
// not everybody may change.
func CheckProgram(path string) error {
	i, err := os.Stat(path)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return fmt.Errorf("command: there is no program %s; install it, or mend the path: %w", path, err)
	case err != nil:
		return fmt.Errorf("command: program %s: %w", path, err)
	case !i.Mode().IsRegular():
		return fmt.Errorf("command: %s is no file, but %v; name the program itself", path, i.Mode().Type())
	case i.Mode().Perm()&0o002 != 0:
		return fmt.Errorf("command: program %s may be changed by everybody; chmod o-w %s", path, path)
	}
	if err := executable(path); err != nil {
		return fmt.Errorf("command: program %s cannot be executed by this user; chmod +x it, and see that its file system allows programs: %w",
			path, err)
	}
	return nil
}

// starter starts a program; tests replace it.
type starter func(program string, arguments []string) (process, error)

// process is a program under way.
type process interface {
	// kill ends it and its whole group; more than once does no harm.
	kill()
	// wait returns when it has ended. Once only.
	wait() programResult
}

// programResult is how a program ended.
type programResult struct {
	status  int // -1: by a signal
	out     string
	problem string // the first line on standard error
	err     error  // not nil: how it ended is not known
}

// lineProgram is what one line keeps from one connection to the next.
type lineProgram struct {
	program string
	opt     ContactOptions
	start   starter
	check   func(program string) error

	mu        sync.Mutex
	abandoned int           // programs that were given up and have not ended, or not even started
	stale     bool          // one of them has ended since: what it did, nobody knows
	gone      chan struct{} // of the latest connection, closed when one of them ends; nil: closed

	opening map[*device]int // openings that have not ended, by the connection that began them
}

// device is the program as one connection uses it.
type device struct {
	*lineProgram
	ordinary chan struct{} // buffer 1: holding the token is being the one run that is no close
	gone     <-chan struct{}
}

var _ controller.GoneNotifier = (*device)(nil)

// Gone is closed when a run that was left behind has ended: the next connection closes what it may have opened.
func (d *device) Gone() <-chan struct{} { return d.gone }

// Cause tells so.
func (d *device) Cause() error { return errStale }

// connect looks at the program, and gives up when ctx ends: its file system may hang.
func (d *lineProgram) connect(ctx context.Context) (*device, error) {
	d.mu.Lock()
	left := d.abandoned
	d.mu.Unlock()
	if left >= maxAbandoned {
		return nil, fmt.Errorf("command: %d runs of %s were given up and have not ended; see what the kernel waits for (ps: state D)",
			left, d.program)
	}
	checked := make(chan error) // somebody waits, be it what counts the runs that were left behind
	go func() { checked <- d.check(d.program) }()
	select {
	case err := <-checked:
		if err != nil {
			return nil, err
		}
	case <-ctx.Done():
		d.abandon(func() { <-checked })
		return nil, fmt.Errorf("command: looking at %s: %w; see whether its file system hangs", d.program, ctx.Err())
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	d.stale = false // a connection begins with a close
	d.gone = make(chan struct{})
	return &device{lineProgram: d, ordinary: make(chan struct{}, 1), gone: d.gone}, nil
}

var errStale = errors.New("a run of the program that was given up has ended only now, so the contact is closed again")

func (d *lineProgram) isStale() bool {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.stale
}

// Close has nothing to give up: each run ends with its context.
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

// errOpening: an opening from before may still be carried out, so no close counts yet.
var errOpening = errors.New("an opening that was given up has not ended, though it was killed; until it does, the program is told to close again and again and the contact counts as open")

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

// startResult is what came of starting a program.
type startResult struct {
	process
	err error
}

// run starts the program and waits for its end. A start that hangs is given up when ctx ends, and what it still starts
// is killed at once. Over is called when nothing of the run is left, be it after it was given up.
func (d *lineProgram) run(ctx context.Context, arguments []string, over func()) (programResult, error) {
	started := make(chan startResult) // somebody waits, as in connect
	go func() {
		p, err := d.start(d.program, arguments)
		started <- startResult{p, err}
	}()
	var b startResult
	select {
	case b = <-started:
	case <-ctx.Done():
		select {
		case b = <-started: // await kills it
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
	return fmt.Errorf("%s has not been started in its time: %w", d.program, ctx.Err())
}

// abandon leaves a run behind until end returns.
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
		if d.gone != nil { // at once: the next poll may be far
			close(d.gone)
			d.gone = nil
		}
	}()
}

// await waits for the end of a run, and kills it when ctx ends first.
func (d *lineProgram) await(ctx context.Context, p process, over func()) (programResult, error) {
	ended := make(chan programResult) // somebody waits, as in connect
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
	case <-ended: // however it ended, its time was over, and perhaps that of the connection too
		d.mu.Lock()
		defer d.mu.Unlock()
		d.stale = true
		return programResult{}, fmt.Errorf("%s was killed: %w", d.program, ctx.Err())
	case <-time.After(killWait):
	}
	d.abandon(func() { <-ended })
	return programResult{}, fmt.Errorf("%s was killed and has not ended within %v: %w", d.program, killWait, ctx.Err())
}

// result makes an ending an answer.
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
	return relay.LevelUnknown, fmt.Errorf("%s: asked to %s it printed %q; allowed are open and closed%s", d.program, op,
		firstLine(e.out), said)
}

// firstLine is a bounded piece of somebody's words for an error.
func firstLine(s string) string {
	s, _, _ = strings.Cut(strings.TrimSpace(s), "\n")
	return sanitize.Text(s, 200)
}
