package config

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"os"
	"strconv"
	"strings"

	"go.yaml.in/yaml/v3"

	"clearback/config/file"
)

// Env is what a file may refer to outside of itself: where its secrets are. With the zero Env no secret is fetched.
type Env struct {
	// Getenv looks an environment variable up.
	Getenv func(name string) (value string, ok bool)
	// ReadFile reads a file; relative paths are relative to the configuration file.
	ReadFile func(path string) ([]byte, error)
}

// Load reads, defaults and checks a file. It is loaded whole or not at all: with faults there is no Config. The error
// tells that the file could not be read. Loading opens no socket and no device.
func Load(path string) (*Config, Faults, error) {
	data, err := file.Read(path)
	if err != nil {
		return nil, nil, fmt.Errorf("read the configuration: %w", err)
	}
	c, faults := Parse(path, data, envOf(path))
	return c, faults, nil
}

// envOf is the environment of a file.
func envOf(path string) Env {
	return Env{Getenv: os.LookupEnv, ReadFile: func(p string) ([]byte, error) { return file.Read(beside(path, p)) }}
}

// LoadForClosing is [Load] for closing contacts, which has to work when nothing else does: no secrets but those that
// contacts are reached with are fetched, the others stay empty, and with faults it still returns what it could make
// out. Nil only if that is nothing at all.
func LoadForClosing(path string) (*Config, Faults, error) {
	data, err := file.Read(path)
	if err != nil {
		return nil, nil, fmt.Errorf("read the configuration: %w", err)
	}
	d := &decoder{file: path, env: envOf(path), closing: true, places: map[string]*yaml.Node{}}
	c := d.decode(data)
	return c, d.sorted(), nil
}

// Parse is [Load] for a text; name stands in the faults.
func Parse(name string, data []byte, env Env) (*Config, Faults) {
	d := &decoder{file: name, env: env, places: map[string]*yaml.Node{}}
	c := d.decode(data)
	if len(d.faults) > 0 {
		return nil, d.sorted()
	}
	return c, nil
}

// decode returns what it can make out, nil if that is nothing.
func (d *decoder) decode(data []byte) *Config {
	root := d.document(data)
	if root == nil {
		return nil
	}
	c := defaults()
	d.mapping(root, "", fileKeys(c))
	c.secrets = d.secrets
	d.complete(c)
	d.validate(c)
	return c
}

// document returns the only document of a text, nil after a fault.
func (d *decoder) document(data []byte) *yaml.Node {
	top := &yaml.Node{Line: 1, Column: 1}
	r := yaml.NewDecoder(bytes.NewReader(data))
	var doc, second yaml.Node
	switch err := r.Decode(&doc); {
	case errors.Is(err, io.EOF):
		d.add(top, "the file is empty; deploy/clearback.yaml shows every key")
		return nil
	case err != nil:
		d.syntax(err, data)
		return nil
	}
	switch err := r.Decode(&second); {
	case errors.Is(err, io.EOF):
	case err != nil:
		d.syntax(err, data)
		return nil
	default:
		d.add(&second, "a second document begins here; one file holds one document: remove the ---")
		return nil
	}
	if len(doc.Content) != 1 {
		d.add(top, "the file is empty; deploy/clearback.yaml shows every key")
		return nil
	}
	return doc.Content[0]
}

// syntax turns the library's "yaml: line 3: what" into a fault. It quotes nothing that could be a secret.
func (d *decoder) syntax(err error, data []byte) {
	line, text := yamlError(err)
	n := &yaml.Node{Line: faultLine(data, line, text), Column: 1}
	if strings.HasPrefix(text, "unknown anchor") {
		text = "an alias (*) names an anchor (&) that does not exist"
	}
	d.add(n, "this is not YAML: %s; mend the indentation, the colon or the quotes on this line or the one before it",
		text)
}

// yamlError returns what the library says of a text that is not YAML, and the line that it names, 0 if none.
func yamlError(err error) (line int, text string) {
	text = strings.TrimPrefix(err.Error(), "yaml: ")
	if rest, ok := strings.CutPrefix(text, "line "); ok {
		if number, what, ok := strings.Cut(rest, ": "); ok {
			if line, err := strconv.Atoi(number); err == nil {
				return line, what
			}
		}
	}
	return 0, text
}

// faultLine is the line on which a fault shows. The library names the line before that on which a mapping, a list or a
// word began in which it found the fault, or none: so it is the last of as many lines as bring the same fault, from the
// named one on.
func faultLine(data []byte, named int, text string) int {
	if strings.HasPrefix(text, "could not find expected ':'") {
		return named // it shows on the next line only
	}
	lines := bytes.SplitAfter(data, []byte("\n"))
	for n := max(named, 1); n <= len(lines); n++ {
		r := yaml.NewDecoder(bytes.NewReader(bytes.Join(lines[:n], nil)))
		for {
			var doc yaml.Node
			err := r.Decode(&doc)
			if err == nil {
				continue
			}
			if _, what := yamlError(err); !errors.Is(err, io.EOF) && what == text {
				return n
			}
			break
		}
	}
	return max(named, 1)
}
