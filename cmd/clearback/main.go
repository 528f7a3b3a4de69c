// Command clearback clears held calls on an old key telephone system when the far end hangs up.
package main

import (
	"os"
	"os/signal"
	"syscall"

	"clearback/cmd/internal/cli"
)

func main() {
	signal.Ignore(syscall.SIGPIPE)     // a log reader that has gone must not end the telephone service
	signals := make(chan os.Signal, 2) // two, because the second signal means "end at once" and must not be lost
	signal.Notify(signals, syscall.SIGINT, syscall.SIGTERM, syscall.SIGHUP, syscall.SIGUSR2)
	os.Exit(cli.Main(os.Args[1:], cli.Streams{In: os.Stdin, Out: os.Stdout, Err: os.Stderr}, signals))
}
