package sipua

import (
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"

	"github.com/emiago/sipgo/sip"
)

// This file limits what the header fields of one side may put into messages to the other: no line ends or other control
// characters, and a bounded number of octets, since an INVITE over UDP must fit into the small buffers of adapters. All
// limits are our own numbers.
const (
	maxPassedValue = 512 // one header field; longer ones are left out, since a truncated one would mean something else
	// all header fields of one list, in its order; an INVITE passes at most two lists and an identity
	maxPassed  = 1536
	maxPhrase  = 80  // a reason phrase, a text, a display name
	maxUser    = 128 // the user part of the caller's URI; a number has 15 digits (ITU-T E.164)
	maxReasons = 4   // values of Reason; one each for SIP and Q.850 is common (RFC 3326 section 2)
)

// passHeaders copies the valid header fields of these names, within the limits.
func passHeaders(names []string, from, to sip.Message) {
	left := maxPassed
	for _, n := range names {
		for _, h := range from.GetHeaders(n) {
			v, ok := cleanValue(h.Value())
			if !ok || len(v) > maxPassedValue || len(n)+len(v) > left {
				continue
			}
			left -= len(n) + len(v)
			to.AppendHeader(sip.NewHeader(n, v))
		}
	}
}

// cleanValue returns a header field's value. ok is false if it has control characters or is not valid UTF-8. The parser
// has already joined continued lines.
func cleanValue(v string) (string, bool) {
	v = strings.ReplaceAll(v, "\t", " ")
	if !utf8.ValidString(v) || strings.ContainsFunc(v, unicode.IsControl) {
		return "", false
	}
	return v, true
}

// quotedName returns a display name that is safe inside quotes (RFC 3261 section 25.1), truncated to maxPhrase.
func quotedName(name string) string {
	var b strings.Builder
	name = boundedText(name, maxPhrase)
	for i := 0; i < len(name); i++ {
		switch c := name[i]; {
		case c == '\\' && i+1 < len(name):
			b.WriteByte(c)
			i++
			b.WriteByte(name[i])
		case c == '\\', c == '"':
		default:
			b.WriteByte(c)
		}
	}
	return b.String()
}

// boundedText is a text without control characters, truncated to most octets.
func boundedText(v string, most int) string {
	v = strings.Map(func(r rune) rune {
		if r == utf8.RuneError || unicode.IsControl(r) {
			return -1
		}
		return r
	}, v)
	for len(v) > most {
		_, n := utf8.DecodeLastRuneInString(v)
		v = v[:len(v)-n]
	}
	return v
}

// passReasons passes the Reason header fields on (RFC 3326).
func passReasons(from, to sip.Message) {
	for _, h := range reasons(from) {
		to.AppendHeader(h)
	}
}

// reasons returns the Reason values of a message, one per header field and limited to what RFC 3326 defines. Values
// that cannot be parsed are left out.
func reasons(m sip.Message) []sip.Header {
	var all []sip.Header
	for _, h := range m.GetHeaders("Reason") {
		for _, v := range splitQuoted(h.Value(), ',') {
			if v := readReason(v); v != "" && len(all) < maxReasons {
				all = append(all, sip.NewHeader("Reason", v))
			}
		}
	}
	return all
}

// readReason rewrites one Reason value: a protocol with its cause. It returns "" if the value is invalid. Causes of SIP
// are status codes. Causes of Q.850 are 1 to 127.
func readReason(v string) string {
	parts := splitQuoted(v, ';')
	protocol := strings.TrimSpace(parts[0])
	cause, text := -1, ""
	for _, p := range parts[1:] {
		name, v, _ := strings.Cut(p, "=")
		v = strings.TrimSpace(v)
		switch strings.ToLower(strings.TrimSpace(name)) {
		case "cause":
			n, err := strconv.ParseUint(v, 10, 0)
			if err != nil {
				return ""
			}
			cause = int(n)
		case "text":
			text = boundedText(strings.NewReplacer(`\`, "", `"`, "").Replace(v), maxPhrase)
		}
	}
	switch {
	case protocol == "" || len(protocol) > 16 || strings.ContainsFunc(protocol, notToken), cause < 0 || cause > 999:
		return ""
	case strings.EqualFold(protocol, "SIP") && (cause < 100 || cause > 699), strings.EqualFold(protocol, "Q.850") &&
		(cause < 1 || cause > 127):
		return ""
	}
	v = protocol + ";cause=" + strconv.Itoa(cause)
	if text != "" {
		v += `;text="` + text + `"`
	}
	return v
}

// notToken reports whether a character may not be in a token (RFC 3261 section 25.1).
func notToken(r rune) bool {
	return !(r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r >= '0' && r <= '9' ||
		strings.ContainsRune("-.!%*_+`'~", r))
}

// splitQuoted splits at a separator outside quotes.
func splitQuoted(s string, at byte) []string {
	var parts []string
	quoted, start := false, 0
	for i := 0; i < len(s); i++ {
		switch c := s[i]; {
		case quoted && c == '\\':
			i++
		case c == '"':
			quoted = !quoted
		case !quoted && c == at:
			parts, start = append(parts, s[start:i]), i+1
		}
	}
	return append(parts, s[start:])
}
