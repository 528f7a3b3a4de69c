// Package backup saves what a daemon needs to serve its lines on another machine or after a mistake, and puts it back:
// the configuration file, the journal with what the lines have learnt, and on request the secrets. One archive holds
// all of it.
//
// An archive is written whole or not at all, and replaces no file. Nothing is put back before all of it is known to be
// good, and never while a daemon runs. What is replaced stays beside the new file.
package backup

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"

	"clearback/bridge/journal"
	"clearback/config"
	"clearback/config/file"
)

// Errors of [Make] and [Restore]. Their texts say what to do.
var (
	// ErrFaults means that the configuration, that of the archive or the one to save, has faults.
	ErrFaults = errors.New("the configuration has faults")
	// ErrArchive means that the archive is damaged, or is not one that [Make] writes.
	ErrArchive = errors.New("not an intact backup")
	// ErrRunning means that a daemon runs, or may run, with the files that would be replaced.
	ErrRunning = errors.New("the daemon is running")
)

// Options are the options of [Make] and [Restore].
type Options struct {
	Archive string // path of the archive
	Config  string // path of the configuration file
	Version string // of the program, for the archive
	// Secrets adds the files with secrets. [Restore] ignores it.
	Secrets bool
}

// Made is what [Make] has written.
type Made struct {
	// Journal is the path of the journal in the archive; "" if there was none to save.
	Journal string
	// Secrets are the paths of the files with secrets in the archive. LeftOut are those that are not in it.
	Secrets, LeftOut []string
}

// Make writes an archive with mode 0600. The daemon may run meanwhile. If it fails, there is no archive, and no file
// that was there before has changed. Only files with secrets below the folder of the configuration are saved, because
// [Restore] writes nothing elsewhere.
func Make(ctx context.Context, o Options) (Made, error) {
	return makeWith(ctx, o, func(w io.Writer) io.Writer { return w })
}

// makeWith is [Make]. through wraps the writer of the archive, so that tests can let the disk fail.
func makeWith(ctx context.Context, o Options, through func(io.Writer) io.Writer) (made Made, err error) {
	if o.Config, err = filepath.Abs(o.Config); err != nil {
		return made, err
	}
	text, err := file.Read(o.Config)
	if err != nil {
		return made, fmt.Errorf("read the configuration: %w", err)
	}
	c, faults := config.ParseWithoutSecrets(o.Config, text)
	if len(faults) > 0 {
		return made, fmt.Errorf("%w, and could not be restored; correct them first:\n%s", ErrFaults, faults)
	}
	if _, err := os.Lstat(o.Archive); !errors.Is(err, fs.ErrNotExist) {
		return made, fmt.Errorf("%s exists already or cannot be examined; choose another name", o.Archive)
	}
	// The folder is only for this user, like the archive, because SQLite chooses the mode of the journal's copy.
	dir, err := os.MkdirTemp(filepath.Dir(o.Archive), ".clearback-backup-*")
	if err != nil {
		return made, err
	}
	defer func() { err = errors.Join(err, os.RemoveAll(dir)) }()

	parts := []part{{name: nameConfiguration, data: text}}
	if c.Journal.File != "" {
		copied := filepath.Join(dir, nameJournal)
		switch err := journal.Copy(ctx, c.Journal.File, copied); {
		case err == nil:
			made.Journal = c.Journal.File
			parts = append(parts, part{name: nameJournal, path: copied})
		case !errors.Is(err, journal.ErrNotFound):
			return made, err
		}
	}
	for _, path := range c.SecretFiles() {
		within, err := filepath.Rel(filepath.Dir(o.Config), path)
		if !o.Secrets || err != nil || !filepath.IsLocal(within) {
			made.LeftOut = append(made.LeftOut, path)
			continue
		}
		secret, err := file.Read(path)
		if err != nil {
			return made, fmt.Errorf("read a secret: %w", err)
		}
		made.Secrets = append(made.Secrets, path)
		parts = append(parts, part{name: secretName(len(made.Secrets)), data: secret,
			place: filepath.ToSlash(within)})
	}
	whole := filepath.Join(dir, "backup")
	err = writeFile(whole, func(w io.Writer) error { return write(ctx, through(w), o.Version, parts) })
	if err != nil {
		return made, fmt.Errorf("write the backup: %w", err)
	}
	return made, rename(whole, o.Archive)
}

// writeFile creates a file of mode 0600 and flushes it to the disk.
func writeFile(path string, fill func(io.Writer) error) error {
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if err != nil {
		return err
	}
	if err = fill(f); err == nil {
		err = f.Sync()
	}
	return errors.Join(err, f.Close())
}

// rename moves a file to a name that must be free.
func rename(from, to string) error {
	err := os.Link(from, to) // unlike a rename, it never replaces a file
	if err != nil && !errors.Is(err, fs.ErrExist) {
		// The file system has no links, such as that of a memory stick.
		if _, missing := os.Lstat(to); errors.Is(missing, fs.ErrNotExist) {
			err = os.Rename(from, to)
		}
	}
	if err != nil {
		return err
	}
	return syncFolder(filepath.Dir(to))
}

// syncFolder makes new names in a folder outlast a power cut.
func syncFolder(path string) error {
	d, err := os.Open(path)
	if err != nil {
		return err
	}
	_ = d.Sync() // some file systems cannot flush a folder
	return d.Close()
}
