package uatest

import (
	"fmt"
	"net/netip"
	"strconv"
	"strings"
)

// Message is one message as the peer received it.
type Message struct {
	Start   string
	Headers []string // "Name: value"
	Body    string
	From    netip.AddrPort
}

// Parse reads a message, without checks.
func Parse(text string, from netip.AddrPort) Message {
	head, body, _ := strings.Cut(text, "\r\n\r\n")
	lines := strings.Split(head, "\r\n")
	return Message{Start: lines[0], Headers: lines[1:], Body: body, From: from}
}

// All returns the values of all header fields of that name.
func (m Message) All(name string) []string {
	var values []string
	for _, h := range m.Headers {
		n, v, _ := strings.Cut(h, ":")
		if strings.EqualFold(strings.TrimSpace(n), name) {
			values = append(values, strings.TrimSpace(v))
		}
	}
	return values
}

// Get returns the value of the first header field of that name, "" if there is none.
func (m Message) Get(name string) string {
	if v := m.All(name); len(v) > 0 {
		return v[0]
	}
	return ""
}

// Is reports whether m is a request of that method or a response of that code.
func (m Message) Is(what string) bool {
	f := strings.Fields(m.Start)
	return len(f) > 1 && (f[0] == what || (f[0] == "SIP/2.0" && f[1] == what))
}

// IsResponse reports whether m is a response.
func (m Message) IsResponse() bool { return strings.HasPrefix(m.Start, "SIP/2.0 ") }

// CSeq returns number and method of the CSeq.
func (m Message) CSeq() (n int, method string) {
	f := strings.Fields(m.Get("CSeq"))
	n, _ = strconv.Atoi(f[0])
	return n, f[1]
}

func (m Message) String() string {
	return m.Start + "\n" + strings.Join(m.Headers, "\n") + "\n\n" + m.Body
}

// URI returns the text in angle brackets.
func URI(v string) string {
	_, v, _ = strings.Cut(v, "<")
	v, _, _ = strings.Cut(v, ">")
	return v
}

// Code returns the status code of a response, 0 for a request.
func (m Message) Code() int {
	n := 0
	_, _ = fmt.Sscanf(m.Start, "SIP/2.0 %d", &n)
	return n
}

// Response returns the first lines of a response to m, without Contact and what follows. It adds the To tag if it is
// missing, except to a 100 (RFC 3261 section 8.2.6).
func (m Message) Response(code int, reason, tag string) []string {
	lines := []string{fmt.Sprintf("SIP/2.0 %d %s", code, reason)}
	for _, name := range []string{"Via", "Record-Route"} {
		for _, v := range m.All(name) {
			lines = append(lines, name+": "+v)
		}
	}
	to := m.Get("To")
	if !strings.Contains(to, ";tag=") && code > 100 {
		to += ";tag=" + tag
	}
	return append(lines, "From: "+m.Get("From"), "To: "+to, "Call-ID: "+m.Get("Call-ID"), "CSeq: "+m.Get("CSeq"))
}

// Text composes a message of a start line, header lines and a body. Its Content-Type is that of a session description,
// unless lines has another one.
func Text(lines []string, body string) string {
	head := strings.Join(lines, "\r\n") + "\r\n"
	if body != "" && !strings.Contains(head, "Content-Type:") {
		head += "Content-Type: application/sdp\r\n"
	}
	return head + fmt.Sprintf("Content-Length: %d\r\n\r\n%s", len(body), body)
}

// Offer is a session description of one G.711 stream.
func Offer(addr string, port int, direction string) string {
	return fmt.Sprintf("v=0\r\no=- 1 1 IN IP4 %s\r\ns=-\r\nc=IN IP4 %s\r\nt=0 0\r\nm=audio %d RTP/AVP 0 101\r\na=rtpmap:101 telephone-event/8000\r\na=%s\r\n",
		addr, addr, port, direction)
}
