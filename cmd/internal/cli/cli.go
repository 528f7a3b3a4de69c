// Package cli is the subcommands of clearback; the only place that wires the packages together.
package cli

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"os"
	"time"
)

// Exit codes of every subcommand.
const (
	// ExitOK: done.
	ExitOK = 0
	// ExitFailed: a rehearsed scene did not end as it should, a live check found something wrong, or the daemon could not go on.
	ExitFailed = 1
	// ExitFaults: the command line or the configuration file has faults.
	ExitFaults = 2
	// ExitNotClosed: the loop of at least one contact is not known closed.
	ExitNotClosed = 3
)

// Streams are where a subcommand reads and writes.
type Streams struct {
	In       io.Reader
	Out, Err io.Writer
}

// command is one subcommand. It parses its own flags.
type command struct {
	name, use, short string
	run              func(e *env, args []string) int
}

// env is what every subcommand gets.
type env struct {
	Streams
	signals <-chan os.Signal
	in      *bufio.Reader // over Streams.In, made by input
}

// input is what the user types; one reader for the whole subcommand, since it reads ahead.
func (e *env) input() *bufio.Reader {
	if e.in == nil {
		e.in = bufio.NewReader(e.In)
	}
	return e.in
}

func commands() []command {
	return []command{
		{"run", "run [--config FILE]", "serve the lines until told to end", run},
		{"check", "check [--live [--states LINE] [--pulse LINE]] [FILE]", "read a configuration file and say what is wrong with it; try it on the real lines", check},
		{"lines", "lines [--json]", "say what each line is doing now", lines},
		{"calls", "calls [LINE] [--since TIME] [--failed] [--limit N] [--json|--csv] [--follow] [--journal FILE]", "list what was recorded of the calls", calls},
		{"explain", "explain CALL|LINE|last [--journal FILE]", "tell the time line of a call and why it ended as it did", explain},
		{"window", "window [LINE]", "say which intervals are possible on a line, and why", showWindow},
		{"tune", "tune LINE [--write|--dry-run] [--resume] [--holds N] [--shortest TIME] [--pulse-dialling-off]", "find the interval of a line by trials", tune},
		{"keep", "keep LINE [--dry-run]", "write the interval that a line has come to use into the file", keepInterval},
		{"pulse", "pulse LINE [--interval TIME]", "open the loop of an idle line once, by hand", pulse},
		{"rehearse", "rehearse [--without-clearback] [--scene NAME] [--habit NAME] [--habits] [--journal FILE] [--list] [--json]", "play the main job on this machine, no hardware needed", rehearse},
		{"close", "close [--config FILE] [--within TIME]", "put every contact to closed and end", closeContacts},
		{"relay", "relay --config FILE [--check|--close [--within TIME]]", "be the relay controller beside an adapter, for a daemon that runs elsewhere", relayAgent},
		{"version", "version", "say which version this is", version},
	}
}

// Main runs the subcommand that args name and returns the exit code. signals brings the signals that end a
// subcommand; it is read by one subcommand only.
func Main(args []string, s Streams, signals <-chan os.Signal) int {
	s.Out, s.Err = &plainOut{w: s.Out}, &plainOut{w: s.Err} // much of it came from elsewhere
	e := &env{Streams: s, signals: signals}
	if len(args) == 0 {
		usage(s.Err)
		return ExitFaults
	}
	for _, c := range commands() {
		if c.name == args[0] {
			return c.run(e, args[1:])
		}
	}
	switch args[0] {
	case "help", "-h", "-help", "--help":
		usage(s.Out)
		return ExitOK
	}
	fmt.Fprintf(s.Err, "clearback: there is no subcommand %q\n\n", args[0])
	usage(s.Err)
	return ExitFaults
}

func usage(w io.Writer) {
	fmt.Fprintln(w, "clearback lets a held call go when the far end hangs up.")
	fmt.Fprintln(w)
	for _, c := range commands() {
		fmt.Fprintf(w, "  clearback %s\n        %s\n", c.use, c.short)
	}
	fmt.Fprintf(w, "\n--config names the configuration file where it is not %s (the agent's, of relay, has no such default); so does %s.\n", defaultConfig, configVariable)
	fmt.Fprintln(w, "Exit codes: 0 done, 1 failed, 2 faults in the command line or the file, 3 a contact is not known closed.")
}

func (e *env) fault(format string, a ...any) int {
	fmt.Fprintf(e.Err, "clearback: "+format+"\n", a...)
	return ExitFaults
}

func (e *env) failed(err error) int {
	fmt.Fprintf(e.Err, "clearback: %v\n", err)
	return ExitFailed
}

// context ends at the first signal.
func (e *env) context() (context.Context, context.CancelFunc) {
	ctx, cancel := context.WithCancel(context.Background())
	go func() {
		select {
		case <-e.signals:
			cancel()
		case <-ctx.Done():
		}
	}()
	return ctx, cancel
}

// within is a context that ends at the first signal, or after the limit.
func (e *env) within(limit time.Duration) (context.Context, context.CancelFunc) {
	ctx, cancel := e.context()
	limited, cancelTime := context.WithTimeout(ctx, limit)
	return limited, func() {
		cancelTime()
		cancel()
	}
}
