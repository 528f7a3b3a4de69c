package config

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"go.yaml.in/yaml/v3"

	"clearback/bridge/relay"
)

// A Fault is one thing wrong with a configuration file.
type Fault struct {
	File string
	// Line and Column count from 1.
	Line, Column int
	// Problem says what is wrong, what is allowed and what to do. It never quotes a secret.
	Problem string
}

// String returns "file:line:column: problem".
func (f Fault) String() string {
	return fmt.Sprintf("%s:%d:%d: %s", f.File, f.Line, f.Column, f.Problem)
}

// Faults holds all faults of a file, in the order of their positions.
type Faults []Fault

// String returns one fault per line.
func (f Faults) String() string {
	var b strings.Builder
	for i := range f {
		fmt.Fprintln(&b, f[i])
	}
	return b.String()
}

// add reports a fault at a node.
func (d *decoder) add(n *yaml.Node, format string, a ...any) {
	d.faults = append(d.faults, Fault{File: d.file, Line: max(n.Line, 1), Column: max(n.Column, 1),
		Problem: fmt.Sprintf(format, a...)})
}

// addAll reports the faults that a driver has found in its settings, which are at path. It skips a fault if its key, or
// the key Unless, was already reported when the file was read.
func (d *decoder) addAll(path string, all []relay.Fault) {
	for _, f := range all {
		if d.faulty[join(path, f.Key)] || f.Unless != "" && d.faulty[join(path, f.Unless)] {
			continue
		}
		if header, ok := strings.CutSuffix(f.Key, ".value"); ok && d.has(join(path, header+".secret")) {
			f.Key = header + ".secret" // the value of the header field comes from there
		}
		d.add(d.at(strings.TrimSuffix(join(path, cmp.Or(f.At, f.Key)), ".")), "%s", f.Below(path))
	}
}

// sorted returns the faults in the order of the file, without duplicates (a mapping that is merged twice is read
// twice).
func (d *decoder) sorted() Faults {
	slices.SortStableFunc(d.faults, func(a, b Fault) int {
		return cmp.Or(cmp.Compare(a.Line, b.Line), cmp.Compare(a.Column, b.Column))
	})
	return slices.Compact(d.faults)
}
