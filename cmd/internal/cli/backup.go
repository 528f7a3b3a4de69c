package cli

import (
	"errors"
	"fmt"
	"strings"
	"time"

	"github.com/spf13/pflag"

	"clearback/bridge/backup"
	"clearback/bridge/relay/drivers"
	"clearback/config"
)

func makeBackup(f *pflag.FlagSet) action {
	path := configFlag(f)
	secrets := f.Bool("secrets", false, "add the files with passwords and private keys")
	return func(e *env, others []string) int {
		archive := first(others)
		if archive == "" {
			return e.fault("backup: name the file to write, such as clearback.backup")
		}
		if _, code, ok := e.settings(*path); !ok {
			return code
		}
		ctx, cancel := e.context()
		defer cancel()
		made, err := backup.Make(ctx, backup.Options{Archive: archive, Config: *path, Version: versionText(),
			Secrets: *secrets})
		if err != nil {
			return e.backupFailed(err)
		}
		fmt.Fprintf(e.Out, "written to %s: %s\n", archive, strings.Join(append([]string{*path}, saved(made)...), ", "))
		if made.Journal == "" {
			fmt.Fprintln(e.Out, "there is no journal to save")
		}
		if len(made.LeftOut) > 0 {
			fmt.Fprintf(e.Out, "not saved: %s; keep them elsewhere%s\n", strings.Join(made.LeftOut, ", "),
				map[bool]string{false: ", or add --secrets"}[*secrets])
		}
		if len(made.Secrets) > 0 {
			fmt.Fprintf(e.Err, "warning: %s contains passwords or keys in plain text; keep it where nobody else can read it\n",
				archive)
		}
		return ExitOK
	}
}

func saved(m backup.Made) []string {
	if m.Journal == "" {
		return m.Secrets
	}
	return append([]string{m.Journal}, m.Secrets...)
}

func restoreBackup(f *pflag.FlagSet) action {
	path := configFlag(f)
	return func(e *env, others []string) int {
		archive := first(others)
		if archive == "" {
			return e.fault("restore: name the backup to restore")
		}
		ctx, cancel := e.context()
		defer cancel()
		done, err := backup.Restore(ctx, backup.Options{Archive: archive, Config: *path})
		if err != nil {
			return e.backupFailed(err)
		}
		fmt.Fprintf(e.Out, "restored from the backup of %s (clearback %s):\n", done.Made.Local().Format(time.DateTime),
			done.Version)
		for _, file := range done.Files {
			fmt.Fprintln(e.Out, "  "+file)
		}
		if len(done.Kept) > 0 {
			fmt.Fprintln(e.Out, "what was there before is kept as:")
			for _, file := range done.Kept {
				fmt.Fprintln(e.Out, "  "+file)
			}
		}
		c, code, ok := e.load(*path, config.LoadForCheck)
		if ok {
			if err := drivers.Check(c); err != nil {
				fmt.Fprintf(e.Err, "%s: %v\n", *path, err)
				code, ok = ExitFaults, false
			}
		}
		if !ok {
			fmt.Fprintln(e.Err, "clearback: the files are restored, but the daemon cannot start until these faults are corrected")
			return code
		}
		for _, w := range c.PermissionWarnings(*path) {
			fmt.Fprintln(e.Out, "warning:", w)
		}
		return ExitOK
	}
}

// backupFailed reports an error of package backup, and returns the exit code.
func (e *env) backupFailed(err error) int {
	if errors.Is(err, backup.ErrFaults) {
		return e.fault("%v", err)
	}
	return e.failed(err)
}
