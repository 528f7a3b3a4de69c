package testrun

import (
	"encoding/json"
	"errors"
	"fmt"
	"go/ast"
	"go/importer"
	"go/parser"
	"go/token"
	"go/types"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
)

// A source is one file of a package, parsed.
type source struct {
	of   *unit
	name string // relative to the working directory
	path string
	text string
	tree *ast.File
}

func (s *source) offset(pos token.Pos) int { return s.of.files.PositionFor(pos, false).Offset }

func (s *source) between(pos, end token.Pos) string { return s.text[s.offset(pos):s.offset(end)] }

func (s *source) lineAt(offset int) int { return 1 + strings.Count(s.text[:offset], "\n") }

// A unit is one package without its tests, parsed and type-checked.
type unit struct {
	path    string // import path
	files   *token.FileSet
	sources []*source
	imports types.Importer
}

// listedPackage is the part of go list's output about a package that we use.
type listedPackage struct {
	ImportPath string   `json:"ImportPath"`
	Dir        string   `json:"Dir"`
	Export     string   `json:"Export"`
	GoFiles    []string `json:"GoFiles"`
	DepOnly    bool     `json:"DepOnly"`
}

// units loads packages, each given by its pattern. They contain only the files that are built for this system.
func units(patterns []string, errs io.Writer) ([]*unit, error) {
	listing := exec.Command("go", append([]string{"list", "-deps", "-export",
		"-json=ImportPath,Dir,Export,GoFiles,DepOnly"}, patterns...)...)
	listing.Stderr = errs
	out, err := listing.Output()
	if err != nil {
		return nil, fmt.Errorf("go list: %w", err)
	}
	exports := map[string]string{} // files of compiled packages, by import path
	var wanted []listedPackage
	for d := json.NewDecoder(strings.NewReader(string(out))); ; {
		var p listedPackage
		if err := d.Decode(&p); err == io.EOF {
			break
		} else if err != nil {
			return nil, fmt.Errorf("reading the output of go list: %w", err)
		}
		exports[p.ImportPath] = p.Export
		if !p.DepOnly {
			wanted = append(wanted, p)
		}
	}
	slices.SortFunc(wanted, func(a, b listedPackage) int { return strings.Compare(a.ImportPath, b.ImportPath) })
	var all []*unit
	for _, p := range wanted {
		u := &unit{path: p.ImportPath, files: token.NewFileSet()}
		u.imports = importer.ForCompiler(u.files, "gc", func(path string) (io.ReadCloser, error) {
			return os.Open(exports[path])
		})
		for _, name := range p.GoFiles {
			if err := u.read(filepath.Join(p.Dir, name)); err != nil {
				return nil, err
			}
		}
		all = append(all, u)
	}
	return all, nil
}

// read adds a file to the package.
func (u *unit) read(path string) error {
	text, err := os.ReadFile(path)
	if err != nil {
		return err
	}
	tree, err := parser.ParseFile(u.files, path, text, parser.ParseComments)
	if err != nil {
		return err
	}
	here, err := os.Getwd()
	if err != nil {
		return err
	}
	name, err := filepath.Rel(here, path)
	if err != nil {
		return err
	}
	u.sources = append(u.sources, &source{of: u, name: name, path: path, text: string(text), tree: tree})
	return nil
}

// check type-checks the package, with other in place of the file old.
func (u *unit) check(old *source, other *ast.File) (*types.Info, error) {
	var trees []*ast.File
	for _, s := range u.sources {
		if s == old {
			trees = append(trees, other)
		} else {
			trees = append(trees, s.tree)
		}
	}
	info := &types.Info{Types: map[ast.Expr]types.TypeAndValue{}, Uses: map[*ast.Ident]types.Object{}}
	config := types.Config{Importer: u.imports, Sizes: types.SizesFor("gc", "amd64")}
	_, err := config.Check(u.path, u.files, trees, info)
	return info, err
}

// compiles reports whether the package compiles with this mutant.
func (m *mutant) compiles() bool {
	tree, err := parser.ParseFile(m.in.of.files, m.in.path, m.mutated(), 0)
	if err != nil {
		return false
	}
	_, err = m.in.of.check(m.in, tree)
	return err == nil
}

// mutants returns all mutants of the chosen files, whether they compile or not. It skips generated files.
func mutants(all []*unit, chosen func(*source) bool) ([]*mutant, error) {
	var found []*mutant
	for _, u := range all {
		info, err := u.check(nil, nil)
		if err != nil {
			return nil, err
		}
		for _, s := range u.sources {
			if chosen(s) && !ast.IsGenerated(s.tree) {
				found = append(found, find(s, info)...)
			}
		}
	}
	if len(found) == 0 {
		return nil, errors.New("nothing there can be mutated")
	}
	return found, nil
}
