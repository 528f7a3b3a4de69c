package arch

import (
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"path"
	"strings"
	"testing"
)

// A file is one Go file of the tree.
type file struct {
	path   string // from the root
	dir    string // its package's, from the root
	test   bool   // its name ends with _test.go
	source []byte
	syntax *ast.File
}

// readTree parses every Go file under the root, hidden folders and testdata excepted.
func readTree(t *testing.T, root fs.FS) []file {
	t.Helper()
	var files []file
	set := token.NewFileSet()
	err := fs.WalkDir(root, ".", func(p string, d fs.DirEntry, err error) error {
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
	if err != nil {
		t.Fatal(err)
	}
	return files
}

// imports returns the import paths of a file.
func (f *file) imports() []string {
	var all []string
	for _, s := range f.syntax.Imports {
		all = append(all, strings.Trim(s.Path.Value, `"`))
	}
	return all
}

// within tells whether p is the module or package top, or lies below it.
func within(p, top string) bool { return p == top || strings.HasPrefix(p, top+"/") }
