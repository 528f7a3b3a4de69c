package config

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"go.yaml.in/yaml/v3"
)

// hasSteps reports whether the file gives a line its steps. Otherwise they are computed.
func (r *parsedFile) hasSteps(line int) bool {
	return r.d.has(fmt.Sprintf("lines[%d].policy.steps", line))
}

// remainingSteps returns the steps of the file that are longer than an interval, or nil if there are none. trim reports
// whether any have to be removed. Those are the first ones, since steps ascend.
func (r *parsedFile) remainingSteps(line int, interval time.Duration) (left []time.Duration, trim bool) {
	steps := r.config.Lines[line].Policy.Steps
	if !r.hasSteps(line) || len(steps) == 0 || steps[0] > interval {
		return steps, false
	}
	for _, s := range steps {
		if s > interval {
			left = append(left, s)
		}
	}
	return left, true
}

// remedy returns what to change first, if the steps in the file prevent the change.
func (r *parsedFile) remedy(after *parsedFile, line int, interval time.Duration) string {
	left, trim := r.remainingSteps(line, interval)
	if _, still := after.remainingSteps(line, interval); !trim || !still {
		return ""
	}
	return fmt.Sprintf(" (change policy.steps first: remove the steps that are not longer than %v, so that %s is left, or remove steps, so that they are computed)",
		interval, flow(left))
}

// sharedKeys says which keys other lines take from the mapping that would be written.
type sharedKeys struct{ interval, steps bool }

func (s sharedKeys) refusal(others []string) error {
	what, pairs := "an interval", "interval: ..."
	switch {
	case s.interval && s.steps:
		what, pairs = "an interval and steps", "interval: ..., steps: [...]"
	case s.steps:
		what, pairs = "steps", "steps: [...]"
	}
	return fmt.Errorf("other lines share the same mapping through & and *: %s; first give each of them %s of its own (policy: {<<: *NAME, %s})",
		strings.Join(others, ", "), what, pairs)
}

// flow returns steps as a list in brackets.
func flow(steps []time.Duration) string {
	all := make([]string, len(steps))
	for i, s := range steps {
		all[i] = s.String()
	}
	return "[" + strings.Join(all, ", ") + "]"
}

// beside returns the edit that adds a pair to a mapping after one of its values.
func (s *source) beside(m, value *yaml.Node, pair string) []edit {
	_, _, end, ok := s.span(value)
	switch {
	case !ok:
		return nil
	case m.Style&yaml.FlowStyle != 0:
		return []edit{{end, end, ", " + pair}}
	}
	return []edit{s.afterLine(end, m.Content[0].Column-1, pair)}
}

// shorten returns the edits that remove all but the last entries of a list, which is the value of key. It returns nil
// if the list is written in an unsupported way.
func (s *source) shorten(key, list *yaml.Node, left []time.Duration) []edit {
	if list.Kind == yaml.AliasNode {
		from, to, _, ok := s.span(list)
		if !ok {
			return nil
		}
		return []edit{{from, to, flow(left)}}
	}
	n := len(list.Content) - len(left)
	if list.Style&yaml.FlowStyle != 0 {
		return s.shortenFlow(list, n)
	}
	return s.shortenBlock(key, list, n)
}

// shortenFlow removes the first n entries from a list in brackets, each with its comma. If an entry ends its line, it
// also removes the comment there. If an entry is alone on its line, it removes the line.
func (s *source) shortenFlow(list *yaml.Node, n int) []edit {
	var at []edit // the entries with their commas
	for _, entry := range list.Content[:n] {
		from := s.offset(entry)
		_, _, end, ok := s.span(entry)
		if from < 0 || !ok {
			return nil
		}
		at = append(at, edit{from, end, ""})
		comma := s.past(end)
		if !strings.HasPrefix(s.text[comma:], ",") {
			continue
		}
		// Comments on lines of their own stay.
		if _, next := s.lineEnd(end); next <= comma && strings.Contains(s.text[next:comma], "#") {
			at = append(at, edit{comma, comma + 1, ""})
		} else {
			at[len(at)-1].to = comma + 1
		}
	}
	if n == len(list.Content) {
		open, end := s.content(list), s.past(at[len(at)-1].to)
		if open < 0 || !strings.HasPrefix(s.text[open:], "[") || !strings.HasPrefix(s.text[end:], "]") {
			return nil
		}
		if !strings.Contains(s.text[open:end], "#") {
			return []edit{{open + 1, end, ""}}
		}
	}
	var all []edit
	for i := 0; i < len(at); {
		from, to := at[i].from, at[i].to
		for i++; i < len(at) && s.lineStart(at[i].from) == s.lineStart(to); i++ {
			to = at[i].to
		}
		begin := s.lineStart(from)
		before := strings.TrimRight(s.text[begin:from], " \t")
		end, next := s.lineEnd(to)
		rest := strings.TrimLeft(s.text[to:end], " \t")
		switch ends := rest == "" || rest[0] == '#'; {
		case ends && before == "":
			all = append(all, edit{begin, next, ""})
		case ends:
			all = append(all, edit{begin + len(before), end, ""})
		default:
			all = append(all, edit{from, end - len(rest), ""})
		}
	}
	return all
}

// shortenBlock removes the lines of the first n entries from a list with dashes.
func (s *source) shortenBlock(key, list *yaml.Node, n int) []edit {
	var all []edit
	for _, entry := range list.Content[:n] {
		from := s.offset(entry)
		_, _, end, ok := s.span(entry)
		if from < 0 || !ok {
			return nil
		}
		upTo := strings.TrimRight(s.text[:from], " \t\r\n")
		dash := len(upTo) - 1
		if dash < 0 || upTo[dash] != '-' {
			return nil
		}
		begin := s.lineStart(dash)
		if strings.Trim(s.text[begin:dash], " \t") != "" {
			return nil
		}
		_, next := s.lineEnd(end)
		all = append(all, edit{begin, next, ""})
	}
	if n < len(list.Content) {
		return all
	}
	at := s.behind(key, list)
	if at < 0 {
		return nil
	}
	return slices.Insert(all, 0, edit{at, at, " []"})
}

// behind returns the offset at which the value of a key can begin: after the colon, or after the value's anchor and
// tag. It returns -1 if that is not known.
func (s *source) behind(key, value *yaml.Node) int {
	at := s.offset(value)
	if at < 0 {
		return -1
	}
	if c := s.text[at]; c == '&' || c == '!' {
		content := s.pastProperties(at)
		if content < 0 {
			return -1
		}
		return len(strings.TrimRight(s.text[:content], " \t\r\n"))
	}
	_, _, end, ok := s.span(key)
	if colon := s.past(end); ok && strings.HasPrefix(s.text[colon:], ":") {
		return colon + 1
	}
	return -1
}
