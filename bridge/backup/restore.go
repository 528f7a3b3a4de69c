package backup

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"time"

	"clearback/bridge/control"
	"clearback/bridge/journal"
	"clearback/bridge/runtimestate"
	"clearback/config"
	"clearback/config/file"
)

// Restored is what [Restore] has done.
type Restored struct {
	// Files are the files that were put in place. Kept are the files that were there before, under their new names.
	Files, Kept []string
	// Made is when the archive was written, in UTC. Version is that of the program that wrote it.
	Made    time.Time
	Version string
}

// askTimeout is how long a daemon may take to answer on the control socket. It takes milliseconds.
const askTimeout = 5 * time.Second

// Restore puts the files of an archive in the places that its configuration names: the configuration at o.Config, the
// journal, and secrets below the folder of o.Config. It first checks everything: the archive, the configuration as
// `check` does (but not the secrets, which may be missing), the journal, and that no daemon runs. If it fails, nothing
// has changed. At the end it drops the live state, which belongs to the configuration that was replaced.
func Restore(ctx context.Context, o Options) (Restored, error) {
	return restoreWith(ctx, o, func(w io.Writer) io.Writer { return w })
}

// restoreWith is [Restore]. through wraps each writer, so that tests can let the disk fail.
func restoreWith(ctx context.Context, o Options, through func(io.Writer) io.Writer) (done Restored, err error) {
	if o.Config, err = filepath.Abs(o.Config); err != nil {
		return done, err
	}
	dir, err := os.MkdirTemp("", "clearback-restore-*")
	if err != nil {
		return done, err
	}
	defer func() { err = errors.Join(err, os.RemoveAll(dir)) }()
	m, err := unpack(ctx, o.Archive, dir, through)
	if err != nil {
		return done, fmt.Errorf("%s: %w", o.Archive, err)
	}
	done.Made, done.Version = m.Made, m.Version
	text, err := file.Read(filepath.Join(dir, nameConfiguration))
	if err != nil {
		return done, err
	}
	c, faults := config.ParseWithoutSecrets(o.Config, text)
	if len(faults) > 0 {
		return done, fmt.Errorf("%s: %w:\n%s", o.Archive, ErrFaults, faults)
	}
	files, err := placesOf(ctx, m, c, o.Config, dir)
	if err != nil {
		return done, fmt.Errorf("%s: %w", o.Archive, err)
	}
	all := append([]*config.Config{c}, present(o.Config)...)
	free, err := noDaemon(ctx, all)
	if err != nil {
		return done, err
	}
	defer free()
	p := placer{through: through, stamp: time.Now().UTC().Format("20060102T150405.000Z")}
	defer func() { err = errors.Join(err, p.close()) }()
	for _, f := range files {
		if err := p.prepare(ctx, f); err != nil {
			return done, fmt.Errorf("write %s: %w; nothing was replaced", f.path(f.name), err)
		}
	}
	if err := p.commit(); err != nil {
		return done, err
	}
	done.Files, done.Kept = p.files, p.kept
	for _, c := range all {
		if c.Control.Socket == "" {
			continue
		}
		if err := runtimestate.Drop(runtimestate.Folder(c.Control.Socket)); err != nil {
			return done, fmt.Errorf("the files are restored, but the state of the calls and registrations before is still there: %w; remove the folder %s",
				err, runtimestate.Folder(c.Control.Socket))
		}
	}
	return done, nil
}

// present returns the configuration that is to be replaced, if there is one without faults.
func present(path string) []*config.Config {
	text, err := file.Read(path)
	if err != nil {
		return nil
	}
	c, faults := config.ParseWithoutSecrets(path, text)
	if len(faults) > 0 {
		return nil
	}
	return []*config.Config{c}
}

// placesOf returns where each file of an archive belongs, the configuration last. It refuses places that a
// configuration written by somebody else could misuse: the archive may come from anywhere, and root restores it.
func placesOf(ctx context.Context, m manifest, c *config.Config, configuration, dir string) ([]placement, error) {
	var all []placement
	for _, e := range m.Files {
		from := filepath.Join(dir, e.Name)
		switch {
		case e.Name == nameJournal && c.Journal.File == "":
			return nil, fmt.Errorf("%w: it has a journal, and its configuration none (journal.file: none)", ErrArchive)
		case e.Name == nameJournal:
			if err := journalPlace(c.Journal.File, configuration); err != nil {
				return nil, err
			}
			if err := journal.CheckCopy(ctx, from); err != nil {
				return nil, err
			}
			all = append(all, placement{from: from, base: filepath.Dir(c.Journal.File),
				name: filepath.Base(c.Journal.File), mode: 0o640, beside: []string{"-wal", "-shm"}})
		case e.Place != "":
			base := filepath.Dir(configuration)
			named := func(path string) bool { return filepath.Clean(path) == filepath.Join(base, e.Place) }
			if !slices.ContainsFunc(c.SecretFiles(), named) {
				return nil, fmt.Errorf("%w: it has a secret for %s, which neither its configuration nor the unit names",
					ErrArchive, e.Place)
			}
			all = append(all, placement{from: from, base: base, name: filepath.FromSlash(e.Place), mode: 0o600})
		}
	}
	real := configuration
	if target, err := filepath.EvalSymlinks(configuration); err == nil {
		real = target
	}
	return append(all, placement{from: filepath.Join(dir, nameConfiguration), base: filepath.Dir(real),
		name: filepath.Base(real), mode: 0o644}), nil
}

// journalPlace refuses to let root write a journal where it does not belong. Other users can only write where they may.
func journalPlace(path, configuration string) error {
	dir := filepath.Dir(path)
	info, err := os.Stat(dir)
	if err != nil {
		return fmt.Errorf("the folder of the journal: %w; start the daemon's unit once, or create the folder for the daemon's user",
			err)
	}
	owner, ok := info.Sys().(*syscall.Stat_t)
	if os.Geteuid() != 0 || dir == filepath.Dir(configuration) || strings.HasPrefix(dir, "/var/lib/") ||
		ok && owner.Uid != 0 {
		return nil
	}
	return fmt.Errorf("its configuration places the journal at %s, in a folder of root; only folders below /var/lib, the folder of the configuration, and folders of the daemon's user are allowed",
		path)
}

// noDaemon makes sure that no daemon runs with one of the configurations, and keeps daemons from writing the journals
// until free is called.
func noDaemon(ctx context.Context, all []*config.Config) (free func(), err error) {
	var locks []func()
	free = func() {
		for _, f := range locks {
			f()
		}
	}
	locked := map[string]bool{"": true}
	for _, c := range all {
		if err = answers(ctx, c.Control.Socket); err != nil {
			break
		}
		if locked[c.Journal.File] {
			continue
		}
		locked[c.Journal.File] = true
		unlock, lockErr := journal.Lock(c.Journal.File)
		if errors.Is(lockErr, journal.ErrInUse) {
			err = fmt.Errorf("%w: it writes %s; stop it (systemctl stop clearback) and try again", ErrRunning, c.Journal.File)
			break
		}
		if lockErr == nil { // otherwise there is no such folder, or placing the journal fails too
			locks = append(locks, unlock)
		}
	}
	if err != nil {
		free()
		return nil, err
	}
	return free, nil
}

// answers returns an error if a daemon uses the socket, or may use it.
func answers(ctx context.Context, socket string) error {
	if socket == "" {
		return nil
	}
	ctx, cancel := context.WithTimeout(ctx, askTimeout)
	defer cancel()
	k := control.NewClient(socket)
	defer k.Close()
	switch _, err := k.Daemon(ctx); {
	case errors.Is(err, control.ErrNotRunning):
		return nil
	case err != nil:
		return fmt.Errorf("%w, or it cannot be found out whether it is: %w", ErrRunning, err)
	}
	return fmt.Errorf("%w and answers at %s; stop it (systemctl stop clearback) and try again", ErrRunning, socket)
}
