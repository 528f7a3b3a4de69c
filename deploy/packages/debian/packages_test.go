package debian

import (
	"compress/gzip"
	"crypto/sha256"
	"debug/elf"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

func commandOutput(command ...string) (string, error) {
	out, err := exec.Command(command[0], command[1:]...).Output()
	return strings.TrimSpace(string(out)), err
}

// TestPackageFiles: two builds, the second from a copy of the tree in another folder, give the same bytes, and Debian's
// own checker finds nothing. The overrides in the packages have their reasons.
func TestPackageFiles(t *testing.T) {
	need(t, "lintian", "lintian")
	copied := filepath.Join(t.TempDir(), "another", "folder")
	if out, err := exec.Command("sh", "-c", `mkdir -p "$2" && cp -a "$1/." "$2"`, "sh", "../../..",
		copied).CombinedOutput(); err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	sums := map[string][32]byte{}
	var files []string
	for _, source := range []string{"../../..", copied} {
		var err error
		if files, err = build(options{source: source, out: t.TempDir(), archs: []string{"amd64", "arm64", "armhf"},
			compression: "xz", maintainer: "clearback <clearback@localhost.localdomain>"}); err != nil {
			t.Fatal(err)
		}
		for _, f := range files {
			data, err := os.ReadFile(f)
			if err != nil {
				t.Fatal(err)
			}
			name, sum := filepath.Base(f), sha256.Sum256(data)
			if before, ok := sums[name]; ok && before != sum {
				t.Errorf("%s differs from the first build", name)
			}
			sums[name] = sum
		}
	}
	if len(files) != 9 || len(sums) != 9 {
		t.Errorf("%d packages with %d names; want 9", len(files), len(sums))
	}
	for _, f := range files {
		dir := t.TempDir()
		if out, err := exec.Command("dpkg-deb", "-x", f, dir).CombinedOutput(); err != nil {
			t.Fatalf("dpkg-deb: %v\n%s", err, out)
		}
		name := filepath.Base(f)
		checkDrawings(t, name, dir)
		if strings.HasPrefix(name, "clearback-bin_") {
			checkPages(t, name, dir)
		}
	}
	check := append([]string{"--allow-root", "--fail-on", "error,warning"}, files...)
	if out, err := exec.Command("lintian", check...).CombinedOutput(); err != nil {
		t.Errorf("lintian: %v\n%s", err, out)
	}
}

// checkPages checks that an unpacked package has man pages of the commands that operation.md lists, and completion for
// three shells, where Debian looks for them.
func checkPages(t *testing.T, name, dir string) {
	t.Helper()
	operation, err := os.ReadFile("../../operation.md")
	if err != nil {
		t.Fatal(err)
	}
	titles := map[string]string{"clearback": "CLEARBACK"}
	for _, m := range regexp.MustCompile("(?m)^\\| `clearback ([a-z]+)").FindAllStringSubmatch(string(operation), -1) {
		titles["clearback-"+m[1]] = "CLEARBACK-" + strings.ToUpper(m[1])
	}
	if len(titles) < 10 {
		t.Fatalf("operation.md lists %d commands", len(titles))
	}
	for page, title := range titles {
		f, err := os.Open(filepath.Join(dir, "usr/share/man/man1", page+".1.gz"))
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		defer f.Close()
		z, err := gzip.NewReader(f)
		if err != nil {
			t.Fatal(err)
		}
		text, err := io.ReadAll(z)
		if err != nil || !strings.Contains(strings.ReplaceAll(string(text), `\-`, "-"), title) {
			t.Errorf("%s: %s.1 is no page called %s: %v", name, page, title, err)
		}
	}
	for _, file := range []string{"bash-completion/completions/clearback", "zsh/vendor-completions/_clearback",
		"fish/vendor_completions.d/clearback.fish"} {
		text, err := os.ReadFile(filepath.Join(dir, "usr/share", file))
		if err != nil || !strings.Contains(string(text), "__complete") {
			t.Errorf("%s: /usr/share/%s completes nothing: %v", name, file, err)
		}
	}
}

// drawing matches a drawing that a page shows.
var drawing = regexp.MustCompile(`\]\((drawings/[^)]+)\)`)

// checkDrawings checks that an unpacked package has every drawing that its pages show, where they look for it.
func checkDrawings(t *testing.T, name, dir string) {
	t.Helper()
	pages, err := filepath.Glob(filepath.Join(dir, "usr/share/doc/*/*.md"))
	if err != nil {
		t.Fatal(err)
	}
	shown := 0
	for _, page := range pages {
		text, err := os.ReadFile(page)
		if err != nil {
			t.Fatal(err)
		}
		for _, m := range drawing.FindAllStringSubmatch(string(text), -1) {
			shown++
			if _, err := os.Stat(filepath.Join(filepath.Dir(page), m[1])); err != nil {
				t.Error(err)
			}
		}
	}
	if daemon := strings.HasPrefix(name, "clearback_"); daemon != (shown > 0) {
		t.Errorf("%s shows %d drawings", name, shown)
	}
}

// TestArchitectures checks that the programs are for the machines that their packages name, and static.
func TestArchitectures(t *testing.T) {
	r := &release{options: options{source: "../../.."}}
	for arch, machine := range map[string]elf.Machine{"amd64": elf.EM_X86_64, "arm64": elf.EM_AARCH64, "armhf": elf.EM_ARM} {
		program := filepath.Join(t.TempDir(), arch)
		if err := r.compile(program, architectures[arch]...); err != nil {
			t.Fatal(err)
		}
		f, err := elf.Open(program)
		if err != nil {
			t.Fatal(err)
		}
		defer f.Close()
		if f.Machine != machine || f.Section(".interp") != nil {
			t.Errorf("%s: the program is for %v", arch, f.Machine)
		}
	}
	if _, err := build(options{archs: []string{"mips"}}); err == nil || !strings.Contains(err.Error(), "mips") {
		t.Error(err)
	}
}

// TestVersions: the order is that of dpkg --compare-versions.
func TestVersions(t *testing.T) {
	need(t, "dpkg", "dpkg")
	ascending := []string{"v0.0.0-20261130102802-1366a1eb8386", "v0.0.0-20261201102802-0366a1eb8386", "v1.2.0-rc.1",
		"v1.2.0", "v1.2.0+dirty", "v1.2.1-0.20261201102802-0366a1eb8386", "v1.2.1", "v1.10.0"}
	for i, v := range ascending[1:] {
		older, newer := debianVersion(ascending[i]), debianVersion(v)
		if out, err := exec.Command("dpkg", "--compare-versions", older, "lt", newer).CombinedOutput(); err != nil {
			t.Errorf("%s is not older than %s: %s", older, newer, out)
		}
	}
}

// TestFirstFiles: a first file fits on a screen.
func TestFirstFiles(t *testing.T) {
	for _, s := range services {
		text, err := os.ReadFile(filepath.Join("files", s.First))
		if err != nil {
			t.Fatal(err)
		}
		if n := strings.Count(string(text), "\n"); n > 20 {
			t.Errorf("%s has %d lines", s.First, n)
		}
	}
}
