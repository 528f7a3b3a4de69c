// Package debian makes the Debian packages of clearback. To make them, run this in the folder above:
//
//	go run . -out DIR
//
// It builds the program from the source in the main module's folder and writes three packages for each architecture.
// The same commit and toolchain give the same bytes.
//
//	clearback-bin    the program, its man pages, and completion for three shells
//	clearback        the daemon: unit, user, folders, first file; depends on clearback-bin
//	clearback-relay  the relay agent: the same; depends on clearback-bin, so that both fit on one machine
//
// The units are those in deploy, with another path of the program. Folder files has everything else.
//
// This is in a module of its own, because the daemon does not need the library that writes packages. There, use go mod
// tidy -e: without -e, the tests of that library want modules that cannot be downloaded everywhere.
//
//	debian.go     the command line
//	build.go      from the source to the packages; package clearback-bin
//	service.go    the packages with a unit
//	documents.go  man pages, completion, licences, and what Debian's policy wants in every package
//
// The tests with -container follow the packages through their life on a Debian with systemd as process 1, and README
// from making the packages to a held call that clears.
package debian

import (
	"flag"
	"fmt"
	"io"
	"strings"
)

// options are the settings of a run.
type options struct {
	source      string   // the folder of the main module
	out         string   // the folder to write to
	version     string   // "" for that of the tag or commit
	maintainer  string   // NAME <ADDRESS>
	archs       []string // Debian's names
	compression string   // of the contents: xz or gzip
}

// Main runs the command and returns its exit code: 0 done, 1 failed, 2 a fault in the command line.
func Main(args []string, stdout, stderr io.Writer) int {
	o := options{compression: "xz"}
	f := flag.NewFlagSet("packages", flag.ContinueOnError)
	f.SetOutput(stderr)
	f.StringVar(&o.source, "source", "../..", "the folder of the main module")
	f.StringVar(&o.out, "out", ".", "the folder to write to; it has to exist")
	archs := f.String("arch", "amd64,arm64,armhf", "Debian's names of the architectures")
	f.StringVar(&o.version, "version", "", "the packages' version (default: that of the tag or commit)")
	f.StringVar(&o.maintainer, "maintainer", "clearback <clearback@localhost.localdomain>",
		"who answers for the packages")
	if f.Parse(args) != nil {
		return 2
	}
	if f.NArg() > 0 {
		fmt.Fprintf(stderr, "packages: %q is one argument too many\n", f.Arg(0))
		return 2
	}
	o.archs = strings.Split(*archs, ",")
	written, err := build(o)
	for _, path := range written {
		fmt.Fprintln(stdout, path)
	}
	if err != nil {
		fmt.Fprintln(stderr, "packages:", err)
		return 1
	}
	return 0
}
