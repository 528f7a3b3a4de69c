// Command clearback lets a held call go when the far end hangs up.
package main

import (
	"context"
	"os"
	"os/signal"
	"syscall"

	"clearback/cmd/internal/cli"
)

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), syscall.SIGPIPE)
	defer stop()
	os.Exit(cli.Main(ctx, os.Args[1:], os.Stdin, os.Stdout, os.Stderr))
}
