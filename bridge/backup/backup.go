// Package backup saves what a daemon needs to serve its lines on another machine or after a mistake, and puts it back:
// the configuration file, the journal with what the lines have learnt, and on request the secrets. One archive holds
// all of it.
//
// An archive is written whole or not at all, and replaces no file. Restoring writes nothing before all of it is known
// to be good, and never while a daemon runs. It does not forget what the present journal holds for people's safety: see
// [Restore].
//
// # Places and rights
//
// An archive does not choose where its files go. The configuration goes to the path that the user names. Secrets go
// into the folder "secrets" beside it. The journal goes to where the present configuration has it, or to the default
// place; if the new configuration names another one, nothing is restored.
//
// Whoever may write a folder can put links there and lead root anywhere. So the configuration, the secrets and the
// archive must be in folders that nobody but root and the present user controls. What is done in the folders of the
// journal and of the runtime state, which belong to the daemon's user, root does in a process with that user's rights.
package backup

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

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

// secretsFolder is the folder of secrets beside the configuration file. The service unit loads the credentials from it.
const secretsFolder = "secrets"

// cutSecret returns the name of a secret from its name in an archive.
func cutSecret(name string) (string, bool) { return strings.CutPrefix(name, secretsPrefix) }

// Options are the options of [Make] and [Restore].
type Options struct {
	Archive string // path of the archive
	Config  string // path of the configuration file
	Version string // of the program, for the archive and the journal
	// Secrets adds the files with secrets. [Restore] ignores it.
	Secrets bool
}

// hooks let tests act where the process may be killed.
type hooks struct {
	step func() error // called before each change in the places of the files
}

func (h hooks) before() error {
	if h.step == nil {
		return nil
	}
	return h.step()
}

// Made is what [Make] has written.
type Made struct {
	// Journal is the path of the journal in the archive, "" if there was none to save.
	Journal string
	// Secrets are the paths of the files with secrets in the archive. LeftOut are those that are not in it.
	Secrets, LeftOut []string
}

// Make writes an archive with mode 0600. The daemon may run meanwhile. If it fails, there is no archive, and no file
// that was there before has changed. Of the files with secrets, only those in the folder "secrets" beside the
// configuration file can be saved, because [Restore] puts them nowhere else.
func Make(ctx context.Context, o Options) (made Made, err error) {
	if o.Config, err = filepath.Abs(o.Config); err != nil {
		return made, err
	}
	if o.Archive, err = filepath.Abs(o.Archive); err != nil {
		return made, err
	}
	if err := errors.Join(own(filepath.Dir(o.Config), false), own(filepath.Dir(o.Archive), false)); err != nil {
		return made, err
	}
	text, err := file.Read(o.Config)
	if err != nil {
		return made, fmt.Errorf("read the configuration: %w", err)
	}
	c, faults := config.ParseForBackup(o.Config, text)
	if len(faults) > 0 {
		return made, fmt.Errorf("%w, so its backup could not be restored; correct them first:\n%s", ErrFaults, faults)
	}
	if _, err := os.Lstat(o.Archive); !errors.Is(err, fs.ErrNotExist) {
		return made, fmt.Errorf("%s exists already or cannot be examined; choose another name", o.Archive)
	}
	dir, err := tempFolder("clearback-backup-*")
	if err != nil {
		return made, err
	}
	defer func() { err = errors.Join(err, os.RemoveAll(dir)) }()
	if err := writeText(filepath.Join(dir, nameConfiguration), text); err != nil {
		return made, err
	}
	names := []string{nameConfiguration}
	if c.Journal.File != "" {
		switch err := saveJournal(ctx, &c.Journal, filepath.Join(dir, nameJournal)); {
		case err == nil:
			made.Journal = c.Journal.File
			names = append(names, nameJournal)
		case !errors.Is(err, journal.ErrNotFound) && !errors.Is(err, errNoFolder):
			return made, err
		}
	}
	secrets, err := made.saveSecrets(o, c, dir)
	if err != nil {
		return made, err
	}
	// The temporary name is one that nobody can foresee, and a link never replaces a file.
	f, err := os.CreateTemp(filepath.Dir(o.Archive), ".clearback-backup-*")
	if err != nil {
		return made, err
	}
	defer func() { err = errors.Join(err, os.Remove(f.Name())) }()
	err = write(ctx, f, o.Version, dir, append(names, secrets...))
	if err = errors.Join(err, f.Sync(), f.Close()); err != nil {
		return made, fmt.Errorf("write the backup: %w", err)
	}
	if err := os.Link(f.Name(), o.Archive); err != nil {
		return made, fmt.Errorf("%w; if the file system has no hard links, write the backup elsewhere and copy it", err)
	}
	syncFolder(o.Archive)
	return made, nil
}

// journalLimit is the size in bytes of a journal, 20 million calls, above which another process that copies it is
// ended: that process may be under somebody's control. Our own figure. A larger journal.max_size counts instead.
const journalLimit = 10 << 30

// saveJournal writes a copy of a journal to the new file to.
func saveJournal(ctx context.Context, j *config.Journal, to string) error {
	return writeFile(to, func(w io.Writer) error {
		bounded := &limitedWriter{w, max(journalLimit, j.MaxSize)}
		_, err := task{Do: doCopy, Path: j.File}.run(ctx, nil, bounded, hooks{})
		if bounded.left < 0 {
			return fmt.Errorf("%s is larger than journal.max_size; raise journal.max_size to its size, or lower it and start the daemon once",
				j.File)
		}
		return err
	})
}

// limitedWriter fails once more bytes have been written than are left.
type limitedWriter struct {
	io.Writer
	left int64
}

func (l *limitedWriter) Write(p []byte) (int, error) {
	if l.left -= int64(len(p)); l.left < 0 {
		return 0, io.ErrShortWrite
	}
	return l.Writer.Write(p)
}

// tempFolder makes a folder for the files of one command, where nobody else controls the way to it.
func tempFolder(pattern string) (string, error) {
	at, err := filepath.Abs(os.TempDir())
	if err == nil {
		err = own(at, false)
	}
	if err != nil {
		return "", fmt.Errorf("TMPDIR: %w", err)
	}
	return os.MkdirTemp(at, pattern)
}

// saveSecrets copies the secrets that are to be saved into dir, and returns their names in the archive.
func (m *Made) saveSecrets(o Options, c *config.Config, dir string) (names []string, err error) {
	folder := filepath.Join(filepath.Dir(o.Config), secretsFolder)
	for _, path := range c.SecretFiles() {
		path, name := filepath.Clean(path), filepath.Base(path)
		if !o.Secrets || path != filepath.Join(folder, name) || !validSecretName(name) {
			m.LeftOut = append(m.LeftOut, path)
			continue
		}
		if err := own(folder, true); err != nil {
			return nil, fmt.Errorf("read a secret: %w", err)
		}
		if _, err := regular(path); err != nil {
			return nil, fmt.Errorf("read a secret: %w", err)
		}
		text, err := file.Read(path)
		if err != nil {
			return nil, fmt.Errorf("read a secret: %w", err)
		}
		m.Secrets = append(m.Secrets, path)
		names = append(names, secretsPrefix+name)
		if err := writeText(unpacked(dir, secretsPrefix+name), text); err != nil {
			return nil, err
		}
	}
	return names, nil
}

// regular describes the regular file at path. It returns nil if there is no such file. Anything else, such as a link,
// is an error.
func regular(path string) (fs.FileInfo, error) {
	info, err := os.Lstat(path)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return nil, nil
	case err == nil && !info.Mode().IsRegular():
		return nil, fmt.Errorf("%s is not a regular file; move it away", path)
	}
	return info, err
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

func writeText(path string, text []byte) error {
	return writeFile(path, func(w io.Writer) error {
		_, err := w.Write(text)
		return err
	})
}

// syncFolder makes new names in the folder of path outlast a power cut. Some file systems cannot do that, so there is
// no error.
func syncFolder(path string) {
	if d, err := os.Open(filepath.Dir(path)); err == nil {
		_ = d.Sync()
		_ = d.Close()
	}
}
