package testrun

import (
	"bufio"
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"maps"
	"os"
	"regexp"
	"slices"
	"strings"
)

// An event is one object of the output of go test -json, as "go doc test2json" documents it.
type event struct {
	Action  string `json:"Action"`
	Package string `json:"Package"`
	Test    string `json:"Test"`
	Output  string `json:"Output"`
}

// A result is the result of one test or subtest.
type result struct {
	Package string `json:"Package"`
	Test    string `json:"Test"`
	Action  string `json:"Action"` // pass, fail or skip
	Reason  string `json:"Reason"` // only for a skip
}

// A tally holds the final result of each test. Its zero value is an empty tally. It is not safe for concurrent use.
type tally struct {
	results map[string]result // by package and test
}

// add adds a result. A test that failed in any run counts as failed, and one that passed in any run does not count as
// skipped.
func (t *tally) add(r result) {
	if t.results == nil {
		t.results = map[string]result{}
	}
	rank := func(action string) int { return slices.Index([]string{"skip", "pass", "fail"}, action) }
	key := r.Package + " " + r.Test
	if old, known := t.results[key]; !known || rank(r.Action) > rank(old.Action) {
		t.results[key] = r
	}
}

// read reads the output of go test -json. It copies to out the last line of each package and all output of failed
// tests. If verbose, it copies all output as it arrives.
func (t *tally) read(events io.Reader, out io.Writer, verbose bool) error {
	printed := map[string]*bytes.Buffer{} // by package and test, until the result is known
	lines := bufio.NewReader(events)
	for {
		line, err := lines.ReadBytes('\n')
		if len(line) == 0 && err == io.EOF {
			return nil
		}
		if err != nil && err != io.EOF {
			return fmt.Errorf("reading the output of go test: %w", err)
		}
		var e event
		if json.Unmarshal(line, &e) != nil {
			// go test reports some things in plain text, such as a package that could not be built.
			out.Write(line)
			continue
		}
		key := e.Package + " " + e.Test
		switch e.Action {
		case "output", "build-output":
			if printed[key] == nil {
				printed[key] = &bytes.Buffer{}
			}
			atOnce := verbose || e.Action == "build-output" || e.Test == "" && packageLine.MatchString(e.Output)
			if atOnce {
				io.WriteString(out, e.Output)
			}
			if !atOnce || e.Test != "" {
				printed[key].WriteString(e.Output)
			}
		case "pass", "fail", "skip":
			text := ""
			if b := printed[key]; b != nil {
				text = b.String()
				delete(printed, key)
			}
			if e.Action == "fail" && !verbose {
				io.WriteString(out, text)
			}
			if e.Test == "" && e.Action == "fail" && !verbose {
				unfinished(out, printed, e.Package)
			}
			if e.Test != "" {
				t.add(result{e.Package, e.Test, e.Action, skipReason(text)})
				// Such a package could not be built, or its test process ended outside a test.
			} else if e.Action == "fail" && !t.failedIn(e.Package) {
				t.add(result{e.Package, "", "fail", ""})
			}
		}
	}
}

// unfinished copies the output of tests that were cut short when their package ended: by a panic in another test, or by
// the time limit.
func unfinished(out io.Writer, printed map[string]*bytes.Buffer, path string) {
	for _, key := range slices.Sorted(maps.Keys(printed)) {
		if of, _, _ := strings.Cut(key, " "); of == path {
			out.Write(printed[key].Bytes())
			delete(printed, key)
		}
	}
}

// packageLine matches go test's last line on a package.
var packageLine = regexp.MustCompile(`^(ok  |FAIL|\?   )\t`)

// logged matches a line that a test logged: four spaces or more, then file, line and text.
var logged = regexp.MustCompile(`^ {4,}\S+\.go:\d+: (.*)$`)

// skipReason returns the last line that a skipped test logged.
func skipReason(text string) (reason string) {
	for line := range strings.SplitSeq(text, "\n") {
		if m := logged.FindStringSubmatch(line); m != nil {
			reason = m[1]
		}
	}
	return reason
}

// appendTo adds the results to a file, one JSON object a line.
func (t *tally) appendTo(name string) error {
	var lines bytes.Buffer
	for _, r := range t.sorted() {
		line, err := json.Marshal(r)
		if err != nil {
			return err
		}
		lines.Write(append(line, '\n'))
	}
	f, err := os.OpenFile(name, os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o666)
	if err != nil {
		return err
	}
	_, err = f.Write(lines.Bytes())
	if closed := f.Close(); err == nil {
		err = closed
	}
	return err
}

// load reads what appendTo wrote.
func (t *tally) load(from io.Reader) error {
	for lines := json.NewDecoder(from); ; {
		var r result
		if err := lines.Decode(&r); err == io.EOF {
			return nil
		} else if err != nil {
			return fmt.Errorf("this is not a record of a test run: %w", err)
		}
		t.add(r)
	}
}

func (t *tally) sorted() []result {
	all := make([]result, 0, len(t.results))
	for _, key := range slices.Sorted(maps.Keys(t.results)) {
		all = append(all, t.results[key])
	}
	return all
}

// failedIn reports whether a test of the package failed.
func (t *tally) failedIn(path string) bool {
	for _, r := range t.results {
		if r.Package == path && r.Action == "fail" {
			return true
		}
	}
	return false
}

func (t *tally) failed() int { return t.number("fail") }

func (t *tally) number(action string) (n int) {
	for _, r := range t.results {
		if r.Action == action {
			n++
		}
	}
	return n
}

// missing matches the skip message of a test whose outside program is missing.
var missing = regexp.MustCompile(`^(.+) (?:is|are) missing \((.+)\)$`)

// report prints each skipped and each failed test by name, then each missing program with the tests that were skipped
// for it, then the counts.
func (t *tally) report(out io.Writer) {
	absent := map[string][]result{} // skipped tests, by missing program
	var failed, skipped []string
	for _, r := range t.sorted() {
		name := strings.TrimSpace(ours(r.Package) + " " + r.Test)
		switch m := missing.FindStringSubmatch(r.Reason); {
		case r.Action == "fail":
			failed = append(failed, name)
		case r.Action == "skip" && m != nil:
			program := m[1] + " (" + m[2] + ")"
			absent[program] = append(absent[program], r)
		case r.Action == "skip":
			skipped = append(skipped, name+": "+r.Reason)
		}
	}
	if len(skipped) > 0 {
		fmt.Fprintf(out, "\nskipped: %d\n", len(skipped))
		list(out, skipped)
	}
	for _, program := range slices.Sorted(maps.Keys(absent)) {
		fmt.Fprintf(out, "\nmissing: %s; skipped for it: %d\n", program, len(absent[program]))
		list(out, byPackage(absent[program]))
	}
	if len(failed) > 0 {
		fmt.Fprintf(out, "\nfailed: %d\n", len(failed))
		list(out, failed)
	}
	fmt.Fprintf(out, "\n%d passed, %d failed, %d skipped\n", t.number("pass"), len(failed), t.number("skip"))
}

// byPackage returns a line for each package with its tests. A subtest appears under its top-level test.
func byPackage(results []result) (lines []string) {
	tests := map[string][]string{}
	for _, r := range results {
		test, _, _ := strings.Cut(r.Test, "/")
		if p := ours(r.Package); !slices.Contains(tests[p], test) {
			tests[p] = append(tests[p], test)
		}
	}
	for _, p := range slices.Sorted(maps.Keys(tests)) {
		lines = append(lines, p+": "+strings.Join(tests[p], ", "))
	}
	return lines
}

// ours shortens the import path of a package of this module.
func ours(path string) string { return strings.TrimPrefix(path, "clearback/") }

func list(out io.Writer, names []string) {
	for _, name := range names {
		fmt.Fprintf(out, "  %s\n", name)
	}
}
