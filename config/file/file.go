// Package file reads the files that a user names: configurations, secrets, certificates. It never waits for a writer or
// a device, and tells who else may read or write a file.
package file

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"syscall"
)

// ErrIrregular: what the path names is not a regular file.
var ErrIrregular = errors.New("not a regular file")

// Limit is the size in bytes above which [Read] refuses a file. A configuration of a hundred lines has about 50 kB, and
// a bundle of certificates of all public authorities 250 kB.
const Limit = 1 << 20

// Read returns the contents of a regular file, or of one that a symbolic link leads to. Everything else is an error at
// once, since a pipe waits for a writer, a terminal for a key, and opening a serial port moves its lines.
func Read(path string) ([]byte, error) {
	if err := Check(path); err != nil {
		return nil, err
	}
	f, err := os.OpenFile(path, os.O_RDONLY|syscall.O_NONBLOCK, 0) // it may have become a pipe since
	if err != nil {
		return nil, err
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil {
		return nil, err
	}
	if !info.Mode().IsRegular() {
		return nil, irregular(path, info.Mode())
	}
	data, err := io.ReadAll(io.LimitReader(f, Limit+1))
	if err == nil && len(data) > Limit {
		err = fmt.Errorf("%s is larger than %d bytes", path, Limit)
	}
	return data, err
}

// Check returns an error if what the path names is there and is no regular file; it opens nothing. A path that names
// nothing yet is fine.
func Check(path string) error {
	info, err := os.Stat(path)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return nil
	case err != nil:
		return err
	case !info.Mode().IsRegular():
		return irregular(path, info.Mode())
	}
	return nil
}

func irregular(path string, m fs.FileMode) error {
	what := "something else"
	switch {
	case m.IsDir():
		what = "a directory"
	case m&fs.ModeNamedPipe != 0:
		what = "a pipe (FIFO)"
	case m&fs.ModeSocket != 0:
		what = "a socket"
	case m&fs.ModeDevice != 0:
		what = "a device"
	}
	return fmt.Errorf("%s is %s, %w; name a regular file", path, what, ErrIrregular)
}

// Readable says who besides its owner may read a file, as "its group" or "everybody"; "" if nobody may, or nothing is
// there. A file in the directory that systemd hands credentials over in ($CREDENTIALS_DIRECTORY) is for the service
// alone, whatever its mode shows.
func Readable(path string) string {
	if dir := os.Getenv("CREDENTIALS_DIRECTORY"); dir != "" &&
		strings.HasPrefix(filepath.Clean(path), filepath.Clean(dir)+"/") {
		return ""
	}
	return otherUsers(path, 0o040, 0o004)
}

// Writable says who besides its owner may write a file, or add and rename files in a directory; "" if nobody may, or
// nothing is there. In a directory with the sticky bit nobody renames what is another's.
func Writable(path string) string {
	if info, err := os.Stat(path); err == nil && info.IsDir() && info.Mode()&fs.ModeSticky != 0 {
		return ""
	}
	return otherUsers(path, 0o020, 0o002)
}

func otherUsers(path string, group, world fs.FileMode) string {
	info, err := os.Stat(path)
	switch {
	case err != nil:
		return "" // whoever reads the file tells it
	case info.Mode()&world != 0:
		return "everybody"
	case info.Mode()&group != 0:
		return "its group"
	}
	return ""
}
