package endpoint

import (
	"bytes"

	"github.com/emiago/sipgo/sip"
)

// This file checks a message before the library parses it. It finds messages that are too large, and what the library's
// parser would misread.

// field is a header field as received: with its continuation lines, without the last line end.
type field struct{ name, value []byte }

// fields splits a head (the start line and the header fields, without the empty line) and returns the start line. It
// calls each with each header field and its size in bytes, until each returns false.
func fields(head []byte, each func(f field, size int) bool) (start []byte) {
	start, rest, _ := bytes.Cut(head, []byte("\r\n"))
	for len(rest) > 0 {
		end := fieldEnd(rest)
		line := rest[:end]
		rest = rest[min(len(rest), end+2):]
		name, value, _ := bytes.Cut(line, []byte(":"))
		if !each(field{bytes.TrimSpace(name), value}, len(line)) {
			break
		}
	}
	return start
}

// fieldEnd returns the offset at which the first header field ends, continuation lines included.
func fieldEnd(b []byte) int {
	for at := 0; ; {
		i := bytes.Index(b[at:], []byte("\r\n"))
		if i < 0 {
			return len(b)
		}
		at += i + 2
		if at >= len(b) || !blank(b[at]) {
			return at - 2
		}
	}
}

// fault is what is wrong with a message, as the code and reason of a response. The zero value means that nothing is
// wrong.
type fault struct {
	code   int
	reason string
}

var (
	tooLarge     = fault{sip.StatusMessageTooLarge, "Message Too Large"}
	bodyTooLarge = fault{sip.StatusRequestEntityTooLarge, "Request Entity Too Large"}
	badRequest   = fault{sip.StatusBadRequest, "Bad Request"}
	badScheme    = fault{416, "Unsupported URI Scheme"} // RFC 3261 section 21.4.14; the library's constant is HTTP's
)

// inspect checks sizes, and what shows only in the raw bytes. untidy reports whether the message has to be normalized
// before it is parsed.
func inspect(b []byte) (f fault, untidy bool) {
	head, body, _ := bytes.Cut(b, []byte("\r\n\r\n"))
	switch {
	case len(b) > maxMessage, len(head) > maxHead:
		return tooLarge, false
	case len(body) > maxBody:
		return bodyTooLarge, false
	}
	n := 0
	start := fields(head, func(h field, size int) bool {
		n++
		kind := kindOf(h.name)
		switch {
		case size > maxField, n > maxFields:
			f = tooLarge
		case kind == address && (ambiguousURI(h.value) || !contact(h.name) && seemsList(h.value)):
			f = badRequest
		case kind != other && !untidy:
			untidy = needsNormalizing(h.value, kind == via)
		}
		return f.code == 0
	})
	if f.code == 0 && unsupportedScheme(start) {
		f = badScheme
	}
	return f, untidy
}

type kind uint8

const (
	other   kind = iota
	address      // From, To, Contact: a single URI may come without brackets
	via
	route
)

func kindOf(name []byte) kind {
	switch len(name) {
	case 1:
		switch name[0] | 0x20 {
		case 'f', 't', 'm':
			return address
		case 'v':
			return via
		}
	case 2, 4, 7:
		switch {
		case bytes.EqualFold(name, []byte("to")), bytes.EqualFold(name, []byte("from")),
			bytes.EqualFold(name, []byte("contact")):
			return address
		}
	case 3:
		if bytes.EqualFold(name, []byte("via")) {
			return via
		}
	case 5:
		if bytes.EqualFold(name, []byte("route")) {
			return route
		}
	}
	return other
}

// ambiguousURI reports whether a URI with header fields of its own comes without brackets. Nobody can tell then what
// belongs to the URI (RFC 3261 section 20, RFC 4475 section 3.1.2.13).
func ambiguousURI(value []byte) bool {
	return bytes.IndexByte(value, '?') >= 0 && bytes.IndexByte(value, '<') < 0 && bytes.IndexByte(value, '"') < 0
}

// seemsList reports whether a field that may hold only one address seems to hold several: its display name has a comma
// and no quotes (RFC 4475 section 3.1.2.15).
func seemsList(value []byte) bool {
	name, _, bracketed := bytes.Cut(value, []byte("<"))
	return bracketed && bytes.IndexByte(name, ',') >= 0 && bytes.IndexByte(name, '"') < 0
}

func contact(name []byte) bool { return len(name) == 7 || name[0]|0x20 == 'm' }

// unsupportedScheme reports whether the Request-URI has a scheme that we do not support (RFC 3261 section 8.2.2.1). An
// emergency call may have a "urn" (RFC 5031).
func unsupportedScheme(start []byte) bool {
	parts := bytes.Split(start, []byte(" "))
	if len(parts) != 3 || !bytes.HasPrefix(parts[2], []byte("SIP/")) || bytes.HasPrefix(parts[0], []byte("SIP/")) {
		return false
	}
	scheme, _, ok := bytes.Cut(parts[1], []byte(":"))
	if !ok || len(scheme) == 0 {
		return false
	}
	for i, c := range scheme { // RFC 3986 section 3.1
		letter := c|0x20 >= 'a' && c|0x20 <= 'z'
		if !letter && (i == 0 || !(c >= '0' && c <= '9' || c == '+' || c == '-' || c == '.')) {
			return false
		}
	}
	for _, s := range []string{"sip", "sips", "tel", "urn"} {
		if bytes.EqualFold(scheme, []byte(s)) {
			return false
		}
	}
	return true
}

// needsNormalizing reports whether appendNormalized would change a value.
func needsNormalizing(value []byte, via bool) bool {
	return !bytes.Equal(appendNormalized(make([]byte, 0, 256), value, via), value)
}

// appendNormalized appends a value without blanks around ";" and "=" (and "/" in a Via), and with parameter names in
// lower case. It leaves quoted and bracketed text as it is. Without it, the library's parser would take "tag = x" for a
// parameter named "tag ", and would not find ";TAG=x" as "tag".
func appendNormalized(to, value []byte, via bool) []byte {
	quoted, bracketed, naming := false, false, false
	for i := 0; i < len(value); i++ {
		c := value[i]
		switch {
		case quoted:
			if c == '\\' && i+1 < len(value) {
				to = append(to, c)
				i++
				c = value[i]
			} else if c == '"' {
				quoted = false
			}
		case bracketed:
			bracketed = c != '>'
		case c == '"':
			quoted, naming = true, false
		case c == '<':
			bracketed, naming = true, false
		case c == ';' || c == '=' || via && c == '/' && !naming:
			to = bytes.TrimRight(to, " \t\r\n")
			naming = c == ';'
			for i+1 < len(value) && space(value[i+1]) {
				i++
			}
		case c == ',':
			naming = false
		case naming && c >= 'A' && c <= 'Z':
			c |= 0x20
		}
		to = append(to, c)
	}
	return to
}

func space(c byte) bool { return c == ' ' || c == '\t' || c == '\r' || c == '\n' }

// normalized returns the message with its addresses and Vias in a form that the library parses correctly, without
// continuation lines.
func normalized(b []byte) []byte {
	head, body, whole := bytes.Cut(b, []byte("\r\n\r\n"))
	if !whole {
		return b
	}
	out := make([]byte, 0, len(b))
	begin, _, _ := bytes.Cut(head, []byte("\r\n"))
	out = append(append(out, begin...), "\r\n"...)
	fields(head, func(f field, _ int) bool {
		out = append(append(out, f.name...), ':')
		if k := kindOf(f.name); k == other {
			out = append(out, f.value...)
		} else {
			out = append(out, bytes.ReplaceAll(appendNormalized(nil, f.value, k == via), []byte("\r\n"),
				[]byte(" "))...)
		}
		out = append(out, "\r\n"...)
		return true
	})
	return append(append(out, "\r\n"...), body...)
}
