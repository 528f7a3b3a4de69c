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

// WithInterval returns the text of a configuration file with policy.interval of one line set. Every byte outside of that one place stays
// as it is: comments, order, anchors, quotes, indentation, line ends. name stands in the errors. No secret is fetched.
//
// Where the line has no interval of its own (it is not in the file, or comes with an alias or <<), it gets one, and what it is shared
// with stays as it is. Where it stands in a mapping that other lines take it from, it is refused, and the error names them: what others
// see is never changed, and nothing is written into their entries. The result has been read again: it has no fault, and differs in that
// interval alone (and in steps that are computed from it). The file must have no faults before either.
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
	if before.config.Lines[at].Policy.Interval == interval && before.d.has(fmt.Sprintf("lines[%d].policy.interval", at)) {
		return slices.Clone(data), nil
	}
	var first error
	for _, e := range before.edits(at, interval) {
		text := []byte(before.source.apply(e))
		err := before.onlyInterval(read(name, text), at, interval)
		if err == nil {
			return text, nil
		}
		if first == nil {
			first = err
		}
	}
	if first == nil {
		return refuse("its place in the file is written in a way that is not known here; write policy: {interval: %v} into the line by hand", interval)
	}
	return refuse("%w", first)
}

// reading is a file that has been read without its secrets.
type reading struct {
	source *source
	d      *decoder
	root   *yaml.Node
	config *Config
	faults Faults
}

func read(name string, data []byte) *reading {
	r := &reading{source: newSource(string(data)), d: &decoder{file: name, places: map[string]*yaml.Node{}}}
	r.config = r.d.decode(data)
	r.root = r.d.places[""]
	r.faults = r.d.sorted()
	return r
}

func (r *reading) names() string {
	all := make([]string, len(r.config.Lines))
	for i := range r.config.Lines {
		all[i] = r.config.Lines[i].Name
	}
	return strings.Join(all, ", ")
}

// onlyInterval tells whether a file that was read again is as r but for the interval of one line.
func (r *reading) onlyInterval(after *reading, at int, interval time.Duration) error {
	if after.config == nil || len(after.config.Lines) != len(r.config.Lines) {
		return errors.New("the file would not be read as before; write the interval by hand")
	}
	for _, f := range after.faults {
		return fmt.Errorf("with %v the file would have a fault: %s%s", interval, f.Problem, r.remedy(at, interval))
	}
	want := *r.config
	want.Lines = slices.Clone(want.Lines)
	l := &want.Lines[at]
	l.Policy.Interval = interval
	if !r.d.has(fmt.Sprintf("lines[%d].policy.steps", at)) {
		l.Policy.Steps = after.config.Lines[at].Policy.Steps
	}
	var others []string
	for i := range want.Lines {
		if i != at && !reflect.DeepEqual(want.Lines[i], after.config.Lines[i]) {
			others = append(others, fmt.Sprintf("%s (%v)", want.Lines[i].Name, want.Lines[i].Policy.Interval))
		}
	}
	if len(others) > 0 {
		return fmt.Errorf("other lines take it from the same mapping, by & and *: %s; write each of them an interval of its own first (policy: {<<: *NAME, interval: ...})", strings.Join(others, ", "))
	}
	if !reflect.DeepEqual(&want, after.config) {
		return errors.New("something else in the file would change; write the interval by hand")
	}
	return nil
}

// remedy says what to change first, where steps stand in the way.
func (r *reading) remedy(at int, interval time.Duration) string {
	l := &r.config.Lines[at]
	if !r.d.has(fmt.Sprintf("lines[%d].policy.steps", at)) || len(l.Policy.Steps) == 0 || l.Policy.Steps[0] > interval {
		return ""
	}
	left := slices.DeleteFunc(slices.Clone(l.Policy.Steps), func(s time.Duration) bool { return s <= interval })
	return fmt.Sprintf(" (change policy.steps first: take out what is not longer than %v, so that [%s] is left, or take steps out, and they are computed)",
		interval, strings.Join(strings.Fields(strings.Trim(fmt.Sprint(left), "[]")), ", "))
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

// edits returns the places where the interval of a line can be written, the best first.
func (r *reading) edits(at int, interval time.Duration) []edit {
	_, lines := own(r.root, "lines")
	if lines == nil {
		return nil
	}
	entry := resolve(resolve(lines).Content[at])
	key, policy := own(entry, "policy")
	value := "interval: " + interval.String()
	switch {
	case policy == nil:
		if merged := r.d.places[fmt.Sprintf("lines[%d].policy", at)]; merged != nil {
			return r.newPolicy(entry, alongside(merged, interval))
		}
		return r.newPolicy(entry, "policy: {"+value+"}", "policy:", "  "+value)
	case policy.Kind == yaml.AliasNode:
		from := r.source.offset(policy)
		word := "*" + policy.Value
		if from < 0 || !strings.HasPrefix(r.source.text[from:], word) {
			return nil
		}
		return []edit{{from, from + len(word), "{<<: " + word + ", " + value + "}"}}
	}
	if _, old := own(policy, "interval"); old != nil {
		return r.source.replace(old, interval)
	}
	return r.source.insert(key, policy, value)
}

// replace returns the edit that writes another interval in the place of a value.
func (s *source) replace(old *yaml.Node, interval time.Duration) []edit {
	at := s.content(old)
	if old.Kind == yaml.AliasNode {
		at = s.offset(old)
	}
	if at < 0 || at >= len(s.text) {
		return nil
	}
	word := old.Value
	switch q := s.text[at]; {
	case old.Kind == yaml.AliasNode:
		word = "*" + word
	case q == '"' || q == '\'':
		at++
		end := strings.IndexByte(s.text[at:], q)
		if end < 0 {
			return nil
		}
		word = s.text[at : at+end]
	}
	if !strings.HasPrefix(s.text[at:], word) {
		return nil
	}
	return []edit{{at, at + len(word), interval.String()}}
}

// insert returns the edits that add a pair to a mapping, the value of key.
func (s *source) insert(key, m *yaml.Node, pair string) []edit {
	if len(m.Content) == 0 {
		at := s.content(m)
		if at < 0 || !strings.HasPrefix(s.text[at:], "{") {
			return nil
		}
		return []edit{{at + 1, at + 1, pair}}
	}
	first := s.offset(m.Content[0])
	if first < 0 {
		return nil
	}
	if m.Style&yaml.FlowStyle != 0 {
		return []edit{{first, first, pair + ", "}}
	}
	indent := m.Content[0].Column - 1
	all := []edit{{first, first, pair + s.eol(first) + strings.Repeat(" ", indent)}}
	if at := s.offset(key); at >= 0 && m.Content[0].Line > key.Line { // behind "policy:", before the comment of the first key
		all = slices.Insert(all, 0, s.afterLine(at, indent, pair))
	}
	return all
}

// newPolicy returns the edits that add a policy to the mapping of a line: flow within braces, else block, one or several lines.
func (r *reading) newPolicy(entry *yaml.Node, flow string, block ...string) []edit {
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

// alongside returns a policy in braces that is a merged one but for the interval.
func alongside(merged *yaml.Node, interval time.Duration) string {
	if merged.Anchor != "" {
		return "policy: {<<: *" + merged.Anchor + ", interval: " + interval.String() + "}"
	}
	m := plain(merged)
	pairs := []string{"interval: " + interval.String()}
	for i := 0; i+1 < len(m.Content); i += 2 {
		if m.Content[i].Value == "interval" {
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
