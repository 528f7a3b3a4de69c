package rehearsal

import (
	"bytes"
	"errors"
	"fmt"
	"net/netip"
	"strconv"
	"strings"
)

// message is a SIP message in text form (RFC 3261 section 7), with only what the peers here need.
type message struct {
	start  string
	fields []field
	body   []byte
}

type field struct{ name, value string }

var errMessage = errors.New("rehearsal: not a SIP message")

// short maps the compact names (RFC 3261 section 7.3.3) that occur here.
var short = map[string]string{"v": "Via", "f": "From", "t": "To", "i": "Call-ID", "m": "Contact", "c": "Content-Type",
	"l": "Content-Length"}

// listed are the fields that may have several values in one line, separated by commas.
var listed = map[string]bool{"via": true, "route": true, "record-route": true, "contact": true}

func parse(b []byte) (*message, error) {
	head, body, found := bytes.Cut(b, []byte("\r\n\r\n"))
	if !found {
		return nil, fmt.Errorf("%w: no empty line", errMessage)
	}
	lines := strings.Split(strings.ReplaceAll(string(head), "\r\n ", " "), "\r\n")
	m := &message{start: lines[0], body: body}
	if len(strings.SplitN(m.start, " ", 3)) < 3 || !strings.Contains(m.start, "SIP/2.0") {
		return nil, fmt.Errorf("%w: it begins %q", errMessage, m.start)
	}
	for _, l := range lines[1:] {
		name, value, found := strings.Cut(l, ":")
		if !found {
			return nil, fmt.Errorf("%w: line %q", errMessage, l)
		}
		name = strings.TrimSpace(name)
		if long := short[strings.ToLower(name)]; long != "" {
			name = long
		}
		values := []string{value}
		if listed[strings.ToLower(name)] {
			values = splitList(value)
		}
		for _, v := range values {
			m.add(name, strings.TrimSpace(v))
		}
	}
	if n, err := strconv.Atoi(m.get("Content-Length")); err == nil && n <= len(body) {
		m.body = body[:n]
	}
	for _, need := range []string{"Via", "From", "To", "Call-ID", "CSeq"} {
		if m.get(need) == "" {
			return nil, fmt.Errorf("%w: no %s", errMessage, need)
		}
	}
	return m, nil
}

// splitList splits at commas outside quotes and angle brackets.
func splitList(s string) []string {
	var out []string
	quoted, angle, from := false, false, 0
	for i := range len(s) {
		switch c := s[i]; {
		case c == '"' && (i == 0 || s[i-1] != '\\'):
			quoted = !quoted
		case quoted:
		case c == '<':
			angle = true
		case c == '>':
			angle = false
		case c == ',' && !angle:
			out = append(out, s[from:i])
			from = i + 1
		}
	}
	return append(out, s[from:])
}

func (m *message) bytes() []byte {
	var b bytes.Buffer
	b.WriteString(m.start + "\r\n")
	for _, f := range m.fields {
		if !strings.EqualFold(f.name, "Content-Length") {
			b.WriteString(f.name + ": " + f.value + "\r\n")
		}
	}
	fmt.Fprintf(&b, "Content-Length: %d\r\n\r\n", len(m.body))
	b.Write(m.body)
	return b.Bytes()
}

func (m *message) clone() *message {
	return &message{start: m.start, fields: append([]field(nil), m.fields...), body: m.body}
}

func (m *message) isResponse() bool { return strings.HasPrefix(m.start, "SIP/2.0 ") }

// status returns the status code, or 0 for a request.
func (m *message) status() int {
	if !m.isResponse() {
		return 0
	}
	code, _, _ := strings.Cut(m.start[len("SIP/2.0 "):], " ")
	n, err := strconv.Atoi(code)
	if err != nil {
		return 0
	}
	return n
}

// method returns the method in CSeq.
func (m *message) method() string {
	_, method := m.cseq()
	return method
}

func (m *message) cseq() (int, string) {
	number, method, _ := strings.Cut(m.get("CSeq"), " ")
	n, err := strconv.Atoi(number)
	if err != nil {
		return 0, ""
	}
	return n, strings.TrimSpace(method)
}

func (m *message) uri() string { return strings.SplitN(m.start, " ", 3)[1] }

func (m *message) setURI(uri string) {
	p := strings.SplitN(m.start, " ", 3)
	m.start = p[0] + " " + uri + " " + p[2]
}

func (m *message) get(name string) string {
	for _, f := range m.fields {
		if strings.EqualFold(f.name, name) {
			return f.value
		}
	}
	return ""
}

func (m *message) all(name string) []string {
	var out []string
	for _, f := range m.fields {
		if strings.EqualFold(f.name, name) {
			out = append(out, f.value)
		}
	}
	return out
}

func (m *message) add(name, value string) { m.fields = append(m.fields, field{name, value}) }

func (m *message) push(name, value string) {
	m.fields = append([]field{{name, value}}, m.fields...)
}

// pop removes the first field of that name.
func (m *message) pop(name string) {
	for i, f := range m.fields {
		if strings.EqualFold(f.name, name) {
			m.fields = append(m.fields[:i:i], m.fields[i+1:]...)
			return
		}
	}
}

func (m *message) set(name, value string) {
	for i, f := range m.fields {
		if strings.EqualFold(f.name, name) {
			m.fields[i].value = value
			return
		}
	}
	m.add(name, value)
}

// branch returns the branch of the topmost Via.
func (m *message) branch() string { return param(m.get("Via"), "branch") }

// reply creates a response to the request (RFC 3261 section 8.2.6).
func (m *message) reply(code int, reason, toTag string) *message {
	r := &message{start: fmt.Sprintf("SIP/2.0 %d %s", code, reason)}
	for _, name := range []string{"Via", "Record-Route", "From", "To", "Call-ID", "CSeq"} {
		for _, v := range m.all(name) {
			if name == "To" && toTag != "" && param(v, "tag") == "" {
				v += ";tag=" + toTag
			}
			r.add(name, v)
		}
	}
	return r
}

// param returns a parameter of a field value, not one of a URI in angle brackets.
func param(value, name string) string {
	if i := strings.LastIndexByte(value, '>'); i >= 0 {
		value = value[i+1:]
	}
	for _, p := range strings.Split(value, ";")[1:] {
		k, v, _ := strings.Cut(strings.TrimSpace(p), "=")
		if strings.EqualFold(strings.TrimSpace(k), name) {
			return strings.TrimSpace(v)
		}
	}
	return ""
}

// hasParam reports whether a parameter is present, with or without a value.
func hasParam(value, name string) bool {
	for _, p := range strings.Split(value, ";")[1:] {
		k, _, _ := strings.Cut(strings.TrimSpace(p), "=")
		if strings.EqualFold(k, name) {
			return true
		}
	}
	return false
}

// uriOf returns the URI of a name-addr or addr-spec.
func uriOf(value string) string {
	if i := strings.IndexByte(value, '<'); i >= 0 {
		rest, _, _ := strings.Cut(value[i+1:], ">")
		return rest
	}
	uri, _, _ := strings.Cut(value, ";")
	return strings.TrimSpace(uri)
}

// userOf and hostOf split a sip URI.
func userOf(uri string) string {
	_, rest, _ := strings.Cut(uri, ":")
	user, _, found := strings.Cut(rest, "@")
	if !found {
		return ""
	}
	return user
}

func hostOf(uri string) string {
	_, rest, _ := strings.Cut(uri, ":")
	if _, host, found := strings.Cut(rest, "@"); found {
		rest = host
	}
	host, _, _ := strings.Cut(rest, ";")
	return host
}

// addrOf returns the address of a URI whose host is a literal address.
func addrOf(uri string) (netip.AddrPort, bool) {
	host := hostOf(uri)
	if a, err := netip.ParseAddrPort(host); err == nil {
		return a, true
	}
	if a, err := netip.ParseAddr(host); err == nil {
		return netip.AddrPortFrom(a, 5060), true
	}
	return netip.AddrPort{}, false
}
