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
	"syscall"
	"time"

	"clearback/bridge/control"
	"clearback/bridge/runtimestate"
	"clearback/config"
	"clearback/config/file"
	"clearback/supervision/sanitize"
)

// Restored is what [Restore] has done.
type Restored struct {
	// Files are the files that were put in place. Kept are the files that were there before, under their new names.
	Files, Kept []string
	// NewSecrets are those of Files that are secrets and replaced no file. Only the present user may read them.
	NewSecrets []string
	// Made is when the archive was written, in UTC. Version is that of the program that wrote it, fit to be printed.
	Made    time.Time
	Version string
	// Unknown is true if there was no present journal that could be read. For what that means see [Restore].
	Unknown bool
}

// askTimeout is how long a daemon may take to answer on the control socket. It takes milliseconds.
const askTimeout = 5 * time.Second

// waitingSuffix ends the name, which begins with a dot, of a new file that is not yet in its place.
const waitingSuffix = ".restore"

// keptName returns the name under which a file is kept that is replaced.
func keptName(path, stamp string) string { return path + ".before-" + stamp }

// Restore puts the files of an archive in their places: see the package's comment. It first checks everything: the
// archive, its configuration as `check` does (but not the secrets, which may be missing), its journal, and that no
// daemon runs. Then it replaces the journal, the secrets and the configuration, in this order. If it fails or is killed
// before that, nothing has changed; later, each file is the old or the new one, and Restore can be repeated.
//
// The restored journal keeps what protects people in the present one: the call-back window after an emergency call,
// recent openings, the pause after a storm, and a later withdrawal of trust. If the daemon was killed during an
// emergency call, the window begins now, even if only the state of that process knows the call. If there is no present
// journal, a call-back window begins on every line. If the present one cannot be read, a pause begins as well, and no
// line is trusted.
//
// Once the journal is in place, Restore drops the state of the process before, such as the adapters' registrations.
func Restore(ctx context.Context, o Options) (Restored, error) { return restoreWith(ctx, o, hooks{}) }

func restoreWith(ctx context.Context, o Options, h hooks) (done Restored, err error) {
	if o.Config, err = filepath.Abs(o.Config); err != nil {
		return done, err
	}
	if err := own(filepath.Dir(o.Config), true); err != nil {
		return done, err
	}
	free, err := alone(filepath.Dir(o.Config))
	if err != nil {
		return done, err
	}
	defer free()
	dir, err := tempFolder("clearback-restore-*")
	if err != nil {
		return done, err
	}
	defer func() { err = errors.Join(err, os.RemoveAll(dir)) }()
	m, err := unpack(ctx, o.Archive, dir)
	if err != nil {
		return done, fmt.Errorf("%s: %w", o.Archive, err)
	}
	c, err := readConfiguration(filepath.Join(dir, nameConfiguration), o.Config)
	if err != nil {
		return done, fmt.Errorf("%s: %w", o.Archive, err)
	}
	r := restoration{hooks: h, o: o, dir: dir, m: m, c: c, stamp: time.Now().UTC().Format("20060102T150405.000Z")}
	r.done = Restored{Made: m.Made, Version: m.Version}
	defer func() { err = errors.Join(err, r.close()) }()
	err = r.restore(ctx)
	return r.done, err
}

// alone stops another restore in that folder until free is called.
func alone(folder string) (free func(), err error) {
	f, err := os.Open(folder)
	if err != nil {
		return nil, err
	}
	if err := syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB); err != nil {
		return nil, errors.Join(fmt.Errorf("another restore is under way in %s (%w)", folder, err), f.Close())
	}
	return func() { _ = f.Close() }, nil
}

// readConfiguration reads the configuration of an archive, which is to be at path.
func readConfiguration(unpacked, path string) (*config.Config, error) {
	text, err := file.Read(unpacked)
	if err != nil {
		return nil, err
	}
	c, faults := config.ParseForBackup(path, text)
	if len(faults) == 0 {
		return c, nil
	}
	for i := range faults {
		faults[i].Problem = sanitize.Escape(faults[i].Problem)
	}
	return nil, fmt.Errorf("%w:\n%s", ErrFaults, faults)
}

// restoration is a restore in progress.
type restoration struct {
	hooks
	o     Options
	dir   string // a folder of its own, with the files of the archive
	m     manifest
	c     *config.Config // of the archive
	stamp string         // for the names of the files that are replaced

	sockets []string // the control sockets of daemons that may run here
	states  []string // the folders of their runtime state
	journal string   // where this machine has its journal, or would have it; "" if it has none
	usual   string   // the default place of the journal
	unread  bool     // the present configuration cannot be read
	window  time.Duration
	changes []change
	done    Restored
}

// change is a file that waits for its place. kept is the new name of the present one, "" if there is none.
type change struct{ path, waiting, kept string }

func (r *restoration) restore(ctx context.Context) error {
	if err := r.readPresent(); err != nil {
		return err
	}
	if err := r.checkJournal(); err != nil {
		return err
	}
	if err := r.notRunning(ctx); err != nil {
		return err
	}
	if err := r.prepare(ctx); err != nil {
		return err
	}
	if err := errors.Join(r.before(), r.notRunning(ctx)); err != nil { // a daemon has started meanwhile
		return err
	}
	// Before anything is replaced, since an emergency call may be known nowhere else.
	emergencies, err := r.inState(ctx, doFind)
	if err != nil {
		return err
	}
	if err := r.replaceJournal(ctx, emergencies); err != nil {
		return err
	}
	if _, err := r.inState(ctx, doDrop); err != nil {
		return fmt.Errorf("the journal is restored, but the saved state of the previous calls and registrations could not be removed: %w; remove it and restore again",
			err)
	}
	for _, x := range r.changes {
		if err := r.put(x); err != nil {
			return fmt.Errorf("not everything is restored: %w; restore again", err)
		}
	}
	if err := errors.Join(r.before(), r.notRunning(ctx)); err != nil {
		return fmt.Errorf("the files are restored, but a daemon has started meanwhile with the old ones: %w; restart it now (systemctl restart clearback)",
			err)
	}
	return nil
}

// inState does a task with the runtime state of each daemon that may have run here. It returns what [doFind] finds.
func (r *restoration) inState(ctx context.Context, do string) (emergencies []string, err error) {
	for _, folder := range r.states {
		found, err := task{Do: do, Path: folder}.run(ctx, nil, io.Discard, r.hooks)
		if err != nil && !errors.Is(err, errNoFolder) {
			return nil, fmt.Errorf("%s: %w", folder, err)
		}
		emergencies = append(emergencies, found.Emergencies...)
	}
	return emergencies, nil
}

// readPresent reads the configuration that is to be replaced, even one with faults.
func (r *restoration) readPresent() error {
	if _, err := regular(r.o.Config); err != nil {
		return err
	}
	known, _ := config.ParseForBackup(r.o.Config, []byte("{}")) // it has faults, but every default
	r.journal, r.usual = known.Journal.File, known.Journal.File
	all := []*config.Config{known, r.c}
	text, err := file.Read(r.o.Config)
	present, _ := config.ParseForBackup(r.o.Config, text)
	switch {
	case present != nil:
		all, r.journal = append(all, present), present.Journal.File
	case !errors.Is(err, fs.ErrNotExist):
		r.unread = true
	}
	for _, c := range all {
		// The archive must not shorten a window that the present file promises.
		r.window = max(r.window, c.Emergency.CallbackWindow)
		s := c.Control.Socket
		if folder := runtimestate.CopyFolder(s, c.Journal.File); folder != "" && !slices.Contains(r.states, folder) {
			r.states = append(r.states, folder)
		}
		if s == "" || slices.Contains(r.sockets, s) {
			continue
		}
		if _, err := rightsFor(s); missingIsFine(err) != nil {
			return err
		}
		r.sockets, r.states = append(r.sockets, s), append(r.states, runtimestate.Folder(s))
	}
	return nil
}

// checkJournal returns an error if the journal cannot go where the new configuration has it.
func (r *restoration) checkJournal() error {
	has := r.hasJournal()
	if r.journal == "" && r.c.Journal.File != "" {
		r.journal = r.usual
	}
	switch to := r.c.Journal.File; {
	case to == "" && has:
		return fmt.Errorf("%s: %w", r.o.Archive,
			improper("it has a journal, and its configuration none (journal.file: none)"))
	case to == "" && r.journal != "":
		if _, err := os.Lstat(r.journal); !errors.Is(err, fs.ErrNotExist) {
			return fmt.Errorf("the configuration in %s uses no journal, so what the present journal, %s, holds for people's safety would be forgotten; to restore anyway, move that journal away",
				r.o.Archive, r.journal)
		}
		r.journal = ""
	case to != r.journal:
		return fmt.Errorf("%s: its configuration has the journal at %q, and this machine at %s; to use the new place, first move the present journal, if there is one, to it with the files beside it, and set journal.file in %s to that place",
			r.o.Archive, to, r.journal, r.o.Config)
	}
	return nil
}

func (r *restoration) hasJournal() bool {
	return slices.ContainsFunc(r.m.Files, func(e entry) bool { return e.Name == nameJournal })
}

// notRunning returns an error if a daemon uses one of the sockets, or may use it.
func (r *restoration) notRunning(ctx context.Context) error {
	for _, socket := range r.sockets {
		if err := answers(ctx, socket); err != nil {
			return err
		}
	}
	return nil
}

func answers(ctx context.Context, socket string) error {
	ctx, cancel := context.WithTimeout(ctx, askTimeout)
	defer cancel()
	k := control.NewClient(socket)
	defer k.Close()
	switch _, err := k.Daemon(ctx); {
	case errors.Is(err, control.ErrNotRunning):
		return nil
	case err != nil:
		return fmt.Errorf("%w, or its state is unknown: %w", ErrRunning, err)
	}
	return fmt.Errorf("%w and answers at %s; stop it (systemctl stop clearback) and try again", ErrRunning, socket)
}

// prepare writes the new secrets and the new configuration beside their places. The disk can only be full here and
// while the journal is prepared, where nothing has been replaced yet.
func (r *restoration) prepare(ctx context.Context) error {
	folder := filepath.Join(filepath.Dir(r.o.Config), secretsFolder)
	opened := false
	for _, e := range r.m.Files {
		name, ok := cutSecret(e.Name)
		if !ok {
			continue
		}
		if !opened {
			if err := os.Mkdir(folder, 0o700); err != nil && !errors.Is(err, fs.ErrExist) {
				return err
			}
			if err := own(folder, true); err != nil {
				return err
			}
			if info, err := os.Lstat(folder); err != nil || !info.IsDir() {
				return errors.Join(fmt.Errorf("%s is not a folder; move it away", folder), err)
			}
			opened = true
		}
		was, err := r.wait(ctx, e.Name, filepath.Join(folder, name), 0o600)
		if err != nil {
			return err
		}
		if was == nil {
			r.done.NewSecrets = append(r.done.NewSecrets, filepath.Join(folder, name))
		}
	}
	_, err := r.wait(ctx, nameConfiguration, r.o.Config, 0o644)
	return errors.Join(err, ctx.Err())
}

// wait writes a file of the archive beside its place. It keeps owner and mode of the present file, which it returns. A
// new one is for the present user and has the mode given.
func (r *restoration) wait(ctx context.Context, name, path string, mode fs.FileMode) (was fs.FileInfo, err error) {
	if was, err = regular(path); err != nil {
		return nil, err
	}
	waiting := filepath.Join(filepath.Dir(path), "."+filepath.Base(path)+waitingSuffix)
	// One that was left when this command was killed is removed.
	if err := missingIsFine(os.Remove(waiting)); err != nil {
		return nil, err
	}
	x := change{path: path, waiting: waiting}
	switch folder := filepath.Dir(path); {
	case was == nil:
	case folder == filepath.Dir(r.o.Config):
		x.kept = keptName(path, r.stamp)
	default: // not in the folder of secrets, because the unit loads whatever is there
		x.kept = filepath.Join(keptName(folder, r.stamp), filepath.Base(path))
	}
	r.changes = append(r.changes, x)
	if err := r.before(); err != nil {
		return nil, err
	}
	err = writeFile(waiting, func(w io.Writer) error { return copyFile(ctx, w, unpacked(r.dir, name)) })
	if err != nil {
		return nil, fmt.Errorf("write %s: %w; nothing was replaced", path, err)
	}
	if was != nil {
		mode = was.Mode().Perm()
		if o, ok := was.Sys().(*syscall.Stat_t); ok {
			if err := os.Chown(waiting, int(o.Uid), int(o.Gid)); err != nil {
				return nil, fmt.Errorf("%w; run this as root, which can keep the owner", err)
			}
		}
	}
	return was, finish(waiting, mode)
}

// replaceJournal puts the journal of the archive in its place.
func (r *restoration) replaceJournal(ctx context.Context, emergencies []string) error {
	if r.journal == "" {
		return nil
	}
	p := replacement{Size: -1, Version: r.o.Version, Window: r.window, Unread: r.unread, Emergencies: emergencies,
		Stamp: r.stamp}
	for i := range r.c.Lines {
		p.Lines = append(p.Lines, r.c.Lines[i].Name)
	}
	var in io.Reader
	if r.hasJournal() {
		f, err := os.Open(filepath.Join(r.dir, nameJournal))
		if err != nil {
			return err
		}
		defer f.Close()
		info, err := f.Stat()
		if err != nil {
			return err
		}
		in, p.Size = f, info.Size()
	}
	done, err := task{Do: doReplace, Path: r.journal, replacement: p}.run(ctx, in, io.Discard, r.hooks)
	r.done.Unknown, r.done.Kept = done.Unknown, done.Kept
	switch {
	case errors.Is(err, errNoFolder):
		return fmt.Errorf("the folder of the journal: %w; create it for the daemon's user, or start the daemon's unit once",
			err)
	case errors.Is(err, ErrArchive):
		return fmt.Errorf("%s: %w", r.o.Archive, err)
	case err != nil:
		return err
	}
	if done.Put {
		r.done.Files = append(r.done.Files, r.journal)
	}
	return nil
}

// put puts a file in its place. The present file, if there is one, gets a second name first.
func (r *restoration) put(x change) error {
	if err := r.before(); err != nil {
		return err
	}
	if x.kept != "" {
		if err := os.MkdirAll(filepath.Dir(x.kept), 0o700); err != nil {
			return err
		}
		if err := os.Link(x.path, x.kept); err != nil {
			return err
		}
		r.done.Kept = append(r.done.Kept, x.kept)
	}
	if err := errors.Join(r.before(), os.Rename(x.waiting, x.path)); err != nil {
		return err
	}
	syncFolder(x.path)
	r.done.Files = append(r.done.Files, x.path)
	return nil
}

// close removes what is not in place.
func (r *restoration) close() (err error) {
	for _, x := range r.changes {
		err = errors.Join(err, missingIsFine(os.Remove(x.waiting)))
	}
	return err
}
