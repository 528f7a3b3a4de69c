package cli

import (
	"fmt"
	"runtime/debug"

	"github.com/spf13/pflag"
)

func version(*pflag.FlagSet) action { return printVersion }

func printVersion(e *env, _ []string) int {
	fmt.Fprintln(e.Out, "clearback", versionText())
	return ExitOK
}

// versionText returns the module's version, or the commit that the program was built from.
func versionText() string {
	info, ok := debug.ReadBuildInfo()
	if !ok {
		return "(unknown)"
	}
	text := info.Main.Version
	if revision := buildSetting("vcs.revision"); revision != "" {
		text += " " + revision
	}
	if buildSetting("vcs.modified") == "true" {
		text += " with changes"
	}
	return text + " " + info.GoVersion
}

// buildSetting returns what the build recorded under a key, "" if nothing.
func buildSetting(key string) string {
	info, ok := debug.ReadBuildInfo()
	if !ok {
		return ""
	}
	for _, s := range info.Settings {
		if s.Key == key {
			return s.Value
		}
	}
	return ""
}
