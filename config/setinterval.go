package config

import (
	"errors"
	"fmt"
	"reflect"
	"slices"
	"strings"
	"time"

	"go.yaml.in/yaml/v3"
)

// ErrInterval is in the chain of every error of an interval that cannot be written into a file. The file is unchanged
// then.
var ErrInterval = errors.New("the interval is not written")

// WithInterval returns the text of a configuration file with policy.interval of one line set to a whole number of
// milliseconds. Every other byte stays the same: comments, order, anchors, quotes, indentation, line ends. name is the
// file name in errors. No secret is fetched.
//
// If the file gives the line policy.steps, WithInterval removes the steps that are not longer than the interval. In a
// list in brackets it removes them with their commas. In a list with dashes it removes their lines, each with the
// comment on that line. If no step is left, [] remains. Steps that come from an alias or a merge (<<) stay as they are;
// the line then gets steps of its own next to its own interval, even if they are [].
//
// If the line has no interval of its own (there is none in the file, or it comes from an alias or a merge), the line
// gets one, and the shared mapping stays as it is. If the interval is in a mapping that other lines share, WithInterval
// returns an error that names those lines: it never changes the values of other lines, and writes nothing into their
// entries.
//
// The result has been read back. It has no faults, and differs only in that interval, those steps, and steps that are
// computed from the interval. The file must have no faults before the change either.
func WithInterval(name string, data []byte, line string, interval time.Duration) ([]byte, error) {
	refuse := func(format string, a ...any) ([]byte, error) {
		return nil, fmt.Errorf("%s: line %s: %w: %w", name, line, ErrInterval, fmt.Errorf(format, a...))
	}
	if interval <= 0 || interval%time.Millisecond != 0 {
		return refuse("%v is not an interval; it has to be a whole number of milliseconds", interval)
	}
	before := read(name, data)
	if len(before.faults) > 0 {
		return refuse("the file already has faults; fix them first (`clearback check %s`): %v", name, before.faults[0])
	}
	at := slices.IndexFunc(before.config.Lines, func(l Line) bool { return l.Name == line })
	if at < 0 {
		return refuse("there is no such line; the lines of the file are %s", before.names())
	}
	if before.config.Lines[at].Policy.Interval == interval && before.d.has(fmt.Sprintf("lines[%d].policy.interval",
		at)) {
		return slices.Clone(data), nil
	}
	var first error
	for _, way := range before.edits(at, interval) {
		text := []byte(before.source.apply(way))
		err := before.onlyInterval(read(name, text), at, interval)
		if err == nil {
			return text, nil
		}
		if first == nil {
			first = err
		}
	}
	if first == nil {
		return refuse("this part of the file has a form that cannot be edited automatically; write policy: {interval: %v} into the line by hand",
			interval)
	}
	return refuse("%w", first)
}

// parsedFile is a file that was read without its secrets.
type parsedFile struct {
	source *source
	d      *decoder
	root   *yaml.Node
	config *Config
	faults Faults
}

func read(name string, data []byte) *parsedFile {
	r := &parsedFile{source: newSource(string(data)), d: newDecoder(name, Env{})}
	r.config = r.d.decode(data)
	r.root = r.d.places[""]
	r.faults = r.d.sorted()
	return r
}

func (r *parsedFile) names() string {
	all := make([]string, len(r.config.Lines))
	for i := range r.config.Lines {
		all[i] = r.config.Lines[i].Name
	}
	return strings.Join(all, ", ")
}

// onlyInterval returns nil if the file after the edit differs from r only in the interval of one line and the removed
// steps. Otherwise the error says what to do.
func (r *parsedFile) onlyInterval(after *parsedFile, at int, interval time.Duration) error {
	if after.config == nil || len(after.config.Lines) != len(r.config.Lines) {
		return errors.New("the lines of the file would change; write the interval by hand")
	}
	for _, f := range after.faults {
		return fmt.Errorf("with %v the file would have a fault: %s%s", interval, f.Problem,
			r.remedy(after, at, interval))
	}
	want := *r.config
	want.Lines = slices.Clone(want.Lines)
	l := &want.Lines[at]
	l.Policy.Interval = interval
	left, trim := r.remainingSteps(at, interval)
	switch {
	case trim:
		l.Policy.Steps = left
	case !r.hasSteps(at):
		l.Policy.Steps = after.config.Lines[at].Policy.Steps
	}
	var others []string
	var of sharedKeys
	for i := range want.Lines {
		if i != at && !reflect.DeepEqual(want.Lines[i], after.config.Lines[i]) {
			others = append(others, fmt.Sprintf("%s (%v)", want.Lines[i].Name, want.Lines[i].Policy.Interval))
			of.interval = of.interval || want.Lines[i].Policy.Interval != after.config.Lines[i].Policy.Interval
			of.steps = of.steps || trim && r.hasSteps(i)
		}
	}
	if len(others) > 0 {
		return of.refusal(others)
	}
	if !reflect.DeepEqual(&want, after.config) {
		return errors.New("something else in the file would change; write the interval by hand")
	}
	return nil
}

// ownPair returns a key that a mapping itself has, and its value, or nil if there is none.
func ownPair(m *yaml.Node, name string) (k, v *yaml.Node) {
	for i := 0; i+1 < len(m.Content); i += 2 {
		if m.Content[i].Kind == yaml.ScalarNode && m.Content[i].Value == name && m.Content[i].Tag != "!!merge" {
			return m.Content[i], m.Content[i+1]
		}
	}
	return nil, nil
}

// edits returns the ways to write the interval of a line, the best one first. The edits of one way belong together.
func (r *parsedFile) edits(at int, interval time.Duration) [][]edit {
	_, lines := ownPair(r.root, "lines")
	if lines == nil {
		return nil
	}
	entry := resolve(resolve(lines).Content[at])
	key, policy := ownPair(entry, "policy")
	left, trim := r.remainingSteps(at, interval)
	pairs := []string{"interval: " + interval.String()}
	if trim {
		pairs = append(pairs, "steps: "+flow(left))
	}
	switch {
	case policy == nil:
		if merged := r.d.places[fmt.Sprintf("lines[%d].policy", at)]; merged != nil {
			return each(r.newPolicy(entry, mergedPolicy(merged, pairs)))
		}
		return each(r.newPolicy(entry, "policy: {"+pairs[0]+"}", "policy:", "  "+pairs[0]))
	case policy.Kind == yaml.AliasNode:
		from, to, _, ok := r.source.span(policy)
		if !ok {
			return nil
		}
		return each([]edit{{from, to, "{<<: *" + policy.Value + ", " + strings.Join(pairs, ", ") + "}"}})
	}
	_, old := ownPair(policy, "interval")
	stepsKey, steps := ownPair(policy, "steps")
	// edits of the steps; none if they cannot be changed, which is then found as a fault
	var with []edit
	switch {
	case trim && steps != nil:
		with = r.source.shorten(stepsKey, steps, left)
	case trim && old != nil:
		with = r.source.beside(policy, old, pairs[1])
	case trim:
		return each(r.source.insert(key, policy, pairs...))
	}
	ways := each(r.source.insert(key, policy, pairs[0]))
	if old != nil {
		ways = each(r.source.replace(old, interval))
	}
	for i := range ways {
		ways[i] = append(ways[i], with...)
	}
	return ways
}

// each makes a way of each edit.
func each(all []edit) [][]edit {
	ways := make([][]edit, len(all))
	for i, e := range all {
		ways[i] = []edit{e}
	}
	return ways
}

// replace returns the edit that replaces a value with an interval.
func (s *source) replace(old *yaml.Node, interval time.Duration) []edit {
	from, to, _, ok := s.span(old)
	if !ok {
		return nil
	}
	return []edit{{from, to, interval.String()}}
}

// insert returns the ways to add pairs to a mapping, which is the value of key.
func (s *source) insert(key, m *yaml.Node, pairs ...string) []edit {
	inBraces := strings.Join(pairs, ", ")
	if len(m.Content) == 0 {
		at := s.content(m)
		if at < 0 || !strings.HasPrefix(s.text[at:], "{") {
			return nil
		}
		return []edit{{at + 1, at + 1, inBraces}}
	}
	first := s.offset(m.Content[0])
	if first < 0 {
		return nil
	}
	if m.Style&yaml.FlowStyle != 0 {
		return []edit{{first, first, inBraces + ", "}}
	}
	indent := m.Content[0].Column - 1
	next := s.eol(first) + strings.Repeat(" ", indent)
	all := []edit{{first, first, strings.Join(pairs, next) + next}}
	// after "policy:", before the comment of the first key
	if at := s.offset(key); at >= 0 && m.Content[0].Line > key.Line {
		all = slices.Insert(all, 0, s.afterLine(at, indent, pairs...))
	}
	return all
}

// newPolicy returns the ways to add a policy to the mapping of a line: flow if that is in braces, else block, which has
// one or more lines.
func (r *parsedFile) newPolicy(entry *yaml.Node, flow string, block ...string) []edit {
	if len(block) == 0 {
		block = []string{flow}
	}
	first := r.source.offset(entry.Content[0])
	if first < 0 {
		return nil
	}
	if entry.Style&yaml.FlowStyle != 0 {
		return []edit{{first, first, flow + ", "}}
	}
	indent := entry.Content[0].Column - 1
	all := []edit{{first, first, flow + r.source.eol(first) + strings.Repeat(" ", indent)}}
	if _, name := ownPair(entry, "name"); name != nil {
		if at := r.source.offset(name); at >= 0 {
			all = slices.Insert(all, 0, r.source.afterLine(at, indent, block...))
		}
	}
	return all
}

// mergedPolicy returns a policy in braces: a merged one with some pairs replaced, those of the interval and of steps.
func mergedPolicy(merged *yaml.Node, pairs []string) string {
	if merged.Anchor != "" {
		return "policy: {<<: *" + merged.Anchor + ", " + strings.Join(pairs, ", ") + "}"
	}
	m, written := plainDevice(merged), slices.Clone(pairs)
	for i := 0; i+1 < len(m.Content); i += 2 {
		if slices.ContainsFunc(written, func(p string) bool { return strings.HasPrefix(p, m.Content[i].Value+":") }) {
			continue
		}
		one := &yaml.Node{Kind: yaml.MappingNode, Style: yaml.FlowStyle, Content: m.Content[i : i+2]}
		text, err := yaml.Marshal(one)
		if err != nil {
			continue // what is lost here is found when the text is read back
		}
		pairs = append(pairs, strings.TrimSuffix(strings.TrimPrefix(strings.TrimSpace(string(text)), "{"), "}"))
	}
	return "policy: {" + strings.Join(pairs, ", ") + "}"
}

// plainDevice returns a copy in braces, without anchors and comments.
func plainDevice(n *yaml.Node) *yaml.Node {
	c := *n
	c.Anchor, c.HeadComment, c.LineComment, c.FootComment = "", "", "", ""
	if c.Kind != yaml.ScalarNode {
		c.Style |= yaml.FlowStyle
	}
	c.Content = nil
	for _, below := range n.Content {
		c.Content = append(c.Content, plainDevice(below))
	}
	return &c
}
