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
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"clearback/bridge/journal"
)

// item is a file of an archive that a test writes.
type item struct {
	header tar.Header // name and type; the size is that of text unless it is set
	text   string
	place  string
	// absent keeps it out of the manifest; sum replaces its sum there.
	absent bool
	sum    string
}

// forge writes an archive of items and a manifest that fits them, unless change changes it. after is written behind the
// manifest.
func forge(t *testing.T, items []item, change func(*manifest), after ...item) (path string) {
	t.Helper()
	var b bytes.Buffer
	w := tar.NewWriter(&b)
	write := func(x item) {
		h := x.header
		if h.Typeflag == 0 {
			h.Typeflag = tar.TypeReg
		}
		if h.Typeflag == tar.TypeReg && h.Size == 0 {
			h.Size = int64(len(x.text))
		}
		if h.Size > int64(len(x.text)) && x.text == "" { // w would insist on all bytes
			require.NoError(t, w.Flush())
			require.NoError(t, tar.NewWriter(&b).WriteHeader(&h))
			return
		}
		require.NoError(t, w.WriteHeader(&h))
		_, err := w.Write([]byte(x.text))
		require.NoError(t, err)
	}
	m := manifest{Format: format, Version: "v1"}
	for _, x := range items {
		write(x)
		if sum := fmt.Sprintf("%x", sha256.Sum256([]byte(x.text))); !x.absent {
			if x.sum != "" {
				sum = x.sum
			}
			m.Files = append(m.Files, entry{Name: x.header.Name, SHA256: sum, Place: x.place})
		}
	}
	if change != nil {
		change(&m)
	}
	text, err := json.Marshal(m)
	require.NoError(t, err)
	write(item{header: tar.Header{Name: nameManifest}, text: string(text)})
	for _, x := range after {
		write(x)
	}
	require.NoError(t, w.Close())
	path = filepath.Join(t.TempDir(), "archive")
	require.NoError(t, os.WriteFile(path, b.Bytes(), 0o600))
	return path
}

func named(name, text string) item { return item{header: tar.Header{Name: name}, text: text} }

func secret(place string) item {
	return item{header: tar.Header{Name: "secret-1"}, text: "trapdoor", place: place}
}

// TestHostileArchives checks that nothing changes, whatever an archive holds. One case is what Make writes, and is
// restored.
func TestHostileArchives(t *testing.T) {
	text := strings.Replace(playhouse, "ELSEWHERE", "secrets/service", 1)
	configuration := named(nameConfiguration, text)
	harmed := func(statement string) item {
		path := filepath.Join(t.TempDir(), "journal.db")
		j := journal.Open(journal.Options{Path: path})
		require.NoError(t, j.Close())
		if statement != "" {
			db, err := sql.Open("sqlite", "file:"+path)
			require.NoError(t, err)
			_, err = db.Exec(statement)
			require.NoError(t, err)
			require.NoError(t, db.Close())
		}
		data, err := os.ReadFile(path)
		require.NoError(t, err)
		return named(nameJournal, string(data))
	}
	typed := func(kind byte, link string) item {
		return item{header: tar.Header{Name: nameJournal, Typeflag: kind, Linkname: link}, absent: true}
	}
	for name, x := range map[string]struct {
		items  []item
		change func(*manifest)
		after  []item
		want   string
	}{
		"a symbolic link":        {items: []item{configuration, typed(tar.TypeSymlink, "/etc/passwd")}, want: "is a link"},
		"a hard link":            {items: []item{configuration, typed(tar.TypeLink, "/etc/passwd")}, want: "is a link"},
		"a device":               {items: []item{configuration, typed(tar.TypeChar, "")}, want: "is a link"},
		"a pipe":                 {items: []item{configuration, typed(tar.TypeFifo, "")}, want: "is a link"},
		"a folder":               {items: []item{configuration, typed(tar.TypeDir, "")}, want: "is a link"},
		"a path upwards":         {items: []item{configuration, named("../journal", "x")}, want: `a file named "../journal"`},
		"an absolute path":       {items: []item{configuration, named("/etc/passwd", "x")}, want: `named "/etc/passwd"`},
		"a path with a dot":      {items: []item{named("./configuration", text)}, want: `named "./configuration"`},
		"a secret of odd number": {items: []item{configuration, named("secret-01", "x")}, want: `named "secret-01"`},
		"too many secrets":       {items: []item{configuration, named("secret-1001", "x")}, want: `named "secret-1001"`},
		"a file twice":           {items: []item{configuration, configuration}, want: "twice"},
		"a promise of 4 GB": {items: []item{configuration, {header: tar.Header{Name: nameJournal, Size: 1 << 32}}},
			want: "too much"},
		"a large configuration": {items: []item{named(nameConfiguration, text+strings.Repeat("#", 1<<20))},
			want: "too much"},
		"extended headers": {items: []item{configuration, {header: tar.Header{Name: nameJournal,
			PAXRecords: map[string]string{"CLEARBACK.x": "1"}}, text: "x"}}, want: "is a link"},
		"no configuration": {items: []item{harmed("")}, want: "no configuration"},
		"another sum": {items: []item{{header: configuration.header, text: text, sum: "00"}},
			want: "not what was saved"},
		"a file of no entry": {items: []item{configuration, {header: tar.Header{Name: nameJournal}, absent: true}},
			want: "2 files"},
		"an entry of no file": {items: []item{configuration},
			change: func(m *manifest) { m.Files[0].Name = nameJournal }, want: "not what was saved"},
		"an entry twice": {items: []item{configuration, harmed("")},
			change: func(m *manifest) { m.Files[1] = m.Files[0] }, want: "not what was saved"},
		"another format": {items: []item{configuration}, change: func(m *manifest) { m.Format = 2 }, want: "format 2"},
		"more behind it": {items: []item{configuration}, after: []item{named(nameJournal, "x")}, want: "follows its end"},
		"a secret elsewhere": {items: []item{configuration, secret("/etc/passwd")},
			want: "no place for it"},
		"a secret upwards":        {items: []item{configuration, secret("../passwd")}, want: "no place for it"},
		"a secret upwards within": {items: []item{configuration, secret("secrets/../../passwd")}, want: "no place for it"},
		"a secret without place":  {items: []item{configuration, secret("")}, want: "no place for it"},
		"a secret instead of the configuration": {items: []item{configuration, secret("clearback.yaml")},
			want: "neither its configuration nor the unit names"},
		"a place for the journal": {items: []item{configuration, {header: harmed("").header, text: "x", place: "x"}},
			want: "no place for it"},
		"two secrets in one place": {items: []item{configuration, secret("secrets/service"),
			{header: tar.Header{Name: "secret-2"}, text: "x", place: "secrets/service"}}, want: "no place for it"},
		"a configuration with faults": {items: []item{named(nameConfiguration, "country: UK\n")}, want: "did you mean GB?"},
		"a journal nobody wants": {items: []item{named(nameConfiguration, text+"journal: {file: none}\n"), harmed("")},
			want: "journal.file: none"},
		"a journal with a trigger": {items: []item{configuration,
			harmed("CREATE TRIGGER spare AFTER INSERT ON calls BEGIN DELETE FROM calls; END")},
			want: "not a journal of version"},
		"text for a journal": {items: []item{configuration, named(nameJournal, "The Millrace Playhouse")}, want: "damaged"},
		"what Make writes":   {items: []item{configuration, harmed(""), secret("secrets/service")}},
	} {
		t.Run(name, func(t *testing.T) {
			archive := forge(t, x.items, x.change, x.after...)
			dir := t.TempDir()
			c := filepath.Join(dir, "clearback.yaml")
			put(t, c, "country: GB # the present one\n", 0o640)
			before := tree(t, dir)
			_, err := Restore(t.Context(), Options{Archive: archive, Config: c})
			if x.want == "" {
				require.NoError(t, err)
				return
			}
			require.ErrorContains(t, err, x.want)
			assert.Equal(t, before, tree(t, dir))
		})
	}
}

// Root does not write a journal into a folder of root, such as /etc/cron.d, because an archive says so.
func TestJournalInFolderOfRoot(t *testing.T) {
	if os.Geteuid() != 0 {
		t.Skip("other users cannot write there anyway")
	}
	theirs := t.TempDir()
	require.ErrorContains(t, journalPlace(filepath.Join(theirs, "journal.db"), "/etc/clearback/clearback.yaml"),
		"in a folder of root")
	require.NoError(t, journalPlace(filepath.Join(theirs, "journal.db"), filepath.Join(theirs, "clearback.yaml")))
	require.NoError(t, os.Chown(theirs, 1, 1))
	require.NoError(t, journalPlace(filepath.Join(theirs, "journal.db"), "/etc/clearback/clearback.yaml"))
}

// A link below the folder of the configuration does not lead a secret out of it.
func TestSecretDoesNotFollowLinks(t *testing.T) {
	archive := forge(t, []item{named(nameConfiguration, strings.Replace(playhouse, "ELSEWHERE", "secrets/service", 1)),
		secret("secrets/service")}, nil)
	dir, elsewhere := t.TempDir(), t.TempDir()
	require.NoError(t, os.Symlink(elsewhere, filepath.Join(dir, "secrets")))
	_, err := Restore(t.Context(), Options{Archive: archive, Config: filepath.Join(dir, "clearback.yaml")})
	require.Error(t, err)
	require.NoFileExists(t, filepath.Join(elsewhere, "service"))
	require.NoFileExists(t, filepath.Join(dir, "clearback.yaml"))
}

// Whatever is missing at the end, and whichever byte is changed, nothing is restored but what was saved.
func TestDamagedArchive(t *testing.T) {
	whole, err := os.ReadFile(forge(t, []item{named(nameConfiguration,
		strings.Replace(playhouse, "ELSEWHERE", "secrets/service", 1))}, nil))
	require.NoError(t, err)
	try := func(data []byte) (string, error) {
		archive, dir := filepath.Join(t.TempDir(), "archive"), t.TempDir()
		require.NoError(t, os.WriteFile(archive, data, 0o600))
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
