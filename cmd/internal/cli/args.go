package cli

import (
	"fmt"
	"math"
	"os"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/pflag"

	"clearback/config"
)

// defaultConfig is the path of the service's configuration file. The environment variable configVariable names another.
const (
	defaultConfig  = "/etc/clearback/clearback.yaml"
	configVariable = "CLEARBACK_CONFIG"
)

// maxDays is the longest time that the command line accepts: a hundred years. It is our own figure and avoids
// overflow.
const maxDays = 36500

// configFlag adds --config with its default.
func configFlag(f *pflag.FlagSet) *string {
	return f.String("config", defaultConfigPath(), "the configuration `FILE`; "+configVariable+" names another default")
}

// defaultConfigPath returns the path of the configuration file for a command without --config.
func defaultConfigPath() string {
	if path := os.Getenv(configVariable); path != "" {
		return path
	}
	return defaultConfig
}

// first returns the first of others, or "" if others is empty.
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

// lineNamed looks up a line. Its error lists the lines that exist.
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

// span is a length of time on the command line. All flags that take a time share its error texts.
type span struct {
	time.Duration
	example string // an example for the error texts
	zero    bool   // 0 is allowed
}

// spanFlag adds a flag that takes a length of time. example is a value, for the errors.
func spanFlag(f *pflag.FlagSet, name string, usual time.Duration, example, usage string) *span {
	s := &span{Duration: usual, example: example}
	f.Var(s, name, usage)
	if usual == 0 {
		f.Lookup(name).DefValue = "" // there is no default to show
	}
	return s
}

// Type implements [pflag.Value].
func (s *span) Type() string { return "time" }

// Set implements [pflag.Value]. It takes what [time.ParseDuration] takes, and days of 24 hours.
func (s *span) Set(text string) error {
	d, err := time.ParseDuration(text)
	if days, ok := strings.CutSuffix(text, "d"); ok {
		n, wrong := strconv.ParseFloat(days, 64)
		if err = wrong; err == nil && !(math.Abs(n) <= maxDays) { // the negation also catches NaN
			err = strconv.ErrRange
		}
		d = time.Duration(n * float64(24*time.Hour))
	}
	_, bare := strconv.ParseFloat(text, 64)
	switch {
	case err != nil && bare == nil:
		return fmt.Errorf("%s of what? e.g. %s", text, s.example)
	case err != nil:
		return fmt.Errorf("write a length of time, e.g. %s", s.example)
	case d < 0 || d == 0 && !s.zero:
		return fmt.Errorf("allowed is more than 0, e.g. %s", s.example)
	}
	s.Duration = d
	return nil
}
