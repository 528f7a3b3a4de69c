package arch

import (
	"io/fs"
	"path"
	"regexp"
	"slices"
	"strings"
	"testing"
)

var (
	link      = regexp.MustCompile(`\]\(([^)#:]*)(?:#([^)]+))?\)`) // no scheme: a file of ours, or a heading
	heading   = regexp.MustCompile(`(?m)^#+ (.+)$`)
	notInSlug = regexp.MustCompile(`[^a-z0-9 _-]`)
)

// deadLinks returns the files and headings that a page links to and that are not there.
func deadLinks(root fs.FS, page string) (dead []string) {
	text, err := fs.ReadFile(root, page)
	if err != nil {
		return []string{err.Error()}
	}
	for _, m := range link.FindAllStringSubmatch(string(text), -1) {
		target := page
		if m[1] != "" {
			target = path.Join(path.Dir(page), m[1])
		}
		there, err := fs.ReadFile(root, target)
		if err != nil || m[2] != "" && !slices.Contains(slugs(string(there)), m[2]) {
			dead = append(dead, m[0])
		}
	}
	return dead
}

// slugs returns the anchors of a page's headings, as GitHub makes them.
func slugs(text string) (all []string) {
	for _, m := range heading.FindAllStringSubmatch(text, -1) {
		all = append(all, strings.ReplaceAll(notInSlug.ReplaceAllString(strings.ToLower(m[1]), ""), " ", "-"))
	}
	return all
}

func TestPagesLinkToWhatIsThere(t *testing.T) {
	pages, err := fs.Glob(root(), "deploy/*.md")
	if err != nil || len(pages) == 0 {
		t.Fatal(pages, err)
	}
	for _, page := range append(pages, "README.md", "DEVELOPERS.md", "SAFETY.md") {
		for _, dead := range deadLinks(root(), page) {
			t.Errorf("%s links to %s, which is not there", page, dead)
		}
	}
}

// TestReadmeIsShort: README is read at night, so what is for reference stands in deploy.
func TestReadmeIsShort(t *testing.T) {
	text, err := fs.ReadFile(root(), "README.md")
	if err != nil {
		t.Fatal(err)
	}
	if n := strings.Count(string(text), "\n"); n >= 200 {
		t.Errorf("README.md has %d lines; fewer than 200 are right", n)
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
