package cli

import (
	"fmt"
	"slices"
	"strings"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"clearback/bridge/rehearsal"
	"clearback/config"
)

// complete says what completes the operand of a command and the values of its flags, by the names that the help has
// for them.
func complete(k *cobra.Command, operand string) {
	by := func(word string, most int) cobra.CompletionFunc {
		return func(k *cobra.Command, before []string, typed string) ([]cobra.Completion, cobra.ShellCompDirective) {
			if len(before) > most {
				return nil, cobra.ShellCompDirectiveNoFileComp
			}
			return candidates(k, word, typed)
		}
	}
	k.ValidArgsFunction = by(operand, 0)
	k.Flags().VisitAll(func(f *pflag.Flag) {
		value, _ := pflag.UnquoteUsage(f)
		_ = k.RegisterFlagCompletionFunc(f.Name, by(value, 1)) // beside an operand, too. No error: the flag is there
	})
}

// candidates are the words that may stand where the help has this one, and that begin with what was typed. The help's
// word is one or several divided by |: what is in capitals names a kind of word, the rest stands for itself.
func candidates(k *cobra.Command, word, typed string) (all []cobra.Completion, how cobra.ShellCompDirective) {
	how = cobra.ShellCompDirectiveNoFileComp
	for _, w := range strings.Split(strings.Trim(word, "[]"), "|") {
		switch {
		case w == "LINE":
			all = append(all, configuredLines(k)...)
		case w == "SCENE":
			all = append(all, rehearsal.SceneNames()...)
		case w == "HABIT":
			all = append(all, rehearsal.HabitNames()...)
		case w == "COMMAND":
			for _, c := range commands() {
				if !c.hidden {
					all = append(all, cobra.CompletionWithDesc(c.name, c.short))
				}
			}
		case w == "FILE":
			how = cobra.ShellCompDirectiveDefault
		case w == "DIR":
			how = cobra.ShellCompDirectiveFilterDirs
		case w == strings.ToLower(w):
			all = append(all, w)
		}
	}
	return slices.DeleteFunc(all, func(c cobra.Completion) bool { return !strings.HasPrefix(c, typed) }), how
}

// configuredLines are the lines of the file that the command would read, as far as they can be made out.
func configuredLines(k *cobra.Command) (names []cobra.Completion) {
	path := usualConfig()
	if f := k.Flags().Lookup("config"); f != nil {
		path = f.Value.String()
	}
	c, _, err := config.LoadForClosing(path)
	if err != nil || c == nil {
		return nil // nobody expects an error while typing
	}
	for i := range c.Lines {
		names = append(names, c.Lines[i].Name)
	}
	return names
}

// completion prints the script that makes a shell ask us.
func completion(*pflag.FlagSet) action {
	return func(e *env, operands []string) int {
		var err error
		switch shell := first(operands); shell {
		case "bash":
			err = e.root.GenBashCompletionV2(e.Out, true)
		case "zsh":
			err = e.root.GenZshCompletion(e.Out)
		case "fish":
			err = e.root.GenFishCompletion(e.Out, true)
		default:
			return e.fault("completion: name a shell: bash, zsh or fish; not %q", shell)
		}
		if err != nil {
			return e.failed(fmt.Errorf("completion: %w", err))
		}
		return ExitOK
	}
}
