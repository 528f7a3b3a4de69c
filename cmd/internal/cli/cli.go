// Package cli is the subcommands of clearback; the only place that wires the packages together.
package cli

import (
	"context"
	"io"
)

// Main runs a subcommand and returns the exit code.
func Main(ctx context.Context, args []string, stdin io.Reader, stdout, stderr io.Writer) int { return 0 }
