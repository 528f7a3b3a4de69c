package cli

import (
	"errors"
	"fmt"
	"io"
	"strings"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"
)

// tree builds the command line from the table of commands.
func (e *env) tree() *cobra.Command {
	root := &cobra.Command{
		Use:   "clearback COMMAND",
		Short: "Clear held calls when the far end hangs up",
		Long: fmt.Sprintf("Clearback clears held calls when the far end hangs up.\n\n"+
			"Without --config, commands read the file that %s names, else %s. Only relay always needs --config.\n\n"+
			"Exit codes: %d done, %d failed, %d faults in the command line or the file, %d a contact is not known closed. "+
			"Run and relay end with %d if the file cannot be read or has faults.",
			configVariable, defaultConfig, ExitOK, ExitFailed, ExitFaults, ExitNotClosed, ExitFaultyFile),
		Example: "clearback rehearse\nclearback check /etc/clearback/clearback.yaml\nclearback help pulse",
		Args: func(root *cobra.Command, args []string) error {
			if len(args) > 0 {
				return noCommand(root, args[0])
			}
			return nil
		},
		SilenceErrors:              true,
		SilenceUsage:               true,
		SuggestionsMinimumDistance: 2, // cobra's default; cobra sets it only for its own message
		CompletionOptions:          cobra.CompletionOptions{DisableDefaultCmd: true},
	}
	showVersion := root.Flags().Bool("version", false, "show the version")
	root.Run = func(*cobra.Command, []string) {
		if *showVersion {
			e.code = printVersion(e, nil)
			return
		}
		writeHelp(e.Err, root)
		e.code = ExitFaults
	}
	root.SetOut(e.Out)
	root.SetErr(e.Err)
	root.SetFlagErrorFunc(flagFault)
	root.SetHelpFunc(func(c *cobra.Command, _ []string) {
		if err := c.ValidateArgs(c.Flags().Args()); err != nil { // an invalid command gets an error, not help
			e.code = e.fault("%v", err)
			return
		}
		writeHelp(e.Out, c)
	})
	for _, c := range commands() {
		k := e.cobra(c)
		if c.name == "help" {
			root.SetHelpCommand(k)
		}
		root.AddCommand(k)
	}
	return root
}

// cobra builds one subcommand.
func (e *env) cobra(c command) *cobra.Command {
	k := &cobra.Command{
		Use: strings.TrimSpace(c.name + " " + c.operands), Short: c.short, Long: c.short + ".", Example: c.example,
		Hidden: c.hidden,
	}
	if c.more != "" {
		k.Long += " " + c.more
	}
	most := len(strings.Fields(c.operands))
	k.Args = func(_ *cobra.Command, args []string) error {
		if len(args) > most {
			return fmt.Errorf("%s: %q is one argument too many", c.name, args[most])
		}
		return nil
	}
	act := c.setup(k.Flags())
	k.Run = func(_ *cobra.Command, args []string) { e.code = act(e, args) }
	complete(k, c.operands)
	return k
}

// longFlags writes -config as --config. Go's flag package accepts both, so scripts may use either. The value of a flag
// stays as it is.
func longFlags(root *cobra.Command, args []string) []string {
	if len(args) > 0 && strings.HasPrefix(args[0], cobra.ShellCompRequestCmd) { // what follows is the line to complete
		return append(args[:1:1], longFlags(root, args[1:])...)
	}
	c, _, err := root.Find(args)
	if err != nil {
		c = root
	}
	long := append([]string{}, args...)
	for i := 0; i < len(long) && long[i] != "--"; i++ {
		name, _, hasValue := strings.Cut(strings.TrimLeft(long[i], "-"), "=")
		if !strings.HasPrefix(long[i], "-") {
			continue
		}
		if !strings.HasPrefix(long[i], "--") && len(name) > 1 {
			long[i] = "-" + long[i]
		}
		if f := c.Flags().Lookup(name); f != nil && f.NoOptDefVal == "" && !hasValue {
			i++
		}
	}
	return long
}

// flagFault says what is wrong with a flag and where the flags are listed.
func flagFault(c *cobra.Command, err error) error {
	var unknown *pflag.NotExistError
	var value *pflag.InvalidValueError
	where := ""
	if c.HasParent() {
		where = c.Name() + ": "
	}
	switch {
	case errors.As(err, &unknown):
		return fmt.Errorf("%sflag provided but not defined: --%s; `%s --help` lists the flags",
			where, unknown.GetSpecifiedName(), c.CommandPath())
	case errors.As(err, &value):
		cause := value.Unwrap()
		switch value.GetFlag().Value.Type() {
		case "int":
			cause = errors.New("write a whole number")
		case "bool":
			cause = errors.New("write true or false")
		}
		return fmt.Errorf("%s--%s %s: %w", where, value.GetFlag().Name, value.GetValue(), cause)
	}
	return fmt.Errorf("%s%w", where, err)
}

// noCommand says that there is no such subcommand, and suggests similar names.
func noCommand(root *cobra.Command, name string) error {
	meant := ""
	if near := root.SuggestionsFor(name); len(near) > 0 {
		meant = "; did you mean " + strings.Join(near, " or ") + "?"
	}
	return fmt.Errorf("there is no subcommand %q%s\n`clearback help` lists them", name, meant)
}

func helpOn(*pflag.FlagSet) action {
	return func(e *env, operands []string) int {
		c, rest, err := e.root.Find(operands)
		if err != nil || len(rest) > 0 {
			return e.fault("%v", noCommand(e.root, first(operands)))
		}
		c.InitDefaultHelpFlag()
		writeHelp(e.Out, c)
		return ExitOK
	}
}

// writeHelp writes the help of a command. If w is not a terminal, each flag takes one line.
func writeHelp(w io.Writer, c *cobra.Command) {
	columns, _ := terminalWidth(w)
	fmt.Fprintf(w, "%s\n\nUsage:\n  %s\n", paragraphs(c.Long, width(w)), c.UseLine())
	if !c.HasParent() {
		writeCommands(w)
	}
	fmt.Fprintf(w, "\nExample:\n  %s\n", strings.ReplaceAll(c.Example, "\n", "\n  "))
	if c.HasAvailableLocalFlags() {
		fmt.Fprintf(w, "\nFlags:\n%s", c.LocalFlags().FlagUsagesWrapped(columns))
	}
}

// writeCommands writes the list of all commands, group by group.
func writeCommands(w io.Writer) {
	group := ""
	for _, c := range commands() {
		if c.hidden {
			continue
		}
		if c.group != group {
			group = c.group
			fmt.Fprintf(w, "\n%s:\n", group)
		}
		fmt.Fprintf(w, "  %-24s %s\n", c.name+" "+c.operands, c.short)
	}
}

// paragraphs wraps a text to that many columns.
func paragraphs(text string, columns int) string {
	all := strings.Split(text, "\n\n")
	for i := range all {
		all[i] = strings.Join(breakAt(all[i], columns), "\n")
	}
	return strings.Join(all, "\n\n")
}
