package arch

import (
	"fmt"
	"io/fs"
	"path"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"unicode/utf8"
)

var (
	link      = regexp.MustCompile(`\]\(([^)#:]*)(?:#([^)]+))?\)`) // without a scheme: a file of the tree, or a heading
	heading   = regexp.MustCompile(`(?m)^#+ (.+)$`)
	notInSlug = regexp.MustCompile(`[^a-z0-9 _-]`)
)

// deadLinks returns the files and headings that a page links to and that do not exist.
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

// TestReadmeIsShort limits the length of README, which people read at night. Reference material belongs in deploy.
func TestReadmeIsShort(t *testing.T) {
	text, err := fs.ReadFile(root(), "README.md")
	if err != nil {
		t.Fatal(err)
	}
	if n := strings.Count(string(text), "\n"); n > 165 {
		t.Errorf("README.md has %d lines; at most 165 are right", n)
	}
}

const (
	developersLimit = 14_000 // bytes, because a newcomer reads the page on the first day
	columnLimit     = 130    // of a line outside of tables; the page wraps at 120, but a path may be longer
)

func developers(t *testing.T) string {
	t.Helper()
	text, err := fs.ReadFile(root(), "DEVELOPERS.md")
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}

// section returns the part of a page below a heading of the second level.
func section(page, heading string) string {
	_, rest, _ := strings.Cut(page, "\n## "+heading+"\n")
	text, _, _ := strings.Cut(rest, "\n## ")
	return text
}

func TestDevelopersIsShort(t *testing.T) {
	page := developers(t)
	if len(page) > developersLimit {
		t.Errorf("DEVELOPERS.md has %d bytes; at most %d. Move details into the comment of the package they are about",
			len(page), developersLimit)
	}
	for line := range strings.Lines(page) {
		if n := utf8.RuneCountInString(line); n > columnLimit && !strings.HasPrefix(line, "|") {
			t.Errorf("DEVELOPERS.md: a line has %d columns: %.60s...", n, line)
		}
	}
}

var row = regexp.MustCompile("(?m)^\\| `([^`]+)` \\| ")

// layoutFaults compares the rows of the layout with the packages. Each package must have one row, and each row a
// package.
func layoutFaults(layout string, packages []string) (faults []string) {
	rows := map[string]int{}
	for _, m := range row.FindAllStringSubmatch(layout, -1) {
		rows[m[1]]++
	}
	for _, p := range packages {
		if rows[p] != 1 {
			faults = append(faults, fmt.Sprintf("the layout has %d rows for %s", rows[p], p))
		}
		delete(rows, p)
	}
	for p := range rows {
		faults = append(faults, fmt.Sprintf("the layout has a row for %s, which is no package", p))
	}
	return faults
}

func TestLayout(t *testing.T) {
	var packages []string
	for p := range may {
		packages = append(packages, p)
	}
	for _, fault := range layoutFaults(section(developers(t), "Layout"), packages) {
		t.Errorf("DEVELOPERS.md: %s", fault)
	}
}

var (
	invariantNumber = regexp.MustCompile(`(?m)^(\d+)\. `)
	invariantTest   = regexp.MustCompile(`^TestInvariant(\d\d)`)
)

// invariantFaults compares the numbered invariants with the tests. elsewhere lists those without a TestInvariantNN.
func invariantFaults(text string, files []file, elsewhere []int) (faults []string) {
	proved := map[int]bool{}
	for name := range testsOf(files, "supervision/supervisiontest") {
		if m := invariantTest.FindStringSubmatch(name); m != nil {
			proved[number(m[1])] = true
		}
	}
	n := 0
	for _, m := range invariantNumber.FindAllStringSubmatch(text, -1) {
		if n++; number(m[1]) != n {
			return []string{fmt.Sprintf("invariant %s stands at place %d", m[1], n)}
		}
		if proved[n] == slices.Contains(elsewhere, n) {
			faults = append(faults, fmt.Sprintf("invariant %d: TestInvariant%02d is there: %v", n, n, proved[n]))
		}
		delete(proved, n)
	}
	// Number 0 tests what is not written as an invariant.
	delete(proved, 0)
	for n := range proved {
		faults = append(faults, fmt.Sprintf("TestInvariant%02d proves no invariant of the page", n))
	}
	return faults
}

func number(s string) int {
	n, _ := strconv.Atoi(s) // the pattern has matched digits
	return n
}

// TestInvariants leaves out 9 and 10, which DEVELOPERS.md says are tested only on the process.
func TestInvariants(t *testing.T) {
	for _, fault := range invariantFaults(section(developers(t), "The invariants"), wholeTree(t), []int{9, 10}) {
		t.Errorf("DEVELOPERS.md: %s", fault)
	}
}

// testsOf returns the tests, benchmarks and fuzz targets of a package, or of all packages below it if dir ends in /...
// .
func testsOf(files []file, dir string) map[string]bool {
	all := map[string]bool{}
	below, tree := strings.CutSuffix(dir, "/...")
	for _, f := range files {
		if f.test && (f.dir == dir || tree && (below == "." || within(f.dir, below))) {
			for _, name := range functions(f) {
				if strings.HasPrefix(name, "Test") || strings.HasPrefix(name, "Fuzz") ||
					strings.HasPrefix(name, "Benchmark") {
					all[name] = true
				}
			}
		}
	}
	return all
}

var pathLike = regexp.MustCompile("`([a-z][a-zA-Z0-9_.-]*(?:/[a-zA-Z0-9_.-]+)+)`")

// TestDevelopersNamesWhatIsThere checks that each path in backticks is a file or folder.
func TestDevelopersNamesWhatIsThere(t *testing.T) {
	for _, m := range pathLike.FindAllStringSubmatch(developers(t), -1) {
		top, _, _ := strings.Cut(m[1], "/")
		if _, err := fs.Stat(root(), m[1]); err != nil && top != "testing" { // testing/synctest is not ours
			t.Errorf("DEVELOPERS.md names %s, which is not there", m[1])
		}
	}
}

var goFile = regexp.MustCompile(`[a-z0-9_/]+\.go\b`)

// mapFaults compares the files that a package's comment names with the package's files. The comment must name each
// file, and no other.
func mapFaults(comment, dir string, files []file) (faults []string) {
	there, named := map[string]bool{}, map[string]bool{}
	for _, f := range files {
		there[f.path] = true
	}
	for _, name := range goFile.FindAllString(comment, -1) {
		named[path.Join(dir, name)] = true
		if !there[path.Join(dir, name)] {
			faults = append(faults, name+" is not there")
		}
	}
	for _, f := range files {
		if f.dir == dir && !f.test && path.Base(f.path) != "doc.go" && !named[f.path] {
			faults = append(faults, path.Base(f.path)+" is not in the map")
		}
	}
	return faults
}

// TestMaps checks the package comments that map the sections of RFCs to files.
func TestMaps(t *testing.T) {
	files := wholeTree(t)
	for _, dir := range []string{"supervision", "bridge/sipua", "bridge/sipua/endpoint", "bridge/sipua/registration"} {
		for _, fault := range mapFaults(packageComment(files, dir), dir, files) {
			t.Errorf("%s/doc.go: %s", dir, fault)
		}
	}
}

func packageComment(files []file, dir string) string {
	for _, f := range files {
		if f.dir == dir && f.syntax.Doc != nil {
			return f.syntax.Doc.Text()
		}
	}
	return ""
}

var required = regexp.MustCompile(`^\t(\S+) v\S+$`)

// unexplained returns the libraries that go.mod requires without a comment that gives the reason.
func unexplained(mod string) (all []string) {
	direct, _, _ := strings.Cut(mod, "\n)")
	lines := strings.Split(direct, "\n")
	for i, line := range lines {
		if m := required.FindStringSubmatch(line); m != nil && !strings.HasPrefix(strings.TrimSpace(lines[i-1]),
			"// ") {
			all = append(all, m[1])
		}
	}
	return all
}

func TestLibrariesHaveReasons(t *testing.T) {
	mod, err := fs.ReadFile(root(), "go.mod")
	if err != nil {
		t.Fatal(err)
	}
	for _, library := range unexplained(string(mod)) {
		t.Errorf("go.mod requires %s; say above it what for, and why this one", library)
	}
}
