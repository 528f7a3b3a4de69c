package debian

import (
	"bytes"
	"compress/gzip"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/goreleaser/nfpm/v2"
)

// completions are the shells and where Debian looks for their completion scripts.
var completions = [][2]string{
	{"bash", "/usr/share/bash-completion/completions/clearback"},
	{"zsh", "/usr/share/zsh/vendor-completions/_clearback"},
	{"fish", "/usr/share/fish/vendor_completions.d/clearback.fish"},
}

// documents has the program write its man pages and completion scripts.
func (r *release) documents(program string) error {
	pages := r.path("man")
	if err := os.Mkdir(pages, 0o755); err != nil {
		return err
	}
	if out, err := exec.Command(program, "man", pages).CombinedOutput(); err != nil {
		return fmt.Errorf("clearback man: %w\n%s", err, out)
	}
	all, err := filepath.Glob(filepath.Join(pages, "*"))
	if err != nil {
		return err
	}
	for _, page := range all {
		text, err := os.ReadFile(page)
		if err != nil {
			return err
		}
		if err := compress(page, string(text)); err != nil {
			return err
		}
		r.common = append(r.common, file(page, "/usr/share/man/man1/"+filepath.Base(page)+".gz", 0o644))
	}
	for _, c := range completions {
		out, err := exec.Command(program, "completion", c[0]).Output()
		if err != nil {
			return fmt.Errorf("clearback completion %s: %w", c[0], err)
		}
		if err := os.WriteFile(r.path(c[0]), out, 0o644); err != nil {
			return err
		}
		r.common = append(r.common, file(r.path(c[0]), c[1], 0o644))
	}
	return nil
}

// libraries collects the licences of the modules in the program and of Go itself, as most of them demand.
func (r *release) libraries() error {
	cmd := exec.Command("go", "list", "-deps", "-f", "{{with .Module}}{{if not .Main}}{{.Path}} {{.Version}}\t{{.Dir}}{{end}}{{end}}",
		"./cmd/clearback")
	cmd.Dir, cmd.Env = r.source, append(os.Environ(), "CGO_ENABLED=0", "GOOS=linux", "GOWORK=off")
	out, err := cmd.Output()
	if err != nil {
		return fmt.Errorf("go list: %w", err)
	}
	root, err := exec.Command("go", "env", "GOROOT").Output()
	if err != nil {
		return fmt.Errorf("go env: %w", err)
	}
	modules := strings.Split(strings.TrimSpace(string(out)), "\n")
	modules = append(slices.Compact(slices.Sorted(slices.Values(modules))),
		"Go's own library\t"+strings.TrimSpace(string(root)))
	var text strings.Builder
	for _, module := range modules {
		name, dir, _ := strings.Cut(module, "\t")
		if name == "" {
			continue
		}
		found, err := licences(dir)
		if err != nil {
			return fmt.Errorf("the licence of %s: %w", name, err)
		}
		fmt.Fprintf(&text, "==== %s\n\n%s\n", name, found)
	}
	path := r.path("libraries")
	if err := compress(path, text.String()); err != nil {
		return err
	}
	r.common = append(r.common, file(path, "/usr/share/doc/clearback-bin/libraries.gz", 0o644))
	return nil
}

// licences returns the texts of the licences in a module's folder.
func licences(dir string) (string, error) {
	entries, err := os.ReadDir(dir)
	if err != nil {
		return "", err
	}
	all := ""
	for _, e := range entries {
		name := strings.ToUpper(e.Name())
		if e.Type().IsRegular() && (strings.HasPrefix(name, "LICEN") || strings.HasPrefix(name, "COPYING") ||
			strings.HasPrefix(name, "NOTICE")) {
			text, err := os.ReadFile(filepath.Join(dir, e.Name()))
			if err != nil {
				return "", err
			}
			all += string(text) + "\n"
		}
	}
	if all == "" {
		return "", errors.New("there is none in " + dir)
	}
	return all, nil
}

// addDocuments adds what Debian's policy wants in every package.
func (r *release) addDocuments(info *nfpm.Info) error {
	folder, changelog := "/usr/share/doc/"+info.Name, info.Name+".changelog"
	if err := r.expand("changelog", changelog, map[string]string{"Package": info.Name, "Version": info.Version,
		"Built": r.built, "Maintainer": r.maintainer, "Date": r.date.UTC().Format(time.RFC1123Z)}); err != nil {
		return err
	}
	text, err := os.ReadFile(r.path(changelog))
	if err != nil {
		return err
	}
	if err := compress(r.path(changelog), string(text)); err != nil {
		return err
	}
	if err := r.expand("copyright", "copyright", nil); err != nil {
		return err
	}
	info.Contents = append(info.Contents, file(r.path("copyright"), folder+"/copyright", 0o644),
		file(r.path(changelog), folder+"/changelog.Debian.gz", 0o644))
	return nil
}

// overrides are the faults that lintian finds and that stay, by package, each with its reason.
var overrides = map[string][]string{
	"clearback-bin": {
		"# The program runs on any Debian without libraries of that machine.",
		"clearback-bin: statically-linked-binary [usr/bin/clearback]",
	},
}

// addOverrides adds the file with the package's overrides, if there are any.
func (r *release) addOverrides(info *nfpm.Info) error {
	all := append(slices.Clone(overrides[info.Name]),
		"# These packages are not part of Debian, so they close no bug of it.",
		info.Name+": initial-upload-closes-no-bugs *",
		"# Whoever builds packages for one site has no public address. The flag -maintainer sets one.",
		info.Name+": bogus-mail-host *", info.Name+": bogus-mail-host-in-debian-changelog *")
	path := r.path(info.Name + ".overrides")
	if err := os.WriteFile(path, []byte(strings.Join(all, "\n")+"\n"), 0o644); err != nil {
		return err
	}
	info.Contents = append(info.Contents, file(path, "/usr/share/lintian/overrides/"+info.Name, 0o644))
	return nil
}

// compress writes a text as gzip -9n does: without name and time, so that the bytes stay the same.
func compress(path, text string) error {
	var b bytes.Buffer
	z, err := gzip.NewWriterLevel(&b, gzip.BestCompression)
	if err != nil {
		return err
	}
	if _, err := io.WriteString(z, text); err != nil {
		return err
	}
	if err := z.Close(); err != nil {
		return err
	}
	return os.WriteFile(path, b.Bytes(), 0o644)
}
