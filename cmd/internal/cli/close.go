package cli

import (
	"context"
	"flag"
	"fmt"

	"clearback/bridge/relay/drivers"
)

// closeContacts is what a service manager runs after the daemon ended, however it ended.
func closeContacts(e *env, args []string) int {
	f := flag.NewFlagSet("close", flag.ContinueOnError)
	path := f.String("config", "", "the configuration `file`")
	if code, ok := e.parse(f, args, 0); !ok {
		return code
	}
	c, code, ok := e.load(*path)
	if !ok {
		return code
	}
	log, end := newLogger(c.Log, e.Err)
	defer end()
	ctx, cancel := e.context()
	defer cancel()
	ctx, cancelTime := context.WithTimeout(ctx, closeFor)
	defer cancelTime()
	left, err := drivers.CloseAll(ctx, c, notices(log))
	if err != nil {
		return e.failed(err)
	}
	if len(left) > 0 {
		fmt.Fprintf(e.Err, "clearback: not known closed: %s\n", names(left))
		return ExitNotClosed
	}
	fmt.Fprintln(e.Out, "every contact is closed")
	return ExitOK
}
