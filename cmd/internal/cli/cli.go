// Package cli is the subcommands of clearback; the only place that wires the packages together.
package cli

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"time"

	"github.com/spf13/cobra"
)

// Exit codes of every subcommand.
const (
	// ExitOK: done.
	ExitOK = 0
	// ExitFailed: a rehearsed scene did not end as it should, a live check found something wrong, or the daemon could
	// not go on.
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

// env is what every subcommand gets.
type env struct {
	Streams
	signals <-chan os.Signal
	in      *bufio.Reader // over Streams.In, made by input
	root    *cobra.Command
	code    int // of the subcommand that ran
}

// input is what the user types; one reader for the whole subcommand, since it reads ahead.
func (e *env) input() *bufio.Reader {
	if e.in == nil {
		e.in = bufio.NewReader(e.In)
	}
	return e.in
}

// Main runs the subcommand that args name and returns the exit code. signals brings the signals that end a
// subcommand; it is read by one subcommand only.
func Main(args []string, s Streams, signals <-chan os.Signal) int {
	s.Out, s.Err = &safeWriter{w: s.Out}, &safeWriter{w: s.Err} // much of it came from elsewhere
	e := &env{Streams: s, signals: signals}
	e.root = e.tree()
	e.root.SetArgs(longFlags(e.root, args))
	if err := e.root.Execute(); err != nil { // about the command line; subcommands report their own
		return e.fault("%v", err)
	}
	return e.code
}

func (e *env) fault(format string, a ...any) int {
	fmt.Fprintf(e.Err, "clearback: "+format+"\n", a...)
	return ExitFaults
}

// failed says why the subcommand failed, unless it is only that its output is no longer read.
func (e *env) failed(err error) int {
	if !errors.Is(err, errUnread) {
		fmt.Fprintf(e.Err, "clearback: %v\n", err)
	}
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
