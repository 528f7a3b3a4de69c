// Package cli implements the subcommands of clearback. They parse, call and print. The daemon that `run` starts is in
// bridge/daemon.
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

	"clearback/bridge/daemon"
)

// Exit codes of every subcommand.
const (
	// ExitOK means that the subcommand succeeded.
	ExitOK = 0
	// ExitFailed means that a rehearsed scene did not end as it should, that a live check found a fault, or that the
	// daemon or another subcommand failed.
	ExitFailed = 1
	// ExitFaults means that the command line or the configuration file has faults.
	ExitFaults = 2
	// ExitNotClosed means that at least one contact is not known to be closed.
	ExitNotClosed = 3
	// ExitFaultyFile means that `run` or `relay` does not serve because its configuration file cannot be read or has
	// faults. It is EX_CONFIG of sysexits.h. A service manager must not start these again, and must always start again
	// what has crashed: a Go program that panics ends with 2, like ExitFaults.
	ExitFaultyFile = 78
)

// Streams are the input and the outputs of a subcommand.
type Streams struct {
	In       io.Reader
	Out, Err io.Writer
}

// env is the environment of a subcommand.
type env struct {
	Streams
	signals <-chan os.Signal
	in      *bufio.Reader // reads Streams.In; created by input
	root    *cobra.Command
	code    int // exit code of the subcommand that ran
}

// input returns the reader of the user's input. All of a subcommand shares one reader, because the reader reads ahead.
func (e *env) input() *bufio.Reader {
	if e.in == nil {
		e.in = bufio.NewReader(e.In)
	}
	return e.in
}

// Main runs the subcommand that args name and returns the exit code. signals delivers the signals that end a
// subcommand. Only one subcommand reads it.
func Main(args []string, s Streams, signals <-chan os.Signal) int {
	s.Out, s.Err = &safeWriter{w: s.Out}, &safeWriter{w: s.Err} // the output may contain text from outside
	e := &env{Streams: s, signals: signals}
	e.root = e.tree()
	e.root.SetArgs(longFlags(e.root, args))
	if err := e.root.Execute(); err != nil { // a fault of the command line; subcommands report their own errors
		return e.fault("%v", err)
	}
	return e.code
}

func (e *env) fault(format string, a ...any) int {
	fmt.Fprintf(e.Err, "clearback: "+format+"\n", a...)
	return ExitFaults
}

// failed reports why the subcommand failed and returns the exit code for that. It prints nothing if only the reader of
// the output has gone.
func (e *env) failed(err error) int {
	if !errors.Is(err, errUnread) {
		fmt.Fprintf(e.Err, "clearback: %v\n", err)
	}
	if errors.Is(err, daemon.ErrNotClosed) {
		return ExitNotClosed
	}
	return ExitFailed
}

// context returns a context that ends at the first signal.
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

// within returns a context that ends at the first signal or after limit.
func (e *env) within(limit time.Duration) (context.Context, context.CancelFunc) {
	ctx, cancel := e.context()
	limited, cancelTime := context.WithTimeout(ctx, limit)
	return limited, func() {
		cancelTime()
		cancel()
	}
}
