package cli

import (
	"fmt"
	"slices"
	"time"

	"github.com/spf13/pflag"

	"clearback/bridge/daemon"
	"clearback/config"
)

// alarmTimeout is how long a way may take to accept a test. Our own number: the daemon allows an attempt as
// long, and a mail server longer for its last answer.
const alarmTimeout = 30 * time.Second

// watchDaemon looks once at the daemon, and sends an alarm if that is due. It prints nothing if all is well.
func (e *env) watchDaemon(path string) int {
	c, code, ok := e.load(path, config.LoadForCheck)
	if !ok {
		return code
	}
	if len(c.Alarms.Ways) == 0 {
		return e.fault("alarm: %s has no way, so nobody is told; add one under alarms.ways", path)
	}
	log, end := newLogger(c.Log, e.Err)
	defer end()
	ctx, cancel := e.context()
	defer cancel()
	seen, err := daemon.Watch(ctx, c, time.Now(), log)
	if seen.Problem != "" {
		fmt.Fprintf(e.Out, "the daemon does not answer: %s\n", seen.Problem)
	}
	if seen.Told != nil {
		fmt.Fprintf(e.Out, "alarm: %s\n", seen.Told.Subject)
	}
	switch {
	case err != nil:
		return e.failed(err)
	case seen.Unsent > 0:
		return e.failed(fmt.Errorf("messages that were not accepted yet: %d; a later run sends them", seen.Unsent))
	}
	return ExitOK
}

// tryAlarms sends a test message on each way of the file, or on the one that is named, and prints the answers.
func tryAlarms(f *pflag.FlagSet) action {
	path := configFlag(f)
	test := f.Bool("test", false, "send a test message and print what the other side answers")
	watch := f.Bool("watch", false, "look at the daemon; send an alarm if it has failed")
	return func(e *env, operands []string) int {
		switch {
		case *watch && (*test || len(operands) > 0):
			return e.fault("alarm: --watch goes with neither --test nor a way")
		case *watch:
			return e.watchDaemon(*path)
		case !*test:
			return e.fault("alarm: add --test to send a test message, or --watch to look at the daemon")
		}
		c, code, ok := e.load(*path, config.LoadForCheck)
		if !ok {
			return code
		}
		ways := c.Alarms.Ways
		if len(operands) > 0 {
			ways = slices.DeleteFunc(slices.Clone(ways), func(w config.AlarmWay) bool { return w.Name != operands[0] })
			if len(ways) == 0 {
				return e.fault("alarm: %s has no way called %q", *path, operands[0])
			}
		}
		if len(ways) == 0 {
			return e.fault("alarm: %s has no way, so nobody is told; add one under alarms.ways", *path)
		}
		code = ExitOK
		for i := range ways {
			ctx, cancel := e.within(alarmTimeout)
			answer, err := daemon.TryAlarm(ctx, c, &ways[i])
			cancel()
			if err != nil {
				fmt.Fprintf(e.Out, "%s: not accepted: %v\n", ways[i].Name, err)
				code = ExitFailed
				continue
			}
			fmt.Fprintf(e.Out, "%s: accepted: %s\n", ways[i].Name, answer)
		}
		return code
	}
}
