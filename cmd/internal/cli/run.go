package cli

import (
	"errors"
	"fmt"

	"github.com/spf13/pflag"
	"go.uber.org/zap"

	"clearback/bridge/daemon"
	"clearback/bridge/relay/drivers"
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
		c, _, ok := e.load(*path, config.Load)
		if !ok {
			return ExitFaultyFile
		}
		log, end := newLogger(c.Log, e.Err)
		defer end()
		for _, s := range c.PermissionWarnings(*path) {
			log.Warn("file: " + s)
		}
		left, err := daemon.Run(c, daemonOptions(*path, log), e.signals)
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
