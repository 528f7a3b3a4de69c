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

// ErrInterval is in every error of an interval that cannot be written into a file; the file is as it was.
var ErrInterval = errors.New("the interval is not written")

// WithInterval returns the text of a configuration file with policy.interval of one line set, a whole number of
// milliseconds. Every byte outside of that place stays as it is: comments, order, anchors, quotes, indentation, line
// ends. name stands in the errors. No secret is fetched.
//
// Where the file gives the line policy.steps, those not longer than the interval are taken out of it: in braces they go
// with their commas, with dashes their lines go, each with the comment on its own line; [] is left of the last ones.
// Steps that come with an alias or << stay as they are, and the line gets its own, [] too, beside its own interval.
//
// Where the line has no interval of its own (it is not in the file, or comes with an alias or <<), it gets one, and
// what it is shared with stays as it is. Where it stands in a mapping that other lines take it from, it is refused, and
// the error names them: what others see is never changed, and nothing is written into their entries. The result has
// been read again: it has no fault, and differs in that interval and those steps alone (and in steps that are computed
// from the interval). The file must have no faults before either.
func WithInterval(name string, data []byte, line string, interval time.Duration) ([]byte, error) {
	refuse := func(format string, a ...any) ([]byte, error) {
		return nil, fmt.Errorf("%s: line %s: %w: %w", name, line, ErrInterval, fmt.Errorf(format, a...))
	}
	if interval <= 0 || interval%time.Millisecond != 0 {
		return refuse("%v is no interval; it is a whole number of milliseconds", interval)
	}
	before := read(name, data)
	if len(before.faults) > 0 {
		return refuse("the file has faults already; mend them first (`clearback check %s`): %v", name, before.faults[0])
	}
	at := slices.IndexFunc(before.config.Lines, func(l Line) bool { return l.Name == line })
	if at < 0 {
		return refuse("there is no such line; the file has %s", before.names())
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
		return refuse("its place in the file is written in a way that is not known here; write policy: {interval: %v} into the line by hand",
			interval)
	}
	return refuse("%w", first)
}

// parsedFile is a file that has been read without its secrets.
type parsedFile struct {
	source *source
	d      *decoder
	root   *yaml.Node
	config *Config
	faults Faults
}

func read(name string, data []byte) *parsedFile {
	r := &parsedFile{source: newSource(string(data)), d: &decoder{file: name, places: map[string]*yaml.Node{}}}
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

// onlyInterval reports whether a file that was read again is as r but for the interval of one line, and its steps that
// are not longer.
func (r *parsedFile) onlyInterval(after *parsedFile, at int, interval time.Duration) error {
	if after.config == nil || len(after.config.Lines) != len(r.config.Lines) {
		return errors.New("the file would not be read as before; write the interval by hand")
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

// own returns the value of a key that stands in a mapping itself, and the key; nil if there is none.
func own(m *yaml.Node, name string) (k, v *yaml.Node) {
	for i := 0; i+1 < len(m.Content); i += 2 {
		if m.Content[i].Kind == yaml.ScalarNode && m.Content[i].Value == name && m.Content[i].Tag != "!!merge" {
			return m.Content[i], m.Content[i+1]
		}
	}
	return nil, nil
}

// edits returns what to change together so that the interval of a line is written, the best way first.
func (r *parsedFile) edits(at int, interval time.Duration) [][]edit {
	_, lines := own(r.root, "lines")
	if lines == nil {
		return nil
	}
	entry := resolve(resolve(lines).Content[at])
	key, policy := own(entry, "policy")
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
	_, old := own(policy, "interval")
	stepsKey, steps := own(policy, "steps")
	var with []edit // none for steps that are not known how to change: they are a fault then
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

// each makes of each edit a way of its own.
func each(all []edit) [][]edit {
	ways := make([][]edit, len(all))
	for i, e := range all {
		ways[i] = []edit{e}
	}
	return ways
}

// replace returns the edit that writes another interval in the place of a value.
func (s *source) replace(old *yaml.Node, interval time.Duration) []edit {
	from, to, _, ok := s.span(old)
	if !ok {
		return nil
	}
	return []edit{{from, to, interval.String()}}
}

// insert returns the ways to add pairs to a mapping, the value of key.
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
	if at := s.offset(key); at >= 0 && m.Content[0].Line > key.Line { // behind "policy:", before the comment of the first key
		all = slices.Insert(all, 0, s.afterLine(at, indent, pairs...))
	}
	return all
}

// newPolicy returns the ways to add a policy to the mapping of a line: flow within braces, else block, one or several
// lines.
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
	if _, name := own(entry, "name"); name != nil {
		if at := r.source.offset(name); at >= 0 {
			all = slices.Insert(all, 0, r.source.afterLine(at, indent, block...))
		}
	}
	return all
}

// mergedPolicy returns a policy in braces that is a merged one but for some pairs, those of the interval and of steps.
func mergedPolicy(merged *yaml.Node, pairs []string) string {
	if merged.Anchor != "" {
		return "policy: {<<: *" + merged.Anchor + ", " + strings.Join(pairs, ", ") + "}"
	}
	m, written := plain(merged), slices.Clone(pairs)
	for i := 0; i+1 < len(m.Content); i += 2 {
		if slices.ContainsFunc(written, func(p string) bool { return strings.HasPrefix(p, m.Content[i].Value+":") }) {
			continue
		}
		one := &yaml.Node{Kind: yaml.MappingNode, Style: yaml.FlowStyle, Content: m.Content[i : i+2]}
		text, err := yaml.Marshal(one)
		if err != nil {
			continue // what is lost is found when the text is read again
		}
		pairs = append(pairs, strings.TrimSuffix(strings.TrimPrefix(strings.TrimSpace(string(text)), "{"), "}"))
	}
	return "policy: {" + strings.Join(pairs, ", ") + "}"
}

// plain is a copy without anchors and comments, in braces.
func plain(n *yaml.Node) *yaml.Node {
	c := *n
	c.Anchor, c.HeadComment, c.LineComment, c.FootComment = "", "", "", ""
	if c.Kind != yaml.ScalarNode {
		c.Style |= yaml.FlowStyle
	}
	c.Content = nil
	for _, below := range n.Content {
		c.Content = append(c.Content, plain(below))
	}
	return &c
}
