package backup

import (
	"archive/tar"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"regexp"
	"syscall"
	"time"

	"clearback/config/file"
	"clearback/supervision/sanitize"
)

// An archive is a tar file of regular files, in GNU's format, which has room for large ones. The manifest comes first,
// so that a program recognises an archive of a later format before it meets what it does not know. Then follow the
// configuration, the journal, if there is one, and secrets, under these names. No name in an archive is used as a path
// elsewhere.
const (
	nameManifest      = "manifest.json"
	nameConfiguration = "clearback.yaml"
	nameJournal       = "journal.db"
	secretsPrefix     = secretsFolder + "/"
)

// format is the number of the archive's form. A program refuses other numbers.
const format = 1

// filesLimit is the largest number of files in an archive. A configuration with 100 lines has about 300 secrets. Our
// own figure.
const filesLimit = 1000

// secretNameMax is the length of the longest name of a file in the folder of secrets, in bytes. A count in the pattern
// would cost every process time at its start.
const secretNameMax = 100

// secretPattern is what such a name may consist of. It never begins with a dot.
var secretPattern = regexp.MustCompile(`^[A-Za-z0-9_][A-Za-z0-9._-]*$`)

func validSecretName(name string) bool {
	return len(name) <= secretNameMax && secretPattern.MatchString(name)
}

// manifest says what an archive holds.
type manifest struct {
	Format  int       `json:"format"`
	Version string    `json:"version"` // of the program that wrote the archive
	Made    time.Time `json:"made"`    // UTC
	// Files are the other files of the archive, in their order.
	Files []entry `json:"files"`
}

type entry struct {
	Name   string `json:"name"`
	SHA256 string `json:"sha256"` // in hexadecimal
}

// write writes an archive of the files with these names, which are in dir as [unpack] leaves them.
func write(ctx context.Context, w io.Writer, version, dir string, names []string) error {
	if len(names) > filesLimit {
		return fmt.Errorf("there are %d files; a backup has room for %d", len(names), filesLimit)
	}
	m := manifest{Format: format, Version: version, Made: time.Now().UTC().Truncate(time.Second)}
	for _, name := range names {
		hash := sha256.New()
		if err := copyFile(ctx, hash, unpacked(dir, name)); err != nil {
			return err
		}
		m.Files = append(m.Files, entry{Name: name, SHA256: hex.EncodeToString(hash.Sum(nil))})
	}
	text, err := json.MarshalIndent(m, "", "  ")
	if err != nil {
		return err
	}
	out := tar.NewWriter(w)
	header := func(name string, size int64) error {
		return out.WriteHeader(&tar.Header{Typeflag: tar.TypeReg, Name: name, Size: size, Mode: 0o600, ModTime: m.Made,
			Format: tar.FormatGNU})
	}
	if err := header(nameManifest, int64(len(text))); err != nil {
		return err
	}
	if _, err := out.Write(text); err != nil {
		return err
	}
	for _, e := range m.Files {
		info, err := os.Stat(unpacked(dir, e.Name))
		if err != nil {
			return err
		}
		if err := header(e.Name, info.Size()); err != nil {
			return err
		}
		if err := copyFile(ctx, out, unpacked(dir, e.Name)); err != nil {
			return err
		}
	}
	return out.Close()
}

// copyFile writes the contents of a file to w.
func copyFile(ctx context.Context, w io.Writer, path string) error {
	from, err := os.Open(path)
	if err != nil {
		return err
	}
	defer from.Close()
	_, err = io.Copy(w, reader{ctx, from})
	return err
}

// reader is a reader that ends with its context.
type reader struct {
	ctx context.Context
	io.Reader
}

func (r reader) Read(p []byte) (int, error) {
	if err := r.ctx.Err(); err != nil {
		return 0, err
	}
	return r.Reader.Read(p)
}

// improper returns an [ErrArchive] with a reason that may contain text of the archive.
func improper(format string, a ...any) error {
	return fmt.Errorf("%w: %s", ErrArchive, sanitize.Text(fmt.Sprintf(format, a...), 500))
}

// unpack checks the archive at path and writes its files into the empty folder dir: the configuration and the journal
// under their names, secret NAME as secret-NAME. It writes no more bytes than the archive has.
func unpack(ctx context.Context, path, dir string) (m manifest, err error) {
	f, err := os.OpenFile(path, os.O_RDONLY|syscall.O_NONBLOCK, 0) // it may be a pipe, which has no writer
	if err != nil {
		return m, err
	}
	defer f.Close()
	if info, err := f.Stat(); err != nil || !info.Mode().IsRegular() {
		return m, errors.Join(err, improper("it is not a regular file"))
	}
	in := tar.NewReader(reader{ctx, f})
	m, err = readManifest(in)
	for i := 0; err == nil && i < len(m.Files); i++ {
		if err = next(in, m.Files[i].Name); err == nil {
			err = unpackFile(in, m.Files[i], dir)
		}
	}
	if err == nil {
		if _, more := in.Next(); !errors.Is(more, io.EOF) {
			err = improper("something follows its end")
		}
	}
	return m, errors.Join(ctx.Err(), err)
}

func readManifest(in *tar.Reader) (m manifest, err error) {
	if err := next(in, nameManifest); err != nil {
		return m, err
	}
	text, err := io.ReadAll(io.LimitReader(in, file.Limit+1))
	switch {
	case err != nil:
		return m, improper("%v", err)
	case len(text) > file.Limit:
		return m, improper("its manifest is larger than %d bytes", file.Limit)
	}
	err = json.Unmarshal(text, &m)
	switch {
	case m.Format != format && (m.Format != 0 || err == nil): // then the rest may have another form
		return m, improper("it has format %d, this program reads format %d; use the clearback that wrote it (%s), or a later one",
			m.Format, format, m.Version)
	case err != nil:
		return m, improper("its manifest cannot be read: %v", err)
	}
	return m, m.check()
}

// check checks a manifest, and makes its text fit to be printed.
func (m *manifest) check() error {
	m.Version = sanitize.Text(m.Version, 80)
	if len(m.Files) < 1 || len(m.Files) > filesLimit {
		return improper("it has %d files instead of 1 to %d", len(m.Files), filesLimit)
	}
	seen := map[string]bool{}
	for i, e := range m.Files {
		secret, isSecret := cutSecret(e.Name)
		switch {
		case i == 0 && e.Name != nameConfiguration:
			return improper("it does not begin with a configuration")
		case i > 0 && e.Name != nameJournal && (!isSecret || !validSecretName(secret)):
			return improper("it has a file named %q", e.Name)
		case seen[e.Name]:
			return improper("it has %s twice", e.Name)
		}
		seen[e.Name] = true
	}
	return nil
}

// next goes to the next file of an archive, which must have that name.
func next(in *tar.Reader, name string) error {
	h, err := in.Next()
	switch {
	case errors.Is(err, io.EOF):
		return improper("its %s is missing", name)
	case err != nil:
		return improper("%v", err)
	case h.Typeflag != tar.TypeReg || h.Linkname != "" || len(h.PAXRecords) > 0:
		return improper("%q in it is a link, a folder, a device or a sparse file", h.Name)
	case h.Name != name:
		return improper("it has a file named %q where %s should be", h.Name, name)
	}
	return nil
}

func unpackFile(in *tar.Reader, e entry, dir string) error {
	hash := sha256.New()
	var improperErr error
	to := unpacked(dir, e.Name)
	err := writeFile(to, func(w io.Writer) error {
		_, err := io.Copy(io.MultiWriter(w, hash), in)
		if errors.Is(err, io.ErrUnexpectedEOF) {
			improperErr = improper("its %s is cut off", e.Name)
		}
		return err
	})
	switch {
	case improperErr != nil:
		return improperErr
	case err != nil:
		return fmt.Errorf("unpack %s into %s: %w; if the disk is full, set TMPDIR to a folder with more space", e.Name,
			dir, err)
	case hex.EncodeToString(hash.Sum(nil)) != e.SHA256:
		return improper("its %s is not what was saved", e.Name)
	}
	return nil
}

// unpacked returns the path of a file of an archive that was unpacked into the folder dir.
func unpacked(dir, name string) string {
	if secret, ok := cutSecret(name); ok {
		name = "secret-" + secret
	}
	return filepath.Join(dir, name)
}
