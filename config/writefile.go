package config

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"time"

	"clearback/config/file"
)

// SetTuned writes policy.interval of one line into the configuration file at path, and removes from its policy.steps
// the steps that are not longer, as [WithInterval] does. Unless release is 0, it also writes the release time of the
// line card, which was measured with the interval, as [WithCardRelease] does. It writes both or neither. Even if the
// machine fails meanwhile, the file is afterwards either the old one or the complete new one. Owner, group and mode are
// kept. If path is a symbolic link, its target is written. After an error the file is unchanged. Access control lists
// and further hard links of the file are not kept.
//
// A running daemon does not notice the change, so it has to be informed separately. If two writers change the file at
// once, the later one fails, because the file is no longer the one that it read.
func SetTuned(path, line string, interval, release time.Duration) error {
	real, old, changed, err := tunedAt(path, line, interval, release)
	if err != nil || bytes.Equal(old, changed) {
		return err
	}
	if err := replaceFile(real, old, changed); err != nil {
		return fmt.Errorf("write the interval of line %s into %s: %w", line, path, err)
	}
	return nil
}

// Preview returns what [SetTuned] with release 0 would change, including the steps: one hunk of a unified diff, with
// three lines of context. It returns "" if nothing would change.
func Preview(path, line string, interval time.Duration) (string, error) {
	return PreviewTuned(path, line, interval, 0)
}

// PreviewTuned is [Preview] of [SetTuned].
func PreviewTuned(path, line string, interval, release time.Duration) (string, error) {
	_, old, changed, err := tunedAt(path, line, interval, release)
	if err != nil {
		return "", err
	}
	return difference(path, string(old), string(changed)), nil
}

func tunedAt(path, line string, interval, release time.Duration) (real string, old, changed []byte, err error) {
	real, err = filepath.EvalSymlinks(path)
	if err != nil {
		return "", nil, nil, fmt.Errorf("read the configuration: %w", err)
	}
	if old, err = file.Read(real); err != nil {
		return "", nil, nil, fmt.Errorf("read the configuration: %w", err)
	}
	changed = old
	if release > 0 {
		if changed, err = WithCardRelease(path, old, line, release); err != nil {
			return real, old, nil, err
		}
	}
	changed, err = WithInterval(path, changed, line, interval)
	return real, old, changed, err
}

// replaceFile replaces the text of a file: it writes and flushes a new file in the same directory, then renames it.
func replaceFile(path string, old, text []byte) (err error) {
	info, err := os.Stat(path)
	if err != nil {
		return err
	}
	if !info.Mode().IsRegular() {
		return fmt.Errorf("%s is not a regular file; write the interval by hand", path)
	}
	dir := filepath.Dir(path)
	f, err := os.CreateTemp(dir, ".clearback-*")
	if err != nil {
		return fmt.Errorf("%w; the directory must be writable, because the new file is created there", err)
	}
	defer func() {
		if err != nil {
			err = errors.Join(err, os.Remove(f.Name()))
		}
	}()
	if err := errors.Join(fill(f, info, text), f.Close()); err != nil {
		return err
	}
	if now, err := file.Read(path); err != nil || !bytes.Equal(now, old) {
		return errors.Join(errors.New("the file was changed meanwhile; try again"), err)
	}
	if err := os.Rename(f.Name(), path); err != nil {
		return err
	}
	// From here on the new file is in place. An error of the flush of the directory is not reported.
	if d, openErr := os.Open(dir); openErr == nil {
		_ = d.Sync()
		_ = d.Close()
	}
	return nil
}

// fill writes and flushes a file with the owner, group and mode of another one.
func fill(f *os.File, like os.FileInfo, text []byte) error {
	if s, ok := like.Sys().(*syscall.Stat_t); ok {
		if err := f.Chown(int(s.Uid), int(s.Gid)); err != nil {
			return fmt.Errorf("%w; only root, or the file's owner as a member of its group, can keep both", err)
		}
	}
	if err := f.Chmod(like.Mode()); err != nil {
		return err
	}
	if _, err := f.Write(text); err != nil {
		return err
	}
	return f.Sync()
}

// around is the number of context lines before and after a change.
const around = 3

// difference returns one hunk from the first line that differs to the last.
func difference(path, old, changed string) string {
	a, b := strings.SplitAfter(old, "\n"), strings.SplitAfter(changed, "\n")
	head, tail := 0, 0
	for head < len(a) && head < len(b) && a[head] == b[head] {
		head++
	}
	if head == len(a) && head == len(b) {
		return ""
	}
	for tail < len(a)-head && tail < len(b)-head && a[len(a)-1-tail] == b[len(b)-1-tail] {
		tail++
	}
	from, after := max(head-around, 0), min(tail, around)
	endA, endB := len(a)-tail, len(b)-tail
	var s strings.Builder
	put := func(mark string, lines []string) {
		for _, l := range lines {
			if l != "" { // behind the last line break is no line
				s.WriteString(mark + strings.TrimRight(l, "\r\n") + "\n")
			}
		}
	}
	count := func(lines []string) int {
		if n := len(lines); n > 0 && lines[n-1] == "" {
			return n - 1
		}
		return len(lines)
	}
	fmt.Fprintf(&s, "--- %s\n+++ %[1]s (new)\n@@ -%d,%d +%d,%d @@\n", path, from+1, count(a[from:endA+after]), from+1,
		count(b[from:endB+after]))
	put(" ", a[from:head])
	x, y := a[head:endA], b[head:endB]
	common := inCommon(x, y)
	for i, j := 0, 0; i < len(x) || j < len(y); {
		switch {
		case i < len(x) && j < len(y) && x[i] == y[j]:
			put(" ", x[i:i+1])
			i, j = i+1, j+1
		case j == len(y) || i < len(x) && common[i+1][j] >= common[i][j+1]:
			put("-", x[i:i+1])
			i++
		default:
			put("+", y[j:j+1])
			j++
		}
	}
	put(" ", a[endA:endA+after])
	return s.String()
}

// inCommon returns, for every pair of positions, how many lines the rests of two texts have in common, in order.
func inCommon(x, y []string) [][]int {
	n := make([][]int, len(x)+1)
	n[len(x)] = make([]int, len(y)+1)
	for i := len(x) - 1; i >= 0; i-- {
		n[i] = make([]int, len(y)+1)
		for j := len(y) - 1; j >= 0; j-- {
			if x[i] == y[j] {
				n[i][j] = n[i+1][j+1] + 1
			} else {
				n[i][j] = max(n[i+1][j], n[i][j+1])
			}
		}
	}
	return n
}
