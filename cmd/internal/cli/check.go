package cli

import (
	"flag"
	"fmt"

	"clearback/config"
)

func check(e *env, args []string) int {
	f := flag.NewFlagSet("check", flag.ContinueOnError)
	live := f.Bool("live", false, "register, ask the adapters and read the contacts (the daemon must not be running)")
	pulse := f.String("pulse", "", "with --live: open the idle `line` once, after asking")
	if code, ok := e.parse(f, args, 1); !ok {
		return code
	}
	if *pulse != "" && !*live {
		return e.fault("check: --pulse needs --live")
	}
	c, code, ok := e.load(f.Arg(0))
	if !ok {
		return code
	}
	for _, w := range config.Warnings(c) {
		fmt.Fprintln(e.Out, "warning:", w)
	}
	for _, s := range config.Describe(c) {
		fmt.Fprintln(e.Out, s)
	}
	if !*live {
		fmt.Fprintf(e.Out, "%s: no faults\n", f.Arg(0))
		return ExitOK
	}
	if *pulse != "" && lineOf(c, *pulse) == nil {
		return e.fault("check: there is no line %q in %s", *pulse, f.Arg(0))
	}
	return e.checkLive(c, *pulse)
}

func lineOf(c *config.Config, name string) *config.Line {
	for i := range c.Lines {
		if c.Lines[i].Name == name {
			return &c.Lines[i]
		}
	}
	return nil
}
