package arch

import (
	"fmt"
	"io/fs"
	"regexp"
	"strings"
	"testing"
	"testing/fstest"
)

var quoted = regexp.MustCompile("`([^`]+)`")

// questions are the questions that the page of threats answers for each way in. Tests answer the last one.
var questions = []string{"Who may speak", "What it costs us", "What it could open", "What it could keep from others",
	"Tests"}

// unanswered returns the faults of the page of threats: a way in with an open question, without a test, or with a test
// that does not exist. The tests follow the name of their package.
func unanswered(page string, files []file) (faults []string) {
	there := map[string]bool{}
	for _, f := range files {
		if !f.test {
			continue
		}
		for _, name := range functions(f) {
			there[f.dir+" "+name] = true
		}
	}
	ways := strings.Split(page, "\n## ")[1:]
	if len(ways) == 0 {
		return []string{"it names no way in"}
	}
	for _, way := range ways {
		heading, text, _ := strings.Cut(way, "\n")
		var answer string
		for _, q := range questions {
			_, rest, ok := strings.Cut(text, "- **"+q+":**")
			if answer, _, _ = strings.Cut(rest, "\n- "); !ok || strings.TrimSpace(answer) == "" {
				faults = append(faults, heading+": "+q+" is not answered")
			}
		}
		tests, dir := 0, ""
		for _, m := range quoted.FindAllStringSubmatch(answer, -1) {
			switch name := m[1]; {
			case !strings.HasPrefix(name, "Test") && !strings.HasPrefix(name, "Fuzz"):
				dir = name
			case there[dir+" "+name]:
				tests++
			default:
				faults = append(faults, fmt.Sprintf("%s: %s has no test %s", heading, dir, name))
			}
		}
		if tests == 0 {
			faults = append(faults, heading+": no test shows the answer")
		}
	}
	return faults
}

func TestThreatsAreAnswered(t *testing.T) {
	page, err := fs.ReadFile(root(), "deploy/threats.md")
	if err != nil {
		t.Fatal(err)
	}
	for _, fault := range unanswered(string(page), wholeTree(t)) {
		t.Errorf("deploy/threats.md: %s", fault)
	}
}

func TestThreatsWithoutATestAreFound(t *testing.T) {
	files := readTree(t, fstest.MapFS{"bridge/a_test.go": {Data: []byte("package bridge\n\nfunc TestA() {}\n")}})
	way := "\n## A way in\n\n- **Who may speak:** a\n- **What it costs us:** b\n- **What it could open:** c\n- **What it could keep from others:** d\n- **Tests:**\n  "
	good := way + "`bridge`: `TestA`\n"
	if faults := unanswered(good, files); faults != nil {
		t.Error(faults)
	}
	for _, bad := range []string{"", good + way + "`bridge`: `TestGone`\n", good + way + "by hand\n", good + way +
		"`cmd`: `TestA`\n",
		strings.Replace(good, " c\n", "\n", 1)} {
		if faults := unanswered(bad, files); len(faults) == 0 {
			t.Errorf("nothing is wrong with %q", bad)
		}
	}
}
