// Command testrun runs the tests as go test does. At the end it lists the tests that were skipped and the outside
// programs that are missing.
package main

import (
	"os"

	"clearback/cmd/internal/testrun"
)

func main() { os.Exit(testrun.Main(os.Args[1:], os.Stdin, os.Stdout, os.Stderr)) }
