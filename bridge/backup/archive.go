package backup

import (
	"archive/tar"
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"time"

	"clearback/config/file"
)

// An archive is a tar file of plain files, in GNU's format, which has room for large ones. The first is the
// configuration; a journal and secrets may follow. The manifest comes last, so an archive that was cut off has none.
// Where a secret belongs is in the manifest alone; no name in the archive is ever used as a path elsewhere.
const (
	nameConfiguration = "configuration"
	nameJournal       = "journal"
	nameManifest      = "manifest"
)

// format is the number of the archive's form. A program refuses other numbers.
const format = 1

// secretsLimit is the largest number of secrets. A file with 100 lines has about 300. Our own figure.
const secretsLimit = 1000

func secretName(n int) string { return fmt.Sprintf("secret-%d", n) }

// manifest says what the archive holds.
type manifest struct {
	Format  int       `json:"format"`
	Version string    `json:"version"` // of the program that wrote the archive
	Made    time.Time `json:"made"`
	// Files are the other files of the archive, in their order.
	Files []entry `json:"files"`
}

type entry struct {
	Name   string `json:"name"`
	SHA256 string `json:"sha256"`
	// Place is where a secret belongs: a path below the folder of the configuration file.
	Place string `json:"place,omitempty"`
}

// part is a file to be written into the archive: data, or the contents of path.
type part struct {
	name, path, place string
	data              []byte
}

// write writes an archive.
func write(ctx context.Context, w io.Writer, version string, parts []part) error {
	m := manifest{Format: format, Version: version, Made: time.Now().UTC().Truncate(time.Second)}
	out := tar.NewWriter(w)
	for _, p := range parts {
		sum, err := writePart(ctx, out, p, m.Made)
		if err != nil {
			return err
		}
		m.Files = append(m.Files, entry{Name: p.name, SHA256: sum, Place: p.place})
	}
	text, err := json.MarshalIndent(m, "", "  ")
	if err != nil {
		return err
	}
	if _, err := writePart(ctx, out, part{name: nameManifest, data: append(text, '\n')}, m.Made); err != nil {
		return err
	}
	return out.Close()
}

func writePart(ctx context.Context, out *tar.Writer, p part, at time.Time) (sum string, err error) {
	var from io.Reader = bytes.NewReader(p.data)
	size := int64(len(p.data))
	if p.path != "" {
		f, err := os.Open(p.path)
		if err != nil {
			return "", err
		}
		defer f.Close()
		info, err := f.Stat()
		if err != nil {
			return "", err
		}
		from, size = f, info.Size()
	}
	h := &tar.Header{Typeflag: tar.TypeReg, Name: p.name, Size: size, Mode: 0o600, ModTime: at, Format: tar.FormatGNU}
	if err := out.WriteHeader(h); err != nil {
		return "", err
	}
	hash := sha256.New()
	if _, err := io.CopyN(io.MultiWriter(out, hash), reader{ctx, from}, size); err != nil {
		return "", err
	}
	return hex.EncodeToString(hash.Sum(nil)), nil
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

// unpack checks the archive at path and writes its files into the empty folder dir, under their names. It returns the
// manifest, whose files are all there. It never writes more bytes than the archive has.
func unpack(ctx context.Context, path, dir string, through func(io.Writer) io.Writer) (m manifest, err error) {
	if err := file.Check(path); err != nil {
		return m, err
	}
	f, err := os.Open(path)
	if err != nil {
		return m, err
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil {
		return m, err
	}
	u := unpacker{dir: dir, left: info.Size(), sums: map[string]string{}, through: through}
	in := tar.NewReader(reader{ctx, f})
	for {
		h, err := in.Next()
		switch {
		case errors.Is(err, io.EOF):
			return m, fmt.Errorf("%w: its end is missing", ErrArchive)
		case ctx.Err() != nil:
			return m, ctx.Err()
		case err != nil:
			return m, fmt.Errorf("%w: %w", ErrArchive, err)
		}
		if err := u.checkHeader(h); err != nil {
			return m, fmt.Errorf("%w: %w", ErrArchive, err)
		}
		if err := u.file(h, in); err != nil {
			return m, err
		}
		if h.Name == nameManifest {
			break
		}
	}
	if _, err := in.Next(); !errors.Is(err, io.EOF) {
		return m, fmt.Errorf("%w: something follows its end", ErrArchive)
	}
	if m, err = u.manifest(); err != nil {
		return m, fmt.Errorf("%w: %w", ErrArchive, err)
	}
	return m, nil
}

// unpacker holds what has been unpacked.
type unpacker struct {
	dir     string
	left    int64             // bytes that may still be written
	sums    map[string]string // by the name of the file
	through func(io.Writer) io.Writer
}

// checkHeader refuses everything that write does not write.
func (u *unpacker) checkHeader(h *tar.Header) error {
	_, again := u.sums[h.Name]
	n, secret := 0, false
	if _, err := fmt.Sscanf(h.Name, "secret-%d", &n); err == nil {
		secret = n >= 1 && n <= secretsLimit && h.Name == secretName(n)
	}
	limit := int64(file.Limit)
	if h.Name == nameJournal {
		limit = u.left
	}
	switch {
	case h.Typeflag != tar.TypeReg || h.Linkname != "" || len(h.PAXRecords) > 0:
		return fmt.Errorf("%q in it is a link, a folder, a device or a sparse file", h.Name)
	case !secret && h.Name != nameConfiguration && h.Name != nameJournal && h.Name != nameManifest:
		return fmt.Errorf("it has a file named %q", h.Name)
	case again:
		return fmt.Errorf("it has %s twice", h.Name)
	case h.Size < 0 || h.Size > min(limit, u.left):
		return fmt.Errorf("its %s has %d bytes, which is too much", h.Name, h.Size)
	}
	return nil
}

func (u *unpacker) file(h *tar.Header, in io.Reader) error {
	hash := sha256.New()
	short := false
	err := writeFile(filepath.Join(u.dir, h.Name), func(w io.Writer) error {
		n, err := io.Copy(io.MultiWriter(u.through(w), hash), in)
		short = errors.Is(err, io.ErrUnexpectedEOF) || err == nil && n < h.Size
		return err
	})
	switch {
	case short:
		return fmt.Errorf("%w: its %s is cut off", ErrArchive, h.Name)
	case err != nil:
		return fmt.Errorf("unpack %s into %s: %w; if the disk is full, set TMPDIR to a folder with more space", h.Name,
			u.dir, err)
	}
	u.left -= h.Size
	u.sums[h.Name] = hex.EncodeToString(hash.Sum(nil))
	return nil
}

// manifest reads the manifest and compares it with the files.
func (u *unpacker) manifest() (m manifest, err error) {
	text, err := file.Read(filepath.Join(u.dir, nameManifest))
	if err != nil {
		return m, err
	}
	d := json.NewDecoder(bytes.NewReader(text))
	switch err := d.Decode(&m); {
	case err != nil:
		return m, fmt.Errorf("its manifest cannot be read: %w", err)
	case m.Format != format:
		return m, fmt.Errorf("it has format %d, this program reads format %d; use the clearback that wrote it, or a later one",
			m.Format, format)
	case len(m.Files) != len(u.sums)-1:
		return m, fmt.Errorf("it has %d files, its manifest %d", len(u.sums)-1, len(m.Files))
	case u.sums[nameConfiguration] == "":
		return m, errors.New("it has no configuration")
	}
	seen, places := map[string]bool{nameManifest: true}, map[string]bool{}
	for _, e := range m.Files {
		secret := strings.HasPrefix(e.Name, "secret-")
		switch {
		case seen[e.Name] || u.sums[e.Name] == "" || u.sums[e.Name] != e.SHA256:
			return m, fmt.Errorf("its %q is not what was saved", e.Name)
		case secret != (e.Place != "") || secret && (!fs.ValidPath(e.Place) || e.Place == "." || places[e.Place]):
			return m, fmt.Errorf("its %s belongs to %q, which is no place for it", e.Name, e.Place)
		}
		seen[e.Name], places[e.Place] = true, true
	}
	return m, nil
}
