package callflow

import (
	"fmt"
	"net"
	"net/netip"
	"slices"
	"strings"
	"time"

	"clearback/bridge/sipua/conformance"
	"clearback/bridge/sipua/uatest"
)

// peer is the service or the adapter: a socket, and the state of its dialogs. It shares no code with the line under
// test. Everything except the reader's goroutine belongs to the goroutine of the flow.
type peer struct {
	// set once
	s       *testBed
	name    string
	user    string // user part of its own address
	secret  string // the password for its challenges
	host    string // host of its Contact; not an address, so a request that arrives was routed correctly
	ip      string // address in its session descriptions
	moved   string // the other address in its session descriptions
	conn    *net.UDPConn
	at      netip.AddrPort
	in      chan datagram // large enough for a whole flow
	ended   chan struct{} // closed when the reader has ended
	foreign []string      // texts that no message to this peer may contain

	line    netip.AddrPort // the line's socket towards this peer
	trace   []conformance.Message
	seen    map[string]bool
	again   []message // repetitions that no step has taken yet
	held    []message
	said    []message // requests and responses sent, lost ones included
	dialogs map[string]*dialog
	count   int
}

type datagram struct {
	text string
	from netip.AddrPort
}

func newPeer(s *testBed, name, user, host, ip, moved string) *peer {
	s.t.Helper()
	conn, err := net.ListenUDP("udp4", &net.UDPAddr{IP: net.IPv4(127, 0, 0, 1)})
	if err != nil {
		s.t.Fatal(err)
	}
	p := &peer{
		s: s, name: name, user: user, host: host, ip: ip, moved: moved, conn: conn,
		at: conn.LocalAddr().(*net.UDPAddr).AddrPort(),
		in: make(chan datagram, 1000), ended: make(chan struct{}), seen: map[string]bool{},
		dialogs: map[string]*dialog{},
	}
	go func() {
		defer close(p.ended)
		buf := make([]byte, 65536)
		for {
			n, from, err := conn.ReadFromUDPAddrPort(buf)
			if err != nil {
				return
			}
			// drop a stray datagram of another process
			if text := string(buf[:n]); strings.Contains(text, "SIP/2.0") || strings.HasPrefix(text, endMark) {
				p.in <- datagram{text, from}
			}
		}
	}()
	return p
}

// next returns the next datagram that is not a repetition. It returns false if none arrives in time.
func (p *peer) next(limit <-chan time.Time) (message, bool) {
	for {
		select {
		case d := <-p.in:
			m := read(d.text, d.from)
			p.trace = append(p.trace, conformance.Message{Text: d.text})
			p.s.note("%-8s got    %s", p.name, brief(m))
			if p.seen[d.text] {
				p.again = append(p.again, m)
				continue
			}
			p.seen[d.text] = true
			return m, true
		case <-limit:
			return message{}, false
		}
	}
}

func brief(m message) string {
	return fmt.Sprintf("%s   [%s] branch=%s to-tag=%s %d bytes", m.Start, m.Get("CSeq"), m.branch(),
		find(tagIn, m.Get("To")), len(m.Body))
}

// gets waits for one message for each step, in any order.
func (p *peer) gets(steps []step) {
	limit := time.After(p.s.timeout)
	if len(steps) == 1 && steps[0].o.again {
		p.getsAgain(steps[0], limit)
		return
	}
	left := slices.Clone(steps)
	for len(left) > 0 {
		m, ok := p.next(limit)
		if !ok {
			p.s.fail(left[0], "nothing came")
		}
		i := slices.IndexFunc(left, func(s step) bool { return p.why(s, m) == "" })
		if i < 0 && strings.HasPrefix(m.Start, "SIP/2.0 100 ") {
			// The 100 of a slow answer (RFC 3261 section 17.2.1). Whether it comes depends on the machine.
			continue
		}
		if i < 0 {
			p.s.fail(left[0], "got another message: %s\n%s", p.why(left[0], m), m.text)
		}
		if left[i].verb == "loses" {
			delete(p.seen, m.text)
			p.s.note("%-8s lost it", p.name)
		} else {
			p.take(left[i], m)
		}
		left = slices.Delete(left, i, i+1)
	}
}

// getsAgain waits for a repetition. It has to be identical byte for byte, except an ACK, whose branch may be new.
func (p *peer) getsAgain(s step, limit <-chan time.Time) {
	for {
		if i := slices.IndexFunc(p.again, func(m message) bool { return p.why(s, m) == "" }); i >= 0 {
			p.again = slices.Delete(p.again, i, i+1)
			return
		}
		before := len(p.again)
		quick := time.NewTimer(5 * time.Millisecond)
		m, ok := p.next(quick.C)
		quick.Stop()
		switch {
		case ok && s.what == "ACK" && p.why(s, m) == "":
			return
		case ok:
			p.s.fail(s, "no repetition but something new:\n%s", m.text)
		case len(p.again) > before:
			continue
		}
		select {
		case <-limit:
			p.s.fail(s, "no repetition came")
		default:
		}
	}
}

// why returns in what m differs from the step; "" means that it matches.
func (p *peer) why(s step, m message) string {
	o := s.o
	method := o.to
	if method == "" {
		method = "INVITE"
	}
	switch {
	case !m.Is(s.what):
		return "not " + s.what
	case m.code != 0 && m.method != method:
		return fmt.Sprintf("a response to %s, not to %s", m.method, method)
	case m.From != p.line:
		return fmt.Sprintf("from %s, not from %s", m.From, p.line)
	}
	if d := p.dialogs[nameIn(s)]; d != nil && d.id != m.Get("Call-ID") {
		return fmt.Sprintf("not in dialog %s", d.name)
	}
	if d := p.dialogs[nameIn(s)]; d != nil && o.fork != "" && m.code == 0 {
		if e := d.ends[o.fork]; e == nil || e.here != find(tagIn, m.Get("To")) {
			return "not in the dialog of fork " + o.fork
		}
	}
	if o.call != "" && !strings.HasPrefix(m.uri(), "sip:"+o.call+"@") {
		return "does not call " + o.call
	}
	switch kind := m.Get("Content-Type"); {
	case o.sdp && (kind != "application/sdp" || m.Body == ""):
		return "has no session description"
	case o.sdp && o.direction != "" && !strings.Contains(m.Body, "a="+o.direction+"\r\n"):
		return "its session description is not " + o.direction
	case o.body != "" && kind != o.body:
		return "has no body of type " + o.body
	case !o.sdp && o.body == "" && m.Body != "":
		return "has a body"
	}
	for _, h := range o.with {
		name, value, _ := strings.Cut(p.s.fill(s, h), ":")
		if value = strings.TrimSpace(value); !slices.Contains(m.All(name), value) &&
			(value != "" || len(m.All(name)) == 0) {
			return fmt.Sprintf("%s is %q, not %q", name, m.All(name), value)
		}
	}
	for _, h := range o.like {
		name, value, _ := strings.Cut(p.s.fill(s, h), ":")
		if !slices.ContainsFunc(m.All(name), func(v string) bool {
			return strings.Contains(v,
				strings.TrimSpace(value))
		}) {
			return fmt.Sprintf("%s is %q, without %q", name, m.All(name), strings.TrimSpace(value))
		}
	}
	for _, h := range o.without {
		if len(m.All(h)) > 0 {
			return fmt.Sprintf("has %s: %s", h, m.Get(h))
		}
	}
	if o.credentials {
		return p.withCredentials(m)
	}
	return ""
}

// nameIn returns the name of the dialog of a step.
func nameIn(s step) string {
	switch {
	case s.o.in != "":
		return s.o.in
	case s.what == "REGISTER" || s.o.to == "REGISTER":
		return "registration"
	}
	return "call"
}

// emit sends a message, or holds it back if the step says so.
func (p *peer) emit(s step, m message) {
	if s.o.held {
		p.held = append(p.held, m)
		p.s.note("%-8s holds  %s", p.name, brief(m))
		return
	}
	p.said = append(p.said, m)
	if s.o.lost {
		p.s.note("%-8s lost   %s", p.name, brief(m))
		return
	}
	p.write(s, m)
	if s.o.twice {
		p.write(s, m)
	}
}

func (p *peer) write(s step, m message) {
	p.trace = append(p.trace, conformance.Message{Sent: true, Text: m.text})
	p.s.note("%-8s sent   %s", p.name, brief(m))
	if _, err := p.conn.WriteToUDPAddrPort([]byte(m.text), p.line); err != nil {
		p.s.fail(s, "%v", err)
	}
}

// releases sends a held message.
func (p *peer) releases(s step) {
	i := slices.IndexFunc(p.held, func(m message) bool { return m.Is(s.what) })
	if i < 0 {
		p.s.fail(s, "nothing like that is held")
	}
	p.write(s, p.held[i])
	p.held = slices.Delete(p.held, i, i+1)
}

// repeats sends the last message of that kind again.
func (p *peer) repeats(s step) {
	for i := len(p.said) - 1; i >= 0; i-- {
		m := p.said[i]
		if m.Is(s.what) && (s.o.to == "" || m.method == s.o.to) &&
			(p.dialogs[nameIn(s)] == nil || p.dialogs[nameIn(s)].id == m.Get("Call-ID")) {
			p.write(s, m)
			return
		}
	}
	p.s.fail(s, "it sent nothing like that")
}

// endMark begins a message of a peer to itself.
const endMark = "the end of "

// drained returns the messages that no step has taken. Nothing may be sent to the peer any more, so its own mark is the
// last message that arrives.
func (p *peer) drained(t tester) (unread []message) {
	mark := endMark + p.name
	if _, err := p.conn.WriteToUDPAddrPort([]byte(mark), p.at); err != nil {
		t.Fatalf("%s: %v", p.name, err)
	}
	limit := time.After(p.s.timeout)
	for {
		m, ok := p.next(limit)
		switch {
		case !ok:
			t.Fatalf("%s: its own mark did not arrive", p.name)
		case m.text == mark:
			p.trace = p.trace[:len(p.trace)-1]
			return unread
		}
		unread = append(unread, m)
	}
}

// compose builds a message.
func compose(first string, fields []string, kind, body string) message {
	lines := append([]string{first}, fields...)
	if body != "" {
		lines = append(lines, "Content-Type: "+kind)
	}
	return read(uatest.Text(lines, body), netip.AddrPort{})
}
