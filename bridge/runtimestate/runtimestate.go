// Package runtimestate keeps small pieces of state over a restart of the daemon, such as where the adapters are
// registered. Each piece is a file of its own in one folder.
//
// [Store.Put] never waits for the disk. A goroutine writes what was put, each file whole: it writes and flushes a new
// file, which then replaces the old one. So a kill or a power cut leaves either the old state or the new one.
//
// The state is short-lived and belongs to this machine, so do not back it up. The reader decides whether it is still
// valid.
package runtimestate

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"syscall"
	"time"

	"go.uber.org/zap"
)

const (
	suffix     = ".json"
	tempSuffix = ".new" // of a file that is being written
	// maxSize bounds a file that is read, in bytes. Our own number: pieces take less than a kilobyte.
	maxSize = 1 << 20
	// remind is the interval between log entries while writing fails. Our own number.
	remind = 15 * time.Minute
	// firstRead is how long Open waits for the disk, as package journal does.
	firstRead = time.Second
	// retry is the pause after a failure. Our own number.
	retry = time.Second
)

// validName is what the name of a piece may consist of, so that it is also a file name.
var validName = regexp.MustCompile(`^[A-Za-z0-9][A-Za-z0-9._-]{0,127}$`)

// Store is an open folder. Its methods may be called from any goroutine.
type Store struct {
	dir string
	log *zap.Logger

	mu      sync.Mutex
	found   map[string][]byte // what the folder held when it was opened; nil: not read
	pending map[string][]byte // what is to be written, by name; nil: to be removed
	wake    chan struct{}     // one slot: one signal stands for everything in pending
	quit    chan struct{}
	ended   chan struct{}
}

// Folder returns the folder of the daemon whose control socket is at that path.
func Folder(socket string) string { return socket + ".state" }

// Open reads the folder. If it does not exist, Open creates it, for the owner only; its parent must exist. A folder
// that others may use, or that belongs to somebody else, is neither read nor written. Open waits at most a second for
// the disk. After that, and if the folder cannot be read, the store begins empty. What cannot be written is tried again
// for as long as the store is open.
func Open(dir string, log *zap.Logger) *Store {
	s := &Store{dir: dir, log: log.With(zap.String("folder", dir)), pending: map[string][]byte{},
		wake: make(chan struct{}, 1), quit: make(chan struct{}), ended: make(chan struct{})}
	read := make(chan struct{})
	go func() {
		defer close(s.ended)
		if err := s.read(); err != nil {
			s.log.Error("cannot read the saved state", zap.Error(err))
		}
		close(read)
		s.run()
	}()
	select {
	case <-read:
	case <-time.After(firstRead):
		s.log.Error("the disk does not respond; starting without the saved state")
	}
	return s
}

// prepare creates the folder if it does not exist, and checks that nobody else can use it.
func (s *Store) prepare() error {
	if err := os.Mkdir(s.dir, 0o700); err != nil && !errors.Is(err, fs.ErrExist) {
		return err
	}
	info, err := os.Lstat(s.dir)
	if err != nil {
		return err
	}
	owner, ok := info.Sys().(*syscall.Stat_t)
	if !info.IsDir() || info.Mode().Perm()&0o077 != 0 || !ok || int(owner.Uid) != os.Geteuid() {
		return fmt.Errorf("%s is not a folder that only this user may use; remove it", s.dir)
	}
	return nil
}

// read reads all files of the folder. It skips what is no file of ours.
func (s *Store) read() error {
	if err := s.prepare(); err != nil {
		return err
	}
	entries, err := os.ReadDir(s.dir)
	found := map[string][]byte{}
	for _, e := range entries {
		if name, ours := strings.CutSuffix(e.Name(), suffix); ours && e.Type().IsRegular() {
			text, readErr := readFile(s.path(name))
			if readErr == nil {
				found[name] = text
			}
			err = errors.Join(err, readErr)
		}
	}
	s.mu.Lock()
	s.found = found
	s.mu.Unlock()
	return err
}

func readFile(path string) ([]byte, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	text, err := io.ReadAll(io.LimitReader(f, maxSize+1))
	if err == nil && len(text) > maxSize {
		return nil, fmt.Errorf("%s is longer than %d bytes", path, maxSize)
	}
	return text, err
}

// Put replaces the piece of that name by v, as JSON. The latest Put counts. A name consists of letters, digits and
// ". _ -", and begins with a letter or digit.
func (s *Store) Put(name string, v any) error {
	text, err := json.Marshal(v)
	if err != nil {
		return err
	}
	return s.put(name, text)
}

// Remove removes the piece of that name, if there is one.
func (s *Store) Remove(name string) error { return s.put(name, nil) }

func (s *Store) put(name string, text []byte) error {
	if !validName.MatchString(name) {
		return fmt.Errorf("invalid name %q: use letters, digits and . _ -, beginning with a letter or digit", name)
	}
	s.mu.Lock()
	s.pending[name] = text
	s.mu.Unlock()
	select {
	case s.wake <- struct{}{}:
	default: // a signal is pending
	}
	return nil
}

// Get reads the piece of that name into v, as it was when the store was opened. It returns false if there was none. A
// piece that was damaged, for example by a power cut, is an error.
func (s *Store) Get(name string, v any) (bool, error) {
	s.mu.Lock()
	text, ok := s.found[name]
	s.mu.Unlock()
	if !ok {
		return false, nil
	}
	if err := json.Unmarshal(text, v); err != nil {
		return false, fmt.Errorf("%s: %w", s.path(name), err)
	}
	return true, nil
}

// Close writes what was put, for at most timeout, and ends the goroutine. Nothing may be put afterwards.
func (s *Store) Close(timeout time.Duration) error {
	close(s.quit)
	select {
	case <-s.ended:
	case <-time.After(timeout):
		return fmt.Errorf("%s: the disk has not responded for %v", s.dir, timeout)
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if n := len(s.pending); n > 0 {
		return fmt.Errorf("%s: files that could not be written: %d", s.dir, n)
	}
	return nil
}

func (s *Store) path(name string) string { return filepath.Join(s.dir, name+suffix) }

func (s *Store) run() {
	var again <-chan time.Time
	var lastLogged time.Time
	for last := false; !last; {
		select {
		case <-s.quit:
			last = true
		case <-s.wake:
		case <-again:
		}
		again = nil
		if err := s.write(); err != nil {
			again = time.After(retry)
			if time.Since(lastLogged) >= remind {
				lastLogged = time.Now()
				s.log.Error("cannot save state", zap.Error(err))
			}
		} else {
			lastLogged = time.Time{}
		}
	}
}

// write writes everything that is pending. What fails stays pending, unless it has been put again.
func (s *Store) write() (err error) {
	s.mu.Lock()
	todo := s.pending
	s.pending = map[string][]byte{}
	s.mu.Unlock()
	if len(todo) == 0 {
		return nil
	}
	notReady := s.prepare()
	for name, text := range todo {
		failed := notReady
		if failed == nil {
			failed = s.replace(name, text)
		}
		if failed == nil {
			continue
		}
		err = failed
		s.mu.Lock()
		if _, newer := s.pending[name]; !newer {
			s.pending[name] = text
		}
		s.mu.Unlock()
	}
	flush(s.dir)
	return err
}

func (s *Store) replace(name string, text []byte) error {
	path := s.path(name)
	if text == nil {
		if err := os.Remove(path); !errors.Is(err, fs.ErrNotExist) {
			return err
		}
		return nil
	}
	temp := filepath.Join(s.dir, name+tempSuffix)
	f, err := os.OpenFile(temp, os.O_WRONLY|os.O_CREATE|os.O_TRUNC, 0o600)
	if err != nil {
		return err
	}
	_, err = f.Write(text)
	if err = errors.Join(err, f.Sync(), f.Close()); err != nil {
		return errors.Join(err, os.Remove(temp))
	}
	return os.Rename(temp, path)
}

// flush makes the names in a folder survive a power cut. The files are in place in any case, so an error is not
// reported.
func flush(dir string) {
	if d, err := os.Open(dir); err == nil {
		_ = d.Sync()
		_ = d.Close()
	}
}
