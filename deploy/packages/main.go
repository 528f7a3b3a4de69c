// Command packages makes the Debian packages of clearback: go run . -out DIR. See package debian.
package main

import (
	"os"

	"clearback/deploy/packages/debian"
)

func main() { os.Exit(debian.Main(os.Args[1:], os.Stdout, os.Stderr)) }
