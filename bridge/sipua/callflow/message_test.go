package callflow

import (
	"net/netip"
	"regexp"
	"strconv"
	"strings"
)

// message is one datagram as a party reads it.
type message struct {
	text   string
	first  string
	method string // method of the request, or of the request that the response answers
	code   int    // 0 for a request
	seq    int
	fields []string // "Name: value"
	body   string
	from   netip.AddrPort
}

func read(text string, from netip.AddrPort) message {
	head, body, _ := strings.Cut(text, "\r\n\r\n")
	lines := strings.Split(head, "\r\n")
	m := message{text: text, first: lines[0], fields: lines[1:], body: body, from: from}
	number, method, _ := strings.Cut(m.get("CSeq"), " ")
	m.seq, _ = strconv.Atoi(number)
	m.method = method
	if words := strings.Fields(m.first); len(words) > 1 {
		if words[0] == "SIP/2.0" {
			m.code, _ = strconv.Atoi(words[1])
		} else {
			m.method = words[0]
		}
	}
	return m
}

func (m message) all(name string) (values []string) {
	for _, f := range m.fields {
		if n, v, _ := strings.Cut(f, ":"); strings.EqualFold(strings.TrimSpace(n), name) {
			values = append(values, strings.TrimSpace(v))
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

// is reports whether m is a request with that method or a response with that code.
func (m message) is(what string) bool {
	if m.code == 0 {
		return m.method == what
	}
	return strconv.Itoa(m.code) == what
}

func (m message) uri() string { return strings.Fields(m.first)[1] }

var (
	tagIn    = regexp.MustCompile(`;tag=([^;,\s]+)`)
	branchIn = regexp.MustCompile(`;branch=([^;,\s]+)`)
)

func find(r *regexp.Regexp, s string) string {
	if m := r.FindStringSubmatch(s); m != nil {
		return m[1]
	}
	return ""
}

func (m message) branch() string { return find(branchIn, m.get("Via")) }

// bare returns an address without its tag.
func bare(address string) string { return tagIn.ReplaceAllString(address, "") }

// target returns the text in angle brackets.
func target(v string) string {
	_, v, _ = strings.Cut(v, "<")
	v, _, _ = strings.Cut(v, ">")
	return v
}

// routes returns the entries of Record-Route, with brackets, in order.
func (m message) routes() (all []string) {
	for _, v := range m.all("Record-Route") {
		for _, r := range strings.Split(v, ",") {
			all = append(all, strings.TrimSpace(r))
		}
	}
	return all
}
