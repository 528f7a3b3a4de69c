package cli

import (
	"fmt"
	"time"

	"github.com/spf13/pflag"

	"clearback/bridge/daemon"
	"clearback/bridge/relay/drivers"
	"clearback/config"
)

// closeContacts is the command that a service manager runs after the daemon has ended, for whatever reason. It closes
// every contact that it can make out, even if the configuration file has become faulty.
func closeContacts(f *pflag.FlagSet) action {
	path := configFlag(f)
	within := spanFlag(f, "within", daemon.CloseTimeout, daemon.CloseTimeout.String(),
		"stop trying after this `TIME`; a daemon that starts again keeps trying")
	return func(e *env, _ []string) int {
		if *path == "" {
			return e.fault("name the configuration file")
		}
		c, faults, err := config.LoadForClosing(*path)
		if err != nil {
			return e.fault("%v", err)
		}
		for _, f := range faults {
			fmt.Fprintln(e.Err, f)
		}
		if c == nil {
			return ExitFaults
		}
		left, err := e.closeAll(c, within.Duration)
		if err != nil && len(faults) == 0 { // otherwise the faults say more
			fmt.Fprintf(e.Err, "clearback: %v\n", err)
		}
		switch {
		case len(left) > 0:
			return e.linesNotClosed(left)
		case err != nil && len(faults) == 0:
			fmt.Fprintln(e.Err, "clearback: not known closed: the contacts that the faulty file hides; the other contacts are closed")
			return ExitNotClosed
		case len(faults) > 0:
			fmt.Fprintln(e.Err, "clearback: the contacts that could be read from the file are closed; correct its faults")
			return ExitFaults
		}
		fmt.Fprintln(e.Out, "every contact is closed")
		return ExitOK
	}
}

func (e *env) closeAll(c *config.Config, within time.Duration) ([]drivers.NotClosed, error) {
	log, end := newLogger(c.Log, e.Err)
	defer end()
	ctx, cancel := e.within(within)
	defer cancel()
	return daemon.CloseContacts(ctx, c, log)
}
