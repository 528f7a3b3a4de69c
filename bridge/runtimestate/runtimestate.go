// Package runtimestate keeps small pieces of state over a restart of the daemon, such as where the adapters are
// registered and the calls that are up. Each piece is a file of its own in one folder.
//
// [Store.Put] never waits for the disk. A goroutine writes what was put, each file whole: it writes and flushes a new
// file, which then replaces the old one. So a kill or a power cut leaves either the old state or the new one.
//
// The state is short-lived and belongs to this machine, so do not back it up. The reader decides whether it is still
// valid.
package runtimestate

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
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
	// maxFiles bounds the files that are read. Our own number: more than all lines have calls.
	maxFiles = 8192
	// remind is the interval between log entries while writing fails. Our own number.
	remind = 15 * time.Minute
	// firstRead is how long Open waits for the disk, as package journal does.
	firstRead = time.Second
	// retry is the pause after a failure. Our own number.
	retry = time.Second
	// removeAfter is how long a removal waits, unless the store is closed. A call's state is removed when the call
	// ends, and the command that opens the loop comes first. Our own number: many times as long as that takes.
	removeAfter = 20 * time.Millisecond
)

// nameMax is the length of the longest name, in bytes. In the pattern it would cost every start milliseconds.
const nameMax = 128

// validName is what the name of a piece may consist of, so that it is also a file name.
var validName = regexp.MustCompile(`^[A-Za-z0-9][A-Za-z0-9._-]*$`)

// Store is an open folder. Its methods may be called from any goroutine.
type Store struct {
	dir   string
	stale string // as in Open
	log   *zap.Logger

	lock *os.File // the folder, locked against other daemons; owned by the goroutine; nil: not locked

	mu      sync.Mutex
	found   map[string][]byte // what the folder held when it was opened; nil: not read
	late    bool              // the folder was not read in time
	pending map[string]write  // what is to be written, by name
	wake    chan struct{}     // one slot: one signal stands for everything in pending
	quit    chan struct{}
	ended   chan struct{}
}

// write is a piece to be written.
type write struct {
	text []byte        // nil: to be removed
	done []func(error) // called with the outcome of the first attempt
}

// ErrInUse means that another process uses the folder.
var ErrInUse = errors.New("the folder is used by another daemon")

// folderSuffix ends the name of a folder.
const folderSuffix = ".state"

// Folder returns the folder of the daemon whose control socket is at that path.
func Folder(socket string) string { return socket + folderSuffix }

// CopyFolder returns the folder in which that daemon keeps copies of what has to survive a power cut: beside its
// journal, since [Folder] is usually in memory. The name contains the socket's path, so that two daemons do not share
// the folder. It is "" if there is no journal, or if the two files are in the same folder and no copy is needed.
func CopyFolder(socket, journal string) string {
	dir := filepath.Dir(journal)
	if socket == "" || journal == "" || dir == filepath.Dir(socket) {
		return ""
	}
	return filepath.Join(dir, strings.ReplaceAll(strings.Trim(socket, "/"), "/", "-")+folderSuffix)
}

// Pieces returns the state in a folder that no Store has open, by name. It skips what cannot be read. A folder that
// does not exist is no error, and neither is a symbolic link, which no Store uses. The error is [ErrInUse] if a Store
// has the folder open.
func Pieces(dir string) (all map[string][]byte, err error) {
	all = map[string][]byte{}
	return all, unused(dir, func(entries []fs.DirEntry) error {
		for _, e := range entries {
			if name, ours := strings.CutSuffix(e.Name(), suffix); ours && e.Type().IsRegular() && len(all) < maxFiles {
				if text, err := readFile(filepath.Join(dir, e.Name())); err == nil {
					all[name] = text
				}
			}
		}
		return nil
	})
}

// Drop removes the state in a folder, such as when another configuration takes its place. It removes no other file. The
// errors are those of [Pieces].
func Drop(dir string) error {
	return unused(dir, func(entries []fs.DirEntry) (err error) {
		for _, e := range entries {
			if strings.HasSuffix(e.Name(), suffix) || strings.HasSuffix(e.Name(), tempSuffix) {
				err = errors.Join(err, os.Remove(filepath.Join(dir, e.Name())))
			}
		}
		return err
	})
}

// unused calls f with what is in a folder, which no Store can open meanwhile.
func unused(dir string, f func([]fs.DirEntry) error) error {
	info, err := os.Lstat(dir)
	if errors.Is(err, fs.ErrNotExist) || err == nil && !info.IsDir() {
		return nil
	}
	if err != nil {
		return err
	}
	s := &Store{dir: dir}
	if err := s.claim(info); err != nil {
		return err
	}
	defer s.lock.Close()
	entries, err := os.ReadDir(dir)
	return errors.Join(err, f(entries))
}

// Open reads the folder. If it does not exist, Open creates it, for the owner only; its parent must exist. A folder
// that others may use, that belongs to somebody else, or that another process has open, is neither read nor written.
// Open waits at most a second for the disk. After that, and if the folder cannot be read, the store begins empty. What
// is read later is removed if its name begins with stale. What cannot be written is tried again for as long as the
// store is open.
func Open(dir, stale string, log *zap.Logger) *Store {
	s := newStore(dir, stale, log)
	select {
	case <-s.begin():
	case <-time.After(firstRead):
		s.log.Error("the disk does not respond; starting without the saved state")
		s.giveUp()
	}
	return s
}

// OpenEmpty is like [Open], but the store begins empty, and OpenEmpty waits for nothing. Pieces whose name begins with
// stale are removed, unless they are put at once.
func OpenEmpty(dir, stale string, log *zap.Logger) *Store {
	s := newStore(dir, stale, log)
	s.giveUp()
	s.begin()
	return s
}

// begin starts the goroutine, and returns a channel that is closed when the folder has been read.
func (s *Store) begin() <-chan struct{} {
	read := make(chan struct{})
	go func() {
		defer close(s.ended)
		if err := s.read(); err != nil {
			s.log.Error("cannot read the saved state", zap.Error(err))
		}
		close(read)
		s.run()
	}()
	return read
}

// OpenWhenReadable is [Open] for a caller that can wait: it returns once it has read the folder, however long another
// process uses the folder or the disk does not respond. It tries again until ctx ends; a disk that does not respond may
// hold it up for longer. failed is called after each attempt that fails, in the same goroutine.
func OpenWhenReadable(ctx context.Context, dir string, log *zap.Logger, failed func(error)) (*Store, error) {
	s := newStore(dir, "", log)
	for first := true; ; first = false {
		err := s.read()
		if err != nil && first {
			s.log.Error("cannot read the saved state", zap.Error(err))
		}
		if s.found != nil && ctx.Err() == nil {
			break
		}
		failed(err)
		select {
		case <-ctx.Done():
			_ = s.lock.Close() // this releases the lock; Close does nothing for nil
			return nil, errors.Join(ctx.Err(), err)
		case <-time.After(retry):
		}
	}
	go func() {
		defer close(s.ended)
		s.run()
	}()
	return s, nil
}

func newStore(dir, stale string, log *zap.Logger) *Store {
	return &Store{dir: dir, stale: stale, log: log.With(zap.String("folder", dir)), pending: map[string]write{},
		wake: make(chan struct{}, 1), quit: make(chan struct{}), ended: make(chan struct{})}
}

// giveUp begins without what has not been read.
func (s *Store) giveUp() {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.late = true
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
	return s.claim(info)
}

// claim locks the folder until the process ends or the store is closed. at describes the folder.
func (s *Store) claim(at fs.FileInfo) error {
	if s.lock != nil {
		if info, err := s.lock.Stat(); err == nil && os.SameFile(info, at) {
			return nil
		}
		_ = s.lock.Close() // somebody has replaced the folder
		s.lock = nil
	}
	f, err := os.Open(s.dir)
	if err != nil {
		return err
	}
	if err := syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB); err != nil {
		_ = f.Close()
		if errors.Is(err, syscall.EWOULDBLOCK) {
			return fmt.Errorf("%s: %w", s.dir, ErrInUse)
		}
		return err
	}
	s.lock = f
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
		if len(found) == maxFiles {
			err = errors.Join(err, fmt.Errorf("%s has more than %d files; the rest is not read", s.dir, maxFiles))
			break
		}
		if strings.HasSuffix(e.Name(), tempSuffix) { // left by a kill or a power cut
			err = errors.Join(err, os.Remove(filepath.Join(s.dir, e.Name())))
		}
		if name, ours := strings.CutSuffix(e.Name(), suffix); ours && e.Type().IsRegular() {
			text, readErr := readFile(s.path(name))
			if readErr == nil {
				found[name] = text
			}
			err = errors.Join(err, readErr)
		}
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if !s.late {
		s.found = found
		return err
	}
	for name := range found {
		if _, newer := s.pending[name]; !newer && strings.HasPrefix(name, s.stale) {
			s.pending[name] = write{}
			s.signal()
		}
	}
	return err
}

// Put replaces the piece of that name by v, as JSON. The latest Put counts. A name consists of letters, digits and
// ". _ -", and begins with a letter or digit. done, if not nil, is called once, in the store's goroutine: with nil when
// the piece, or a later one of that name, is on the disk, or with the error of the first attempt. It must not block.
func (s *Store) Put(name string, v any, done func(error)) error {
	text, err := json.Marshal(v)
	if err != nil {
		return err
	}
	return s.put(name, text, done)
}

// Remove removes the piece of that name, if there is one, a moment later or when the store is closed.
func (s *Store) Remove(name string) error { return s.put(name, nil, nil) }

func (s *Store) put(name string, text []byte, done func(error)) error {
	if len(name) > nameMax || !validName.MatchString(name) {
		return fmt.Errorf("invalid name %q: use letters, digits and . _ -, beginning with a letter or digit", name)
	}
	s.mu.Lock()
	w := write{text: text, done: s.pending[name].done}
	if done != nil {
		w.done = append(w.done, done)
	}
	s.pending[name] = w
	s.mu.Unlock()
	if text == nil {
		time.AfterFunc(removeAfter, s.signal)
	} else {
		s.signal()
	}
	return nil
}

// signal wakes the goroutine.
func (s *Store) signal() {
	select {
	case s.wake <- struct{}{}:
	default: // a signal is pending
	}
}

// WasRead reports whether the folder was read when the store was opened.
func (s *Store) WasRead() bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.found != nil
}

// Names returns the names of the pieces that there were when the store was opened and that begin with prefix.
func (s *Store) Names(prefix string) (names []string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for name := range s.found {
		if strings.HasPrefix(name, prefix) {
			names = append(names, name)
		}
	}
	return names
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

// Close writes what was put, for at most timeout, and ends the goroutine. After an error because of the timeout, the
// goroutine ends, and another store can open the folder, as soon as the disk responds. Nothing may be put afterwards.
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

// run writes what was put until the store is closed, then releases the folder.
func (s *Store) run() {
	defer func() { _ = s.lock.Close() }() // Close does nothing for nil
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
		err := s.write()
		if last && err == nil {
			err = s.write() // what the reports of the first write have put
		}
		if err != nil {
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
	batch := s.pending
	s.pending = map[string]write{}
	s.mu.Unlock()
	if len(batch) == 0 {
		return nil
	}
	notReady := s.prepare()
	failures := map[string]error{}
	for name, w := range batch {
		failed := notReady
		if failed == nil {
			failed = s.replace(name, w.text)
		}
		if failed == nil {
			continue
		}
		err, failures[name] = failed, failed
		s.mu.Lock()
		if _, newer := s.pending[name]; !newer {
			s.pending[name] = write{text: w.text}
		}
		s.mu.Unlock()
	}
	flush(s.dir)
	for name, w := range batch {
		for _, done := range w.done {
			done(failures[name])
		}
	}
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
