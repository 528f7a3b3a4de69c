package callflow

import (
	"net/netip"
	"regexp"
	"strconv"
	"strings"

	"clearback/bridge/sipua/uatest"
)

// message is one datagram as a party reads it.
type message struct {
	uatest.Message
	text   string
	method string // method of the request, or of the request that the response answers
	code   int    // 0 for a request
	seq    int
}

func read(text string, from netip.AddrPort) message {
	m := message{Message: uatest.Parse(text, from), text: text}
	number, method, _ := strings.Cut(m.Get("CSeq"), " ")
	m.seq, _ = strconv.Atoi(number)
	m.method = method
	if m.IsResponse() {
		m.code = m.Code()
	} else if words := strings.Fields(m.Start); len(words) > 1 {
		m.method = words[0]
	}
	return m
}

func (m message) uri() string { return strings.Fields(m.Start)[1] }

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

func (m message) branch() string { return find(branchIn, m.Get("Via")) }

// bare returns an address without its tag.
func bare(address string) string { return tagIn.ReplaceAllString(address, "") }

// routes returns the entries of Record-Route, with brackets, in order.
func (m message) routes() (all []string) {
	for _, v := range m.All("Record-Route") {
		for _, r := range strings.Split(v, ",") {
			all = append(all, strings.TrimSpace(r))
		}
	}
	return all
}
