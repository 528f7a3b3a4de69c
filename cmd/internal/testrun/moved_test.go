package testrun

import (
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"clearback/bridge/programtest"
)

// treeOf returns a revision of files in memory. Each file's text is its hash.
func treeOf(files map[string]string) revision {
	r := revision{blobs: []blob{{"go.mod", "module millrace\n\ngo 1.26\n"}}}
	for path, text := range files {
		r.blobs = append(r.blobs, blob{path, text})
	}
	r.read = func(hashes []string) (map[string][]byte, error) {
		all := map[string][]byte{}
		for _, h := range hashes {
			all[h] = []byte(h)
		}
		return all, nil
	}
	return r
}

const playing = `package stage

import (
	"strings"

	"millrace/props"
)

// Curtain is drawn.
type Curtain struct {
	Open bool ` + "`json:\"open\"`" + `
}

const (
	first = iota
	second
)

var words = []string{first: "up", second: "down"}

// Draw draws it.
func (c *Curtain) Draw(by, to int) (string, error) {
	// Slowly.
	for i := range to {
		c.Open = c.Open || i > by
	}
	lamp := props.Lamp{Bright: true}
	return strings.ToLower(words[first]) + lamp.Name(), nil
}
`

func TestMoved(t *testing.T) {
	changed := func(pairs ...string) map[string]string {
		return map[string]string{"stage/stage.go": strings.NewReplacer(pairs...).Replace(playing)}
	}
	cut := strings.Index(playing, "// Draw")
	head, rest := playing[:cut], playing[cut:]
	for _, c := range []struct {
		name string
		now  map[string]string
		want []string // the output, without the places
	}{
		{"nothing", changed(), nil},
		{"renamed", changed("Curtain", "Drape", "Draw", "Pull", "Open", "Drawn", "words", "terms", "first", "one",
			"second", "two", "lamp", "light", "props", "things", "Bright", "Lit", "(by, to int)", "(past, n int)",
			"range to", "range n", "> by", "> past"), nil},
		{"comments", changed("// Slowly.", "// As slowly as it goes.", "// Draw draws it.", ""), nil},
		{"moved within the package", map[string]string{"stage/a.go": strings.Replace(strings.Replace(head, `import (
	"strings"

	"millrace/props"
)`, "", 1), "package stage", "package scenery", 1),
			"stage/b.go": "package scenery\n\nimport (\n\t\"strings\"\n\n\t\"millrace/things/props\"\n)\n\n" + rest},
			nil},
		{"moved to another package",
			map[string]string{"wings/stage.go": strings.Replace(strings.NewReplacer("props.Lamp", "Lamp",
				`"millrace/props"`, "").Replace(head),
				"package stage", "package wings", 1) +
				strings.Replace(rest, "props.Lamp", "Lamp", 1)}, nil},
		{"a literal", changed(`"up"`, `"upwards"`), []string{"- var words", "+ var words"}},
		{"a tag", changed(`json:"open"`, `json:"drawn"`), []string{"- type Curtain", "+ type Curtain"}},
		{"no tag", changed("`json:\"open\"`", ""), []string{"- type Curtain", "+ type Curtain"}},
		{"constants that count", changed("first = iota\n\tsecond", "second = iota\n\tfirst"), nil},
		{"one more that counts", changed("first = iota", "none = iota\n\tfirst"), []string{"- const", "+ const"}},
		{"an operator", changed("i > by", "i >= by"), []string{"- func Draw", "+ func Draw"}},
		{"exchanged parameters", changed("i > by", "i > to", "range to", "range by"),
			[]string{"- func Draw", "+ func Draw"}},
		{"another function of a library", changed("ToLower", "ToUpper"), []string{"- func Draw", "+ func Draw"}},
		{"another word of the language", changed("true", "false"), []string{"- func Draw", "+ func Draw"}},
		{"a new function", changed("// Draw draws", "func hush() {}\n\n// Draw draws"), []string{"+ func hush"}},
		{"the same function twice", changed("// Draw draws", rest+"\n// Draw draws"), []string{"+ func Draw"}},
		{"a function gone", map[string]string{
			"stage/stage.go": strings.NewReplacer(`"strings"`, "", `"millrace/props"`, "").Replace(head),
		}, []string{"- func Draw"}},
		{"a frozen file", map[string]string{"stage/stage.go": playing, "stage/testdata/words.txt": "up"},
			[]string{"+ stage/testdata/words.txt: a frozen file"}},
		{"a page", map[string]string{"stage/stage.go": playing, "README.md": "up"}, nil},
	} {
		t.Run(c.name, func(t *testing.T) {
			changes, err := compareTrees(treeOf(map[string]string{"stage/stage.go": playing}), treeOf(c.now))
			require.NoError(t, err)
			var got []string
			for _, change := range changes {
				if place, what, ok := strings.Cut(change, ": "); ok && strings.Contains(place, ".go:") {
					change = change[:2] + what
				}
				got = append(got, change)
			}
			require.ElementsMatch(t, c.want, got)
		})
	}
}

// TestMovedFrozenFiles: a frozen file may move with its package, but its content may not change.
func TestMovedFrozenFiles(t *testing.T) {
	old := treeOf(map[string]string{"stage/testdata/words.txt": "up", "stage/testdata/more.txt": "down"})
	moved := map[string]string{"wings/testdata/terms.txt": "up", "stage/testdata/more.txt": "down"}
	changes, err := compareTrees(old, treeOf(moved))
	require.NoError(t, err)
	require.Empty(t, changes)
	changed := map[string]string{"stage/testdata/words.txt": "up.", "stage/testdata/more.txt": "down"}
	changes, err = compareTrees(old, treeOf(changed))
	require.NoError(t, err)
	require.Equal(t, []string{
		"- stage/testdata/words.txt: a frozen file", "+ stage/testdata/words.txt: a frozen file",
	}, changes)
}

// TestMovedTables: the tables of the tree's own tests name packages, so a move changes them. The functions of those
// tests may not change.
func TestMovedTables(t *testing.T) {
	table := "package arch\n\nvar may = map[string]bool{\"stage\": true}\n\nfunc f() string { return \"stage\" }\n"
	at := func(text string) revision { return treeOf(map[string]string{tables + "/a.go": text}) }
	changes, err := compareTrees(at(table), at(strings.Replace(table, "stage", "wings", 1)))
	require.NoError(t, err)
	require.Empty(t, changes)
	changes, err = compareTrees(at(table), at(strings.ReplaceAll(table, "stage", "wings")))
	require.NoError(t, err)
	require.Len(t, changes, 2)
}

// TestMovedInARepository reads two commits with git.
func TestMovedInARepository(t *testing.T) {
	git := programtest.Need(t, "git", "git")
	dir := t.TempDir()
	commit := func(files map[string]string) {
		for name, text := range files {
			require.NoError(t, os.MkdirAll(filepath.Dir(filepath.Join(dir, name)), 0o755))
			require.NoError(t, os.WriteFile(filepath.Join(dir, name), []byte(text), 0o644))
		}
		for _, args := range [][]string{
			{"init", "-q"}, {"add", "-A"},
			{"-c", "user.name=m", "-c", "user.email=m@millrace.example", "-c", "commit.gpgsign=false", "commit", "-q",
				"-m", "m"},
		} {
			cmd := exec.Command(git, args...)
			cmd.Dir = dir
			cmd.Env = append(os.Environ(), "GIT_CONFIG_GLOBAL=/dev/null", "GIT_CONFIG_NOSYSTEM=1")
			out, err := cmd.CombinedOutput()
			require.NoError(t, err, "%s", out)
		}
	}
	commit(map[string]string{
		"go.mod": "module millrace\n", "stage/stage.go": playing, "stage/testdata/empty": "",
		"stage/testdata/a b": "\n\n",
	})
	changed := strings.Replace(playing, "i > by", "i < by", 1)
	commit(map[string]string{"stage/stage.go": changed, "stage/testdata/a b": "\n"})
	t.Chdir(dir)
	var out strings.Builder
	require.Equal(t, 1, Main([]string{"moved"}, nil, &out, io.Discard))
	require.Equal(t, "- stage/stage.go:22:1: func Draw\n+ stage/stage.go:22:1: func Draw\n- stage/testdata/a b: a frozen file\n"+
		"+ stage/testdata/a b: a frozen file\n4 changes from HEAD~1 to HEAD beyond names and places\n", out.String())
	out.Reset()
	require.Equal(t, 0, Main([]string{"moved", "HEAD"}, nil, &out, io.Discard))
	require.Equal(t, "from HEAD to HEAD only names and places changed\n", out.String())
	require.Equal(t, 0, Main([]string{"moved", "-h"}, nil, io.Discard, io.Discard))
	for _, args := range []string{"moved nowhere", "moved a b c", "moved --loudly"} {
		require.Equal(t, 2, Main(strings.Fields(args), nil, io.Discard, io.Discard), args)
	}
}
