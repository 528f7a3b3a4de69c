package arch

import (
	"strings"
	"testing"
	"testing/fstest"
)

// TestPageRulesCatch checks that each rule for pages and package comments finds the fault that it is for, and nothing
// else.
func TestPageRulesCatch(t *testing.T) {
	files := readTree(t, fstest.MapFS{
		"bridge/sipua/doc.go": {Data: []byte("// Package sipua is.\npackage sipua\n")},
		"bridge/sipua/leg.go": {Data: []byte("package sipua\n")},
		"bridge/sipua/e/e.go": {Data: []byte("package e\n")},
		"bridge/sipua/a_test.go": {Data: []byte("package sipua\n\nvar _ = flag.Int(\"day.hours\", 1, \"\")\n\n" +
			"func TestDay() {}\n\nfunc BenchmarkBye() {}\n")},
		"supervision/supervisiontest/a_test.go": {Data: []byte("package supervisiontest\n\nfunc TestInvariant00A() {}\n\n" +
			"func TestInvariant01B() {}\n\nfunc TestInvariant08C() {}\n")},
	})
	layout := func(text string) []string { return layoutFaults(text, []string{"config", "bridge"}) }
	invariants := func(text string) []string { return invariantFaults(text, files, []int{2, 3, 4, 5, 6, 7}) }
	sipua := func(text string) []string { return mapFaults(text, "bridge/sipua", files) }
	tests := func(text string) []string { return goneTests(text, files) }
	commands := func(text string) []string { return commandFaults(text, files) }
	const eight = "1. a\n2. b\n3. c\n4. d\n5. e\n6. f\n7. g\n8. h\n"
	for _, tt := range []struct {
		name, text, want string // want is a part of the only fault; "" for no fault
		check            func(string) []string
	}{
		{"a whole layout", "| `config` | a |\n| `bridge` | b |\n", "", layout},
		{"a package without a row", "| `config` | a |\n", "0 rows for bridge", layout},
		{"two rows", "| `config` | a |\n| `config` | a |\n| `bridge` | b |\n", "2 rows for config", layout},
		{"a row without a package", "| `config` | a |\n| `bridge` | b |\n| `gone` | c |\n", "gone, which is no package",
			layout},
		{"tested invariants", eight, "", invariants},
		{"a number left out", strings.Replace(eight, "3. c\n", "", 1), "invariant 4 stands at place 3", invariants},
		{"an invariant without a test", eight + "9. i\n", "invariant 9", invariants},
		{"a test without an invariant", strings.Replace(eight, "8. h\n", "", 1), "TestInvariant08", invariants},
		{"a whole map", "leg.go, e/e.go", "", sipua},
		{"a file that is not in the map", "e/e.go", "leg.go is not in the map", sipua},
		{"a file that is gone", "leg.go, e/gone.go", "e/gone.go is not there", sipua},
		{"a command", "go test ./bridge/sipua -run 'TestDay$' -v -day.hours 24 -timeout 20m\n", "", commands},
		{"a benchmark", "`go test ./bridge/... -run '^$' -bench Bye`", "", commands},
		{"go test in general", "as go test does", "", commands},
		{"a test that is gone", "go test ./bridge/sipua -run Night", "nothing there matches Night", commands},
		{"a flag that is gone", "go test ./bridge/sipua -run Day -day.lines 4", "-day.lines", commands},
		{"a package that is gone", "go test ./bridge/gone -v", "no tests in bridge/gone", commands},
		{"tests by name", "TestDay, and TestInvariantNN", "", tests},
		{"a test by name that is gone", "TestNight", "TestNight", tests},
		{"libraries with reasons", "require (\n\t// For a.\n\tlib.example/a v1.0.0\n)\n", "", unexplained},
		{"a library without one", "require (\n\t// For a.\n\tlib.example/a v1.0.0\n\tlib.example/b v1.0.0\n)\n",
			"lib.example/b", unexplained},
	} {
		t.Run(tt.name, func(t *testing.T) {
			faults := tt.check(tt.text)
			if tt.want == "" && len(faults) > 0 || tt.want != "" &&
				(len(faults) != 1 || !strings.Contains(faults[0], tt.want)) {
				t.Errorf("found %q; want %q", faults, tt.want)
			}
		})
	}
}
