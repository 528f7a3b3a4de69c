// Package file reads the files that a user names: configurations, secrets, certificates. It never waits for a writer or
// a device. It also reports which other users may read or write a file.
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

// ErrIrregular means that the path does not name a regular file.
var ErrIrregular = errors.New("not a regular file")

// Limit is the size in bytes above which [Read] refuses a file. The configuration of a hundred lines has about 50 kB. A
// bundle of certificates of all public authorities has 250 kB.
const Limit = 1 << 20

// Read returns the contents of a regular file, or of one that a symbolic link leads to. For anything else it returns an
// error at once: a pipe waits for a writer, a terminal for a key, and opening a serial port moves its control lines.
func Read(path string) ([]byte, error) {
	if err := Check(path); err != nil {
		return nil, err
	}
	f, err := os.OpenFile(path, os.O_RDONLY|syscall.O_NONBLOCK, 0) // the file may have become a pipe since
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

// Check returns an error if the path names something other than a regular file. It opens nothing. A path that does not
// exist is no error.
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

// Readable returns which users besides its owner may read a file: "its group" or "everybody". It returns "" if there
// are none, or if the file does not exist. A file in the credentials directory of systemd ($CREDENTIALS_DIRECTORY) is
// only for the service, whatever its mode shows.
func Readable(path string) string {
	if dir := os.Getenv("CREDENTIALS_DIRECTORY"); dir != "" &&
		strings.HasPrefix(filepath.Clean(path), filepath.Clean(dir)+"/") {
		return ""
	}
	return otherUsers(path, 0o040, 0o004)
}

// Writable returns which users besides its owner may write a file, or add and rename files in a directory. It returns
// "" if there are none, or if the file does not exist. In a directory with the sticky bit, nobody can rename another
// user's files.
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
		return "" // the code that reads the file reports this error
	case info.Mode()&world != 0:
		return "everybody"
	case info.Mode()&group != 0:
		return "its group"
	}
	return ""
}
