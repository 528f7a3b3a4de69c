package command

import (
	"context"
	"os"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"clearback/bridge/relay"
	"clearback/bridge/relay/controller"
	"clearback/bridge/relay/relaytest"

	"github.com/stretchr/testify/require"
)

func TestOptions(t *testing.T) {
	for _, c := range []struct {
		board   Options
		contact ContactOptions
		want    string
	}{
		{Options{Program: "bin/x"}, ContactOptions{},
			`controller c: program: "bin/x" is not an absolute path; write it with a leading /`},
		{Options{}, ContactOptions{}, `controller c: program: "" is not an absolute path; write it with a leading /`},
		{Options{Program: "/x", Timeout: time.Millisecond}, ContactOptions{},
			`controller c: timeout: 1ms is out of range; allowed: 20ms to 10s`},
		{Options{Program: "/x", Timeout: time.Minute}, ContactOptions{},
			`controller c: timeout: 1m0s is out of range; allowed: 20ms to 10s`},
		{Options{Program: "/x", Poll: 1}, ContactOptions{}, `controller c: poll: 1ns is out of range; allowed: 10ms or more`},
		{Options{Program: "/x"}, ContactOptions{Arguments: []string{}},
			"line box-office: arguments: none contains {action}, so open and close would be the same command; add {action}"},
		{Options{Program: "/x"}, ContactOptions{Arguments: []string{"{action}", "a{lines}b"}},
			"line box-office: arguments[1]: the word {lines} is unknown; allowed: {action}, {line}, {ms}, {seq}"},
		{Options{Program: "/x"}, ContactOptions{Arguments: []string{"{action}\x00"}},
			"line box-office: arguments[0]: the argument has 9 bytes; at most 4096 are allowed, and no zero byte"},
		{Options{Program: "/x"}, ContactOptions{Arguments: make([]string, 65)},
			"line box-office: arguments: 65 arguments are too many; at most 64 are allowed; arguments: none contains {action}, so open and close would be the same command; add {action}"},
		{Options{Program: "/x"}, ContactOptions{Arguments: []string{"{action}"}, Timed: &Timed{Limit: time.Second}},
			"line box-office: arguments: none contains {ms}, but with timed the program needs the length; add {ms}"},
		{Options{Program: "/x"}, ContactOptions{Timed: &Timed{}},
			"line box-office: timed.limit: 0s is out of range; allowed: 1ms to 1h0m0s"},
		{Options{Program: "/x"}, ContactOptions{Timed: &Timed{Quantum: time.Microsecond, Limit: time.Second}},
			"line box-office: timed.unit: 1µs is out of range; allowed: whole milliseconds, 1ms or more"},
	} {
		c.board.Name, c.contact.Name = "c", "box-office"
		b, err := NewBoard(c.board)
		if err == nil {
			_, err = b.Contact(c.contact)
		}
		require.ErrorIs(t, err, ErrOptions)
		require.EqualError(t, err, "command: setting out of range: "+c.want)
	}
}

func TestKinds(t *testing.T) {
	b, err := NewBoard(Options{Program: "/bin/true", NoLock: true})
	require.NoError(t, err)
	timed, err := b.Contact(ContactOptions{Name: "stage-door", Timed: &Timed{Limit: time.Second}})
	require.NoError(t, err)
	require.Equal(t, relay.KindOneshot, timed.Kind())
	plain, err := b.Contact(ContactOptions{Name: "workshop"})
	require.NoError(t, err)
	require.Equal(t, relay.KindNone, plain.Kind())
	_, err = plain.Sense(context.Background())
	require.ErrorIs(t, err, relay.ErrNoSense)
}

// Two lines whose arguments are the same are one contact, whichever line asks for it.
func TestTwoLinesWithOneContact(t *testing.T) {
	same := func(name string) ContactOptions {
		return ContactOptions{Name: name, Arguments: []string{"{action}", "{ms}", relaytest.ProcessName(t.Name())}}
	}
	b, err := NewBoard(Options{Name: "c", Program: "/bin/true"})
	require.NoError(t, err)
	defer b.Shutdown(context.Background())
	_, err = b.Contact(same("box-office"))
	require.NoError(t, err)
	_, err = b.Contact(same("stage-door"))
	require.ErrorIs(t, err, relay.ErrLocked)
	other, err := NewBoard(Options{Name: "d", Program: "/bin/true"})
	require.NoError(t, err)
	_, err = other.Contact(same("box-office"))
	require.ErrorIs(t, err, relay.ErrLocked)
}

// The error for a program that cannot be started says what to do. Such a program affects only its own lines.
func TestCheckProgram(t *testing.T) {
	dir := t.TempDir()
	file := filepath.Join(dir, "x")
	require.ErrorContains(t, CheckProgram(file), "program "+file+" does not exist; install it, or correct the path")
	require.ErrorContains(t, CheckProgram(dir), dir+" is not a regular file")
	require.NoError(t, os.WriteFile(file, nil, 0o700))
	require.ErrorContains(t, CheckProgram(file), file+" is empty; install it again")
	require.NoError(t, os.WriteFile(file, []byte("#!/bin/sh\n"), 0o600))
	require.NoError(t, os.Chmod(file, 0o600))
	require.ErrorContains(t, CheckProgram(file), "cannot be executed by this user; run chmod +x on it")
	require.NoError(t, os.Chmod(file, 0o757))
	require.ErrorContains(t, CheckProgram(file), "every user may change program "+file+"; run chmod o-w "+file)
	require.NoError(t, os.Chmod(file, 0o755))
	require.NoError(t, CheckProgram(file))

	b, err := NewBoard(Options{Name: "c", Program: file + "y", NoLock: true})
	require.NoError(t, err)
	_, err = b.Contact(ContactOptions{Name: "box-office"})
	require.NoError(t, err)
	b.Start()
	defer b.Shutdown(canceled())
	require.ErrorContains(t, b.Ready(within(t, 50*time.Millisecond)), "program "+file+"y does not exist")
}

func canceled() context.Context {
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	return ctx
}

// A program that is deleted after the start opens nothing, and the line reports it.
func TestProgramDisappears(t *testing.T) {
	file := filepath.Join(t.TempDir(), "x")
	require.NoError(t, os.Symlink("/bin/true", file))
	lost := make(chan relay.Notice, 10) // notices must not block
	b, err := NewBoard(Options{Name: "c", Program: file, NoLock: true, Timeout: 5 * time.Second,
		Poll: 10 * time.Millisecond, Notify: func(n relay.Notice) {
			if n.Kind == relay.LinkLost {
				lost <- n
			}
		}})
	require.NoError(t, err)
	c, err := b.Contact(ContactOptions{Name: "box-office"})
	require.NoError(t, err)
	b.Start()
	defer b.Shutdown(canceled())
	require.NoError(t, b.Ready(within(t, 5*time.Second)))
	require.NoError(t, os.Remove(file))
	select {
	case n := <-lost:
		require.ErrorContains(t, n.Err, "does not exist")
	case <-time.After(5 * time.Second):
		t.Fatal("no notice was given")
	}
	r := c.Interrupt(context.Background(), relay.Interruption{Seq: 1, Duration: time.Second,
		NotAfter: time.Now().Add(time.Minute)})
	require.Equal(t, relay.Refused, r.Outcome)
	require.ErrorIs(t, r.Err, relay.ErrUnreachable)
}

// unkillable is a program that the kernel does not end until released is closed.
type unkillable struct {
	killed   atomic.Int32
	released chan struct{}
	waited   func() // called when wait runs; may be nil
}

func (p *unkillable) kill() { p.killed.Add(1) }

func (p *unkillable) wait() programResult {
	if p.waited != nil {
		p.waited()
	}
	<-p.released
	return programResult{}
}

// Programs that cannot be killed are abandoned, and their number is bounded. The end of such a program is followed by a
// close.
func TestProgramThatCannotBeKilled(t *testing.T) {
	p := &unkillable{released: make(chan struct{})}
	d := &lineProgram{program: "/bin/true", start: func(string, []string) (process, error) { return p, nil },
		check: CheckProgram}
	for i := range maxAbandoned {
		dev, err := d.connect(context.Background())
		require.NoError(t, err)
		ctx, cancel := context.WithCancel(context.Background())
		p.waited = cancel
		_, err = dev.Do(ctx, controller.Request{Op: controller.Close}, pass)
		require.ErrorContains(t, err, "was killed and has not ended within")
		require.EqualValues(t, i+1, p.killed.Load())
	}
	_, err := d.connect(context.Background())
	require.ErrorContains(t, err, "4 runs of /bin/true were given up and have not ended")
	d.abandoned-- // as if there were one fewer
	working, err := d.connect(context.Background())
	require.NoError(t, err)
	d.abandoned++
	close(p.released)
	select {
	case <-working.Gone():
	case <-time.After(5 * time.Second):
		t.Fatal("the connection in use ends at once")
	}
	require.Eventually(t, func() bool { d.mu.Lock(); defer d.mu.Unlock(); return d.abandoned == 0 && d.stale },
		5*time.Second, time.Millisecond)
	dev, err := d.connect(context.Background())
	require.NoError(t, err)
	_, err = dev.Do(context.Background(), controller.Request{Op: controller.Close}, pass)
	require.NoError(t, err, "a connection begins with a close")
	d.mu.Lock()
	d.stale = true
	d.mu.Unlock()
	_, err = dev.Do(context.Background(), controller.Request{Op: controller.Open},
		func() error { t.Error("asked"); return nil })
	require.ErrorIs(t, err, errStale)
}

// While an abandoned opening has not ended, the program is run to close, but no close counts, since the opening may
// still be carried out.
func TestNoCloseCountsBeforeTheOpeningHasEnded(t *testing.T) {
	for name, hang := range map[string]func(*unkillable, chan struct{}) (process, error){
		"it cannot be killed": func(p *unkillable, _ chan struct{}) (process, error) { return p, nil },
		"its start hangs":     func(p *unkillable, begins chan struct{}) (process, error) { <-begins; return p, nil },
	} {
		p, begins := &unkillable{released: make(chan struct{})}, make(chan struct{})
		ended := &unkillable{released: make(chan struct{})}
		close(ended.released)
		var closes atomic.Int32
		o, err := ContactOptions{Name: "box-office"}.withDefaults()
		require.NoError(t, err)
		d := &lineProgram{program: "/bin/true", opt: o, check: CheckProgram,
			start: func(_ string, arguments []string) (process, error) {
				if arguments[0] == "open" {
					return hang(p, begins)
				}
				closes.Add(1)
				return ended, nil
			}}
		dev, err := d.connect(context.Background())
		require.NoError(t, err)
		_, err = dev.Do(within(t, time.Millisecond), controller.Request{Op: controller.Open}, pass)
		require.Error(t, err, name)
		for i := range 3 {
			dev, err = d.connect(context.Background())
			require.NoError(t, err)
			_, err = dev.Do(context.Background(), controller.Request{Op: controller.Close}, pass)
			require.ErrorIs(t, err, errOpening, name)
			var no *controller.Refusal
			require.NotErrorAs(t, err, &no)
			require.EqualValues(t, i+1, closes.Load(), name)
		}
		close(begins)
		close(p.released)
		<-dev.Gone()
		dev, err = d.connect(context.Background())
		require.NoError(t, err)
		_, err = dev.Do(context.Background(), controller.Request{Op: controller.Close}, pass)
		require.NoError(t, err, name)
	}
}

// A program whose start hangs (its file system, the memory) is abandoned too. If it starts after its time, it is
// killed, and a close follows.
func TestStartThatHangs(t *testing.T) {
	t.Parallel()
	p := &unkillable{released: make(chan struct{})}
	close(p.released)
	begins := make(chan struct{})
	d := &lineProgram{program: "/bin/true", start: func(string, []string) (process, error) { <-begins; return p, nil },
		check: CheckProgram}
	for range maxAbandoned {
		dev, err := d.connect(context.Background())
		require.NoError(t, err)
		returned := make(chan error, 1) // the test may have failed by then
		go func() {
			_, err := dev.Do(canceled(), controller.Request{Op: controller.Close}, pass)
			returned <- err
		}()
		select {
		case err = <-returned:
		case <-time.After(5 * time.Second):
			close(begins)
			t.Fatal("it waits for the start")
		}
		require.ErrorContains(t, err, "did not start in time")
	}
	_, err := d.connect(context.Background())
	require.ErrorContains(t, err, "4 runs of /bin/true")
	close(begins)
	require.Eventually(t, func() bool { d.mu.Lock(); defer d.mu.Unlock(); return d.abandoned == 0 && d.stale },
		5*time.Second, time.Millisecond)
	require.EqualValues(t, maxAbandoned, p.killed.Load())
}

// If the check of a program hangs, Shutdown is not delayed, and new connections are delayed only for a limited time.
func TestProgramCheckThatHangs(t *testing.T) {
	hangs := make(chan struct{})
	d := &lineProgram{program: "/bin/true", check: func(string) error { <-hangs; return nil }}
	for range maxAbandoned {
		_, err := d.connect(canceled())
		require.ErrorContains(t, err, "its file system may hang")
	}
	_, err := d.connect(context.Background())
	require.ErrorContains(t, err, "4 runs of /bin/true")
	close(hangs)
	require.Eventually(t, func() bool { d.mu.Lock(); defer d.mu.Unlock(); return d.abandoned == 0 }, 5*time.Second,
		time.Millisecond)
	_, err = d.connect(context.Background())
	require.NoError(t, err)
}

// A read-back that runs so slowly that it sees the effect of the close does not disprove the opening.
func TestSlowReadBack(t *testing.T) {
	const script = `case $1 in
		open) : >"$2/open";;
		close) rm -f "$2/open"; [ ! -e "$2/asked" ] || : >"$2/closed";;
		read)
			if [ -e "$2/open" ]; then
				: >"$2/asked"
				while [ ! -e "$2/closed" ]; do sleep 0.01; done
			fi
			echo closed;;
		esac`
	b, err := NewBoard(Options{Name: "c", Program: "/bin/sh", NoLock: true, Timeout: 5 * time.Second,
		Poll: time.Minute})
	require.NoError(t, err)
	dir := t.TempDir()
	c, err := b.Contact(ContactOptions{Name: "box-office", Read: true,
		Arguments: []string{"-c", script, "sh", "{action}", dir}})
	require.NoError(t, err)
	b.Start()
	defer b.Shutdown(within(t, 5*time.Second))
	require.NoError(t, b.Ready(within(t, 5*time.Second)))
	r := c.Interrupt(context.Background(), relay.Interruption{Seq: 1, Duration: 100 * time.Millisecond,
		NotAfter: time.Now().Add(time.Minute)})
	require.NoError(t, r.Err)
	require.Equal(t, relay.Done, r.Outcome)
	_, err = os.Stat(filepath.Join(dir, "asked"))
	require.NoError(t, err, "it was read back while open")
}

// A close that overtakes an opening is repeated after the opening, although its read-back has found the contact open by
// then.
func TestOvertakenOpening(t *testing.T) {
	const script = `case $1 in
		open)
			: >"$2/begun"
			while [ ! -e "$2/closed" ]; do sleep 0.01; done
			: >"$2/open";;
		close) rm -f "$2/open"; [ ! -e "$2/begun" ] || : >"$2/closed";;
		read) [ -e "$2/open" ] && echo open || echo closed;;
		esac`
	b, err := NewBoard(Options{Name: "c", Program: "/bin/sh", NoLock: true, Timeout: 5 * time.Second,
		Poll: time.Minute})
	require.NoError(t, err)
	dir := t.TempDir()
	c, err := b.Contact(ContactOptions{Name: "box-office", Read: true,
		Arguments: []string{"-c", script, "sh", "{action}", dir}})
	require.NoError(t, err)
	b.Start()
	defer b.Shutdown(within(t, 5*time.Second))
	require.NoError(t, b.Ready(within(t, 5*time.Second)))
	ctx, cancel := context.WithCancel(context.Background())
	result := make(chan relay.Result, 1) // the test may have failed by then
	go func() {
		result <- c.Interrupt(ctx, relay.Interruption{Seq: 1, Duration: time.Minute,
			NotAfter: time.Now().Add(time.Minute)})
	}()
	require.Eventually(t, func() bool { _, err := os.Stat(filepath.Join(dir, "begun")); return err == nil },
		5*time.Second, 2*time.Millisecond)
	cancel()
	r := <-result
	require.NoError(t, r.Err)
	require.Equal(t, relay.Done, r.Outcome)
	_, err = os.Stat(filepath.Join(dir, "open"))
	require.ErrorIs(t, err, os.ErrNotExist, "it is closed when Interrupt returns")
}

// The program in the package comment does what the comment says.
func TestDocumentedProgram(t *testing.T) {
	doc, err := os.ReadFile("doc.go")
	require.NoError(t, err)
	_, after, _ := strings.Cut(string(doc), "//\t#!/bin/sh\n")
	text, _, found := strings.Cut(after, "//\n")
	require.True(t, found)
	dir := t.TempDir()
	program, output := filepath.Join(dir, "program"), filepath.Join(dir, "output")
	require.NoError(t, os.WriteFile(program, []byte(strings.ReplaceAll(text, "//\t", "")), 0o600))
	require.NoError(t, os.WriteFile(output, []byte("1\n"), 0o600))
	o, err := ContactOptions{Name: "box-office", Arguments: []string{program, "{action}", output}}.withDefaults()
	require.NoError(t, err)
	d := &device{lineProgram: &lineProgram{program: "/bin/sh", opt: o, start: start}, ordinary: make(chan struct{}, 1)}
	do := func(op controller.Op) (relay.Level, error) {
		return d.Do(within(t, 10*time.Second), controller.Request{Op: op}, pass)
	}
	for _, op := range []controller.Op{controller.Close, controller.Open, controller.Close} {
		_, err := do(op)
		require.NoError(t, err)
		level, err := do(controller.Read)
		require.NoError(t, err)
		require.Equal(t, op == controller.Open, level == relay.LevelOpen)
	}
	var no *controller.Refusal
	_, err = do(controller.Sense)
	require.ErrorAs(t, err, &no)
	require.NoError(t, os.Remove(output))
	_, err = do(controller.Open)
	require.ErrorAs(t, err, &no)
	_, err = os.Stat(output)
	require.ErrorIs(t, err, os.ErrNotExist)
}
