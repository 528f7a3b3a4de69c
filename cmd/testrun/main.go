// Command testrun runs the tests as go test does, and says at the end what was skipped and which outside programs were
// missing.
package main

import (
	"os"

	"clearback/cmd/internal/testrun"
)

func main() { os.Exit(testrun.Main(os.Args[1:], os.Stdin, os.Stdout, os.Stderr)) }
