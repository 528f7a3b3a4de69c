package arch

import (
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"path"
	"strings"
	"sync"
	"testing"
)

// A file is one Go file of the tree.
type file struct {
	path   string // relative to the root
	dir    string // folder of the package, relative to the root
	test   bool   // its name ends with _test.go
	source []byte
	syntax *ast.File
}

// wholeTree returns the files of this tree. They are read only once.
func wholeTree(t *testing.T) []file {
	t.Helper()
	files, err := readOnce()
	if err != nil {
		t.Fatal(err)
	}
	return files
}

var readOnce = sync.OnceValues(func() ([]file, error) { return parseTree(root()) })

// readTree calls parseTree for a test's own tree.
func readTree(t *testing.T, root fs.FS) []file {
	t.Helper()
	files, err := parseTree(root)
	if err != nil {
		t.Fatal(err)
	}
	return files
}

// parseTree parses every Go file under the root, except those in hidden folders and testdata.
func parseTree(root fs.FS) (files []file, err error) {
	set := token.NewFileSet()
	err = fs.WalkDir(root, ".", func(p string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		name := d.Name()
		if d.IsDir() {
			if p != "." && (strings.HasPrefix(name, ".") || name == "testdata") {
				return fs.SkipDir
			}
			return nil
		}
		if path.Ext(name) != ".go" {
			return nil
		}
		source, err := fs.ReadFile(root, p)
		if err != nil {
			return err
		}
		syntax, err := parser.ParseFile(set, p, source, parser.ParseComments|parser.SkipObjectResolution)
		if err != nil {
			return err
		}
		files = append(files, file{p, path.Dir(p), strings.HasSuffix(name, "_test.go"), source, syntax})
		return nil
	})
	return files, err
}

// imports returns the import paths of a file.
func (f *file) imports() []string {
	var all []string
	for _, s := range f.syntax.Imports {
		all = append(all, strings.Trim(s.Path.Value, `"`))
	}
	return all
}

// within reports whether p is the module or package top, or lies below it.
func within(p, top string) bool { return p == top || strings.HasPrefix(p, top+"/") }

// functions returns the names of a file's functions, without methods.
func functions(f file) (names []string) {
	for _, d := range f.syntax.Decls {
		if d, ok := d.(*ast.FuncDecl); ok && d.Recv == nil {
			names = append(names, d.Name.Name)
		}
	}
	return names
}
