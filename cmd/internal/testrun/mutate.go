package testrun

import (
	"bytes"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io"
	"maps"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"text/tabwriter"
	"time"
)

// A mutation is one run of mutate.
type mutation struct {
	seed   uint64
	number int
	limit  time.Duration
	only   string              // a file, a colon and a line
	beside map[string][]string // further packages with tests, by the import path of the package that they test

	dir     string                   // the folder of the mutants' files
	usual   map[string]time.Duration // how long a package's unmutated tests take
	drawn   map[string]*mutantCounts // by package
	refused int                      // drawn, but did not compile
}

// mutantCounts counts the mutants of a package.
type mutantCounts struct{ caught, overTime, survived int }

// mutate makes small changes to the code, one at a time, and prints whether the tests notice.
func mutate(args []string, out, errs io.Writer) error {
	m := mutation{usual: map[string]time.Duration{}, drawn: map[string]*mutantCounts{}, beside: map[string][]string{}}
	var beside [][2]string
	flags := flag.NewFlagSet("mutate", flag.ContinueOnError)
	flags.SetOutput(io.Discard)
	flags.Uint64Var(&m.seed, "seed", 1, "")
	flags.IntVar(&m.number, "n", 60, "")
	flags.DurationVar(&m.limit, "limit", time.Minute, "")
	flags.StringVar(&m.only, "only", "", "")
	flags.Func("tests", "", func(s string) error {
		of, tests, ok := strings.Cut(s, "=")
		if !ok {
			return errors.New("want PACKAGE=PACKAGE, with more after a comma")
		}
		beside = append(beside, [2]string{of, tests})
		return nil
	})
	if err := flags.Parse(args); err != nil {
		return err
	}
	if m.number < 1 || m.limit <= 0 || flags.NArg() == 0 {
		return errors.New("mutate needs a package or a file, -n of 1 or more, and a -limit above 0")
	}
	for _, b := range beside {
		if err := m.addTests(b[0], strings.Split(b[1], ","), errs); err != nil {
			return err
		}
	}
	var err error
	if m.dir, err = os.MkdirTemp("", "clearback-mutants"); err != nil {
		return err
	}
	defer os.RemoveAll(m.dir)
	return m.run(flags.Args(), out, errs)
}

// addTests adds the tests of other packages to those that run for a package.
func (m *mutation) addTests(of string, tests []string, errs io.Writer) error {
	var paths []string
	for _, pattern := range append([]string{of}, tests...) {
		listing := exec.Command("go", "list", pattern)
		listing.Stderr = errs
		out, err := listing.Output()
		if err != nil {
			return fmt.Errorf("go list %s: %w", pattern, err)
		}
		paths = append(paths, strings.Fields(string(out))...)
	}
	m.beside[paths[0]] = append(m.beside[paths[0]], paths[1:]...)
	return nil
}

// run draws mutants from the packages and files and runs the tests on each.
func (m *mutation) run(args []string, out, errs io.Writer) error {
	all, err := load(args, m.only, errs)
	if err != nil {
		return err
	}
	// The seed is the only source of randomness: the same seed draws the same mutants of the same tree.
	rand.New(rand.NewPCG(m.seed, 0)).Shuffle(len(all), func(i, j int) { all[i], all[j] = all[j], all[i] })
	tried := 0
	for _, one := range all {
		if tried == m.number {
			break
		}
		verdict := "not compiled"
		if one.compiles() {
			if verdict, err = m.try(one, errs); err != nil {
				return err
			}
		}
		if verdict == "not compiled" {
			m.refused++
		} else {
			tried++
		}
		fmt.Fprintf(out, "%s: %s\n", one, verdict)
	}
	return m.table(out)
}

// load returns the mutants of the packages and files, or only those of one line if the argument only names a line.
func load(args []string, only string, errs io.Writer) ([]*mutant, error) {
	onlyFile, onlyLine, _ := strings.Cut(only, ":")
	var patterns, files []string
	for _, arg := range args {
		if strings.HasSuffix(arg, ".go") {
			files = append(files, filepath.Clean(arg))
			arg = "./" + filepath.Dir(arg)
		}
		patterns = append(patterns, arg)
	}
	all, err := units(patterns, errs)
	if err != nil {
		return nil, err
	}
	for _, file := range files {
		if !slices.ContainsFunc(all, func(u *unit) bool { return u.has(file) }) {
			return nil, fmt.Errorf("%s is a test, or not part of this system's build", file)
		}
	}
	found, err := mutants(all, func(s *source) bool {
		if only != "" && s.name != filepath.Clean(onlyFile) {
			return false
		}
		whole := !slices.ContainsFunc(files, func(f string) bool { return filepath.Dir(f) == filepath.Dir(s.name) })
		return whole || slices.Contains(files, s.name)
	})
	if err != nil || only == "" {
		return found, err
	}
	found = slices.DeleteFunc(found, func(one *mutant) bool { return strconv.Itoa(one.line()) != onlyLine })
	if len(found) == 0 {
		return nil, fmt.Errorf("nothing at %s can be mutated", only)
	}
	return found, nil
}

func (u *unit) has(name string) bool {
	return slices.ContainsFunc(u.sources, func(s *source) bool { return s.name == name })
}

// try runs the tests on a mutant and returns the verdict.
func (m *mutation) try(one *mutant, errs io.Writer) (verdict string, err error) {
	overlay, err := m.overlay(one)
	if err != nil {
		return "", err
	}
	path := one.in.of.path
	tests := append([]string{path}, m.beside[path]...)
	for _, t := range tests {
		if err := m.baseline(t, errs); err != nil {
			return "", err
		}
	}
	if m.drawn[path] == nil {
		m.drawn[path] = &mutantCounts{}
	}
	for _, t := range tests {
		found, err := m.test(t, overlay, errs)
		switch {
		case err != nil:
			return "", err
		case found.unbuilt:
			return "not compiled", nil
		case found.overTime && m.usual[t] > m.limit/2:
			m.drawn[path].survived++
			return fmt.Sprintf("over time, but the tests of %s may be so without the mutant: survived", ours(t)), nil
		case found.overTime:
			m.drawn[path].overTime++
			return fmt.Sprintf("over time in %s: caught", ours(t)), nil
		case found.test != "":
			m.drawn[path].caught++
			return fmt.Sprintf("caught by %s", found.test), nil
		}
	}
	m.drawn[path].survived++
	return "survived", nil
}

// overlay writes a mutant outside the tree. It returns the overlay file for the go command.
func (m *mutation) overlay(one *mutant) (string, error) {
	file := filepath.Join(m.dir, filepath.Base(one.in.path))
	if err := os.WriteFile(file, []byte(one.mutated()), 0o600); err != nil {
		return "", err
	}
	text, err := json.Marshal(map[string]map[string]string{"Replace": {one.in.path: file}})
	if err != nil {
		return "", err
	}
	overlay := filepath.Join(m.dir, "overlay.json")
	return overlay, os.WriteFile(overlay, text, 0o600)
}

// baseline runs a package's unmutated tests once and records how long they took.
func (m *mutation) baseline(path string, errs io.Writer) error {
	if _, known := m.usual[path]; known {
		return nil
	}
	found, err := m.test(path, "", errs)
	if err != nil {
		return err
	}
	if found.unbuilt || found.overTime || found.test != "" {
		return fmt.Errorf("the tests of %s fail without a mutant:\n%s", path, found.printed)
	}
	m.usual[path] = found.took
	return nil
}

// finding is the result of one run of a package's tests.
type finding struct {
	unbuilt, overTime bool
	test              string // a failed test, with its package; empty if all passed
	took              time.Duration
	printed           string
}

var took = regexp.MustCompile(`(?m)^ok  \t\S+\t([0-9.]+s)`)

// test runs the tests of a package once, with or without an overlay.
func (m *mutation) test(path, overlay string, errs io.Writer) (f finding, err error) {
	// Without vet, because a fault that vet finds in a mutant is not found by a test.
	args := []string{"-count=1", "-failfast", "-vet=off", "-timeout=" + m.limit.String()}
	if overlay != "" {
		args = append(args, "-overlay="+overlay)
	}
	var results tally
	var printed bytes.Buffer
	code, err := goTest(append(args, path), &results, &printed, errs)
	if err != nil {
		return f, err
	}
	f.printed = printed.String()
	f.unbuilt = strings.Contains(f.printed, "[build failed]")
	f.overTime = strings.Contains(f.printed, "panic: test timed out after")
	if text := took.FindStringSubmatch(f.printed); text != nil {
		f.took, err = time.ParseDuration(text[1])
	}
	if code != 0 {
		f.test = ours(path) + " (outside a test)"
	}
	for _, r := range results.sorted() {
		if r.Action == "fail" && r.Test != "" {
			f.test = ours(r.Package) + " " + r.Test
			break
		}
	}
	return f, err
}

// table prints the counts of each package, and those of all packages in the last line.
func (m *mutation) table(out io.Writer) error {
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	fmt.Fprintln(w, "\npackage\tmutants\tcaught\tof these over time\tsurvived")
	var all mutantCounts
	for _, path := range slices.Sorted(maps.Keys(m.drawn)) {
		n := m.drawn[path]
		caught := n.caught + n.overTime
		fmt.Fprintf(w, "%s\t%d\t%d\t%d\t%d\n", ours(path), caught+n.survived, caught, n.overTime, n.survived)
		all = mutantCounts{all.caught + caught, all.overTime + n.overTime, all.survived + n.survived}
	}
	if err := w.Flush(); err != nil {
		return err
	}
	fmt.Fprintf(out, "\nseed %d: %d mutants, %d caught (%d over time), %d survived; %d more did not compile\n",
		m.seed, all.caught+all.survived, all.caught, all.overTime, all.survived, m.refused)
	if all.survived > 0 {
		return errFailed
	}
	return nil
}
