package backup

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"time"

	"clearback/bridge/journal"
	"clearback/supervision"
)

// copyJournal writes a copy of the journal to out. The copy is one that can be restored.
func copyJournal(ctx context.Context, path string, out io.Writer) (err error) {
	if _, err := regular(path); err != nil {
		return err
	}
	dir, err := tempFolder("clearback-backup-*")
	if err != nil {
		return fmt.Errorf("%w; set TMPDIR to a folder where this user may write", err)
	}
	defer func() { err = errors.Join(err, os.RemoveAll(dir)) }()
	copied := filepath.Join(dir, nameJournal)
	if err := journal.Copy(ctx, path, copied); err != nil {
		return err
	}
	if err := journal.CheckCopy(ctx, copied); err != nil {
		return fmt.Errorf("%s cannot be saved: %w", path, err)
	}
	return copyFile(ctx, out, copied)
}

// replacement is what the replacing of a journal needs to know.
type replacement struct {
	Size    int64         // of the journal in the archive; -1: it has none
	Version string        // of this program
	Lines   []string      // of the new configuration
	Window  time.Duration // the call-back window of the new configuration
	Unread  bool          // the present configuration cannot be read, so there may be another present journal
	// Emergencies are the lines with an emergency call in the runtime state.
	Emergencies []string
	Stamp       string // added to the names of files that are replaced
}

// replaced is what was found and done.
type replaced struct {
	Put     bool     `json:",omitempty"` // a journal was put in place
	Kept    []string `json:",omitempty"` // the new names of what was there before
	Unknown bool     `json:",omitempty"` // see [Restored]
	// Emergencies are the lines with an emergency call in the runtime state.
	Emergencies []string `json:",omitempty"`
}

// present is what the present journal says.
type present struct {
	mode   fs.FileMode
	known  bool // saved and emergencies are what it holds
	unread bool // there is something that cannot be read
	saved  []journal.SavedLine
	// emergencies are the lines with an emergency call that had not ended when the daemon was killed.
	emergencies []string
}

// replaceJournal replaces the journal at path by the one in the input, which keeps what protects people in the present
// one. If the archive has none, what a present journal holds stays, and one that cannot be read is replaced by an empty
// one. No daemon can write the journal meanwhile.
func (r replacement) replaceJournal(ctx context.Context, path string, in io.Reader, h hooks) (done replaced,
	err error) {
	free, err := journal.Lock(path)
	if errors.Is(err, journal.ErrInUse) {
		return done, fmt.Errorf("%w: it writes %s; stop it (systemctl stop clearback) and try again", ErrRunning, path)
	}
	if errors.Is(err, fs.ErrNotExist) {
		return done, fmt.Errorf("%w: %v", errNoFolder, err)
	}
	if err != nil {
		return done, fmt.Errorf("lock the journal: %w", err)
	}
	defer free()
	waiting := filepath.Join(filepath.Dir(path), "."+filepath.Base(path)+waitingSuffix)
	if err := removeJournal(waiting); err != nil { // one that was left when this command was killed
		return done, err
	}
	defer func() { err = errors.Join(err, removeJournal(waiting)) }()
	if r.Size >= 0 {
		if err := r.receive(ctx, in, waiting); err != nil {
			return done, err
		}
	}
	now := time.Now()
	was, err := readPresent(ctx, path, now)
	if err != nil {
		return done, err
	}
	was.emergencies = append(was.emergencies, r.Emergencies...)
	done.Unknown = r.Unread || !was.known
	if r.Size < 0 && was.known {
		if !r.Unread && len(was.emergencies) == 0 {
			return done, nil
		}
		if err := journal.Copy(ctx, path, waiting); err != nil { // it takes its own place, with what has to be added
			return done, err
		}
	}
	var saved []journal.SavedLine
	if r.Size >= 0 {
		if saved, _, err = journal.SavedLines(ctx, waiting, now); err != nil {
			return done, improper("%v", err)
		}
	}
	if err := journal.CarryOver(ctx, waiting, r.protection(was, saved, now), r.Version, now); err != nil {
		return done, fmt.Errorf("prepare the journal beside %s: %w", path, err)
	}
	if _, err := os.Lstat(waiting + walSuffix); !errors.Is(err, fs.ErrNotExist) {
		return done, fmt.Errorf("another program has %s open; end it and restore again", waiting)
	}
	if err := errors.Join(ctx.Err(), finish(waiting, was.mode)); err != nil {
		return done, err
	}
	done.Put = true
	done.Kept, err = swap(path, waiting, r.Stamp, h)
	return done, err
}

// receive writes the journal of the archive to the new file to, and checks it.
func (r replacement) receive(ctx context.Context, in io.Reader, to string) error {
	err := writeFile(to, func(w io.Writer) error {
		n, err := io.Copy(w, reader{ctx, in})
		if err == nil && n != r.Size {
			err = io.ErrUnexpectedEOF // the other process was killed
		}
		return err
	})
	if err != nil {
		return fmt.Errorf("write %s: %w; nothing was replaced", to, err)
	}
	if err := journal.CheckCopy(ctx, to); err != nil {
		return errors.Join(ctx.Err(), improper("%v", err))
	}
	return nil
}

// readPresent reads the journal at path, and brings its write-ahead log into it.
func readPresent(ctx context.Context, path string, now time.Time) (p present, err error) {
	p.mode = 0o640 // as package journal has it
	info, err := regular(path)
	switch {
	case err != nil:
		return p, err
	case info == nil:
		// A log without its journal is one that somebody moved away or deleted.
		log, err := os.Lstat(path + walSuffix)
		p.unread = err == nil && log.Size() > 0
		return p, nil
	}
	p.mode = info.Mode().Perm()
	merge := journal.Merge(ctx, path)
	if merge != nil && !errors.Is(merge, journal.ErrDamaged) {
		return p, merge
	}
	p.saved, p.emergencies, err = journal.SavedLines(ctx, path, now)
	empty := errors.Is(err, journal.ErrNotFound)
	p.known = merge == nil && err == nil
	p.unread = !p.known && !empty
	return p, ctx.Err()
}

// protection returns the saved states that count against those of the archive, saved: those of the present journal,
// and, if there is none or it cannot be read, what has to be assumed.
func (r replacement) protection(was present, saved []journal.SavedLine, now time.Time) []journal.SavedLine {
	window := now.Add(r.Window)
	all := slices.Clone(was.saved)
	for _, line := range was.emergencies { // the daemon cannot take the call up again
		all = append(all, journal.SavedLine{Line: line, CallbackBy: window})
	}
	if was.known && !r.Unread {
		return all
	}
	names := slices.Clone(r.Lines)
	for _, k := range slices.Concat(saved, all) {
		names = append(names, k.Line)
	}
	slices.Sort(names)
	for _, name := range slices.Compact(names) {
		k := journal.SavedLine{Line: name, CallbackBy: window}
		if was.unread || r.Unread {
			k.NoOpeningBy = now.Add(supervision.BreakerPause)
			k.Trust = journal.Trust{At: now}
		}
		all = append(all, k)
	}
	return all
}

// The files that SQLite keeps beside a journal.
const (
	walSuffix      = "-wal"
	shmSuffix      = "-shm"
	rollbackSuffix = "-journal"
)

// swap puts the journal waiting in the place of path. What is there gets new names. The last step decides: until then
// the present journal is in place.
func swap(path, waiting, stamp string, h hooks) (kept []string, err error) {
	keptName := keptName(path, stamp)
	steps := []func() error{func() error {
		err := os.Link(path, keptName)
		if err == nil {
			kept = append(kept, keptName)
		}
		return missingIsFine(err)
	}}
	// SQLite would apply the logs of the present journal to the new one. If it could be read, they are empty by now; a
	// program that reads the journal keeps them open. Otherwise they are kept with it.
	for _, ending := range []string{walSuffix, rollbackSuffix} {
		steps = append(steps, func() error {
			info, err := os.Lstat(path + ending)
			if err == nil && info.Size() > 0 {
				if err = os.Rename(path+ending, keptName+ending); err == nil {
					kept = append(kept, keptName+ending)
				}
				return err
			}
			return missingIsFine(os.Remove(path + ending))
		})
	}
	steps = append(steps, func() error { return missingIsFine(os.Remove(path + shmSuffix)) },
		func() error { syncFolder(path); return os.Rename(waiting, path) })
	for _, step := range steps {
		if err := errors.Join(h.before(), step()); err != nil {
			return kept, err
		}
	}
	syncFolder(path)
	return kept, nil
}

func missingIsFine(err error) error {
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	return err
}

// removeJournal removes a journal that is not in use.
func removeJournal(path string) (err error) {
	for _, ending := range []string{"", walSuffix, shmSuffix, rollbackSuffix} {
		err = errors.Join(err, missingIsFine(os.Remove(path+ending)))
	}
	return err
}

// finish gives a file its mode and flushes it to the disk.
func finish(path string, mode fs.FileMode) error {
	f, err := os.OpenFile(path, os.O_RDWR, 0)
	if err != nil {
		return err
	}
	return errors.Join(f.Chmod(mode), f.Sync(), f.Close())
}
