package cli

import (
	"errors"
	"flag"
	"fmt"
	"os"
	"strconv"
	"strings"
	"time"

	"clearback/config"
)

// defaultConfig is where a service's file stands, and configVariable names another.
const (
	defaultConfig  = "/etc/clearback/clearback.yaml"
	configVariable = "CLEARBACK_CONFIG"
)

// configFlag adds --config with its default.
func configFlag(f *flag.FlagSet) *string {
	return f.String("config", usualConfig(), "the configuration `file`; "+configVariable+" names another default")
}

// usualConfig is the configuration file where none is named.
func usualConfig() string {
	if path := os.Getenv(configVariable); path != "" {
		return path
	}
	return defaultConfig
}

// parse reads the flags of a subcommand and at most rest further arguments, in any order. The code counts when ok is false.
func (e *env) parse(f *flag.FlagSet, args []string, rest int) (others []string, code int, ok bool) {
	f.SetOutput(e.Err)
	for {
		if err := f.Parse(args); err != nil {
			if errors.Is(err, flag.ErrHelp) {
				return nil, ExitOK, false
			}
			return nil, ExitFaults, false
		}
		if f.NArg() == 0 {
			return others, ExitOK, true
		}
		if len(others) == rest {
			return nil, e.fault("%s: %q is one argument too many", f.Name(), f.Arg(0)), false
		}
		others = append(others, f.Arg(0))
		args = f.Args()[1:]
	}
}

// first returns the first of others, "" if there is none.
func first(others []string) string {
	if len(others) == 0 {
		return ""
	}
	return others[0]
}

// settings reads a configuration file without its secrets, which only the daemon may read.
func (e *env) settings(path string) (c *config.Config, code int, ok bool) {
	c, faults, err := config.LoadForClosing(path)
	if err != nil {
		return nil, e.fault("%v; name the file with --config or %s", err, configVariable), false
	}
	if len(faults) > 0 {
		for _, f := range faults {
			fmt.Fprintln(e.Err, f)
		}
		return nil, ExitFaults, false
	}
	return c, ExitOK, true
}

// lineNamed looks a line up; the fault names the lines that there are.
func (e *env) lineNamed(c *config.Config, name, command string) (l *config.Line, code int, ok bool) {
	if name == "" {
		return nil, e.fault("%s: name a line: %s", command, lineNames(c)), false
	}
	if l = lineOf(c, name); l == nil {
		return nil, e.fault("%s: there is no line %q; there are %s", command, name, lineNames(c)), false
	}
	return l, ExitOK, true
}

func lineNames(c *config.Config) string {
	all := make([]string, len(c.Lines))
	for i := range c.Lines {
		all[i] = c.Lines[i].Name
	}
	return strings.Join(all, ", ")
}

// age is a flag like 90m, 36h or 2d: how long ago.
type age time.Duration

// String is for the flag package.
func (a *age) String() string { return time.Duration(*a).String() }

// Set reads a time with a unit; a day is 24 hours.
func (a *age) Set(s string) error {
	if days, ok := strings.CutSuffix(s, "d"); ok {
		n, err := strconv.ParseFloat(days, 64)
		if err != nil || n <= 0 || n > 36500 {
			return errors.New("write a time such as 90m, 36h or 2d")
		}
		*a = age(n * float64(24*time.Hour))
		return nil
	}
	d, err := time.ParseDuration(s)
	if err != nil || d <= 0 {
		return errors.New("write a time such as 90m, 36h or 2d")
	}
	*a = age(d)
	return nil
}
