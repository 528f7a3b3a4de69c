package cli

import (
	"flag"
	"fmt"

	"clearback/bridge/relay/drivers"
	"clearback/config"
)

func check(e *env, args []string) int {
	f := flag.NewFlagSet("check", flag.ContinueOnError)
	live := f.Bool("live", false, "register, ask the adapters and read the contacts (the daemon must not be running)")
	pulse := f.String("pulse", "", "with --live: open the idle `line` once, after asking")
	states := f.String("states", "", "with --live: see the three states of the `line` one after the other, so that its answers can be trusted")
	others, code, ok := e.parse(f, args, 1)
	if !ok {
		return code
	}
	if *pulse != "" && !*live {
		return e.fault("check: --pulse needs --live")
	}
	if *states != "" && !*live {
		return e.fault("check: --states needs --live")
	}
	path := first(others)
	if path == "" {
		path = usualConfig()
	}
	c, code, ok := e.load(path)
	if !ok {
		return code
	}
	if err := drivers.Check(c); err != nil {
		fmt.Fprintf(e.Err, "%s: %v\n", path, err)
		return ExitFaults
	}
	for _, w := range append(c.Exposure(path), config.Warnings(c)...) {
		fmt.Fprintln(e.Out, "warning:", w)
	}
	for _, s := range append(config.Describe(c), config.DescribeDialling(c)...) {
		fmt.Fprintln(e.Out, s)
	}
	if !*live {
		fmt.Fprintf(e.Out, "%s: no faults\n", path)
		return ExitOK
	}
	for _, name := range []string{*pulse, *states} {
		if name != "" && lineOf(c, name) == nil {
			return e.fault("check: there is no line %q in %s; there are %s", name, path, lineNames(c))
		}
	}
	return e.checkLive(c, *states, *pulse)
}

func lineOf(c *config.Config, name string) *config.Line {
	for i := range c.Lines {
		if c.Lines[i].Name == name {
			return &c.Lines[i]
		}
	}
	return nil
}
