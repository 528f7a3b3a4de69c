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
		k, code, ok := e.clientInSpite(*path)
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
		case err != nil && refused == nil:
			return e.unanswered(*path, fmt.Errorf("%w; if control.socket has changed, restart the daemon", err))
		case err != nil:
			return e.unanswered(*path, err)
		case *asJSON:
			return e.asJSON(r)
		}
		e.printReload(&r)
		return ExitOK
	}
}

// clientInSpite returns a client of the running daemon in spite of faults in the file, unless it finds no socket in it.
// It does not look for faults if it finds one, since only the daemon's load counts; see unanswered.
func (e *env) clientInSpite(path string) (k *control.Client, code int, ok bool) {
	socket, err := config.ControlSocket(path)
	if err == nil && socket == "" {
		_, faults, again := config.LoadForClosing(path)
		if len(faults) > 0 {
			return nil, e.faulty(faults.String()), false
		}
		err = again
	}
	if err != nil {
		return nil, e.fault("%v; name the file with --config or %s", err, configVariable), false
	}
	return e.clientAt(socket, path)
}

// unanswered reports why the daemon did not do what it was asked, or the faults of the file, if it has any.
func (e *env) unanswered(path string, why error) int {
	if _, faults, err := config.LoadForClosing(path); err == nil && len(faults) > 0 {
		return e.faulty(faults.String())
	}
	return e.failed(why)
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
