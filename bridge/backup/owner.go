package backup

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"os/exec"
	"os/user"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"time"

	"clearback/bridge/journal"
	"clearback/bridge/runtimestate"
	"clearback/supervision/sanitize"
)

// maxLinks bounds the symbolic links on a path, as Linux does (path_resolution(7)).
const maxLinks = 40

// controller returns who decides what the path of a folder leads to: the owner of its first part that is not root's. It
// returns root (0) if all parts are root's. Nobody else can change the parts before. shared means that everybody may
// create files in the folder itself, as in /tmp.
func controller(dir string) (uid int, shared bool, err error) {
	at, rest, links := "/", strings.Split(filepath.Clean(dir), "/"), 0
	for len(rest) > 0 {
		part := filepath.Join(at, rest[0])
		rest = rest[1:]
		info, err := os.Lstat(part)
		if err != nil {
			return 0, false, err
		}
		o, ok := info.Sys().(*syscall.Stat_t)
		if !ok {
			return 0, false, fmt.Errorf("the owner of %s is not known here", part)
		}
		mode := info.Mode()
		switch {
		case o.Uid != 0:
			return int(o.Uid), false, nil
		case mode&fs.ModeSymlink != 0:
			to, err := os.Readlink(part)
			if links++; err == nil && links > maxLinks {
				err = fmt.Errorf("%s: too many symbolic links", dir)
			}
			if err != nil {
				return 0, false, err
			}
			if filepath.IsAbs(to) {
				at = "/"
			}
			// Not cleaned: .. after a link leads above what the link leads to.
			rest = append(strings.Split(to, "/"), rest...)
			continue
		case mode.Perm()&0o022 != 0 && mode&fs.ModeSticky == 0:
			return 0, false, fmt.Errorf("users other than root may write %s; remove that right (chmod go-w)", part)
		}
		at, shared = part, mode.Perm()&0o022 != 0
	}
	return 0, shared, nil
}

// own returns an error if somebody other than root and the present user decides what the path of a folder leads to:
// that user could lead root anywhere. If files are to be replaced there, nobody else may create any.
func own(dir string, replace bool) error {
	uid, shared, err := controller(dir)
	switch me := os.Geteuid(); {
	case err != nil:
		return err
	case uid != 0 && uid != me:
		return fmt.Errorf("%s belongs to %s, or is in a folder of that user; run this as that user, or choose another folder",
			dir, userName(uid))
	case shared && replace:
		return fmt.Errorf("everybody may create files in %s; choose another folder", dir)
	}
	return nil
}

func userName(uid int) string {
	number := strconv.Itoa(uid)
	if u, err := user.LookupId(number); err == nil {
		return u.Username
	}
	return "user " + number
}

// task is what has to be done in a folder that may belong to somebody else, such as the daemon's user. It is done with
// the rights of whoever controls the path, so root lends its own to nobody.
type task struct {
	Do   string // one of the constants below
	Path string // of the journal, or of the folder of the runtime state

	replacement // for doReplace
}

const (
	doCopy    = "copy"    // writes a copy of the journal to the output
	doReplace = "replace" // replaces the journal by the one in the input
	doFind    = "find"    // finds the emergency calls in the runtime state
	doDrop    = "drop"    // removes the runtime state
)

// result is what a task has done.
type result struct {
	replaced

	Error string `json:",omitempty"`
	Kind  string `json:",omitempty"` // of the error; see kinds
}

// errNoFolder means that a task's folder is missing, or one above it. Another file that is missing has another error.
var errNoFolder = errors.New("there is no such folder")

// kinds are the errors that keep their identity when they come from another process.
var kinds = map[string]error{"running": ErrRunning, "archive": ErrArchive, "no journal": journal.ErrNotFound,
	"no folder": errNoFolder, "in use": runtimestate.ErrInUse}

// kindError is an error with the text of another process.
type kindError struct {
	text string
	kind error // may be nil
}

func (e kindError) Error() string { return e.text }
func (e kindError) Unwrap() error { return e.kind }

// run does the task, in another process if root does it in a folder that another user controls.
func (t task) run(ctx context.Context, in io.Reader, out io.Writer, h hooks) (replaced, error) {
	uid, err := rightsFor(t.Path)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return replaced{}, fmt.Errorf("%w: %v", errNoFolder, err)
	case err != nil:
		return replaced{}, err
	case uid == os.Geteuid():
		return t.do(ctx, in, out, h)
	}
	return t.runAs(ctx, uid, in, out)
}

// rightsFor returns with whose rights a task is done at path: those of the present user, or root's choice.
func rightsFor(path string) (uid int, err error) {
	if me := os.Geteuid(); me != 0 {
		return me, nil
	}
	uid, shared, err := controller(filepath.Dir(path))
	if err == nil && shared {
		err = fmt.Errorf("everybody may create files in %s; keep the journal and the control socket in another folder",
			filepath.Dir(path))
	}
	return uid, err
}

// ownCommand is the hidden command that calls [Serve].
const ownCommand = "backup-task"

// waitDelay is how long the pipes of a process may stay open once it has ended. Whoever controls it may have given them
// to another one. Tests shorten it.
var waitDelay = 5 * time.Second

// runAs does the task in a process of that user. The process has no terminal, into which it could type, and no other
// file of ours: only pipes, and nothing that root's shell has left open.
func (t task) runAs(ctx context.Context, uid int, in io.Reader, out io.Writer) (replaced, error) {
	as, err := user.LookupId(strconv.Itoa(uid))
	if err != nil {
		return replaced{}, fmt.Errorf("%s: the owner of this folder has no account: %w", filepath.Dir(t.Path), err)
	}
	gid, err := strconv.ParseUint(as.Gid, 10, 32)
	if err != nil {
		return replaced{}, err
	}
	text, err := json.Marshal(t)
	if err != nil {
		return replaced{}, err
	}
	if err := closeOnExec(); err != nil {
		return replaced{}, fmt.Errorf("/proc is needed: %v", err)
	}
	var said limited
	// This path works in folders that the user may not read, and after an upgrade of the program.
	c := exec.CommandContext(ctx, "/proc/self/exe", ownCommand, string(text))
	c.Dir, c.WaitDelay = "/", waitDelay
	c.Env = []string{"TMPDIR=" + os.TempDir()}
	if in != nil {
		c.Stdin = struct{ io.Reader }{in} // a file would go to the process itself
	}
	c.Stdout, c.Stderr = struct{ io.Writer }{out}, &said
	c.SysProcAttr = &syscall.SysProcAttr{Setsid: true,
		Credential: &syscall.Credential{Uid: uint32(uid), Gid: uint32(gid)}}
	err = c.Run()
	var r result
	if bad := json.Unmarshal(said.Bytes(), &r); bad != nil {
		switch {
		case ctx.Err() != nil:
			return replaced{}, ctx.Err()
		case err == nil:
			err = bad
		}
		// The identity of err could be that of a missing file.
		return replaced{}, fmt.Errorf("as %s: %v (output: %q)", as.Username, err, sanitize.Text(said.String(), 500))
	}
	for i := range r.Kept {
		r.Kept[i] = sanitize.Text(r.Kept[i], 500)
	}
	if r.Error != "" {
		text := fmt.Sprintf("%s (as %s)", sanitize.Text(r.Error, 1000), as.Username)
		return r.replaced, errors.Join(ctx.Err(), kindError{text, kinds[r.Kind]})
	}
	return r.replaced, err
}

// closeOnExec has no file that this process has inherited go to another one. The standard files are replaced anyway.
func closeOnExec() error {
	all, err := os.ReadDir("/proc/self/fd")
	for _, e := range all {
		if fd, err := strconv.Atoi(e.Name()); err == nil && fd > 2 {
			syscall.CloseOnExec(fd)
		}
	}
	return err
}

// limited keeps the first 64 KiB of what is written to it.
type limited struct{ bytes.Buffer }

func (l *limited) Write(p []byte) (int, error) {
	l.Buffer.Write(p[:min(len(p), max(0, 64<<10-l.Len()))])
	return len(p), nil
}

// Serve does one task for [Make] or [Restore] of another process, which gives it as text, and expects the result on
// errs. It returns the exit code.
func Serve(ctx context.Context, text string, in io.Reader, out, errs io.Writer) int {
	var t task
	err := json.Unmarshal([]byte(text), &t)
	var r result
	if err == nil {
		r.replaced, err = t.do(ctx, in, out, hooks{})
	}
	if err != nil {
		r.Error = err.Error()
		for name, kind := range kinds {
			if errors.Is(err, kind) {
				r.Kind = name
			}
		}
	}
	_ = json.NewEncoder(errs).Encode(r) // nobody is left to hear of an error
	if err != nil {
		return 1
	}
	return 0
}

func (t task) do(ctx context.Context, in io.Reader, out io.Writer, h hooks) (r replaced, err error) {
	switch t.Do {
	case doCopy:
		err = copyJournal(ctx, t.Path, out)
	case doReplace:
		r, err = t.replaceJournal(ctx, t.Path, in, h)
	case doFind:
		r.Emergencies, err = emergencies(t.Path)
	case doDrop:
		err = runtimestate.Drop(t.Path)
	default:
		err = fmt.Errorf("unknown task %q", t.Do)
	}
	return r, err
}

// emergencies returns the lines with an emergency call in the runtime state: those two fields of a saved call are the
// same in every version (sipua.savedCall).
func emergencies(dir string) (lines []string, err error) {
	all, err := runtimestate.Pieces(dir)
	for _, text := range all {
		var call struct {
			Line      string
			Emergency bool
		}
		if json.Unmarshal(text, &call) == nil && call.Emergency {
			lines = append(lines, call.Line)
		}
	}
	slices.Sort(lines)
	return slices.Compact(lines), err
}
