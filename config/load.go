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

// Env gives access to the secrets that a file refers to. With the zero Env no secret is fetched.
type Env struct {
	// Getenv looks up an environment variable.
	Getenv func(name string) (value string, ok bool)
	// ReadFile reads a file. A relative path is relative to the configuration file.
	ReadFile func(path string) ([]byte, error)
	// Credential reads a credential where CREDENTIALS_DIRECTORY is not set, and names the file whose
	// permissions matter, if any. It may be nil.
	Credential func(name string) (data []byte, from string, err error)
}

// Load reads a file, sets defaults and checks it. If there are faults, the Config is nil. The error means that the file
// could not be read. Load opens no socket and no device.
func Load(path string) (*Config, Faults, error) {
	data, err := file.Read(path)
	if err != nil {
		return nil, nil, fmt.Errorf("read the configuration: %w", err)
	}
	d := newDecoder(path, envOf(path))
	c := d.decode(data)
	if len(d.faults) > 0 {
		return nil, d.sorted(), nil
	}
	c.loaded = loadedFile{path, data, d.places}
	return c, nil, nil
}

// envOf returns the environment of a file.
func envOf(path string) Env {
	return Env{Getenv: os.LookupEnv, ReadFile: func(p string) ([]byte, error) { return file.Read(beside(path, p)) }}
}

// LoadForClosing is [Load] for closing contacts, which has to work even if nothing else does. It fetches only the
// secrets that are needed to reach contacts; others stay empty. If there are faults, it still returns what it could
// read. The Config is nil only if it could read nothing.
func LoadForClosing(path string) (*Config, Faults, error) {
	data, err := file.Read(path)
	if err != nil {
		return nil, nil, fmt.Errorf("read the configuration: %w", err)
	}
	d := newDecoder(path, envOf(path))
	d.closing = true
	c := d.decode(data)
	return c, d.sorted(), nil
}

// ControlSocket returns the path of the control socket that a file names, or "" if the file allows none or cannot be
// understood. It checks nothing else in the file, so that asking a daemon does not cost a load of all its lines. To get
// the faults, call [LoadForClosing].
func ControlSocket(path string) (string, error) {
	data, err := file.Read(path)
	if err != nil {
		return "", fmt.Errorf("read the configuration: %w", err)
	}
	d := newDecoder(path, envOf(path))
	root := d.document(data)
	if root == nil {
		return "", nil
	}
	c := defaults()
	d.mapping(root, "", onlyControl(fileKeys(c)))
	d.completeFiles(c)
	return c.Control.Socket, nil
}

// onlyControl returns the table of keys with readers that skip every value but that of control.
func onlyControl(keys []key) []key {
	for i := range keys {
		if keys[i].name != "control" {
			keys[i].read = func(*decoder, string, *yaml.Node) {}
		}
	}
	return keys
}

// Parse is [Load] for a text; name is the file name in the faults.
func Parse(name string, data []byte, env Env) (*Config, Faults) {
	d := newDecoder(name, env)
	c := d.decode(data)
	if len(d.faults) > 0 {
		return nil, d.sorted()
	}
	return c, nil
}

// decode returns what it could read, or nil if it could read nothing.
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

// document returns the only document of a text, or nil after a fault.
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

// syntax turns the library's "yaml: line 3: what" into a fault. It quotes nothing that may be a secret.
func (d *decoder) syntax(err error, data []byte) {
	line, text := yamlError(err)
	n := &yaml.Node{Line: faultLine(data, line, text), Column: 1}
	if strings.HasPrefix(text, "unknown anchor") {
		text = "an alias (*) names an anchor (&) that does not exist"
	}
	d.add(n, "this is not YAML: %s; fix the indentation, the colon or the quotes on this line or the one before it",
		text)
}

// yamlError returns the library's description of a syntax error, and the line that it names, or 0 if it names none.
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

// faultLine returns the line of a syntax error. The library names no line, or the line before the one on which the
// mapping, list or word with the fault begins. So faultLine adds lines, from the named one on, until the text has the
// same fault.
func faultLine(data []byte, named int, text string) int {
	if strings.HasPrefix(text, "could not find expected ':'") {
		return named // the fault is visible only on the next line
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
