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
)

// placement is a file and where it belongs: name below the folder base. No symbolic link leads out of base.
type placement struct {
	from, base, name string
	mode             fs.FileMode // unless a file is replaced
	beside           []string    // endings of the files that belong to the one that is replaced
}

// placer puts files in place, all of them or none.
type placer struct {
	through func(io.Writer) io.Writer
	stamp   string // for the names of the files that are replaced

	ready       []prepared
	undo        []func() error
	files, kept []string
}

// prepared is a new file that waits under another name beside its place.
type prepared struct {
	placement
	root     *os.Root
	waiting  string // "" once it is in place
	replaces bool
}

func (p *placement) path(name string) string { return filepath.Join(p.base, name) }

// prepare writes a file beside its place. The disk can only be full here, where nothing has been replaced yet.
func (p *placer) prepare(ctx context.Context, f placement) (err error) {
	root, err := os.OpenRoot(f.base)
	if err != nil {
		return err
	}
	r := prepared{placement: f, root: root, waiting: filepath.Join(filepath.Dir(f.name),
		".clearback-restore-"+p.stamp+"-"+filepath.Base(f.name))}
	if err := root.MkdirAll(filepath.Dir(f.name), 0o755); err != nil {
		return errors.Join(err, root.Close())
	}
	old, err := root.Lstat(f.name)
	switch {
	case err == nil && !old.Mode().IsRegular():
		return errors.Join(fmt.Errorf("%s is not a regular file; move it away", f.path(f.name)), root.Close())
	case err != nil && !errors.Is(err, fs.ErrNotExist):
		return errors.Join(err, root.Close())
	}
	r.replaces = err == nil
	if !r.replaces { // a new file gets the owner of its folder
		if old, err = root.Stat(filepath.Dir(f.name)); err != nil {
			return errors.Join(err, root.Close())
		}
	}
	to, err := root.OpenFile(r.waiting, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if err != nil {
		return errors.Join(err, root.Close())
	}
	p.ready = append(p.ready, r) // from here on, close removes it
	return errors.Join(p.fill(ctx, to, f, old, r.replaces), to.Close())
}

// fill writes and flushes a file. like is the file that it replaces, or else its folder.
func (p *placer) fill(ctx context.Context, to *os.File, f placement, like fs.FileInfo, replaces bool) error {
	from, err := os.Open(f.from)
	if err != nil {
		return err
	}
	defer from.Close()
	if _, err := io.Copy(p.through(to), reader{ctx, from}); err != nil {
		return err
	}
	if s, ok := like.Sys().(*syscall.Stat_t); ok && (replaces || os.Geteuid() == 0) {
		if err := to.Chown(int(s.Uid), int(s.Gid)); err != nil {
			return fmt.Errorf("%w; run this as root, which can keep the owner", err)
		}
	}
	mode := f.mode
	if replaces {
		mode = like.Mode().Perm()
	}
	return errors.Join(to.Chmod(mode), to.Sync())
}

// commit puts every file in place. If that fails, it puts back those that were there.
func (p *placer) commit() error {
	for i := range p.ready {
		if err := p.replace(&p.ready[i]); err != nil {
			for i := len(p.undo) - 1; i >= 0; i-- {
				err = errors.Join(err, p.undo[i]())
			}
			p.files, p.kept = nil, nil
			return err
		}
	}
	for _, r := range p.ready {
		_ = syncFolder(filepath.Dir(r.path(r.name))) // everything is in place; an error of the flush is not reported
	}
	return nil
}

// replace renames the present file, if any, and those that belong to it, and then the new one.
func (p *placer) replace(r *prepared) error {
	kept := r.name + ".before-" + p.stamp
	for _, ending := range slices.Concat(r.beside, []string{""}) {
		var err error
		if ending == "" { // with a second name, the file is never missing
			err = r.root.Link(r.name, kept)
		}
		if ending != "" || err != nil && !errors.Is(err, fs.ErrNotExist) {
			err = r.root.Rename(r.name+ending, kept+ending)
		}
		if errors.Is(err, fs.ErrNotExist) {
			continue
		}
		if err != nil {
			return err
		}
		p.kept = append(p.kept, r.path(kept+ending))
		p.undo = append(p.undo, func() error { return r.root.Rename(kept+ending, r.name+ending) })
	}
	if err := r.root.Rename(r.waiting, r.name); err != nil {
		return err
	}
	if !r.replaces { // else the undoing of the first rename replaces it
		p.undo = append(p.undo, func() error { return r.root.Remove(r.name) })
	}
	r.waiting = ""
	p.files = append(p.files, r.path(r.name))
	return nil
}

// close removes what is not in place.
func (p *placer) close() (err error) {
	for _, r := range p.ready {
		if r.waiting != "" {
			err = errors.Join(err, r.root.Remove(r.waiting))
		}
		err = errors.Join(err, r.root.Close())
	}
	return err
}
