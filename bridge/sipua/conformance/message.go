// Package conformance checks a user agent against the rules of RFC 3261 and its extensions. It takes a trace of one
// party and checks everything that the party received from the user agent under test. It is for tests, and does not
// import the code that it checks.
package conformance

import (
	"regexp"
	"slices"
	"strconv"
	"strings"
)

// Message is one message as the party sent or received it.
type Message struct {
	// Sent says that the party sent the message, so it is not checked. Otherwise the party received it.
	Sent bool
	// Text is the whole datagram.
	Text string
}

// message is a parsed Message.
type message struct {
	sent   bool
	first  string
	method string // method of the request, or of the request that the response answers
	uri    string // Request-URI of a request
	code   int    // status code of a response; 0 for a request
	seq    int
	fields []field
	body   string
}

type field struct{ name, value string }

var (
	branchOf = regexp.MustCompile(`(?i);\s*branch=([^;,\s]+)`)
	tagOf    = regexp.MustCompile(`(?i)>?\s*;\s*tag=([^;,\s]+)`)
)

func group(r *regexp.Regexp, s string) string {
	if m := r.FindStringSubmatch(s); m != nil {
		return m[1]
	}
	return ""
}

// long maps the compact forms to full names (RFC 3261 section 7.3.3, and later entries of the registry).
var long = map[string]string{
	"i": "call-id", "m": "contact", "e": "content-encoding", "l": "content-length", "c": "content-type", "f": "from",
	"s": "subject",
	"k": "supported", "t": "to", "v": "via", "o": "event", "r": "refer-to", "x": "session-expires",
}

func parse(m Message) message {
	head, body, _ := strings.Cut(m.Text, "\r\n\r\n")
	lines := strings.Split(head, "\r\n")
	p := message{sent: m.Sent, first: lines[0], body: body}
	for _, l := range lines[1:] {
		name, value, _ := strings.Cut(l, ":")
		name = strings.ToLower(strings.TrimSpace(name))
		if n := long[name]; n != "" {
			name = n
		}
		p.fields = append(p.fields, field{name, strings.TrimSpace(value)})
	}
	number, method, _ := strings.Cut(p.get("cseq"), " ")
	p.seq, _ = strconv.Atoi(number)
	words := strings.Fields(p.first)
	switch {
	case len(words) > 1 && words[0] == "SIP/2.0":
		p.code, _ = strconv.Atoi(words[1])
		p.method = strings.TrimSpace(method)
	case len(words) > 1:
		p.method, p.uri = words[0], words[1]
	}
	return p
}

func (m message) all(name string) (values []string) {
	for _, f := range m.fields {
		if f.name == name {
			values = append(values, f.value)
		}
	}
	return values
}

func (m message) get(name string) string {
	if v := m.all(name); len(v) > 0 {
		return v[0]
	}
	return ""
}

func (m message) has(name string) bool { return len(m.all(name)) > 0 }

func (m message) fromTag() string { return group(tagOf, m.get("from")) }
func (m message) toTag() string   { return group(tagOf, m.get("to")) }
func (m message) branch() string  { return group(branchOf, m.get("via")) }

// token reports whether a comma-separated header field names an option.
func (m message) token(header, option string) bool {
	for _, v := range m.all(header) {
		for _, o := range strings.Split(v, ",") {
			if strings.EqualFold(strings.TrimSpace(o), option) {
				return true
			}
		}
	}
	return false
}

// uriOf returns the text in angle brackets, or the value without its parameters.
func uriOf(v string) string {
	if _, after, ok := strings.Cut(v, "<"); ok {
		u, _, _ := strings.Cut(after, ">")
		return u
	}
	u, _, _ := strings.Cut(v, ";")
	return strings.TrimSpace(u)
}

// hostOf returns the host and port of a SIP URI.
func hostOf(uri string) string {
	_, at, ok := strings.Cut(uri, "@")
	if !ok {
		_, at, _ = strings.Cut(uri, ":")
	}
	at, _, _ = strings.Cut(at, ";")
	at, _, _ = strings.Cut(at, "?")
	return at
}

// routes returns the URIs of all entries of a routing header field, in order.
func (m message) routes(name string) []string {
	var all []string
	for _, v := range m.all(name) {
		for _, entry := range strings.Split(v, ">") {
			if _, u, ok := strings.Cut(entry, "<"); ok {
				all = append(all, u)
			}
		}
	}
	return all
}

func reversed(all []string) []string {
	all = slices.Clone(all)
	slices.Reverse(all)
	return all
}

func (m message) sdp() bool {
	kind, _, _ := strings.Cut(m.get("content-type"), ";")
	return m.body != "" && strings.EqualFold(strings.TrimSpace(kind), "application/sdp")
}

// lines returns the values of all lines of one type in the session description.
func (m message) lines(kind string) (values []string) {
	for _, l := range strings.Split(m.body, "\r\n") {
		if v, ok := strings.CutPrefix(l, kind+"="); ok {
			values = append(values, v)
		}
	}
	return values
}
