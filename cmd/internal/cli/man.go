package cli

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"
)

// manPages writes a man page for each command, from the texts of its help. (Cobra's own generator goes through
// Markdown, shows switches as --live[=false], and would bring two more modules into the daemon.)
func manPages(*pflag.FlagSet) action {
	return func(e *env, operands []string) int {
		if len(operands) == 0 {
			return e.fault("man: name the directory to write to")
		}
		for _, c := range append(e.root.Commands(), e.root) {
			if c.Hidden {
				continue
			}
			page := filepath.Join(operands[0], strings.ReplaceAll(c.CommandPath(), " ", "-")+".1")
			if err := os.WriteFile(page, []byte(manPage(c)), 0o644); err != nil {
				return e.failed(err)
			}
		}
		return ExitOK
	}
}

// roff escapes a text for troff. No dash becomes a hyphen, no backslash an escape, and no line a request (groff(7)).
var roff = strings.NewReplacer(`\`, `\e`, `-`, `\-`, "\n\n", "\n.PP\n", "\n.", "\n\\&.", "\n'", "\n\\&'")

// manPage returns the page of a command, in the macros of man(7).
func manPage(c *cobra.Command) string {
	var b strings.Builder
	section := func(title, text string) {
		if text != "" {
			fmt.Fprintf(&b, ".SH %s\n%s\n", title, strings.TrimSuffix(text, "\n"))
		}
	}
	name := strings.ReplaceAll(c.CommandPath(), " ", "-")
	// The commit's date, so that the same commit gives the same pages.
	date, _, _ := strings.Cut(buildSetting("vcs.time"), "T")
	fmt.Fprintf(&b, ".TH %q 1 %q clearback\n.nh\n", strings.ToUpper(name), date)
	section("NAME", roff.Replace(name+` - `+c.Short))
	section("SYNOPSIS", ".B "+roff.Replace(c.UseLine()))
	section("DESCRIPTION", roff.Replace(c.Long))
	list, also := "", []string{"clearback(1)"}
	if !c.HasParent() {
		also = nil
		for _, k := range commands() {
			if !k.hidden {
				list += ".TP\n.B " + roff.Replace(k.name+" "+k.operands+"\n"+k.short) + "\n"
				also = append(also, "clearback-"+k.name+"(1)")
			}
		}
	}
	section("COMMANDS", list)
	options := ""
	c.InitDefaultHelpFlag()
	c.LocalFlags().VisitAll(func(f *pflag.Flag) {
		value, usage := pflag.UnquoteUsage(f)
		if f.NoOptDefVal == "" && f.DefValue != "" && f.DefValue != "[]" {
			usage += " (default " + f.DefValue + ")"
		}
		options += fmt.Sprintf(".TP\n.BI %s %q\n%s\n", roff.Replace("--"+f.Name), " "+value, roff.Replace(usage))
	})
	section("OPTIONS", options)
	section("EXAMPLES", ".EX\n"+roff.Replace(c.Example)+"\n.EE")
	section("SEE ALSO", ".B "+roff.Replace(strings.Join(also, ", ")))
	return b.String()
}
