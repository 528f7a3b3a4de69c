package config

import (
	"slices"
	"strings"
	"unicode/utf8"

	"go.yaml.in/yaml/v3"
)

// source is the text of a file, with a way from the positions of its nodes to its bytes.
type source struct {
	text string
	// lines holds the offset at which each line begins. Lines end as in YAML 1.1 (section 5.4), which the parser
	// follows.
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

// breakAt returns the length of the line break at the beginning of s, or 0 if there is none.
func breakAt(s string) int {
	for _, b := range []string{"\r\n", "\n", "\r", "\u0085", "\u2028", "\u2029"} {
		if strings.HasPrefix(s, b) {
			return len(b)
		}
	}
	return 0
}

// offset returns the offset at which a node begins, or -1 if that is not in the text. Columns count characters.
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

// content returns the offset at which the content of a node begins, after its anchor and tag, or -1 if that is not
// known.
func (s *source) content(n *yaml.Node) int { return s.pastProperties(s.offset(n)) }

// pastProperties skips anchors and tags, and returns the offset of what follows, or -1 if that is not known.
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

// span returns the offsets at which the text of a plain value begins and ends, without its quotes, and where the value
// ends with its quotes. The text of an alias includes its star. ok is false if the value is written in another way.
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

// past skips spaces, line breaks and comments, and returns the offset of what follows.
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

// lineStart returns the offset at which the line of an offset begins.
func (s *source) lineStart(at int) int {
	i, found := slices.BinarySearch(s.lines, at)
	if found {
		return at
	}
	return s.lines[max(i-1, 0)]
}

// lineEnd returns the offset at which the line of an offset ends, and the offset after its line break.
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

// eol returns the line break at the end of the line of an offset. If that line has none, it returns the first one of
// the text.
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

// apply makes all edits. If two edits overlap, it makes only the one that begins later in the text.
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

// afterLine returns the edit that adds lines, each with its indentation, after the line of an offset.
func (s *source) afterLine(at, indent int, lines ...string) edit {
	end, next := s.lineEnd(at)
	eol, pad := s.eol(at), strings.Repeat(" ", indent)
	if end == next { // the last line has no line break, so the new last line has none either
		return edit{end, end, eol + pad + strings.Join(lines, eol+pad)}
	}
	return edit{next, next, pad + strings.Join(lines, eol+pad) + eol}
}
