// Package livestate keeps small pieces of state that a daemon needs again after a restart, such as where the adapters
// are registered. Each piece is a file of its own in one folder.
//
// [Store.Put] never waits for the disk. A goroutine writes what was put, each file whole: it writes and flushes a new
// file, which then replaces the old one. So a kill or a power cut leaves either the old state or the new one.
//
// The state belongs to this machine and to now. A backup does not contain it, and whoever reads it decides whether it
// is still true.
package livestate

import (
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"time"

	"go.uber.org/zap"
)

const (
	suffix    = ".json"
	newSuffix = ".new" // a file that is being written
	// maxSize bounds a file that is read, in bytes. Our own number: pieces take less than a kilobyte.
	maxSize = 1 << 20
	// remind is how often a disk that refuses is logged again. Our own number.
	remind = 15 * time.Minute
	// firstRead is how long Open waits for the disk, as package journal does.
	firstRead = time.Second
	// retry is the pause after a failure.
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
func Folder(socket string) string { return socket + ".live" }

// Drop removes the pieces in a folder that no Store has open, such as when another configuration takes its place. It
// follows no symbolic link out of the folder's parent. A folder that does not exist is no error.
func Drop(dir string) (err error) {
	parent, err := os.OpenRoot(filepath.Dir(dir))
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, parent.Close()) }()
	entries, err := fs.ReadDir(parent.FS(), filepath.Base(dir))
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	for _, e := range entries {
		if strings.HasSuffix(e.Name(), suffix) || strings.HasSuffix(e.Name(), newSuffix) {
			err = errors.Join(err, parent.Remove(filepath.Join(filepath.Base(dir), e.Name())))
		}
	}
	return err
}

// Open reads the folder. If it does not exist, Open creates it, for the owner only; its parent must exist. Open waits
// at most a second for the disk. After that, and if the folder cannot be read, the store begins empty. What cannot be
// written is tried again for as long as the store is open.
func Open(dir string, log *zap.Logger) *Store {
	s := &Store{dir: dir, log: log.With(zap.String("folder", dir)), pending: map[string][]byte{},
		wake: make(chan struct{}, 1), quit: make(chan struct{}), ended: make(chan struct{})}
	read := make(chan struct{})
	go func() {
		defer close(s.ended)
		s.read()
		close(read)
		s.run()
	}()
	select {
	case <-read:
	case <-time.After(firstRead):
		s.log.Error("the disk does not respond; the daemon starts without what it knew before")
	}
	return s
}

// read reads all files of the folder. What cannot be read is logged and left alone.
func (s *Store) read() {
	found := map[string][]byte{}
	if err := os.Mkdir(s.dir, 0o700); err != nil && !errors.Is(err, fs.ErrExist) {
		s.log.Error("what a restart needs to know cannot be kept", zap.Error(err))
		return
	}
	entries, err := os.ReadDir(s.dir)
	if err != nil {
		s.log.Error("what the daemon knew before cannot be read", zap.Error(err))
	}
	for _, e := range entries {
		name, ours := strings.CutSuffix(e.Name(), suffix)
		if info, err := e.Info(); !ours || err != nil || !info.Mode().IsRegular() || info.Size() > maxSize {
			continue
		}
		text, err := os.ReadFile(s.path(name))
		if err != nil {
			s.log.Error("what the daemon knew before cannot be read", zap.Error(err))
			continue
		}
		found[name] = text
	}
	s.mu.Lock()
	s.found = found
	s.mu.Unlock()
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
		return fmt.Errorf("%q cannot be a file name here", name)
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
// piece that was damaged, such as by a power cut, is an error.
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

// Close writes what was put, for at most patience, and ends the goroutine. Nothing may be put afterwards.
func (s *Store) Close(patience time.Duration) error {
	close(s.quit)
	select {
	case <-s.ended:
	case <-time.After(patience):
		return fmt.Errorf("%s: the disk has not responded for %v", s.dir, patience)
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
	var told time.Time
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
			if time.Since(told) >= remind {
				told = time.Now()
				s.log.Error("what a restart needs to know cannot be saved; after a restart the lines do not ring until their adapters have registered anew",
					zap.Error(err))
			}
		} else {
			told = time.Time{}
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
	for name, text := range todo {
		one := s.replace(name, text)
		if one == nil {
			continue
		}
		err = errors.Join(err, one)
		s.mu.Lock()
		if _, newer := s.pending[name]; !newer {
			s.pending[name] = text
		}
		s.mu.Unlock()
	}
	return errors.Join(err, flush(s.dir))
}

func (s *Store) replace(name string, text []byte) error {
	path := s.path(name)
	if text == nil {
		if err := os.Remove(path); !errors.Is(err, fs.ErrNotExist) {
			return err
		}
		return nil
	}
	beside := strings.TrimSuffix(path, suffix) + newSuffix
	f, err := os.OpenFile(beside, os.O_WRONLY|os.O_CREATE|os.O_TRUNC, 0o600)
	if err != nil {
		return err
	}
	_, err = f.Write(text)
	if err = errors.Join(err, f.Sync(), f.Close()); err != nil {
		return errors.Join(err, os.Remove(beside))
	}
	return os.Rename(beside, path)
}

// flush makes the new names in a folder survive a power cut.
func flush(dir string) error {
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	return errors.Join(d.Sync(), d.Close())
}
