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

// complete sets up completion for a command's operand and for the values of its flags. The names in the help select the
// kind of completion.
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
		// A flag's value may be completed after an operand, too. The error is ignored, because the flag exists.
		_ = k.RegisterFlagCompletionFunc(f.Name, by(value, 1))
	})
}

// candidates returns the completions that begin with typed. word is the operand or value as the help shows it: one
// alternative, or several separated by |. An alternative in capitals names a kind of value. Any other alternative is
// completed literally.
func candidates(k *cobra.Command, word, typed string) (all []cobra.Completion, how cobra.ShellCompDirective) {
	how = cobra.ShellCompDirectiveNoFileComp
	for _, w := range strings.Split(strings.Trim(word, "[]"), "|") {
		switch {
		case w == "LINE":
			all = append(all, configured(k, func(c *config.Config) (names []cobra.Completion) {
				for i := range c.Lines {
					names = append(names, c.Lines[i].Name)
				}
				return names
			})...)
		case w == "WAY":
			all = append(all, configured(k, func(c *config.Config) (names []cobra.Completion) {
				for i := range c.Alarms.Ways {
					names = append(names, c.Alarms.Ways[i].Name)
				}
				return names
			})...)
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

// configured returns names from the configuration file, as far as a faulty file can be read.
func configured(k *cobra.Command, names func(*config.Config) []cobra.Completion) []cobra.Completion {
	path := defaultConfigPath()
	if f := k.Flags().Lookup("config"); f != nil {
		path = f.Value.String()
	}
	c, _, err := config.LoadForClosing(path)
	if err != nil || c == nil {
		return nil // an error message would disturb the user while typing
	}
	return names(c)
}

// completion prints the completion script of a shell. The script calls clearback for the candidates.
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
