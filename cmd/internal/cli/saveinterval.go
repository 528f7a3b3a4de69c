package cli

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"time"

	"github.com/spf13/pflag"

	"clearback/bridge/control"
	"clearback/config"
	"clearback/supervision/window"
)

func (e *env) asJSON(v any) int {
	enc := json.NewEncoder(e.Out)
	enc.SetIndent("", "  ")
	if err := enc.Encode(v); err != nil {
		return e.failed(err)
	}
	return ExitOK
}

// saveInterval is the command `keep`. It writes the interval that the line now uses, after holds that did not clear,
// into the file.
func saveInterval(f *pflag.FlagSet) action {
	path := configFlag(f)
	dry := f.Bool("dry-run", false, "show the change, and do not write it")
	return func(e *env, others []string) int {
		_, l, k, code, ok := e.lineClient(*path, others, "keep")
		if !ok {
			return code
		}
		ctx, cancel := e.within(controlTimeout)
		defer cancel()
		d, err := k.Daemon(ctx)
		if err != nil {
			return e.failed(err)
		}
		for i := range d.Lines {
			if d.Lines[i].Name == l.Name {
				return e.writeInterval(ctx, k, *path, l,
					time.Duration(d.Lines[i].Interval.Milliseconds)*time.Millisecond, 0, *dry)
			}
		}
		return e.failed(fmt.Errorf("the running daemon does not know the line %s; it was started with another file",
			l.Name))
	}
}

// writeInterval changes the file and then the running daemon, if there is one. release is the measured release time of
// the line card, 0 if it was not measured.
func (e *env) writeInterval(ctx context.Context, k *control.Client, path string, l *config.Line, interval,
	release time.Duration, dry bool) int {
	same := interval == l.Policy.Interval && (release == 0 || l.Equipment.CardReleaseMin == release &&
		l.Equipment.CardReleaseMax == release)
	switch {
	case same:
		fmt.Fprintf(e.Out, "%s: %s has interval %s already\n", l.Name, path, interval)
	default:
		change, err := config.PreviewTuned(path, l.Name, interval, release)
		if errors.Is(err, config.ErrRelease) {
			fmt.Fprintf(e.Err, "clearback: %v\n", err)
			release = 0
			change, err = config.Preview(path, l.Name, interval)
		}
		if err != nil {
			return e.failed(err)
		}
		fmt.Fprint(e.Out, change)
	}
	if dry {
		return ExitOK
	}
	if !same {
		if err := config.SetTuned(path, l.Name, interval, release); err != nil {
			return e.failed(err)
		}
		fmt.Fprintf(e.Out, "%s: written to %s\n", l.Name, path)
	}
	switch err := k.SetInterval(ctx, l.Name, interval); {
	case errors.Is(err, control.ErrNotRunning):
		fmt.Fprintln(e.Out, "no daemon is running; it takes the new interval when it starts")
	case err != nil:
		return e.failed(fmt.Errorf("the file has the new interval, but the running daemon may still use another until it is restarted: %w",
			err))
	default:
		fmt.Fprintf(e.Out, "%s: in use from now on\n", l.Name)
		if d, err := k.Daemon(ctx); err == nil && d.Edited != "" { // somebody's own edit, which was kept
			fmt.Fprintln(e.Out, d.Edited)
		}
	}
	return ExitOK
}

func showWindow(f *pflag.FlagSet) action {
	path := configFlag(f)
	return func(e *env, others []string) int {
		c, code, ok := e.settings(*path)
		if !ok {
			return code
		}
		named := first(others)
		if named != "" {
			if _, code, ok := e.lineNamed(c, named, "window"); !ok {
				return code
			}
		}
		for i := range c.Lines {
			l := &c.Lines[i]
			if named != "" && l.Name != named {
				continue
			}
			fmt.Fprintf(e.Out, "%s: interval %s\n", l.Name, l.Policy.Interval)
			for _, m := range []window.Method{window.WorstCase, window.RootSumSquare} {
				for _, s := range window.Of(l.Window(), m).Lines() {
					fmt.Fprintln(e.Out, "  "+s)
				}
			}
		}
		return ExitOK
	}
}
