package config

import (
	"errors"
	"fmt"
	"io/fs"
	"net/netip"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode"

	"go.yaml.in/yaml/v3"
)

// scalar returns the text of a plain value as it is written, or "" and false after a fault. It accepts numbers as text,
// so that 112 needs no quotes.
func (d *decoder) scalar(path string, n *yaml.Node, want string) (string, bool) {
	if n = resolve(n); n.Kind != yaml.ScalarNode || n.Tag != "!!str" && n.Tag != "!!int" && n.Tag != "!!float" {
		if n.Tag == "!!null" {
			d.add(n, "%s is empty; write %s", path, want)
			return "", false
		}
		what := kindOf(n)
		if n.Kind == yaml.ScalarNode && n.Tag == "!!bool" {
			what = "true or false"
		}
		d.add(n, "%s: this is %s, but it has to be %s; put a text that looks like something else in quotes", path, what, want)
		return "", false
	}
	return n.Value, true
}

// value is a key with a plain value. The error of parse completes the sentence "KEY: "VALUE" ...".
func value[T any](name string, into *T, want string, parse func(string) (T, error)) key {
	return key{name: name, read: func(d *decoder, path string, n *yaml.Node) {
		s, ok := d.scalar(path, n, want)
		if !ok {
			return
		}
		v, err := parse(s)
		if err != nil {
			d.add(n, "%s: %q %v", path, s, err)
			return
		}
		*into = v
	}}
}

// values is a key with a list of plain values.
func values[T any](name string, into *[]T, want string, parse func(string) (T, error)) key {
	return key{name: name, read: func(d *decoder, path string, n *yaml.Node) {
		if n.Kind != yaml.SequenceNode {
			d.add(n, "%s: this is %s, but it has to be a list; write it as [first, second], each %s", path, kindOf(n), want)
			return
		}
		*into = nil // the list replaces the defaults
		for i, entry := range n.Content {
			var v T
			at := fmt.Sprintf("%s[%d]", path, i)
			entry = resolve(entry)
			d.places[at] = entry
			faults := len(d.faults)
			value(name, &v, want, parse).read(d, at, entry)
			if len(d.faults) == faults { // an invalid entry has already been reported
				*into = append(*into, v)
			}
		}
	}}
}

func text(name string, into *string, want string) key {
	return value(name, into, want, func(s string) (string, error) {
		if s == "" || strings.TrimSpace(s) != s || strings.ContainsFunc(s,
			func(r rune) bool { return r < ' ' || r == 0x7f }) {
			return "", fmt.Errorf("is empty, or has spaces around it or control characters in it; write %s", want)
		}
		return s, nil
	})
}

func choice(name string, into *string, allowed ...string) key {
	return value(name, into, strings.Join(allowed, ", "), oneOf(allowed))
}

func oneOf(allowed []string) func(string) (string, error) {
	return func(s string) (string, error) {
		if !slices.Contains(allowed, s) {
			return "", fmt.Errorf("is not known; allowed: %s", strings.Join(allowed, ", "))
		}
		return s, nil
	}
}

func yesNo(name string, into *bool) key {
	return key{name: name, read: func(d *decoder, path string, n *yaml.Node) {
		if n.Kind != yaml.ScalarNode || n.Tag != "!!bool" {
			d.add(n, "%s: this is %s, but it has to be true or false; write one of them, without quotes", path, kindOf(n))
			return
		}
		*into = strings.EqualFold(n.Value, "true")
	}}
}

func number[T uint8 | uint16 | int](name string, into *T, low, high int) key {
	return key{name: name, read: func(d *decoder, path string, n *yaml.Node) {
		v, err := strconv.Atoi(n.Value)
		switch {
		case n.Kind != yaml.ScalarNode || n.Tag != "!!int" || err != nil:
			d.add(n, "%s: a whole number is needed; allowed: %d to %d", path, low, high)
		case v < low || v > high:
			d.add(n, "%s: %d is out of range; allowed: %d to %d", path, v, low, high)
		default:
			*into = T(v)
		}
	}}
}

// duration is a key with a time and its unit. low and high bound it, unless high is 0.
func duration(name string, into *time.Duration, low, high time.Duration) key {
	return value(name, into, "a time like 800ms, 2s or 30m", func(s string) (time.Duration, error) {
		v, err := parseDuration(s)
		if err == nil && high != 0 && (v < low || v > high) {
			err = fmt.Errorf("is out of range; allowed: %v to %v", low, high)
		}
		return v, err
	})
}

func parseDuration(s string) (time.Duration, error) {
	if v, err := time.ParseDuration(s); err == nil {
		return v, nil
	}
	if _, err := strconv.ParseFloat(s, 64); err == nil {
		return 0, fmt.Errorf("has no unit; write %[1]sms or %[1]ss", s)
	}
	return 0, errors.New("is not a time; write a number and its unit, ms, s, m or h, without a space: 800ms, 2s, 30m")
}

func listen(name string, into *netip.AddrPort) key {
	return value(name, into, "address:port", func(s string) (netip.AddrPort, error) {
		a, err := netip.ParseAddrPort(s)
		if err != nil || a.Port() == 0 {
			return a, errors.New("is not an IP address and a port from 1 to 65535; write 192.0.2.10:5060 or [2001:db8::10]:5060")
		}
		return a, nil
	})
}

func address(name string, into *netip.Addr) key {
	return value(name, into, "an IP address", func(s string) (netip.Addr, error) {
		a, err := netip.ParseAddr(s)
		if err != nil || a.IsUnspecified() {
			return a, errors.New("is not an address that can be written into SDP; write one of this machine's, such as 192.0.2.10")
		}
		return a, nil
	})
}

func parsePrefix(s string) (netip.Prefix, error) {
	if a, err := netip.ParseAddr(s); err == nil {
		return netip.PrefixFrom(a, a.BitLen()), nil
	}
	p, err := netip.ParsePrefix(s)
	if err != nil {
		return p, errors.New("is neither an IP address nor a network; write 192.0.2.21 or 192.0.2.0/24")
	}
	return p.Masked(), nil
}

// parseSource is parsePrefix for trusted sources. It does not accept every address.
func parseSource(s string) (netip.Prefix, error) {
	p, err := parsePrefix(s)
	if err == nil && p.Bits() == 0 {
		return p, errors.New("allows every address; write those that can be trusted, such as 192.0.2.21 or 192.0.2.0/24")
	}
	return p, err
}

// ports is a key with a range "low-high".
func ports(name string, low, high *uint16) key {
	return key{name: name, read: func(d *decoder, path string, n *yaml.Node) {
		s, ok := d.scalar(path, n, "a range of ports like 30000-30999")
		if !ok {
			return
		}
		first, last, _ := strings.Cut(s, "-")
		a, err1 := strconv.ParseUint(first, 10, 16)
		b, err2 := strconv.ParseUint(last, 10, 16)
		switch {
		case err1 != nil || err2 != nil:
			d.add(n, "%s: %q is not a range of ports; write the first and the last, such as 30000-30999", path, s)
		case a < 1024 || a >= b || a%2 != 0 || b%2 != 1:
			d.add(n, "%s: %q is not allowed: the first port has to be even and at least 1024, the last one odd and higher, because RTP uses an even port and RTCP the next; write one such as 30000-30999",
				path, s)
		default:
			*low, *high = uint16(a), uint16(b)
		}
	}}
}

// hostPort parses "host:port".
func hostPort(s string) (string, error) {
	i := strings.LastIndexByte(s, ':')
	port, err := strconv.ParseUint(s[i+1:], 10, 16)
	if i <= 0 || err != nil || port == 0 || strings.ContainsAny(s, " /@;") ||
		strings.Contains(s[:i], ":") != strings.HasPrefix(s, "[") {
		return "", errors.New("is not host:port; write one such as relays.millrace.example:502")
	}
	return s, nil
}

// secret is a mapping with one key that says where the text is. Its faults quote nothing of the mapping.
func secret(name string, into *Secret) key {
	below := func() []key { return []key{{name: "file"}, {name: "env"}, {name: "credential"}} }
	return key{name: name, below: below, read: func(d *decoder, path string, n *yaml.Node) {
		const write = "write {file: PATH}, {env: NAME} or {credential: NAME}"
		*into = Secret{unknown: true}
		if n.Kind != yaml.MappingNode || len(n.Content) != 2 || find(below(), n.Content[0].Value) == nil {
			d.add(n, "%s: a secret must not be in this file; %s", path, write)
			return
		}
		where, ok := d.scalar(path+"."+n.Content[0].Value, n.Content[1], "a path or a name")
		if !ok {
			return
		}
		if strings.ContainsFunc(where, func(r rune) bool { return !unicode.IsPrint(r) }) {
			d.add(n, "%s: the path or name has characters that do not print; type it again", path)
			return
		}
		if d.env.ReadFile == nil || d.env.Getenv == nil || d.closing && !ofContacts(path) {
			return
		}
		s, from, err := d.env.secret(n.Content[0].Value, where)
		if from != "" {
			d.noteSecret(from)
		}
		if err != nil {
			d.add(n, "%s: %v", path, err)
			return
		}
		*into = NewSecret(s)
	}}
}

// keyFile is a key with the path of a private key.
func keyFile(name string, into *string) key {
	k := text(name, into, "a path")
	read := k.read
	k.read = func(d *decoder, path string, n *yaml.Node) {
		if read(d, path, n); *into != "" {
			d.noteSecret(*into)
		}
	}
	return k
}

// ofContacts reports whether the secret at path is needed to reach a contact.
func ofContacts(path string) bool {
	return strings.HasPrefix(path, "controllers[") || strings.HasPrefix(path, "lines[") &&
		strings.Contains(path, "].contact.")
}

// secret fetches a secret. It removes a trailing newline. from is its file, or "" if its permissions do not matter.
func (e Env) secret(kind, where string) (s, from string, err error) {
	var data []byte
	switch kind {
	case "file":
		from = where
		if data, err = e.ReadFile(where); err != nil {
			err = unreadable(err)
		}
	case "credential":
		data, from, err = e.credential(where)
	case "env":
		v, ok := e.Getenv(where)
		if !ok {
			err = fmt.Errorf("the environment variable %s is not set; set it, or use {file: PATH}", where)
		}
		data = []byte(v)
	}
	if err != nil {
		return "", from, err
	}
	s = string(data)
	if kind != "env" {
		s = strings.TrimSuffix(strings.TrimSuffix(s, "\n"), "\r")
	}
	switch {
	case s == "":
		return "", from, errors.New("the secret is empty; write it into the file or variable that is named here")
	case strings.ContainsAny(s, "\r\n\x00"):
		return "", from, errors.New("the secret has more than one line; leave only the secret there")
	}
	return s, from, nil
}

// credential reads a credential of systemd.
func (e Env) credential(name string) (data []byte, from string, err error) {
	if name == "" || name == "." || name == ".." || strings.Contains(name, "/") {
		return nil, "", errors.New("a credential's name is one word without a slash; write the one given in LoadCredential=")
	}
	dir, ok := e.Getenv("CREDENTIALS_DIRECTORY")
	switch {
	case ok:
		data, err = e.ReadFile(dir + "/" + name)
		if errors.Is(err, fs.ErrNotExist) {
			data, err = e.ReadFile(dir + "/" + credentialFolder + "_" + name)
		}
		switch {
		case errors.Is(err, fs.ErrNotExist):
			err = fmt.Errorf("systemd has handed over no credential %s; put the secret into a file of that name in the folder that the unit's LoadCredential= names, and start the unit again",
				name)
		case err != nil:
			err = unreadable(err)
		}
		return data, "", err
	case e.Credential != nil:
		return e.Credential(name)
	}
	return nil, "", errors.New("there are no credentials: CREDENTIALS_DIRECTORY is not set; start under systemd with LoadCredential=, or use {file: PATH}")
}

func unreadable(err error) error {
	return fmt.Errorf("the secret cannot be read: %w; create the file and let clearback's user read it", err)
}

// credentialFolder is the name under which the service units hand over their folder of secrets. With
// LoadCredential=secrets:FOLDER, systemd makes the credential secrets_NAME of each file NAME (systemd.exec(5)).
const credentialFolder = "secrets"

// unit is a Modbus unit identifier (Modbus messaging on TCP/IP: 255 means a board that is addressed by IP alone).
func unit(name string, into *uint8) key {
	inner := number(name, into, 1, 255)
	return key{name: name, read: func(d *decoder, path string, n *yaml.Node) {
		if v, err := strconv.Atoi(n.Value); err == nil && n.Tag == "!!int" && (v < 1 || v > 247 && v != 255) {
			d.add(n, "%s: %d is out of range; allowed: 1 to 247, and 255", path, v)
			return
		}
		inner.read(d, path, n)
	}}
}
