// Command packages makes the Debian packages of clearback. Run it in this folder:
//
//	go run . -out DIR
//
// It builds the program from the source in the main module's folder and writes three packages for each architecture.
// The same commit gives the same bytes.
//
//	clearback-bin    the program, its man pages, and completion for three shells
//	clearback        the daemon: unit, user, folders, first file; depends on clearback-bin
//	clearback-relay  the relay agent: the same; depends on clearback-bin, so that both fit on one machine
//
// The units are those in deploy, with another path of the program. Folder files has everything else.
//
// This is a module of its own, because the daemon does not need the library that writes packages. Use go mod tidy -e:
// without -e, the tests of that library want modules that cannot be downloaded everywhere.
package main

import (
	"flag"
	"fmt"
	"log"
	"strings"
)

func main() {
	log.SetFlags(0)
	o := options{compression: "xz"}
	flag.StringVar(&o.source, "source", "../..", "the folder of the main module")
	flag.StringVar(&o.out, "out", ".", "the folder to write to; it has to exist")
	archs := flag.String("arch", "amd64,arm64,armhf", "Debian's names of the architectures")
	flag.StringVar(&o.version, "version", "", "the packages' version (default: that of the tag or commit)")
	flag.StringVar(&o.maintainer, "maintainer", "clearback <clearback@localhost.localdomain>",
		"who answers for the packages")
	flag.Parse()
	o.archs = strings.Split(*archs, ",")
	files, err := build(o)
	for _, f := range files {
		fmt.Println(f)
	}
	if err != nil {
		log.Fatal("packages: ", err)
	}
}
