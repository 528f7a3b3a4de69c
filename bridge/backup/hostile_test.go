package backup

import (
	"archive/tar"
	"bytes"
	"crypto/sha256"
	"database/sql"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"clearback/bridge/journal"
	"clearback/config/file"
)

// item is a file of an archive that a test writes.
type item struct {
	header tar.Header // name and type; the size is that of text unless it is set
	text   string
}

func named(name, text string) item { return item{header: tar.Header{Name: name}, text: text} }

// forge returns an archive of items and a manifest that fits them, unless change changes it.
func forge(t testing.TB, items []item, change func(*manifest)) []byte {
	t.Helper()
	m := manifest{Format: format, Version: "v1"}
	for _, x := range items {
		m.Files = append(m.Files, entry{Name: x.header.Name,
			SHA256: fmt.Sprintf("%x", sha256.Sum256([]byte(x.text)))})
	}
	if change != nil {
		change(&m)
	}
	text, err := json.Marshal(m)
	require.NoError(t, err)
	return tape(t, append([]item{named(nameManifest, string(text))}, items...)...)
}

// tape returns a tar file.
func tape(t testing.TB, items ...item) []byte {
	t.Helper()
	var b bytes.Buffer
	w := tar.NewWriter(&b)
	for _, x := range items {
		h := x.header
		if h.Typeflag == 0 {
			h.Typeflag = tar.TypeReg
		}
		if h.Size > 0 { // w would insist on all bytes
			require.NoError(t, w.Flush())
			require.NoError(t, tar.NewWriter(&b).WriteHeader(&h))
			continue
		}
		h.Size = int64(len(x.text))
		require.NoError(t, w.WriteHeader(&h))
		_, err := w.Write([]byte(x.text))
		require.NoError(t, err)
	}
	require.NoError(t, w.Close())
	return b.Bytes()
}

// aFile returns the path of a new file.
func aFile(t testing.TB, data []byte) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "archive")
	require.NoError(t, os.WriteFile(path, data, 0o600))
	return path
}

// aJournal is the journal of an archive, changed by a statement.
func aJournal(t testing.TB, statement string) item {
	t.Helper()
	path := filepath.Join(t.TempDir(), "journal.db")
	j := journal.Open(journal.Options{Path: path})
	j.SaveLine(learnt)
	require.NoError(t, j.Close())
	if statement != "" {
		harm(t, path, statement)
	}
	data, err := os.ReadFile(path)
	require.NoError(t, err)
	return named(nameJournal, string(data))
}

// harm executes a statement in a journal.
func harm(t testing.TB, path, statement string) {
	t.Helper()
	db, err := sql.Open("sqlite", "file:"+path)
	require.NoError(t, err)
	_, err = db.Exec(statement)
	require.NoError(t, err)
	require.NoError(t, db.Close())
}

// small is a configuration whose secrets are all in the folder of secrets.
var small = strings.Replace(playhouse, "ELSEWHERE", "secrets/service", 1)

// TestHostileArchives checks that nothing changes, whatever an archive holds, and that the reason can be printed. One
// case is what Make writes, and is restored.
func TestHostileArchives(t *testing.T) {
	t.Parallel()
	configuration, sound := named(nameConfiguration, small), aJournal(t, "")
	typed := func(kind byte, link string) []item {
		return []item{configuration, {header: tar.Header{Name: nameJournal, Typeflag: kind, Linkname: link}}}
	}
	entries := func(change func(*manifest)) []byte { return forge(t, []item{configuration, sound}, change) }
	many := func(m *manifest) {
		for n := range filesLimit {
			m.Files = append(m.Files, entry{Name: fmt.Sprint(secretsPrefix, n)})
		}
	}
	for name, x := range map[string]struct {
		archive []byte
		want    string
	}{
		"a symbolic link":  {forge(t, typed(tar.TypeSymlink, "/etc/passwd"), nil), "is a link"},
		"a hard link":      {forge(t, typed(tar.TypeLink, "/etc/passwd"), nil), "is a link"},
		"a device":         {forge(t, typed(tar.TypeChar, ""), nil), "is a link"},
		"a pipe":           {forge(t, typed(tar.TypeFifo, ""), nil), "is a link"},
		"a folder":         {forge(t, typed(tar.TypeDir, ""), nil), "is a link"},
		"a path upwards":   {forge(t, []item{configuration, named("../journal.db", "x")}, nil), `named "../journal.db"`},
		"an absolute path": {forge(t, []item{configuration, named("/etc/passwd", "x")}, nil), `named "/etc/passwd"`},
		"a secret upwards": {forge(t, []item{configuration, named("secrets/../passwd", "x")}, nil), "named"},
		"a secret below":   {forge(t, []item{configuration, named("secrets/more/door", "x")}, nil), "named"},
		"a hidden secret":  {forge(t, []item{configuration, named("secrets/.profile", "x")}, nil), "named"},
		"a file of another program": {forge(t, []item{configuration, named("clearback.service", "x")}, nil),
			`named "clearback.service"`},
		"a name that clears the screen": {forge(t, []item{configuration, named("\x1b[2J\u202e", "x")}, nil), "named"},
		"a file twice":                  {forge(t, []item{configuration, configuration}, nil), "named"},
		"a secret twice": {forge(t, []item{configuration, named("secrets/door", "x"), named("secrets/door", "x")}, nil),
			"twice"},
		"a promise of 4 GB": {forge(t, []item{configuration, {header: tar.Header{Name: nameJournal, Size: 1 << 32}}}, nil),
			"cut off"},
		"a large configuration": {forge(t, []item{named(nameConfiguration, small+strings.Repeat("#", file.Limit))}, nil), "larger than"},
		"too many files":        {entries(many), "instead of 1 to"},
		"extended headers": {forge(t, []item{configuration, {header: tar.Header{Name: nameJournal,
			PAXRecords: map[string]string{"CLEARBACK.x": "1"}}, text: "x"}}, nil), "is a link"},
		"no manifest":        {tape(t, configuration, sound), "where manifest.json should be"},
		"a bad manifest":     {tape(t, named(nameManifest, "[")), "manifest cannot be read"},
		"a large manifest":   {tape(t, named(nameManifest, strings.Repeat(" ", file.Limit+1))), "larger than"},
		"no configuration":   {forge(t, []item{sound}, nil), "does not begin with a configuration"},
		"no files":           {forge(t, nil, nil), "instead of 1 to"},
		"another sum":        {entries(func(m *manifest) { m.Files[0].SHA256 = "00" }), "not what was saved"},
		"a missing file":     {tape(t, named(nameManifest, `{"format":1,"files":[{"name":"clearback.yaml"}]}`)), "is missing"},
		"a file of no entry": {entries(func(m *manifest) { m.Files = m.Files[:1] }), "follows its end"},
		"a later format": {tape(t, named(nameManifest, `{"format":2,"version":"v9\u001b[2J\n","files":{"more":1}}`),
			named("more", "x")), "format 2, this program reads format 1"},
		"no archive":                  {[]byte("The Millrace Playhouse presents"), ""},
		"nothing":                     {nil, "manifest.json is missing"},
		"a configuration with faults": {forge(t, []item{named(nameConfiguration, "country: UK\n")}, nil), "did you mean GB?"},
		"faults that fake a line": {forge(t, []item{named(nameConfiguration, `"\e[2J\nclearback: no faults": 1`)}, nil),
			"is not a known key"},
		"a journal that nobody wants": {forge(t, []item{named(nameConfiguration, small+"journal: {file: none}\n"), sound}, nil),
			"journal.file: none"},
		"a journal in the place of the passwords": {forge(t, []item{named(nameConfiguration,
			small+"journal: {file: /etc/passwd}\n"), sound}, nil), `"/etc/passwd"`},
		"a journal in the place of the configuration": {forge(t, []item{named(nameConfiguration,
			small+"journal: {file: clearback.yaml}\n"), sound}, nil), "and this machine at"},
		"a journal with a trigger": {forge(t, []item{configuration,
			aJournal(t, "CREATE TRIGGER spare AFTER INSERT ON calls BEGIN DELETE FROM calls; END")}, nil),
			"not a journal of version"},
		"a journal of a newer version": {forge(t, []item{configuration, aJournal(t, "PRAGMA user_version = 4711")}, nil),
			"written by a newer version"},
		"a journal with words for numbers": {forge(t, []item{configuration, aJournal(t, "UPDATE lines SET stayed = 'many'")},
			nil), "many"},
		"a name as text and as bytes": {forge(t, []item{configuration, aJournal(t,
			"INSERT INTO lines(name) SELECT CAST(name AS BLOB) FROM lines")}, nil), "not text"},
		"text for a journal": {forge(t, []item{configuration, named(nameJournal, "The Millrace Playhouse")}, nil), "damaged"},
		"what Make writes":   {forge(t, []item{configuration, sound, named("secrets/service", "limelight")}, nil), "none"},
	} {
		t.Run(name, func(t *testing.T) {
			archive := aFile(t, x.archive)
			dir := t.TempDir()
			c := filepath.Join(dir, "clearback.yaml")
			put(t, c, "country: GB # the present one\n", 0o640)
			before := tree(t, dir)
			_, err := Restore(t.Context(), Options{Archive: archive, Config: c})
			if x.want == "none" {
				require.NoError(t, err)
				return
			}
			require.Error(t, err)
			// The names of the cases are in these paths.
			require.Contains(t, strings.NewReplacer(archive, "ARCHIVE", dir, "DIR").Replace(err.Error()), x.want)
			assert.Equal(t, before, tree(t, dir))
			for line := range strings.Lines(err.Error()) {
				assert.NotContains(t, line, "\x1b")
				assert.NotContains(t, line, "\u202e")
				assert.False(t, strings.HasPrefix(line, "clearback: no faults"), line)
			}
		})
	}
}

// The version of the program in an archive is printed, so it is one short line.
func TestVersionCanBePrinted(t *testing.T) {
	archive := aFile(t, forge(t, []item{named(nameConfiguration, small)}, func(m *manifest) {
		m.Version = "v1\n\x1b[2Jrestored" + strings.Repeat("!", 200)
	}))
	done := restore(t, archive, filepath.Join(t.TempDir(), "clearback.yaml"))
	assert.NotContains(t, done.Version, "\n")
	assert.NotContains(t, done.Version, "\x1b")
	assert.Len(t, done.Version, 80)
}

// No link, and no pipe, in the place of a file or folder is followed or opened.
func TestRestoreFollowsNoLinks(t *testing.T) {
	archive := aFile(t, forge(t, []item{named(nameConfiguration, small), aJournal(t, ""),
		named("secrets/service", "limelight")}, nil))
	link := func(name string) func(*testing.T, string, string) {
		return func(t *testing.T, dir, elsewhere string) {
			require.NoError(t, os.Symlink(filepath.Join(elsewhere, "precious"), filepath.Join(dir, name)))
		}
	}
	for name, plant := range map[string]func(t *testing.T, dir, elsewhere string){
		"the configuration": link("clearback.yaml"), "the journal": link("journal.db"), "the lock": link("journal.db-lock"),
		"a pipe": func(t *testing.T, dir, _ string) {
			require.NoError(t, syscall.Mkfifo(filepath.Join(dir, "journal.db"), 0o600))
		},
		"a secret": func(t *testing.T, dir, elsewhere string) {
			require.NoError(t, os.Mkdir(filepath.Join(dir, "secrets"), 0o700))
			link("secrets/service")(t, dir, elsewhere)
		},
		"the folder of secrets": func(t *testing.T, dir, elsewhere string) {
			require.NoError(t, os.Symlink(elsewhere, filepath.Join(dir, "secrets")))
		},
		"the folder of secrets, inside": func(t *testing.T, dir, _ string) {
			require.NoError(t, os.Symlink(".", filepath.Join(dir, "secrets")))
		},
	} {
		t.Run(name, func(t *testing.T) {
			dir, elsewhere := t.TempDir(), t.TempDir()
			put(t, filepath.Join(elsewhere, "precious"), "precious", 0o600)
			plant(t, dir, elsewhere)
			before, there := tree(t, dir), tree(t, elsewhere)
			_, err := Restore(t.Context(), Options{Archive: archive, Config: filepath.Join(dir, "clearback.yaml")})
			require.Error(t, err)
			if there := filepath.Join(dir, "secrets"); before[there] == "" {
				_ = os.Remove(there) // a new folder stays, with nothing in it
			}
			assert.Equal(t, before, tree(t, dir))
			assert.Equal(t, there, tree(t, elsewhere))
		})
	}
}

// A pipe in the place of the archive is not waited for.
func TestArchiveIsAPipe(t *testing.T) {
	archive := filepath.Join(t.TempDir(), "clearback.backup")
	require.NoError(t, syscall.Mkfifo(archive, 0o600))
	_, err := Restore(t.Context(), Options{Archive: archive, Config: filepath.Join(t.TempDir(), "clearback.yaml")})
	require.ErrorContains(t, err, "not a regular file")
}

// Names that a killed restore would have used may have been taken by somebody who may write the journal's folder.
func TestRestoreTakesBackItsNames(t *testing.T) {
	archive := aFile(t, forge(t, []item{named(nameConfiguration, small), aJournal(t, "")}, nil))
	dir, elsewhere := t.TempDir(), filepath.Join(t.TempDir(), "precious")
	put(t, elsewhere, "precious", 0o600)
	for _, name := range []string{".journal.db.restore", ".clearback.yaml.restore"} {
		require.NoError(t, os.Symlink(elsewhere, filepath.Join(dir, name)))
	}
	restore(t, archive, filepath.Join(dir, "clearback.yaml"))
	text, err := os.ReadFile(elsewhere)
	require.NoError(t, err)
	require.Equal(t, "precious", string(text))
	require.True(t, modeOf(t, filepath.Join(dir, "journal.db")).IsRegular())
}

// Whatever is missing at the end, and whichever byte is changed, nothing is restored but what was saved.
func TestDamagedArchive(t *testing.T) {
	t.Parallel()
	whole := forge(t, []item{named(nameConfiguration, small)}, nil)
	try := func(data []byte) (string, error) {
		archive, dir := aFile(t, data), t.TempDir()
		c := filepath.Join(dir, "clearback.yaml")
		_, err := Restore(t.Context(), Options{Archive: archive, Config: c})
		if err != nil {
			require.Empty(t, tree(t, dir)[c])
			return "", err
		}
		text, err := os.ReadFile(c)
		require.NoError(t, err)
		return string(text), nil
	}
	saved, err := try(whole)
	require.NoError(t, err)
	for n := 0; n < len(whole)-2*512-512; n += 97 { // behind that there is only padding
		_, err := try(whole[:n])
		require.ErrorIs(t, err, ErrArchive, "%d bytes", n)
	}
	for n := 0; n < len(whole); n += 61 {
		changed := bytes.Clone(whole)
		changed[n] ^= 0x55
		if text, err := try(changed); err == nil {
			require.Equal(t, saved, text, "byte %d", n)
		}
	}
}

// Whatever the archive is, nothing is unpacked but what a manifest can name, and the error can be printed.
func FuzzArchive(f *testing.F) {
	f.Add(forge(f, []item{named(nameConfiguration, small), named(nameJournal, "x"), named("secrets/service", "y")}, nil))
	f.Add(forge(f, []item{named(nameConfiguration, "z")}, nil))
	f.Add(tape(f, named(nameManifest, `{"format":1,"files":[{"name":"clearback.yaml","size":1,"sha256":"00"}]}`)))
	f.Add(tape(f, named(nameManifest, `{"format":2,"version":"v9"}`), named("more", "x")))
	f.Fuzz(func(t *testing.T, data []byte) {
		dir := t.TempDir()
		m, err := unpack(t.Context(), aFile(t, data), dir)
		if err != nil {
			require.NotContains(t, err.Error(), "\x1b")
		} else {
			require.Equal(t, nameConfiguration, m.Files[0].Name)
			require.LessOrEqual(t, len(m.Version), 4*80)
		}
		size := 0
		left, readErr := os.ReadDir(dir)
		require.NoError(t, readErr)
		for _, e := range left {
			info, err := e.Info()
			require.NoError(t, err)
			size += int(info.Size())
			if !strings.HasPrefix(e.Name(), "secret-") {
				require.Contains(t, []string{nameConfiguration, nameJournal}, e.Name())
			}
		}
		require.LessOrEqual(t, size, len(data))
	})
}
