package arch

import (
	"bytes"
	"go/ast"
	"go/format"
	"go/parser"
	"go/token"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

const (
	root   = "../../.."
	module = "clearback"
	limit  = 500 // lines of a file
)

// imports is the table of DEVELOPERS.md: what each package may import of ours, outside of its tests. "*" is everything.
var imports = map[string][]string{
	"supervision":                 {},
	"supervision/loop":            {},
	"supervision/supervisiontest": {"supervision"},
	"config":                      {"supervision"},
	"bridge":                      {"supervision", "bridge/relay"},
	"bridge/media":                {},
	"bridge/sipua":                {"supervision", "bridge/media", "bridge/sipua/endpoint", "bridge/sipua/registration"},
	"bridge/sipua/endpoint":       {},
	"bridge/sipua/registration":   {"bridge/sipua/endpoint"},
	"bridge/relay":                {},
	"bridge/relay/modbus":         {"bridge/relay"},
	"bridge/relay/relaytest":      {"bridge/relay"},
	"bridge/relay/drivers":        {"bridge/relay", "bridge/relay/modbus", "config"},
	"bridge/rehearsal":            {"config", "supervision", "supervision/loop"},
	"cmd/internal/cli":            {"*"},
	"cmd/internal/arch":           {},
	"cmd/internal/interop":        {},
	"cmd/clearback":               {"cmd/internal/cli"},
	"deploy":                      {},
}

// file is one Go file of the tree.
type file struct {
	path    string // from the root
	pkg     string // its folder
	test    bool
	text    []byte
	parsed  *ast.File
	imports []string
}

func tree(t *testing.T) []file {
	t.Helper()
	var all []file
	fset := token.NewFileSet()
	err := filepath.WalkDir(root, func(path string, e fs.DirEntry, err error) error {
		switch {
		case err != nil:
			return err
		case e.IsDir() && path != root && (strings.HasPrefix(e.Name(), ".") || e.Name() == "testdata" || e.Name() == "bin"):
			return fs.SkipDir
		case e.IsDir() || !strings.HasSuffix(path, ".go"):
			return nil
		}
		rel, err := filepath.Rel(root, path)
		if err != nil {
			return err
		}
		rel = filepath.ToSlash(rel)
		text, err := os.ReadFile(path)
		if err != nil {
			return err
		}
		f := file{path: rel, pkg: rel[:max(strings.LastIndexByte(rel, '/'), 0)], test: strings.HasSuffix(rel, "_test.go"), text: text}
		if f.parsed, err = parser.ParseFile(fset, rel, text, parser.ParseComments); err != nil {
			return err
		}
		for _, i := range f.parsed.Imports {
			s, err := strconv.Unquote(i.Path.Value)
			if err != nil {
				return err
			}
			f.imports = append(f.imports, s)
		}
		all = append(all, f)
		return nil
	})
	require.NoError(t, err)
	require.Greater(t, len(all), 50, "the tree was not found")
	return all
}

func check(t *testing.T, rule func([]file) []string) {
	t.Helper()
	for _, fault := range rule(tree(t)) {
		t.Error(fault)
	}
}

func importFaults(all []file) (faults []string) {
	for _, f := range all {
		allowed, known := imports[f.pkg]
		if !known {
			faults = append(faults, f.path+": the package is not in the table of imports")
			continue
		}
		for _, i := range f.imports {
			ours, is := strings.CutPrefix(i, module+"/")
			if is && !f.test && !slices.Contains(allowed, ours) && !slices.Contains(allowed, "*") {
				faults = append(faults, f.path+": imports "+ours+", which the table does not allow")
			}
		}
	}
	return faults
}

func commentFaults(all []file) (faults []string) {
	have := map[string][]string{}
	for _, f := range all {
		if f.test {
			continue
		}
		have[f.pkg] = append(have[f.pkg], "")
		if f.parsed.Doc != nil {
			have[f.pkg][0] += " " + f.path
		}
	}
	for pkg, files := range have {
		if in := strings.Fields(files[0]); len(in) != 1 {
			faults = append(faults, pkg+": needs one package comment, has it in: "+strings.Join(in, ", "))
		}
	}
	return faults
}

func formatFaults(all []file) (faults []string) {
	for _, f := range all {
		if want, err := format.Source(f.text); err != nil || !bytes.Equal(want, f.text) {
			faults = append(faults, f.path+": is not formatted; run gofmt -w")
		}
	}
	return faults
}

func lengthFaults(all []file) (faults []string) {
	for _, f := range all {
		if n := bytes.Count(f.text, []byte("\n")); n > limit && !bytes.HasPrefix(f.text, []byte("// Long file: ")) {
			faults = append(faults, f.path+": has "+strconv.Itoa(n)+" lines; split it, or begin it with // Long file: and the reason")
		}
	}
	return faults
}

func testingFaults(all []file) (faults []string) {
	for _, f := range all {
		if !f.test && slices.Contains(f.imports, "testing") && !strings.HasSuffix(f.pkg, "test") {
			faults = append(faults, f.path+": production code imports testing")
		}
	}
	return faults
}

// pureFaults holds supervision to its rule: no goroutine, channel, clock, log, file or socket. Its sub-packages keep it too, but for the
// test package.
func pureFaults(all []file) (faults []string) {
	for _, f := range all {
		if f.test || f.pkg != "supervision" && !strings.HasPrefix(f.pkg, "supervision/") || strings.HasSuffix(f.pkg, "test") {
			continue
		}
		for _, i := range f.imports {
			if i == "os" || strings.HasPrefix(i, "os/") || i == "net" || strings.HasPrefix(i, "net/") || i == "io/ioutil" || i == "log" ||
				strings.HasPrefix(i, "log/") || i == "sync" || i == "context" || i == "syscall" || strings.HasPrefix(i, "go.uber.org/zap") {
				faults = append(faults, f.path+": imports "+i)
			}
		}
		ast.Inspect(f.parsed, func(n ast.Node) bool {
			if what := impure(n); what != "" {
				faults = append(faults, f.path+": has "+what)
			}
			return true
		})
	}
	return faults
}

func impure(n ast.Node) string {
	switch n := n.(type) {
	case *ast.GoStmt:
		return "a go statement"
	case *ast.ChanType:
		return "a channel"
	case *ast.SelectorExpr:
		clock := []string{"Now", "Since", "Until", "Sleep", "After", "AfterFunc", "NewTimer", "NewTicker", "Tick"}
		if x, ok := n.X.(*ast.Ident); ok && x.Name == "time" && slices.Contains(clock, n.Sel.Name) {
			return "time." + n.Sel.Name
		}
	}
	return ""
}

func TestImports(t *testing.T)           { check(t, importFaults) }
func TestPackageComments(t *testing.T)   { check(t, commentFaults) }
func TestFormatted(t *testing.T)         { check(t, formatFaults) }
func TestFileLengths(t *testing.T)       { check(t, lengthFaults) }
func TestNoTestingOutside(t *testing.T)  { check(t, testingFaults) }
func TestSupervisionIsPure(t *testing.T) { check(t, pureFaults) }
func TestEachRuleCanFail(t *testing.T) {
	bad := func(path, text string, imports ...string) []file {
		parsed, err := parser.ParseFile(token.NewFileSet(), path, text, parser.ParseComments)
		require.NoError(t, err)
		return []file{{path: path, pkg: filepath.Dir(path), text: []byte(text), parsed: parsed, imports: imports}}
	}
	require.Len(t, importFaults(bad("supervision/a.go", "package a\n", "clearback/bridge")), 1)
	require.Len(t, importFaults(bad("attic/a.go", "package a\n")), 1)
	require.Len(t, commentFaults(bad("bridge/a.go", "package a\n")), 1)
	require.Len(t, formatFaults(bad("bridge/a.go", "package a\n\n\n\nvar  x int\n")), 1)
	require.Len(t, lengthFaults(bad("bridge/a.go", "package a\n"+strings.Repeat("\n", limit))), 1)
	require.Empty(t, lengthFaults(bad("bridge/a.go", "// Long file: a table.\n\npackage a\n"+strings.Repeat("\n", limit))))
	require.Len(t, testingFaults(bad("bridge/a.go", "package a\n", "testing")), 1)
	require.Len(t, pureFaults(bad("supervision/a.go", "package a\nfunc f() { go f(); time.Sleep(1); _ = make(chan int) }\n", "os")), 4)
}

// The top level is exactly this, and hidden files.
func TestTopLevel(t *testing.T) {
	allowed := []string{"cmd", "bridge", "supervision", "config", "deploy", "go.mod", "go.sum", "README.md", "DEVELOPERS.md", "SAFETY.md"}
	entries, err := os.ReadDir(root)
	require.NoError(t, err)
	var have []string
	for _, e := range entries {
		// bin is where a build may put its programs; the repository ignores it.
		if !strings.HasPrefix(e.Name(), ".") && e.Name() != "bin" {
			have = append(have, e.Name())
		}
	}
	require.ElementsMatch(t, allowed, have)
}
