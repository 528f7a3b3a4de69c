package config

import (
	"slices"
	"strings"
	"unicode/utf8"

	"go.yaml.in/yaml/v3"
)

// source is the text of a file, with the way from the places of its nodes to its bytes.
type source struct {
	text string
	// lines has where each line begins; its ends are those of YAML 1.1 (section 5.4), as the parser counts.
	lines []int
}

func newSource(text string) *source {
	s := &source{text: text, lines: []int{0}}
	if strings.HasPrefix(text, "\ufeff") {
		s.lines[0] = len("\ufeff")
	}
	for i := 0; i < len(text); {
		if n := breakAt(text[i:]); n > 0 {
			i += n
			s.lines = append(s.lines, i)
			continue
		}
		_, n := utf8.DecodeRuneInString(text[i:])
		i += n
	}
	return s
}

// breakAt returns the length of the line break that s begins with, 0 if it begins with none.
func breakAt(s string) int {
	for _, b := range []string{"\r\n", "\n", "\r", "\u0085", "\u2028", "\u2029"} {
		if strings.HasPrefix(s, b) {
			return len(b)
		}
	}
	return 0
}

// offset returns where a node begins, -1 if that is nowhere in the text. Columns count characters.
func (s *source) offset(n *yaml.Node) int {
	if n.Line < 1 || n.Line > len(s.lines) || n.Column < 1 {
		return -1
	}
	at := s.lines[n.Line-1]
	for range n.Column - 1 {
		_, size := utf8.DecodeRuneInString(s.text[at:])
		if size == 0 || breakAt(s.text[at:]) > 0 {
			return -1
		}
		at += size
	}
	return at
}

// content returns where the content of a node begins, behind its anchor and tag; -1 if that cannot be told.
func (s *source) content(n *yaml.Node) int { return s.pastProperties(s.offset(n)) }

// pastProperties returns where the next thing is that is neither an anchor nor a tag, -1 if that cannot be told.
func (s *source) pastProperties(at int) int {
	for at >= 0 && at < len(s.text) && (s.text[at] == '&' || s.text[at] == '!') {
		end := strings.IndexAny(s.text[at:], " \t\r\n")
		if end < 0 {
			return -1
		}
		at += end
		at += len(s.text[at:]) - len(strings.TrimLeft(s.text[at:], " \t\r\n"))
	}
	return at
}

// span returns where the text of a plain value begins and ends, within its quotes, and where all of it ends; an alias
// begins with its star. ok is false if the value is written in another way.
func (s *source) span(n *yaml.Node) (from, to, end int, ok bool) {
	from = s.content(n)
	word, quote := n.Value, 0
	if n.Kind == yaml.AliasNode {
		word = "*" + word
	}
	if from < 0 || from >= len(s.text) {
		return 0, 0, 0, false
	}
	if q := s.text[from]; q == '"' || q == '\'' {
		from++
		quote = 1
		close := strings.IndexByte(s.text[from:], q)
		if close < 0 {
			return 0, 0, 0, false
		}
		word = s.text[from : from+close]
	}
	to = from + len(word)
	return from, to, to + quote, strings.HasPrefix(s.text[from:], word)
}

// past returns where the next thing is that is neither a space, a line break nor a comment.
func (s *source) past(at int) int {
	for at < len(s.text) {
		switch n := breakAt(s.text[at:]); {
		case n > 0:
			at += n
		case s.text[at] == '#':
			at, _ = s.lineEnd(at)
		case s.text[at] == ' ' || s.text[at] == '\t':
			at++
		default:
			return at
		}
	}
	return at
}

// lineStart returns where the line of an offset begins.
func (s *source) lineStart(at int) int {
	i, found := slices.BinarySearch(s.lines, at)
	if found {
		return at
	}
	return s.lines[max(i-1, 0)]
}

// lineEnd returns where the line of an offset ends: at the begin and behind its break.
func (s *source) lineEnd(at int) (end, next int) {
	for end = at; end < len(s.text); {
		if n := breakAt(s.text[end:]); n > 0 {
			return end, end + n
		}
		_, n := utf8.DecodeRuneInString(s.text[end:])
		end += n
	}
	return end, end
}

// eol returns the line break that the line of an offset ends with, or the first one of the text.
func (s *source) eol(at int) string {
	end, next := s.lineEnd(at)
	if end == next {
		end, next = s.lineEnd(0)
	}
	if end == next {
		return "\n"
	}
	return s.text[end:next]
}

// edit replaces the bytes from from to to.
type edit struct {
	from, to int
	text     string
}

// apply makes all edits. Of two that overlap only the later one in the text is made.
func (s *source) apply(all []edit) string {
	all = slices.Clone(all)
	slices.SortStableFunc(all, func(a, b edit) int { return b.from - a.from })
	text, last := s.text, len(s.text)
	for _, e := range all {
		if e.to > last {
			continue
		}
		text = text[:e.from] + e.text + text[e.to:]
		last = e.from
	}
	return text
}

// afterLine is the edit that adds lines, each with its indentation, behind the line of an offset.
func (s *source) afterLine(at, indent int, lines ...string) edit {
	end, next := s.lineEnd(at)
	eol, pad := s.eol(at), strings.Repeat(" ", indent)
	if end == next { // the last line, without a break: the new last one has none either
		return edit{end, end, eol + pad + strings.Join(lines, eol+pad)}
	}
	return edit{next, next, pad + strings.Join(lines, eol+pad) + eol}
}
