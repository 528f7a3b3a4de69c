package arch

import (
	"fmt"
	"go/ast"
	"regexp"
	"slices"
	"strings"
	"testing"
)

// goTest matches a go test command in a page or package comment, on a line of its own or in backticks.
var goTest = regexp.MustCompile("(?m)go test ([^`,;\n]*)")

// goTestFlags are go test's own flags that our commands use. true: a value follows.
var goTestFlags = map[string]bool{
	"v": false, "race": false, "short": false, "benchmem": false,
	"run": true, "bench": true, "fuzz": true, "list": true, "timeout": true, "benchtime": true,
	"fuzztime": true, "fuzzminimizetime": true, "parallel": true, "count": true,
}

// commandFaults returns the faults of the go test commands in a text: packages, tests or flags that do not exist.
func commandFaults(text string, files []file) (faults []string) {
	for _, m := range goTest.FindAllStringSubmatch(text, -1) {
		for _, fault := range commandFault(words(m[1]), files) {
			faults = append(faults, fmt.Sprintf("go test %s: %s", m[1], fault))
		}
	}
	return faults
}

func commandFault(args []string, files []file) (faults []string) {
	var packages, patterns, flags []string
	for i := 0; i < len(args); i++ {
		name, flag := strings.CutPrefix(args[i], "-")
		switch takes, known := goTestFlags[name]; {
		case strings.HasPrefix(args[i], "./"):
			packages = append(packages, strings.TrimPrefix(args[i], "./"))
		case !flag:
		case !known:
			flags = append(flags, name)
		case takes && i+1 < len(args):
			i++
			if name == "run" || name == "bench" || name == "fuzz" {
				patterns = append(patterns, args[i])
			}
		}
	}
	tests := map[string]bool{}
	for _, p := range packages {
		if p == "..." {
			p = "./..."
		}
		of := testsOf(files, p)
		if len(of) == 0 {
			faults = append(faults, "no tests in "+p)
		}
		for name := range of {
			tests[name] = true
		}
	}
	if len(packages) == 0 {
		return nil // about go test in general
	}
	for _, pattern := range patterns {
		pattern, _, _ = strings.Cut(pattern, "/")
		re, err := regexp.Compile(pattern)
		if err != nil {
			faults = append(faults, err.Error())
			continue
		}
		some := pattern == "^$"
		for name := range tests {
			some = some || re.MatchString(name)
		}
		if !some {
			faults = append(faults, "nothing there matches "+pattern)
		}
	}
	for _, name := range flags {
		if !slices.ContainsFunc(packages, func(p string) bool { return hasFlag(files, p, name) }) {
			faults = append(faults, "none of these packages has the flag -"+name)
		}
	}
	return faults
}

// hasFlag reports whether the tests of a package define a flag.
func hasFlag(files []file, dir, name string) bool {
	return slices.ContainsFunc(files, func(f file) bool {
		found := false
		if f.test && f.dir == dir {
			ast.Inspect(f.syntax, func(n ast.Node) bool {
				if call, ok := n.(*ast.CallExpr); ok && len(call.Args) == 3 {
					lit, ok := call.Args[0].(*ast.BasicLit)
					found = found || ok && lit.Value == `"`+name+`"`
				}
				return true
			})
		}
		return found
	})
}

// words splits a command line as a shell does, as far as our commands need that.
func words(s string) (all []string) {
	quoted := false
	fields := strings.FieldsFunc(s, func(r rune) bool {
		if r == '\'' {
			quoted = !quoted
		}
		return r == ' ' && !quoted
	})
	for _, f := range fields {
		all = append(all, strings.Trim(f, "'"))
	}
	return all
}

// TestCommandsOfPagesRun checks that the commands in pages and package comments name existing packages, tests and
// flags.
func TestCommandsOfPagesRun(t *testing.T) {
	files := wholeTree(t)
	n := 0
	for place, text := range comments(files) {
		n += len(goTest.FindAllString(text, -1))
		for _, fault := range commandFaults(text, files) {
			t.Errorf("%s: %s", place, fault)
		}
	}
	for _, fault := range commandFaults(developers(t), files) {
		t.Errorf("DEVELOPERS.md: %s", fault)
	}
	if n < 50 {
		t.Errorf("only %d commands found", n)
	}
}

// testName matches the name of a test, or the first part of the names of several tests.
var testName = regexp.MustCompile(`\b(?:Test|Fuzz)[A-Z0-9]\w*`)

// goneTests returns the tests that a text names and that do not exist.
func goneTests(text string, files []file) (gone []string) {
	there := testsOf(files, "./...")
	for _, name := range testName.FindAllString(text, -1) {
		some := false
		for test := range there {
			some = some || strings.HasPrefix(test, strings.TrimSuffix(name, "NN"))
		}
		if !some {
			gone = append(gone, name)
		}
	}
	return gone
}

func TestPagesNameTestsThatAreThere(t *testing.T) {
	files := wholeTree(t)
	all := comments(files)
	all["DEVELOPERS.md"] = developers(t)
	for place, text := range all {
		for _, name := range goneTests(text, files) {
			t.Errorf("%s names %s, which is nowhere", place, name)
		}
	}
}

// comments returns the package comments, by file.
func comments(files []file) map[string]string {
	all := map[string]string{}
	for _, f := range files {
		if f.syntax.Doc != nil {
			all[f.path] = f.syntax.Doc.Text()
		}
	}
	return all
}
