package testrun

import (
	"bytes"
	"errors"
	"flag"
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"io"
	"os"
	"os/exec"
	"path"
	"slices"
	"strings"
)

// moved compares two revisions of the tree. It prints the differences that a commit which only renames and moves would
// not make: in declarations, as [fingerprint] writes them, and in files below testdata folders. It returns errFailed if
// it prints any.
func moved(args []string, out, errs io.Writer) error {
	flags := flag.NewFlagSet("moved", flag.ContinueOnError)
	flags.SetOutput(io.Discard)
	if err := flags.Parse(args); err != nil {
		return err
	}
	revisions := []string{"HEAD~1", "HEAD"}
	if flags.NArg() > len(revisions) {
		return errors.New("moved takes two revisions at most, the older one first")
	}
	copy(revisions, flags.Args())
	old, err := readRevision(".", revisions[0], errs)
	if err != nil {
		return err
	}
	now, err := readRevision(".", revisions[1], errs)
	if err != nil {
		return err
	}
	changes, err := compareTrees(old, now)
	if err != nil {
		return err
	}
	for _, c := range changes {
		fmt.Fprintln(out, c)
	}
	if len(changes) > 0 {
		fmt.Fprintf(out, "%d changes from %s to %s beyond names and places\n", len(changes), revisions[0], revisions[1])
		return errFailed
	}
	fmt.Fprintf(out, "from %s to %s only names and places changed\n", revisions[0], revisions[1])
	return nil
}

// A blob is one file of a revision.
type blob struct{ path, hash string }

// A revision is the tree of one commit.
type revision struct {
	blobs []blob
	// read returns the contents of blobs, by hash.
	read func(hashes []string) (map[string][]byte, error)
}

// readRevision lists the files of a commit in the repository of the folder dir.
func readRevision(dir, name string, errs io.Writer) (revision, error) {
	git := func(in io.Reader, args ...string) ([]byte, error) {
		cmd := exec.Command("git", args...)
		cmd.Dir, cmd.Stdin, cmd.Stderr, cmd.Env = dir, in, errs, append(os.Environ(), "LC_ALL=C")
		text, err := cmd.Output()
		if err != nil {
			return nil, fmt.Errorf("git %s: %w", strings.Join(args, " "), err)
		}
		return text, nil
	}
	list, err := git(nil, "ls-tree", "-r", "-z", "--full-tree", "--end-of-options", name)
	if err != nil {
		return revision{}, err
	}
	var r revision
	for entry := range strings.SplitSeq(strings.TrimSuffix(string(list), "\x00"), "\x00") {
		head, file, _ := strings.Cut(entry, "\t")
		if f := strings.Fields(head); len(f) == 3 && f[1] == "blob" {
			r.blobs = append(r.blobs, blob{path: file, hash: f[2]})
		}
	}
	r.read = func(hashes []string) (map[string][]byte, error) {
		text, err := git(strings.NewReader(strings.Join(hashes, "\n")+"\n"), "cat-file", "--batch")
		if err != nil {
			return nil, err
		}
		return splitBatch(text, len(hashes))
	}
	return r, nil
}

// splitBatch splits the output of git cat-file --batch. Each object is a line with its hash, type and size, then its
// bytes and a newline.
func splitBatch(text []byte, n int) (map[string][]byte, error) {
	all := map[string][]byte{}
	for range n {
		head, rest, _ := bytes.Cut(text, []byte("\n"))
		var hash, kind string
		var size int
		if _, err := fmt.Sscan(string(head), &hash, &kind, &size); err != nil || size > len(rest) {
			return nil, fmt.Errorf("git cat-file said %q", head)
		}
		all[hash], text = rest[:size], bytes.TrimPrefix(rest[size:], []byte("\n"))
	}
	return all, nil
}

// differing returns the blobs of each revision that the other revision lacks, at any path.
func differing(old, now []blob) (gone, come []blob) {
	count := map[string]int{}
	for _, b := range now {
		count[b.hash]++
	}
	for _, b := range old {
		if count[b.hash]--; count[b.hash] < 0 {
			gone = append(gone, b)
		}
	}
	for _, b := range slices.Backward(now) { // the counts that remain
		if count[b.hash] > 0 {
			count[b.hash]--
			come = append(come, b)
		}
	}
	return gone, come
}

// compareTrees returns the differences, one on a line: "-" marks what only the old tree has, "+" what only the new tree
// has.
func compareTrees(old, now revision) ([]string, error) {
	gone, come := differing(old.blobs, now.blobs)
	var changes []string
	isFrozen := func(b blob) bool {
		return path.Ext(b.path) != ".go" && slices.Contains(strings.Split(b.path, "/"), "testdata")
	}
	for _, b := range gone {
		if isFrozen(b) {
			changes = append(changes, "- "+b.path+": a frozen file")
		}
	}
	for _, b := range come {
		if isFrozen(b) {
			changes = append(changes, "+ "+b.path+": a frozen file")
		}
	}
	before, err := declarations(old, gone)
	if err != nil {
		return nil, err
	}
	after, err := declarations(now, come)
	if err != nil {
		return nil, err
	}
	count := map[string]int{}
	for _, d := range after {
		count[d.print]++
	}
	for _, d := range before {
		if count[d.print]--; count[d.print] < 0 {
			changes = append(changes, "- "+d.place+": "+d.name)
		}
	}
	for _, d := range slices.Backward(after) {
		if count[d.print] > 0 {
			count[d.print]--
			changes = append(changes, "+ "+d.place+": "+d.name)
		}
	}
	slices.SortStableFunc(changes, func(a, b string) int { return strings.Compare(a[2:], b[2:]) })
	return changes, nil
}

// A declaration is a function, type, constant or variable of a package.
type declaration struct{ name, place, print string }

// tables is the package whose variables list every package. A move changes them, and that package's own tests check
// them against the tree.
const tables = "cmd/internal/arch"

// declarations returns the declarations of the Go files among the blobs.
func declarations(r revision, blobs []blob) ([]declaration, error) {
	wanted := []string{}
	for _, b := range r.blobs {
		if b.path == "go.mod" {
			wanted = append(wanted, b.hash)
		}
	}
	if len(wanted) == 0 {
		return nil, errors.New("there is no go.mod at the top of the tree")
	}
	blobs = slices.DeleteFunc(slices.Clone(blobs), func(b blob) bool { return path.Ext(b.path) != ".go" })
	for _, b := range blobs {
		wanted = append(wanted, b.hash)
	}
	texts, err := r.read(wanted)
	if err != nil {
		return nil, err
	}
	first, _, _ := strings.Cut(string(texts[wanted[0]]), "\n")
	module := strings.TrimSpace(strings.TrimPrefix(first, "module "))
	var all []declaration
	for _, b := range blobs {
		found, err := declarationsOf(b.path, texts[b.hash], module)
		if err != nil {
			return nil, err
		}
		all = append(all, found...)
	}
	return all, nil
}

func declarationsOf(name string, text []byte, module string) ([]declaration, error) {
	files := token.NewFileSet()
	tree, err := parser.ParseFile(files, name, text, 0)
	if err != nil {
		return nil, err
	}
	imports := importsOf(tree)
	var all []declaration
	add := func(name string, n ast.Node) {
		place := files.Position(n.Pos()).String()
		all = append(all, declaration{name: name, place: place, print: fingerprint(n, imports, module)})
	}
	for _, d := range tree.Decls {
		switch d := d.(type) {
		case *ast.FuncDecl:
			add("func "+d.Name.Name, d)
		case *ast.GenDecl:
			switch {
			case d.Tok == token.IMPORT || path.Dir(name) == tables:
			case d.Tok == token.CONST && usesIota(d): // a value depends on those above it
				add("const", d)
			default:
				for _, s := range d.Specs {
					add(d.Tok.String()+" "+nameOf(s), s)
				}
			}
		}
	}
	return all, nil
}

func nameOf(s ast.Spec) string {
	switch s := s.(type) {
	case *ast.TypeSpec:
		return s.Name.Name
	case *ast.ValueSpec:
		return s.Names[0].Name
	default:
		return ""
	}
}

// usesIota reports whether a group of constants uses iota.
func usesIota(d *ast.GenDecl) (is bool) {
	ast.Inspect(d, func(n ast.Node) bool {
		id, ok := n.(*ast.Ident)
		is = is || ok && id.Name == "iota"
		return true
	})
	return is
}

// importsOf maps each name that a file's imports declare to its path.
func importsOf(tree *ast.File) map[string]string {
	all := map[string]string{}
	for _, s := range tree.Imports {
		from := strings.Trim(s.Path.Value, `"`)
		base := path.Base(from)
		if len(base) > 1 && base[0] == 'v' && strings.Trim(base[1:], "0123456789") == "" { // a major version
			base = path.Base(path.Dir(from))
		}
		if s.Name != nil {
			base = s.Name.Name
		}
		all[base] = from
	}
	return all
}
