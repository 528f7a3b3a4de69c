package cli

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"os/signal"
	"syscall"
	"time"

	"github.com/spf13/pflag"
	"go.uber.org/zap"
	"golang.org/x/term"

	"clearback/bridge/daemon"
	"clearback/bridge/relay/drivers"
	"clearback/bridge/socketstore"
	"clearback/config"
)

// load reads and checks the file with read, which is config.Load or config.LoadForCheck. If the file has faults, load
// prints them and returns an exit code, and ok is false.
func (e *env) load(path string, read func(string) (*config.Config, config.Faults, error)) (c *config.Config, code int,
	ok bool) {
	if path == "" {
		return nil, e.fault("name the configuration file"), false
	}
	c, faults, err := read(path)
	if err != nil {
		return nil, e.fault("%v; name the file, or set %s", err, configVariable), false
	}
	if len(faults) > 0 {
		for _, f := range faults {
			fmt.Fprintln(e.Err, f)
		}
		return nil, ExitFaults, false
	}
	return c, ExitOK, true
}

func run(f *pflag.FlagSet) action {
	path := configFlag(f)
	return func(e *env, _ []string) int {
		sockets := socketstore.FromEnvironment() // first: if the file has faults, peers are refused, not left waiting
		c, _, ok := e.load(*path, config.Load)
		if !ok {
			return ExitFaultyFile
		}
		log, end := newLogger(c.Log, e.Err)
		defer end()
		for _, s := range c.PermissionWarnings(*path) {
			log.Warn("file: " + s)
		}
		o := daemonOptions(*path, log)
		o.Hangups, o.Sockets = e.hangups(), sockets
		o.MayStart = func(ctx context.Context) error { return mayStart(ctx, os.Args[0], *path, c.Control.Socket) }
		left, err := daemon.Run(c, o, e.signals)
		switch {
		case errors.Is(err, daemon.ErrNotClosed):
			log.Error("cannot start, and contacts are not known closed: go and look", zap.Error(err))
			return ExitNotClosed
		case err != nil:
			log.Error("cannot start", zap.Error(err))
			return ExitFailed
		case len(left) > 0:
			log.Error("ended, but contacts are not known closed: go and look", zap.Error(daemon.NotClosed(left)))
			return ExitNotClosed
		}
		log.Info("ended, every contact is closed")
		return ExitOK
	}
}

// askedByDaemon is the environment variable with which a daemon has `check --restart` only check the file.
const askedByDaemon = "CLEARBACK_ASKED_BY_DAEMON"

// mayStart has the program that a restart would start check the file. After an upgrade or a downgrade that is another
// program. One without the flag --restart cannot take the calls and sockets over. Then mayStart checks that the next
// process would find the state. A shell starts the program: see package command for a disk that hangs.
func mayStart(ctx context.Context, program, path, socket string) error {
	check := exec.CommandContext(ctx, "/bin/sh", "-c", `exec "$0" "$@"`, program, "check", "--restart", "--config", path)
	check.WaitDelay = time.Second
	check.Env = append(os.Environ(), askedByDaemon+"=1")
	if out, err := check.CombinedOutput(); err != nil {
		if bytes.Contains(out, []byte("not defined: --restart")) {
			return fmt.Errorf("%s is of a version that cannot continue calls", program)
		}
		return fmt.Errorf("%s check --config %s: %w: %s", program, path, err, bytes.TrimSpace(out))
	}
	return sameSocket(path, socket)
}

// sameSocket returns an error if the file names another control socket, because the state is beside the socket. A file
// that only a newer version of this program accepts passes.
func sameSocket(path, socket string) error {
	next, _, err := config.Load(path)
	if err != nil || next == nil || next.Control.Socket == socket {
		return err
	}
	return fmt.Errorf("%s: control.socket was %s, and is %s now; the next process would not find the calls", path,
		socket, cmp.Or(next.Control.Socket, "none"))
}

// hangups returns a channel that gets SIGHUP from now on instead of e.signals, so that no SIGTERM is lost behind it.
// Its one slot stands for all signals until the next reload. In a terminal, without a service manager, it returns nil:
// there a SIGHUP means that the terminal has gone, and it ends the daemon.
func (e *env) hangups() <-chan os.Signal {
	if in, ok := e.In.(*os.File); ok && term.IsTerminal(int(in.Fd())) && os.Getenv("NOTIFY_SOCKET") == "" {
		return nil
	}
	all := make(chan os.Signal, 1)
	signal.Reset(syscall.SIGHUP)
	signal.Notify(all, syscall.SIGHUP)
	return all
}

// daemonOptions returns the options of a daemon whose configuration file is at path.
func daemonOptions(path string, log *zap.Logger) daemon.Options {
	return daemon.Options{Path: path, Version: versionText(), Logger: log, Notify: notify, Watchdog: watchdogPeriod()}
}

// notClosed reports contacts that are not known to be closed, and returns the exit code for that.
func (e *env) notClosed(names string) int {
	fmt.Fprintf(e.Err, "clearback: not known closed: %s\n", names)
	return ExitNotClosed
}

// linesNotClosed reports each contact that is not known to be closed, and returns the exit code for that.
func (e *env) linesNotClosed(left []drivers.NotClosed) int {
	for _, n := range left {
		e.notClosed(n.String())
	}
	return ExitNotClosed
}
