package config

import (
	"fmt"
	"strconv"
	"strings"
	"unicode"

	"go.yaml.in/yaml/v3"
)

// decoder reads YAML nodes into a Config by tables of keys. It collects all faults.
type decoder struct {
	file   string
	env    Env
	faults []Fault
	// closing: fetch only the secrets that are needed to reach contacts
	closing bool
	// places holds the node of every key that was read, by its path ("lines[0].contact.coil").
	places map[string]*yaml.Node
	// faulty holds the paths of the keys that are missing or whose value could not be read.
	faulty map[string]bool
	// secrets lists the files with secrets and private keys that the file names.
	secrets []string
}

func newDecoder(file string, env Env) *decoder {
	return &decoder{file: file, env: env, places: map[string]*yaml.Node{}, faulty: map[string]bool{}}
}

// key is one row of a table: a key of a mapping, and how its value is read.
type key struct {
	name     string
	required bool
	read     reader
	// below returns the keys of the mapping or mappings in the value; nil for a plain value. It is a function because
	// the tables of all drivers are large, and a line needs those of one.
	below func() []key
}

// reader reads the value at path. It reports faults to d.
type reader func(d *decoder, path string, n *yaml.Node)

func required(k key) key {
	k.required = true
	return k
}

// nested is a key whose value is a mapping.
func nested(name string, keys []key) key {
	return key{name: name, below: func() []key { return keys },
		read: func(d *decoder, path string, n *yaml.Node) { d.mapping(n, path, keys) }}
}

// optional is a mapping that stays nil if it is not in the file.
func optional[T any](name string, into **T, fresh func() T, keys func(*T) []key) key {
	below := func() []key { return keys(new(T)) }
	return key{name: name, below: below, read: func(d *decoder, path string, n *yaml.Node) {
		v := fresh()
		*into = &v
		d.mapping(n, path, keys(*into))
	}}
}

// list is a key whose value is a list of mappings.
func list[T any](name string, into *[]T, fresh func() T, keys func(*T) []key) key {
	below := func() []key { return keys(new(T)) }
	return key{name: name, below: below, read: func(d *decoder, path string, n *yaml.Node) {
		if n.Kind != yaml.SequenceNode {
			d.add(n, "%s: this is %s, but it has to be a list; begin each entry with a dash", name, kindOf(n))
			return
		}
		*into = make([]T, len(n.Content))
		for i, entry := range n.Content {
			(*into)[i] = fresh()
			d.mapping(entry, fmt.Sprintf("%s[%d]", path, i), keys(&(*into)[i]))
		}
	}}
}

// mapping reads a mapping by its table of keys.
func (d *decoder) mapping(n *yaml.Node, path string, keys []key) {
	n = resolve(n)
	d.places[path] = n
	if n.Kind != yaml.MappingNode {
		d.add(n, "%s: this is %s, but it has to be a mapping; allowed keys: %s", shown(path), kindOf(n), names(keys))
		return
	}
	d.pairs(n, path, keys, map[string]int{}, 0)
	for _, k := range keys {
		if _, ok := d.places[join(path, k.name)]; k.required && !ok {
			d.faulty[join(path, k.name)] = true
			d.add(n, "%s is missing; it is required: add it here", join(path, k.name))
		}
	}
}

// mergeDepth is how deep mappings may be merged into one another. A deeper nesting is a loop.
const mergeDepth = 4

// pairs reads the pairs of a mapping, and those of a mapping merged into it (<<) that the mapping does not have itself.
// seen holds the line numbers of the keys of all mappings so far.
func (d *decoder) pairs(n *yaml.Node, path string, keys []key, seen map[string]int, depth int) {
	own := map[string]bool{}
	var merged *yaml.Node
	for i := 0; i+1 < len(n.Content); i += 2 {
		k, v := n.Content[i], n.Content[i+1]
		if k.Tag == "!!merge" && merged == nil {
			merged = v
			continue
		}
		row := find(keys, k.Value)
		switch line := seen[k.Value]; {
		case k.Kind != yaml.ScalarNode:
			d.add(k, "%s: a key must be a plain word; allowed keys: %s", shown(path), names(keys))
		case own[k.Value]:
			d.add(k, "%s is already on line %d; remove one of them", join(path, quoted(k.Value)), line)
		case line != 0: // a key of the mapping itself overrides a merged one
		case row == nil:
			d.add(k, "%s", unknown(path, k.Value, keys))
			own[k.Value], seen[k.Value] = true, k.Line
		default:
			own[k.Value], seen[k.Value] = true, k.Line
			v = resolve(v)
			d.places[join(path, k.Value)] = v
			before := len(d.faults)
			row.read(d, join(path, k.Value), v)
			d.faulty[join(path, k.Value)] = row.below == nil && len(d.faults) > before
		}
	}
	if merged == nil {
		return
	}
	if m := resolve(merged); m.Kind != yaml.MappingNode || depth == mergeDepth {
		d.add(merged, "%s: << needs the alias of one mapping, at most %d deep; write <<: *NAME", shown(path),
			mergeDepth)
	} else {
		d.pairs(m, path, keys, seen, depth+1)
	}
}

// resolve follows an alias. The library has already refused unknown aliases.
func resolve(n *yaml.Node) *yaml.Node {
	if n.Kind == yaml.AliasNode && n.Alias != nil {
		return n.Alias
	}
	return n
}

// at returns the node of the innermost part of path that is in the file.
func (d *decoder) at(path string) *yaml.Node {
	for {
		if n := d.places[path]; n != nil {
			return n
		}
		if path == "" {
			return &yaml.Node{}
		}
		path = path[:max(strings.LastIndexAny(path, ".["), 0)]
	}
}

// has reports whether a key is in the file.
func (d *decoder) has(path string) bool { return d.places[path] != nil }

func find(keys []key, name string) *key {
	for i := range keys {
		if keys[i].name == name {
			return &keys[i]
		}
	}
	return nil
}

func join(path, name string) string {
	if path == "" {
		return name
	}
	return path + "." + name
}

func shown(path string) string {
	if path == "" {
		return "the file"
	}
	return path
}

func names(keys []key) string {
	all := make([]string, len(keys))
	for i, k := range keys {
		all[i] = k.name
	}
	return strings.Join(all, ", ")
}

// quoted returns a key of the file for a message. A key that is not a plain word is quoted, so that it stays on one
// line and prints.
func quoted(name string) string {
	plain := func(r rune) bool { return r == '_' || r == '-' || unicode.IsLetter(r) || unicode.IsDigit(r) }
	if name == "" || strings.ContainsFunc(name, func(r rune) bool { return !plain(r) }) {
		return strconv.Quote(name)
	}
	return name
}

// unknown returns the text of a fault about an unknown key. It suggests the nearest key of the mapping, or the place
// where the key belongs.
func unknown(path, name string, keys []key) string {
	best, distance := "", len(name)/3+2
	for _, k := range keys {
		if n := edits(name, k.name); n < distance {
			best, distance = k.name, n
		}
	}
	text := fmt.Sprintf("%s is not a known key", join(path, quoted(name)))
	for _, k := range keys {
		if best == "" && k.below != nil && find(k.below(), name) != nil {
			return fmt.Sprintf("%s here; it belongs under %s:", text, k.name)
		}
	}
	if best != "" {
		return fmt.Sprintf("%s; did you mean %s?", text, best)
	}
	return fmt.Sprintf("%s; allowed keys: %s", text, names(keys))
}

// edits returns the number of characters to insert, remove or replace to turn a into b (Levenshtein distance).
func edits(a, b string) int {
	row := make([]int, len(b)+1)
	for j := range row {
		row[j] = j
	}
	for i := range len(a) {
		corner := row[0]
		row[0] = i + 1
		for j := range len(b) {
			cost := corner
			if a[i] != b[j] {
				cost++
			}
			corner = row[j+1]
			row[j+1] = min(cost, row[j]+1, corner+1)
		}
	}
	return row[len(b)]
}

func kindOf(n *yaml.Node) string {
	switch n.Kind {
	case yaml.MappingNode:
		return "a mapping"
	case yaml.SequenceNode:
		return "a list"
	case yaml.ScalarNode:
		if n.Tag == "!!null" {
			return "empty"
		}
		return "a plain value"
	}
	return "something"
}
