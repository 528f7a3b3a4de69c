package cli

import (
	"context"
	"errors"
	"fmt"
	"os"
	"slices"
	"time"

	"github.com/spf13/pflag"

	"clearback/bridge/control"
	"clearback/bridge/daemon"
	"clearback/bridge/relay/drivers"
	"clearback/config"
)

func check(f *pflag.FlagSet) action {
	named := configFlag(f)
	live := f.Bool("live", false, "register, ask the adapters and read the contacts; the daemon must not be running, except with --second")
	pulse := f.String("pulse", "", "open the loop of the idle `LINE` once, after asking for consent; needs --live")
	states := f.String("states", "",
		"check whether the `LINE` reports three hook states correctly, so that its answers can be trusted; needs --live")
	second := f.String("second", "",
		"test the second server in the adapter of the `LINE`; needs --live, and the daemon has to be running")
	restart := f.Bool("restart", false, "say whether a restart now would end calls, and why; asks the running daemon")
	return func(e *env, others []string) int {
		if *restart && *live {
			return e.fault("check: --restart excludes --live")
		}
		if *pulse != "" && !*live {
			return e.fault("check: --pulse needs --live")
		}
		if *states != "" && !*live {
			return e.fault("check: --states needs --live")
		}
		if *second != "" && (!*live || *pulse != "" || *states != "") {
			return e.fault("check: --second needs --live, and excludes --pulse and --states")
		}
		path := *named
		if len(others) > 0 {
			if f.Changed("config") {
				return e.fault("check: name the file once: --config %s or %s", path, others[0])
			}
			path = others[0]
		}
		c, code, ok := e.load(path, config.LoadForCheck)
		if !ok {
			return code
		}
		if err := drivers.Check(c); err != nil {
			fmt.Fprintf(e.Err, "%s: %v\n", path, err)
			return ExitFaults
		}
		for _, w := range slices.Concat(c.PermissionWarnings(path), config.Warnings(c), daemon.MissingAddresses(c)) {
			fmt.Fprintln(e.Out, "warning:", w)
		}
		for _, s := range slices.Concat(config.Describe(c), config.DescribeDialling(c), config.DescribeFiles(c)) {
			fmt.Fprintln(e.Out, s)
		}
		if s := describeSecondServers(context.Background(), c, time.Now()); s != "" {
			fmt.Fprintln(e.Out, s)
		}
		if !*live {
			fmt.Fprintf(e.Out, "%s: no faults\n", path)
			if *restart && os.Getenv(askedByDaemon) == "" {
				return e.checkRestart(c, path)
			}
			return ExitOK
		}
		for _, name := range []string{*pulse, *states, *second} {
			if name != "" && lineOf(c, name) == nil {
				return e.fault("check: there is no line %q in %s; there are %s", name, path, lineNames(c))
			}
		}
		if *second != "" {
			return e.checkSecondServer(c, path, *second)
		}
		return e.checkLive(c, *states, *pulse)
	}
}

// checkRestart asks the running daemon what a restart now would do to the calls.
func (e *env) checkRestart(c *config.Config, path string) int {
	k, code, ok := e.client(c, path)
	if !ok {
		return code
	}
	ctx, cancel := e.within(controlTimeout)
	defer cancel()
	r, err := k.Restart(ctx)
	var refused *control.Error
	switch {
	case errors.As(err, &refused) && refused.Reason == control.ReasonNoPath:
		r.EndsCalls = "the running daemon is of a version that cannot hand them over"
	case err != nil:
		return e.failed(err)
	}
	if r.EndsCalls != "" {
		return e.failed(fmt.Errorf("a restart now would end the calls: %s", r.EndsCalls))
	}
	fmt.Fprintln(e.Out, "a restart now would keep the answered calls (SAFETY.md, S129)")
	return ExitOK
}

func lineOf(c *config.Config, name string) *config.Line {
	for i := range c.Lines {
		if c.Lines[i].Name == name {
			return &c.Lines[i]
		}
	}
	return nil
}
