package debian

import (
	"debug/buildinfo"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
	"time"

	"github.com/goreleaser/nfpm/v2"
	"github.com/goreleaser/nfpm/v2/deb"
	"github.com/goreleaser/nfpm/v2/files"
)

// architectures maps Debian's names to those of Go. armhf is ARMv7 with floating point.
var architectures = map[string][]string{
	"amd64": {"GOARCH=amd64"},
	"arm64": {"GOARCH=arm64"},
	"armhf": {"GOARCH=arm", "GOARM=7"},
}

// release is what all packages of a run share.
type release struct {
	options
	work    string    // a folder for what is generated
	version string    // Debian's form
	built   string    // the program's own version
	date    time.Time // of the commit
	common  []*files.Content
}

// build writes the packages and returns their paths, also those written before an error.
func build(o options) (written []string, err error) {
	for _, arch := range o.archs {
		if architectures[arch] == nil {
			return nil, fmt.Errorf("there is no architecture %q; choose from amd64, arm64 and armhf", arch)
		}
	}
	work, err := os.MkdirTemp("", "packages")
	if err != nil {
		return nil, err
	}
	defer os.RemoveAll(work)
	r := &release{options: o, work: work}
	if err := r.prepare(); err != nil {
		return nil, err
	}
	for _, arch := range o.archs {
		program := filepath.Join(work, "clearback-"+arch)
		if err := r.compile(program, architectures[arch]...); err != nil {
			return written, err
		}
		bin := append([]*files.Content{file(program, "/usr/bin/clearback", 0o755)}, r.common...)
		packages := []*nfpm.Info{r.info("clearback-bin", arch, binText, bin)}
		for _, s := range services {
			info, err := r.service(s, arch)
			if err != nil {
				return written, err
			}
			packages = append(packages, info)
		}
		for _, info := range packages {
			path, err := r.write(info)
			if err != nil {
				return written, fmt.Errorf("%s: %w", info.Name, err)
			}
			written = append(written, path)
		}
	}
	return written, nil
}

// prepare builds the program for this machine, and generates what is the same on all architectures.
func (r *release) prepare() error {
	program := filepath.Join(r.work, "clearback")
	if err := r.compile(program, "GOARCH="+runtime.GOARCH); err != nil {
		return err
	}
	info, err := buildinfo.ReadFile(program)
	if err != nil {
		return err
	}
	r.built = info.Main.Version
	commit, err := r.git("log", "-1", "--format=%cI %h", "--abbrev=12")
	if err != nil {
		return err
	}
	date, hash, _ := strings.Cut(commit, " ")
	if r.date, err = time.Parse(time.RFC3339, date); err != nil {
		return fmt.Errorf("the commit's time: %w", err)
	}
	if r.built == "(devel)" { // Go does not look for the commit in a linked worktree
		r.built = "v0.0.0-" + r.date.UTC().Format("20060102150405") + "-" + hash
	}
	if r.version = r.options.version; r.version == "" {
		r.version = debianVersion(r.built)
	}
	if err := r.documents(program); err != nil {
		return err
	}
	return r.libraries()
}

// git asks git about the source.
func (r *release) git(args ...string) (string, error) {
	cmd := exec.Command("git", args...)
	cmd.Dir = r.source
	out, err := cmd.Output()
	if err != nil {
		return "", fmt.Errorf("git %s: %w; build the packages in a clone of the repository", args[0], err)
	}
	return strings.TrimSpace(string(out)), nil
}

// compile builds the program. The same commit and toolchain give the same bytes.
func (r *release) compile(program string, env ...string) error {
	cmd := exec.Command("go", "build", "-trimpath", "-ldflags=-s -w", "-o", program, "./cmd/clearback")
	cmd.Dir = r.source
	cmd.Env = append(append(os.Environ(), "CGO_ENABLED=0", "GOOS=linux", "GOWORK=off", "GOFLAGS="), env...)
	if out, err := cmd.CombinedOutput(); err != nil {
		return fmt.Errorf("go build: %w\n%s", err, out)
	}
	return nil
}

// debianVersion returns a version in Debian's form. A prerelease sorts before the version, a changed tree after its
// commit: v1.2.0-rc.1 is 1.2.0~rc.1, v1.2.0+dirty is 1.2.0+dirty.
func debianVersion(v string) string {
	v = strings.Replace(strings.TrimPrefix(v, "v"), "-", "~", 1)
	return strings.ReplaceAll(v, "-", ".") + "-1"
}

// info describes one package.
func (r *release) info(name, arch, text string, contents []*files.Content) *nfpm.Info {
	info := &nfpm.Info{
		Name: name, Arch: arch, Platform: "linux", Version: r.version, VersionSchema: "none", Section: "comm",
		Priority: "optional", Maintainer: r.maintainer, Description: text, MTime: r.date, DisableGlobbing: true,
	}
	info.Contents = append(files.Contents{}, contents...)
	info.Deb.Compression = r.compression
	return info
}

// write completes and writes a package, and returns its path.
func (r *release) write(info *nfpm.Info) (string, error) {
	for _, generate := range []func(*nfpm.Info) error{r.addDocuments, r.addOverrides} {
		if err := generate(info); err != nil {
			return "", err
		}
	}
	for _, c := range info.Contents {
		c.FileInfo.MTime = r.date
	}
	if err := nfpm.PrepareForPackager(info, "deb"); err != nil {
		return "", err
	}
	path := filepath.Join(r.out, fmt.Sprintf("%s_%s_%s.deb", info.Name, info.Version, info.Arch))
	f, err := os.Create(path)
	if err != nil {
		return "", err
	}
	err = deb.Default.Package(info, f)
	return path, errors.Join(err, f.Close())
}

// file is one file of a package. Everything belongs to root.
func file(source, destination string, mode os.FileMode) *files.Content {
	return &files.Content{Source: source, Destination: destination,
		FileInfo: &files.ContentFileInfo{Owner: "root", Group: "root", Mode: mode}}
}
