package arch

import (
	"io/fs"
	"path"
	"regexp"
	"strings"
	"testing"
)

var link = regexp.MustCompile(`\]\(([^)#:]+)\)`) // no anchor, no scheme: a file of ours

// deadLinks returns the files that a page links to and that are not there.
func deadLinks(root fs.FS, page string) (dead []string) {
	text, err := fs.ReadFile(root, page)
	if err != nil {
		return []string{err.Error()}
	}
	for _, m := range link.FindAllStringSubmatch(string(text), -1) {
		if _, err := fs.Stat(root, path.Clean(m[1])); err != nil {
			dead = append(dead, m[1])
		}
	}
	return dead
}

func TestPagesLinkToWhatIsThere(t *testing.T) {
	for _, page := range []string{"README.md", "DEVELOPERS.md", "SAFETY.md"} {
		for _, dead := range deadLinks(root(), page) {
			t.Errorf("%s links to %s, which is not there", page, dead)
		}
	}
}

// TestLayoutNamesEveryPackage: the table of packages in DEVELOPERS.md is whole. It may leave main out.
func TestLayoutNamesEveryPackage(t *testing.T) {
	text, err := fs.ReadFile(root(), "DEVELOPERS.md")
	if err != nil {
		t.Fatal(err)
	}
	for p := range may {
		if p != "cmd/clearback" && !strings.Contains(string(text), "\n| `"+p+"` | ") {
			t.Errorf("DEVELOPERS.md: the layout has no row for %s", p)
		}
	}
}
