package config

import (
	"errors"
	"fmt"
	"reflect"
	"slices"
	"time"

	"go.yaml.in/yaml/v3"
)

// ErrRelease is in the chain of every error of a release time that cannot be written into a file. The file is unchanged
// then.
var ErrRelease = errors.New("the release time is not written")

// WithCardRelease returns the text of a configuration file with equipment.card_release of one line set to a whole
// number of milliseconds. As with [WithInterval], every other byte stays the same, the result has been read back, and
// no other line changes. Only the computed steps of the line may change with it.
func WithCardRelease(name string, data []byte, line string, release time.Duration) ([]byte, error) {
	refuse := func(format string, a ...any) ([]byte, error) {
		return nil, fmt.Errorf("%s: line %s: %w: %w", name, line, ErrRelease, fmt.Errorf(format, a...))
	}
	before := read(name, data)
	if len(before.faults) > 0 {
		return refuse("the file already has faults; fix them first (`clearback check %s`): %v", name, before.faults[0])
	}
	at := slices.IndexFunc(before.config.Lines, func(l Line) bool { return l.Name == line })
	if at < 0 {
		return refuse("there is no such line; the lines of the file are %s", before.names())
	}
	for _, way := range before.releaseEdits(at, release) {
		text := []byte(before.source.apply(way))
		if before.onlyRelease(read(name, text), at, release) {
			return text, nil
		}
	}
	return refuse("this part of the file has a form that cannot be edited automatically; write equipment: {card_release: %v} into the line by hand",
		release)
}

// releaseEdits returns the ways to write the release time, the best one first.
func (r *parsedFile) releaseEdits(at int, release time.Duration) [][]edit {
	_, lines := ownPair(r.root, "lines")
	if lines == nil {
		return nil
	}
	entry := resolve(resolve(lines).Content[at])
	key, equipment := ownPair(entry, "equipment")
	pair := "card_release: " + release.String()
	switch {
	case equipment == nil && r.d.places[fmt.Sprintf("lines[%d].equipment", at)] != nil:
		return nil // it comes from a merged mapping (<<)
	case equipment == nil:
		return each(r.newPolicy(entry, "equipment: {"+pair+"}", "equipment:", "  "+pair))
	case equipment.Kind == yaml.AliasNode:
		from, to, _, ok := r.source.span(equipment)
		if !ok {
			return nil
		}
		return each([]edit{{from, to, "{<<: *" + equipment.Value + ", " + pair + "}"}})
	}
	if _, old := ownPair(equipment, "card_release"); old != nil {
		return each(r.source.replace(old, release))
	}
	return each(r.source.insert(key, equipment, pair))
}

// onlyRelease reports whether the file after the edit differs from r only in the release time of one line and its
// computed steps.
func (r *parsedFile) onlyRelease(after *parsedFile, at int, release time.Duration) bool {
	if len(after.faults) > 0 || after.config == nil || len(after.config.Lines) != len(r.config.Lines) {
		return false
	}
	want := *r.config
	want.Lines = slices.Clone(want.Lines)
	l := &want.Lines[at]
	l.Equipment.CardReleaseMin, l.Equipment.CardReleaseMax = release, release
	if !r.hasSteps(at) {
		l.Policy.Steps = after.config.Lines[at].Policy.Steps
	}
	return reflect.DeepEqual(&want, after.config)
}
