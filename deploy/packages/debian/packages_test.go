package debian

import (
	"crypto/sha256"
	"debug/elf"
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

// TestPackageFiles: two builds give the same bytes, and Debian's own checker finds nothing. The overrides in the
// packages have their reasons.
func TestPackageFiles(t *testing.T) {
	need(t, "lintian", "lintian")
	sums := map[string][32]byte{}
	var files []string
	for range 2 {
		var err error
		if files, err = build(options{source: "../../..", out: t.TempDir(), archs: []string{"armhf"}, compression: "xz",
			maintainer: "clearback <clearback@localhost.localdomain>"}); err != nil {
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
	if len(files) != 3 || len(sums) != 3 {
		t.Errorf("%d packages with %d names; want 3", len(files), len(sums))
	}
	for _, f := range files {
		checkDrawings(t, f)
	}
	check := append([]string{"--allow-root", "--fail-on", "error,warning"}, files...)
	if out, err := exec.Command("lintian", check...).CombinedOutput(); err != nil {
		t.Errorf("lintian: %v\n%s", err, out)
	}
}

// drawing matches a drawing that a page shows.
var drawing = regexp.MustCompile(`\]\((drawings/[^)]+)\)`)

// checkDrawings checks that a package has every drawing that its pages show, where they look for it.
func checkDrawings(t *testing.T, deb string) {
	t.Helper()
	dir := t.TempDir()
	if out, err := exec.Command("dpkg-deb", "-x", deb, dir).CombinedOutput(); err != nil {
		t.Fatalf("dpkg-deb: %v\n%s", err, out)
	}
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
	if daemon := strings.HasPrefix(filepath.Base(deb), "clearback_"); daemon != (shown > 0) {
		t.Errorf("%s shows %d drawings", filepath.Base(deb), shown)
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
