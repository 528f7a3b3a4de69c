package cli

import (
	"errors"
	"fmt"
	"os"
	"strings"
	"time"

	"github.com/spf13/pflag"

	"clearback/bridge/backup"
	"clearback/bridge/relay/drivers"
	"clearback/config"
)

func makeBackup(f *pflag.FlagSet) action {
	path := configFlag(f)
	secrets := f.Bool("with-secrets", false,
		"add the passwords and private keys in the folder secrets beside the configuration file")
	return func(e *env, others []string) int {
		archive := first(others)
		if archive == "" {
			return e.fault("backup: name the file to write, such as clearback.backup")
		}
		ctx, cancel := e.context()
		defer cancel()
		made, err := backup.Make(ctx, backup.Options{Archive: archive, Config: *path, Version: versionText(),
			Secrets: *secrets})
		if err != nil {
			return e.backupFailed(err)
		}
		saved := append([]string{*path}, made.Secrets...)
		if made.Journal != "" {
			saved = append(saved, made.Journal)
		} else {
			fmt.Fprintln(e.Out, "there is no journal to save")
		}
		fmt.Fprintf(e.Out, "written to %s: %s\n", archive, strings.Join(saved, ", "))
		if len(made.LeftOut) > 0 {
			fmt.Fprintf(e.Out, "not saved: %s; keep them elsewhere%s\n", strings.Join(made.LeftOut, ", "),
				map[bool]string{false: ", or add --with-secrets"}[*secrets])
		}
		if len(made.Secrets) > 0 {
			fmt.Fprintf(e.Err, "warning: %s contains passwords or keys in plain text; keep it where nobody else can read it\n",
				archive)
		}
		return ExitOK
	}
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
		done, err := backup.Restore(ctx, backup.Options{Archive: archive, Config: *path, Version: versionText()})
		list := func(title string, files []string) {
			if len(files) > 0 {
				fmt.Fprintf(e.Out, "%s:\n  %s\n", title, strings.Join(files, "\n  "))
			}
		}
		list(fmt.Sprintf("restored from the backup of %s (clearback %s)", done.Made.Local().Format(time.DateTime),
			done.Version), done.Files)
		list("what was there before is kept as", done.Kept)
		if err != nil {
			return e.backupFailed(err)
		}
		if done.Unknown {
			fmt.Fprintln(e.Out, "there was no journal that could be read, so the time in which an emergency centre may call back (emergency.callback_window) begins now on every line")
		}
		if len(done.NewSecrets) > 0 {
			fmt.Fprintf(e.Out, "only this user may read these new secrets: %s; if the daemon reads one itself ({file: ...}), give it to the daemon's user (chown), and let that user enter the folder\n",
				strings.Join(done.NewSecrets, ", "))
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

// backupTask serves another process of this program: see package backup. What it writes is not text for people, so it
// does not go through [safeWriter].
func backupTask(*pflag.FlagSet) action {
	return func(e *env, others []string) int {
		ctx, cancel := e.context()
		defer cancel()
		return backup.Serve(ctx, first(others), os.Stdin, os.Stdout, os.Stderr)
	}
}

// backupFailed reports an error of package backup, and returns the exit code.
func (e *env) backupFailed(err error) int {
	if errors.Is(err, backup.ErrFaults) {
		return e.fault("%v", err)
	}
	return e.failed(err)
}
