// Package sanitize makes text from outside safe to show in a terminal, a log, a table or a spreadsheet. It replaces or
// escapes every character that does not print: control characters (C0, DEL, C1: U+0000 to U+001F, U+007F to U+009F),
// marks that change the direction of writing (U+061C, U+200E, U+200F, U+202A to U+202E, U+2066 to U+2069), and all
// others for which [unicode.IsPrint] is false.
package sanitize

import (
	"fmt"
	"strings"
	"unicode"
	"unicode/utf16"
	"unicode/utf8"
)

// Text returns s with at most the given number of characters. Characters that do not print become question marks. A
// text that is too long ends with two dots.
func Text(s string, most int) string {
	s = s[:min(len(s), utf8.UTFMax*(most+1))] // the rest would be cut off anyway
	long := utf8.RuneCountInString(s) > most
	var b strings.Builder
	n := 0
	for _, r := range s {
		if long && n == most-2 {
			b.WriteString("..")
			break
		}
		if r == utf8.RuneError || !unicode.IsPrint(r) {
			r = '?'
		}
		b.WriteRune(r)
		n++
	}
	return b.String()
}

// Escape returns s with each character that does not print escaped as in a JSON string, such as \u202e. Bytes that are
// not UTF-8 become question marks.
func Escape(s string) string { return string(appendEscaped(nil, []byte(s), "")) }

// Lines is [Escape] for whole lines of output: it keeps line ends and tabs. The escapes do not change the value of a
// JSON string.
func Lines(text []byte) []byte { return appendEscaped(make([]byte, 0, len(text)), text, "\n\t") }

func appendEscaped(to, text []byte, keep string) []byte {
	for len(text) > 0 {
		r, n := utf8.DecodeRune(text)
		switch {
		case r == utf8.RuneError && n == 1:
			to = append(to, '?')
		case unicode.IsPrint(r) || strings.ContainsRune(keep, r):
			to = append(to, text[:n]...)
		case r > 0xffff:
			high, low := utf16.EncodeRune(r)
			to = fmt.Appendf(to, "\\u%04x\\u%04x", high, low)
		default:
			to = fmt.Appendf(to, "\\u%04x", r)
		}
		text = text[n:]
	}
	return to
}

// Cell returns s for a spreadsheet: escaped, and with an apostrophe before a text that a spreadsheet would take for a
// formula. A telephone number such as +4930123456 is returned unchanged; at worst the spreadsheet takes it for a
// number.
func Cell(s string) string {
	s = Escape(s)
	first, _ := utf8.DecodeRuneInString(strings.TrimLeft(s, " "))
	switch {
	case !strings.ContainsRune("=+-@\uff1d\uff0b\uff0d\uff20", first): // the last four are full-width forms
		return s
	case s[0] == '+' && len(s) > 1 && strings.Trim(s[1:], "0123456789") == "":
		return s
	}
	return "'" + s
}
