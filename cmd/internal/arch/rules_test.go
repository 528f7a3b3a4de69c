package arch

import (
	"bytes"
	"fmt"
	"go/ast"
	"go/format"
	"io/fs"
	"path"
	"regexp"
	"slices"
	"strings"
	"unicode/utf8"
)

// Each rule returns its faults: the place, and what to do.

func importRule(files []file) (faults []string) {
	for _, f := range files {
		allowed, known := may[f.dir]
		if !known {
			faults = append(faults,
				fmt.Sprintf("%s: package %s is not in the import table; say there what it may import", f.path, f.dir))
			continue
		}
		for _, p := range f.imports() {
			switch own, ours := strings.CutPrefix(p, module+"/"); {
			case ours && slices.Contains(allowed, own):
			case ours && f.test && (own == f.dir || slices.Contains(testsMay[f.dir], own)):
			case ours:
				faults = append(faults, fmt.Sprintf("%s imports %s, which the table does not allow", f.path, own))
			case !strings.Contains(strings.Split(p, "/")[0], "."): // the standard library
			case !f.test:
				faults = append(faults, libraryFaults(f, p)...)
			}
		}
	}
	return faults
}

func libraryFaults(f file, p string) []string {
	for library, packages := range libraries {
		if !within(p, library) {
			continue
		}
		if slices.Contains(packages, f.dir) {
			return nil
		}
		return []string{fmt.Sprintf("%s imports %s; code that may: %q", f.path, p, packages)}
	}
	return []string{fmt.Sprintf("%s imports %s, a library that is not in the table; say there who needs it", f.path, p)}
}

func purityRule(files []file) (faults []string) {
	for _, f := range files {
		if f.test || !slices.Contains(pure, f.dir) {
			continue
		}
		for _, p := range f.imports() {
			if !within(p, module) && !slices.Contains(pureMay, p) {
				faults = append(faults, fmt.Sprintf("%s imports %s; this package is pure", f.path, p))
			}
		}
		ast.Inspect(f.syntax, func(n ast.Node) bool {
			what := ""
			switch n := n.(type) {
			case *ast.GoStmt:
				what = "starts a goroutine"
			case *ast.ChanType:
				what = "has a channel"
			case *ast.SelectorExpr:
				if x, ok := n.X.(*ast.Ident); ok && slices.Contains(impureCalls, x.Name+"."+n.Sel.Name) {
					what = "calls " + x.Name + "." + n.Sel.Name
				}
			}
			if what != "" {
				faults = append(faults, fmt.Sprintf("%s %s; this package is pure", f.path, what))
			}
			return true
		})
	}
	return faults
}

func testingRule(files []file) (faults []string) {
	for _, f := range files {
		if f.test || slices.Contains(forTests, f.dir) {
			continue
		}
		for _, p := range f.imports() {
			if within(p, "testing") {
				faults = append(faults, fmt.Sprintf("%s imports %s; production code does not", f.path, p))
			}
		}
	}
	return faults
}

func packageCommentRule(files []file) (faults []string) {
	comments := map[string][]string{}
	for _, f := range files {
		if _, seen := comments[f.dir]; !seen {
			comments[f.dir] = nil
		}
		if f.syntax.Doc == nil {
			continue
		}
		comments[f.dir] = append(comments[f.dir], f.path)
		begin := "Package " + f.syntax.Name.Name + " "
		if f.syntax.Name.Name == "main" {
			begin = "Command " + path.Base(f.dir) + " "
		}
		if !strings.HasPrefix(f.syntax.Doc.Text(), begin) {
			faults = append(faults, fmt.Sprintf("%s: the package comment does not begin with %q", f.path, begin))
		}
	}
	for dir, in := range comments {
		if len(in) != 1 {
			faults = append(faults, fmt.Sprintf("%s has %d package comments %q; one is right", dir, len(in), in))
		}
	}
	slices.Sort(faults)
	return faults
}

func formatRule(files []file) (faults []string) {
	for _, f := range files {
		if got, err := format.Source(f.source); err != nil || !bytes.Equal(got, f.source) {
			faults = append(faults, fmt.Sprintf("%s is not as gofmt writes it; run gofmt -w on it", f.path))
		}
	}
	return faults
}

func lengthRule(files []file) (faults []string) {
	for _, f := range files {
		lines := bytes.Count(f.source, []byte("\n"))
		head, _, _ := bytes.Cut(f.source, []byte("\npackage "))
		reason := bytes.HasPrefix(head, []byte("// Long file: ")) || bytes.Contains(head, []byte("\n// Long file: "))
		if lines > fileLimit && !reason {
			faults = append(faults,
				fmt.Sprintf("%s has %d lines; part it, or give the reason above its package clause: // Long file: ...",
					f.path, lines))
		}
		if f.syntax.Name.Name == "main" && !f.test && lines > mainLimit {
			faults = append(faults, fmt.Sprintf("%s has %d lines; a main has at most %d", f.path, lines, mainLimit))
		}
	}
	return faults
}

// literal is a string literal within a line.
var literal = regexp.MustCompile(`"(?:[^"\\]|\\.)*"`)

// columnRule forbids lines wider than 120 columns; a tab counts as four. It ignores the contents of string literals,
// because a text that is not split can be found by searching. It also ignores raw strings, tables and drawings in
// comments, and statements followed by a comment.
func columnRule(files []file) (faults []string) {
	for _, f := range files {
		raw := false
		for i, line := range strings.Split(string(f.source), "\n") {
			raws := strings.Count(literal.ReplaceAllString(line, ""), "`")
			inRaw := raw || raws > 0
			raw = raw != (raws%2 == 1)
			code := strings.TrimLeft(line, "\t")
			wide := utf8.RuneCountInString(literal.ReplaceAllString(line, "")) + 3*(len(line)-len(code))
			if inRaw || wide <= columns || strings.HasPrefix(code, "//\t") || strings.Contains(code, " // ") {
				continue
			}
			faults = append(faults, fmt.Sprintf("%s:%d has %d columns; wrap it at %d", f.path, i+1, wide, columns))
		}
	}
	return faults
}

// mannersRule forbids code that runs on import, and settings without a type.
func mannersRule(files []file) (faults []string) {
	for _, f := range files {
		if f.test {
			continue
		}
		for _, d := range f.syntax.Decls {
			if fn, ok := d.(*ast.FuncDecl); ok && fn.Recv == nil && fn.Name.Name == "init" {
				faults = append(faults,
					fmt.Sprintf("%s has an init function; call what it does from where it is needed", f.path))
			}
		}
		ast.Inspect(f.syntax, func(n ast.Node) bool {
			m, ok := n.(*ast.MapType)
			if !ok || fmt.Sprint(m.Key) != "string" {
				return true
			}
			id, isIdent := m.Value.(*ast.Ident)
			empty, isInterface := m.Value.(*ast.InterfaceType)
			if isIdent && id.Name == "any" || isInterface && len(empty.Methods.List) == 0 {
				faults = append(faults, fmt.Sprintf("%s has a map[string]any; give it a type", f.path))
			}
			return true
		})
	}
	return faults
}

// sleepRule forbids sleeping in tests, except in those on virtual time (package synctest). A test waits for the event
// itself.
func sleepRule(files []file) (faults []string) {
	for _, f := range files {
		if !f.test || slices.Contains(f.imports(), "testing/synctest") {
			continue
		}
		ast.Inspect(f.syntax, func(n ast.Node) bool {
			if sel, ok := n.(*ast.SelectorExpr); ok && fmt.Sprint(sel.X) == "time" && sel.Sel.Name == "Sleep" {
				faults = append(faults, fmt.Sprintf("%s sleeps; wait for the event, or use testing/synctest", f.path))
			}
			return true
		})
	}
	return faults
}

// timeOfDay lists what makes a time without a monotonic reading, or removes that reading (package time's documentation,
// "Monotonic Clocks"). Setting the clock moves such a time.
var timeOfDay = []string{"Unix", "UnixMilli", "UnixMicro", "UnixNano", "Date", "Parse", "ParseInLocation", "UTC",
	"Local", "In", "AddDate"}

// monotonicRule checks that whatever drives a contact uses only the monotonic clock, so that setting the clock cannot
// make an opening longer.
func monotonicRule(files []file) (faults []string) {
	for _, f := range files {
		if f.test || !within(f.dir, "bridge/relay") || within(f.dir, "bridge/relay/relaytest") ||
			f.path == timesForReaders {
			continue
		}
		ast.Inspect(f.syntax, func(n ast.Node) bool {
			call, ok := n.(*ast.CallExpr)
			if !ok {
				return true
			}
			sel, ok := call.Fun.(*ast.SelectorExpr)
			if !ok {
				return true
			}
			lit := (*ast.BasicLit)(nil)
			if len(call.Args) == 1 {
				lit, _ = call.Args[0].(*ast.BasicLit)
			}
			x, _ := sel.X.(*ast.Ident)
			ofTime := x != nil && x.Name == "time"
			if strings.HasPrefix(sel.Sel.Name, "Parse") && !ofTime { // a Parse function of another package
				return true
			}
			if name := sel.Sel.Name; slices.Contains(timeOfDay, name) || name == "Round" && lit != nil &&
				lit.Value == "0" {
				faults = append(faults,
					fmt.Sprintf("%s calls %s: a contact's instants are monotonic and never the time of day", f.path,
						name))
			}
			return true
		})
	}
	return faults
}

// timesForReaders is exempt, because it only writes down when its contact would have moved.
const timesForReaders = "bridge/relay/agent/simulated.go"

func topLevelRule(root fs.FS) (faults []string) {
	entries, err := fs.ReadDir(root, ".")
	if err != nil {
		return []string{err.Error()}
	}
	ignored, _ := fs.ReadFile(root, ".gitignore") // without the file, nothing is ignored
	there := map[string]bool{}
	for _, e := range entries {
		name := e.Name()
		there[name] = true
		if strings.HasPrefix(name, ".") || slices.Contains(topLevel, name) || isIgnored(name, string(ignored)) {
			continue
		}
		faults = append(faults, fmt.Sprintf("%s does not belong at the top level; allowed: %q and hidden files", name,
			topLevel))
	}
	for _, name := range topLevel {
		if !there[name] {
			faults = append(faults, name+" is missing at the top level")
		}
	}
	return faults
}

func isIgnored(name, ignored string) bool {
	for pattern := range strings.Lines(ignored) {
		if ok, err := path.Match(strings.Trim(strings.TrimSpace(pattern), "/"), name); err == nil && ok {
			return true
		}
	}
	return false
}

// machineRule checks that code which changes the machine under the tests is listed with the flag that it needs.
func machineRule(files []file) (faults []string) {
	flags := map[string]bool{} // package and flag
	for _, f := range files {
		ast.Inspect(f.syntax, func(n ast.Node) bool {
			call, ok := n.(*ast.CallExpr)
			if !ok || !f.test || len(call.Args) != 3 {
				return true
			}
			if s, ok := call.Fun.(*ast.SelectorExpr); ok && (s.Sel.Name == "Bool" || s.Sel.Name == "Int") {
				if name, ok := call.Args[0].(*ast.BasicLit); ok {
					flags[f.dir+" "+strings.Trim(name.Value, `"`)] = true
				}
			}
			return true
		})
	}
	for _, f := range files {
		if !f.test && !slices.Contains(forTests, f.dir) {
			continue
		}
		behind, listed := changesMachine[f.path]
		if listed && !flags[f.dir+" "+behind] {
			faults = append(faults, fmt.Sprintf("%s: the tests of %s have no flag %q", f.path, f.dir, behind))
		}
		ast.Inspect(f.syntax, func(n ast.Node) bool {
			what := ""
			switch n := n.(type) {
			case *ast.Ident:
				if slices.Contains(machineCalls, n.Name) {
					what = n.Name
				}
			case *ast.BasicLit:
				if program := strings.Trim(n.Value, `"`); slices.Contains(machinePrograms, program) {
					what = program
				}
			}
			if what != "" && !listed && f.dir != "cmd/internal/arch" {
				faults = append(faults,
					fmt.Sprintf("%s uses %s; name it in changesMachine with the flag that allows it", f.path, what))
			}
			return true
		})
	}
	return faults
}
