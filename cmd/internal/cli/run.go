package cli

import (
	"context"
	"fmt"
	"time"

	"github.com/spf13/pflag"
	"go.uber.org/zap"

	"clearback/bridge/relay/drivers"
	"clearback/config"
)

// load reads and checks the file. If the file has faults, load prints them and returns an exit code, and ok is false.
func (e *env) load(path string) (c *config.Config, code int, ok bool) {
	if path == "" {
		return nil, e.fault("name the configuration file"), false
	}
	c, faults, err := config.Load(path)
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
		c, code, ok := e.load(*path)
		if !ok {
			return code
		}
		log, end := newLogger(c.Log, e.Err)
		defer end()
		for _, s := range c.PermissionWarnings(*path) {
			log.Warn("file: " + s)
		}
		began := time.Now()
		d, err := startDaemon(c, *path, log)
		if err != nil {
			log.Error("cannot start", zap.Error(err))
			return ExitFailed
		}
		for _, s := range config.Unbounded(c) {
			log.Warn("contact: " + s)
		}
		log.Info("ready", zap.Int("lines", len(c.Lines)), zap.String("version", versionText()),
			zap.Duration("after", time.Since(began)))
		notify("READY=1")
		s := <-e.signals
		log.Info("ending", zap.Stringer("signal", s))
		notify("STOPPING=1")
		extend := time.NewTicker(extendEvery)
		defer extend.Stop()
		return e.end(d, log, extend.C)
	}
}

// extendEvery is how often the service manager is asked for more time while an emergency call is up.
const extendEvery = 10 * time.Second

// stopper is the part of a daemon that end needs.
type stopper interface {
	Shutdown(hurry context.Context) []drivers.NotClosed
	EmergencyUp() bool
}

// end shuts the daemon down. A second signal ends all waits but that for the contacts. Only an emergency call justifies
// more time than the service manager allows. A shutdown that hangs for another reason is to be killed, so that the
// lines are served again.
func (e *env) end(d stopper, log *zap.Logger, extend <-chan time.Time) int {
	hurry, cancel := context.WithCancel(context.Background())
	defer cancel()
	done := make(chan []drivers.NotClosed, 1) // one result, received below
	go func() { done <- d.Shutdown(hurry) }()
	for {
		select {
		case s := <-e.signals:
			log.Warn("ending at once", zap.Stringer("signal", s))
			cancel()
		case <-extend:
			if d.EmergencyUp() {
				notify(fmt.Sprintf("EXTEND_TIMEOUT_USEC=%d", (3 * extendEvery).Microseconds()))
			}
		case left := <-done:
			if len(left) > 0 {
				log.Error("ended, but contacts are not known closed: go and look", zap.String("lines", names(left)))
				fmt.Fprintf(e.Err, "clearback: not known closed: %s\n", names(left))
				return ExitNotClosed
			}
			log.Info("ended, every contact is closed")
			return ExitOK
		}
	}
}
