package setup

import (
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"syscall"

	"clearback/config/file"
)

// suffixes end the names of the secrets' files, by the keys of the questions. The name of the line comes before them.
var suffixes = map[string]string{"password": "-service", "adapter-password": "-adapter"}

// answersFile is where the answers are kept until the end.
func (s *setup) answersFile() string { return s.o.Path + ".setup" }

// lock keeps a second setup away from the folder of the file, until free is called or the process ends.
func (s *setup) lock() (free func(), err error) {
	dir := filepath.Dir(s.o.Path)
	if err := ownFolder(dir); err != nil {
		return nil, err
	}
	f, err := os.Open(dir)
	if err != nil {
		return nil, err
	}
	if err := syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB); err != nil {
		_ = f.Close()
		return nil, fmt.Errorf("another setup is at work in %s; end it first: %w", dir, err)
	}
	return func() {
		_ = syscall.Flock(int(f.Fd()), syscall.LOCK_UN) // whatever copies of the descriptor a new process holds
		_ = f.Close()
	}, nil
}

// restore reads what an earlier run has kept.
func (s *setup) restore() error {
	s.kept = map[string]string{}
	text, err := file.Read(s.answersFile())
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return s.save()
	case err != nil:
		return err
	}
	if err = json.Unmarshal(text, &s.kept); err == nil && s.kept == nil {
		err = errors.New("it is null")
	}
	if err != nil {
		return fmt.Errorf("%s is not what setup has written: %w; delete it to begin anew", s.answersFile(), err)
	}
	s.person.Say("Continuing where setup stopped. To begin anew, end it and delete %s.", s.answersFile())
	return nil
}

// keep keeps an answer, now and for a later run.
func (s *setup) keep(key, v string) error {
	if s.kept[key] == v {
		return nil
	}
	s.kept[key] = v
	return s.save()
}

func (s *setup) save() error {
	text, err := json.MarshalIndent(s.kept, "", "  ")
	if err != nil {
		return err
	}
	return put(s.answersFile(), append(text, '\n'), 0o600, true)
}

// sealed returns where the file says that a secret is.
func (s *setup) sealed(name string) string {
	if s.o.Credential(name) != "" {
		return asCredential(name)
	}
	return fmt.Sprintf("{file: secrets/%s}", name)
}

func asCredential(name string) string { return fmt.Sprintf("{credential: %s}", name) }

// secretFile returns the path of a secret: where the unit reads it, else beside the configuration file.
func (s *setup) secretFile(name string) string {
	if path := s.o.Credential(name); path != "" {
		return path
	}
	return filepath.Join(filepath.Dir(s.o.Path), "secrets", name)
}

// lineFile returns the path of a secret of the line.
func (s *setup) lineFile(key string) string { return s.secretFile(s.kept["line"] + suffixes[key]) }

// inFile is kept as the answer that is a secret.
const inFile = "in its file"

// store writes a secret of the line into its file. A file that is not setup's own is never replaced.
func (s *setup) store(key, secret string) error {
	if s.stored(key) == secret {
		return nil
	}
	path := s.lineFile(key)
	if err := os.MkdirAll(filepath.Dir(path), 0o700); err != nil {
		return err
	}
	if err := ownFolder(filepath.Dir(path)); err != nil {
		return err
	}
	if err := put(path, []byte(secret+"\n"), 0o600, s.kept[key] != ""); err != nil {
		return err
	}
	return s.keep(key, inFile)
}

// stored returns a secret of the line that setup has written, "" if there is none.
func (s *setup) stored(key string) string {
	if s.kept[key] != inFile {
		return ""
	}
	text, err := file.Read(s.lineFile(key))
	if err != nil {
		return "" // it is asked for again
	}
	return strings.TrimSuffix(string(text), "\n")
}

func exists(path string) bool {
	_, err := os.Lstat(path)
	return err == nil
}

// ownFolder returns an error if another user may exchange files in a folder.
func ownFolder(dir string) error {
	info, err := os.Stat(dir)
	if errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("%s does not exist; create it first: sudo mkdir -p %[1]s", dir)
	} else if err != nil {
		return err
	}
	if owner, ok := info.Sys().(*syscall.Stat_t); ok && int(owner.Uid) == os.Geteuid() && info.Mode()&0o022 == 0 {
		return nil
	}
	return fmt.Errorf("%s belongs to another user or may be changed by others; run setup as its owner (sudo), take that right away (chmod go-w), or name a file in a folder of your own with --config",
		dir)
}

// put writes a whole file, or nothing. Unless replace is set, a file that is there is an error.
func put(path string, text []byte, mode fs.FileMode, replace bool) (err error) {
	half := path + ".new"
	if err := os.Remove(half); err != nil && !errors.Is(err, fs.ErrNotExist) { // of a run that was killed
		return err
	}
	f, err := os.OpenFile(half, os.O_WRONLY|os.O_CREATE|os.O_EXCL, mode)
	if err != nil {
		return err
	}
	_, err = f.Write(text)
	if err = errors.Join(err, f.Chmod(mode), f.Sync(), f.Close()); err == nil {
		if replace {
			return os.Rename(half, path)
		}
		err = os.Link(half, path)
	}
	return errors.Join(err, os.Remove(half))
}
