package cli

import (
	"flag"
	"fmt"
	"runtime/debug"
)

func version(e *env, args []string) int {
	if _, code, ok := e.parse(flag.NewFlagSet("version", flag.ContinueOnError), args, 0); !ok {
		return code
	}
	fmt.Fprintln(e.Out, "clearback", versionText())
	return ExitOK
}

// versionText is the module's version, or the commit it was built from.
func versionText() string {
	info, ok := debug.ReadBuildInfo()
	if !ok {
		return "(unknown)"
	}
	text, revision, dirty := info.Main.Version, "", ""
	for _, s := range info.Settings {
		switch {
		case s.Key == "vcs.revision":
			revision = " " + s.Value
		case s.Key == "vcs.modified" && s.Value == "true":
			dirty = " with changes"
		}
	}
	return text + revision + dirty + " " + info.GoVersion
}
