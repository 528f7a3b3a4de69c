package arch

import (
	"fmt"
	"go/ast"
	"io/fs"
	"regexp"
	"strings"
	"testing"
	"testing/fstest"
)

var quoted = regexp.MustCompile("`([^`]+)`")

// unanswered returns what is wrong with the table of threats in DEVELOPERS.md: a row without a test, a test that is not there. In the last
// column stand packages, each followed by its tests.
func unanswered(page string, files []file) (faults []string) {
	there := map[string]bool{}
	for _, f := range files {
		if !f.test {
			continue
		}
		for _, d := range f.syntax.Decls {
			if d, ok := d.(*ast.FuncDecl); ok && d.Recv == nil {
				there[f.dir+" "+d.Name.Name] = true
			}
		}
	}
	_, section, ok := strings.Cut(page, "\n## Threats\n")
	if !ok {
		return []string{"no section Threats"}
	}
	section, _, _ = strings.Cut(section, "\n## ")
	rows := 0
	for line := range strings.Lines(section) {
		cells := strings.Split(strings.TrimSpace(line), "|")
		if len(cells) != 5 || strings.HasPrefix(cells[1], "---") || strings.TrimSpace(cells[1]) == "threat" {
			continue
		}
		rows++
		tests, dir := 0, ""
		for _, m := range quoted.FindAllStringSubmatch(cells[3], -1) {
			switch name := m[1]; {
			case !strings.HasPrefix(name, "Test") && !strings.HasPrefix(name, "Fuzz"):
				dir = name
			case there[dir+" "+name]:
				tests++
			default:
				faults = append(faults, fmt.Sprintf("%s: %s has no test %s", strings.TrimSpace(cells[1]), dir, name))
			}
		}
		if tests == 0 {
			faults = append(faults, strings.TrimSpace(cells[1])+": no test answers it")
		}
	}
	if rows == 0 {
		faults = append(faults, "the table is empty")
	}
	return faults
}

func TestThreatsAreAnswered(t *testing.T) {
	page, err := fs.ReadFile(root(), "DEVELOPERS.md")
	if err != nil {
		t.Fatal(err)
	}
	for _, fault := range unanswered(string(page), readTree(t, root())) {
		t.Errorf("DEVELOPERS.md, Threats: %s", fault)
	}
}

func TestThreatsWithoutATestAreFound(t *testing.T) {
	files := readTree(t, fstest.MapFS{"bridge/a_test.go": {Data: []byte("package bridge\n\nfunc TestA() {}\n")}})
	table := "\n## Threats\n\n| threat | what stands against it | tests |\n|---|---|---|\n| a | b | `bridge`: `TestA` |\n"
	if faults := unanswered(table, files); faults != nil {
		t.Error(faults)
	}
	for _, more := range []string{"| c | d | `bridge`: `TestGone` |\n", "| c | d | by hand |\n", "| c | d | `cmd`: `TestA` |\n"} {
		if faults := unanswered(table+more+"\n## Next\n", files); len(faults) == 0 {
			t.Errorf("nothing is wrong with %q", more)
		}
	}
}
