package cli

import (
	"errors"
	"fmt"
	"strings"

	"github.com/spf13/pflag"

	"clearback/bridge/control"
	"clearback/config"
)

// reload is the command `reload`. The daemon reads the file; the command only looks up the control socket in it.
func reload(f *pflag.FlagSet) action {
	path := configFlag(f)
	asJSON := f.Bool("json", false, "print the daemon's answer as JSON")
	return func(e *env, _ []string) int {
		k, faults, code, ok := e.clientInSpite(*path)
		if !ok {
			return code
		}
		ctx, cancel := e.within(controlTimeout)
		defer cancel()
		r, err := k.Reload(ctx)
		var refused *control.Error
		switch {
		case errors.As(err, &refused) && refused.Reason == control.ReasonFaults:
			return e.faulty(refused.Text)
		case errors.As(err, &refused) && refused.Reason == control.ReasonRestart:
			fmt.Fprintf(e.Err, "%s\nclearback: nothing was changed; undo these changes or restart the daemon (systemctl restart clearback)\n",
				refused.Text)
			return ExitFailed
		case err != nil && len(faults) > 0:
			return e.faulty(faults.String())
		case err != nil && refused == nil:
			return e.failed(fmt.Errorf("%w; if control.socket has changed, restart the daemon", err))
		case err != nil:
			return e.failed(err)
		case *asJSON:
			return e.asJSON(r)
		}
		e.printReload(&r)
		return ExitOK
	}
}

// clientInSpite returns a client of the running daemon in spite of faults in the file, unless it finds no socket in it.
// It returns the faults, for the case that no daemon answers.
func (e *env) clientInSpite(path string) (k *control.Client, faults config.Faults, code int, ok bool) {
	c, faults, err := config.LoadForClosing(path)
	switch {
	case err != nil:
		return nil, nil, e.fault("%v; name the file with --config or %s", err, configVariable), false
	case c == nil || c.Control.Socket == "" && len(faults) > 0:
		return nil, nil, e.faulty(faults.String()), false
	}
	k, code, ok = e.client(c, path)
	return k, faults, code, ok
}

// faulty prints faults, one per line, and returns the exit code for a faulty file that the daemon has not loaded.
func (e *env) faulty(faults string) int {
	fmt.Fprintf(e.Err, "%s\nclearback: the file is not loaded; a running daemon continues with what it has\n",
		strings.TrimSpace(faults))
	return ExitFaults
}

func (e *env) printReload(r *control.Reload) {
	for _, part := range []struct {
		what  string
		names []string
	}{{"added", r.Added}, {"changed", r.Changed}, {"removed", r.Removed}, {"kept", r.Kept},
		{"controllers", r.Controllers}} {
		if len(part.names) > 0 {
			fmt.Fprintf(e.Out, "%s: %s\n", part.what, strings.Join(part.names, ", "))
		}
	}
	printWaiting(e.Out, r.Waiting)
}
