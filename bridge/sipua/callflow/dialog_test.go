package callflow

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	"clearback/bridge/sipua/uatest"
)

// dialog is one Call-ID as a party sees it, with all its forks.
type dialog struct {
	name          string
	id            string
	local, remote string // addresses without tags
	ends          map[string]*end
	cseq          int
	sent          []*transaction // requests of this party
	received      []*transaction // requests of the other side
	// the session description of this party
	version   int
	described string
	challenge string // the last one received: "Authorization: " or "Proxy-Authorization: ", then the challenge
	proofs    int    // how often the challenge was answered
	rseq      string // of the last reliable provisional response
}

// end is one dialog of the Call-ID.
type end struct {
	here, there     string // tags
	target          string
	routes          []string
	confirmed, over bool
}

// transaction is a transaction.
type transaction struct {
	req        message
	unanswered bool
	final      int
	response   message
	acked      map[string]bool // by To tag: false until the ACK of that final response arrives
}

func (p *peer) dialogOf(s step, m message) *dialog {
	name := nameIn(s)
	d := p.dialogs[name]
	if d == nil {
		d = &dialog{name: name, id: m.Get("Call-ID"), ends: map[string]*end{}, local: bare(m.Get("To")),
			remote: bare(m.Get("From"))}
		p.dialogs[name] = d
	}
	return d
}

func (d *dialog) end(fork string) *end {
	e := d.ends[fork]
	if e == nil {
		e = &end{}
		d.ends[fork] = e
	}
	return e
}

// tag returns the tag of this party.
func (p *peer) tag(d *dialog, fork string) string {
	return fmt.Sprintf("%s-tag-%s-%s%d", p.name, d.name, fork, p.at.Port())
}

func (p *peer) branch() string {
	p.count++
	return fmt.Sprintf("z9hG4bK-%s-%d-%d", p.name, p.at.Port(), p.count)
}

func (p *peer) contact() string { return "<sip:" + p.user + "@" + p.host + ">" }

// take records a received message.
func (p *peer) take(s step, m message) {
	d := p.dialogOf(s, m)
	if m.code != 0 {
		p.answered(s, d, m)
		return
	}
	switch m.method {
	case "ACK":
		p.acknowledged(s, d, m)
		return
	case "BYE":
		for _, e := range d.ends {
			e.over = e.over || e.here == find(tagIn, m.Get("To"))
		}
	case "INVITE", "UPDATE":
		if e := d.end(s.o.fork); m.Get("Contact") != "" {
			e.target, e.there = uatest.URI(m.Get("Contact")), find(tagIn, m.Get("From"))
			if len(d.received)+len(d.sent) == 0 {
				e.routes = m.routes()
			}
		}
	}
	d.received = append(d.received, &transaction{req: m, unanswered: s.o.unanswered, acked: map[string]bool{}})
}

func (p *peer) acknowledged(s step, d *dialog, m message) {
	tag := find(tagIn, m.Get("To"))
	for _, a := range d.received {
		if _, waits := a.acked[tag]; a.req.method == "INVITE" && a.req.seq == m.seq && waits {
			a.acked[tag] = true
			return
		}
	}
	p.s.fail(s, "an ACK for nothing:\n%s", m.text)
}

// answered records a received response.
func (p *peer) answered(s step, d *dialog, m message) {
	i := slices.IndexFunc(d.sent, func(a *transaction) bool {
		return a.req.branch() == m.branch() &&
			a.req.method == m.method
	})
	if i < 0 {
		p.s.fail(s, "a response to nothing:\n%s", m.text)
	}
	a := d.sent[i]
	for _, h := range []string{"WWW", "Proxy"} {
		if v := m.Get(h + "-Authenticate"); v != "" {
			d.proofs = 0
			d.challenge = map[string]string{"WWW": "Authorization: ", "Proxy": "Proxy-Authorization: "}[h] + v
		}
	}
	if v := m.Get("RSeq"); v != "" {
		d.rseq = v
	}
	tag := find(tagIn, m.Get("To"))
	if m.code >= 200 {
		a.final, a.response = m.code, m
		if m.method == "INVITE" {
			a.acked[tag] = false
		}
	}
	if m.method != "INVITE" || tag == "" || m.code >= 300 {
		return
	}
	e := d.end(s.o.fork)
	switch {
	case e.there == "":
		e.here, e.there = p.tag(d, ""), tag
		e.routes = slices.Clone(m.routes())
		slices.Reverse(e.routes)
	case e.there != tag:
		p.s.fail(s, "another To tag than before (%s): say which fork\n%s", e.there, m.text)
	}
	if m.Get("Contact") != "" {
		e.target = uatest.URI(m.Get("Contact"))
	}
	e.confirmed = e.confirmed || m.code >= 200
}

// sends builds and sends a request.
func (p *peer) sends(s step) {
	name, o := nameIn(s), s.o
	d := p.dialogs[name]
	if d == nil {
		d = p.begins(s, name)
	}
	switch s.what {
	case "ACK":
		p.acks(s, d)
		return
	case "CANCEL":
		p.cancels(s, d)
		return
	}
	d.cseq++
	number := d.cseq
	if o.cseq != "" {
		n, err := strconv.Atoi(o.cseq)
		if err != nil {
			p.s.fail(s, "cseq %q is no number", o.cseq)
		}
		if number = n; o.cseq[0] == '+' || o.cseq[0] == '-' {
			number = d.cseq + n
		}
		d.cseq = max(number, d.cseq)
	}
	e := d.end(o.fork)
	if e.here == "" {
		e.here = p.tag(d, "")
	}
	m := p.request(s, d, e, s.what, number, "")
	if s.what == "BYE" {
		e.over = true
	}
	d.sent = append(d.sent, &transaction{req: m, unanswered: o.unanswered, acked: map[string]bool{}})
	p.emit(s, m)
}

// begins starts a dialog.
func (p *peer) begins(s step, name string) *dialog {
	d := &dialog{name: name, id: fmt.Sprintf("%s-id-%s-%d", p.name, name, p.at.Port()), ends: map[string]*end{}}
	own, called := p.s.addresses(p, s)
	d.local, d.remote = own, "<"+called+">"
	if s.what == "REGISTER" {
		d.remote = own
	}
	d.end("").target = called
	p.dialogs[name] = d
	return d
}

// request builds a request; branch "" means a new one.
func (p *peer) request(s step, d *dialog, e *end, method string, number int, branch string) message {
	if branch == "" {
		branch = p.branch()
	}
	there := ""
	if e.there != "" {
		there = ";tag=" + e.there
	}
	fields := []string{fmt.Sprintf("Via: SIP/2.0/UDP %s;branch=%s;rport", p.at, branch)}
	for _, r := range e.routes {
		fields = append(fields, "Route: "+r)
	}
	fields = append(fields, "From: "+d.local+";tag="+e.here, "To: "+d.remote+there, "Call-ID: "+d.id,
		fmt.Sprintf("CSeq: %d %s", number, method), "Max-Forwards: 70")
	if slices.Contains([]string{"INVITE", "UPDATE", "REFER", "SUBSCRIBE", "NOTIFY"}, method) &&
		!hasField(s.o.with, "Contact") {
		fields = append(fields, "Contact: "+p.contact())
	}
	if s.o.credentials {
		fields = append(fields, p.credentials(s, d, method, e.target))
	}
	for _, h := range s.o.with {
		fields = append(fields, p.s.fill(s, h))
	}
	kind, body := p.content(s, d)
	return compose(method+" "+e.target+" SIP/2.0", fields, kind, body)
}

func hasField(fields []string, name string) bool {
	return slices.ContainsFunc(fields, func(f string) bool { return strings.HasPrefix(f, name+":") })
}

// lastInvite returns the last INVITE of this party.
func (d *dialog) lastInvite() *transaction {
	for i := len(d.sent) - 1; i >= 0; i-- {
		if d.sent[i].req.method == "INVITE" {
			return d.sent[i]
		}
	}
	return nil
}

// acks sends the ACK of the last INVITE: for a 2xx as a request of its own, for a non-2xx with the branch of the INVITE
// (RFC 3261 sections 13.2.2.4, 17.1.1.3).
func (p *peer) acks(s step, d *dialog) {
	a := d.lastInvite()
	if a == nil || a.final == 0 {
		p.s.fail(s, "no final response is there to acknowledge")
	}
	if a.final >= 300 {
		fields := []string{"Via: " + a.req.Get("Via"), "From: " + a.req.Get("From"), "To: " + a.response.Get("To"),
			"Call-ID: " + d.id,
			fmt.Sprintf("CSeq: %d ACK", a.req.seq), "Max-Forwards: 70"}
		for _, r := range a.req.All("Route") {
			fields = append(fields, "Route: "+r)
		}
		a.acked[find(tagIn, a.response.Get("To"))] = true
		p.emit(s, compose("ACK "+a.req.uri()+" SIP/2.0", fields, "", ""))
		return
	}
	e := d.end(s.o.fork)
	a.acked[e.there] = true
	p.emit(s, p.request(s, d, e, "ACK", a.req.seq, ""))
}

// cancels sends the CANCEL of the last INVITE (RFC 3261 section 9.1).
func (p *peer) cancels(s step, d *dialog) {
	a := d.lastInvite()
	if a == nil {
		p.s.fail(s, "no INVITE is there to cancel")
	}
	r := a.req
	fields := []string{"Via: " + r.Get("Via"), "From: " + r.Get("From"), "To: " + r.Get("To"), "Call-ID: " + d.id,
		fmt.Sprintf("CSeq: %d CANCEL", r.seq), "Max-Forwards: 70"}
	for _, h := range s.o.with {
		fields = append(fields, p.s.fill(s, h))
	}
	m := compose("CANCEL "+r.uri()+" SIP/2.0", fields, "", "")
	d.sent = append(d.sent, &transaction{req: m, unanswered: s.o.unanswered})
	p.emit(s, m)
}

// answers responds to the last request of that method without a final response. A 2xx of another fork may follow a 2xx.
func (p *peer) answers(s step) {
	method := s.o.to
	if method == "" {
		method = "INVITE"
	}
	d := p.dialogs[nameIn(s)]
	if d == nil {
		p.s.fail(s, "no such dialog")
	}
	code, _ := strconv.Atoi(s.what)
	var a *transaction
	for i := len(d.received) - 1; i >= 0 && a == nil; i-- {
		if x := d.received[i]; x.req.method == method && (x.final == 0 || s.o.fork != "" && x.final < 300) {
			a = x
		}
	}
	if a == nil {
		p.s.fail(s, "no %s waits for a response", method)
	}
	m := p.response(s, d, a, code)
	tag := find(tagIn, m.Get("To"))
	if code >= 200 {
		a.final = code
		if method == "INVITE" {
			a.acked[tag] = false
		}
	}
	if e := d.end(s.o.fork); method == "INVITE" && code > 100 && code < 300 {
		e.here, e.there = tag, find(tagIn, a.req.Get("From"))
		if e.target == "" { // another fork than the first
			e.target, e.routes = uatest.URI(a.req.Get("Contact")), a.req.routes()
		}
		e.confirmed = e.confirmed || code >= 200
	}
	p.emit(s, m)
}

func (p *peer) response(s step, d *dialog, a *transaction, code int) message {
	var fields []string
	for _, h := range []string{"Via", "Record-Route"} {
		if h == "Via" || code > 100 && code < 300 {
			for _, v := range a.req.All(h) {
				fields = append(fields, h+": "+v)
			}
		}
	}
	to := a.req.Get("To")
	if find(tagIn, to) == "" && code > 100 {
		to += ";tag=" + p.tag(d, s.o.fork)
	}
	fields = append(fields, "From: "+a.req.Get("From"), "To: "+to, "Call-ID: "+d.id, "CSeq: "+a.req.Get("CSeq"))
	if code > 100 && code < 300 && (a.req.method == "INVITE" || a.req.method == "UPDATE") &&
		!hasField(s.o.with, "Contact") {
		fields = append(fields, "Contact: "+p.contact())
	}
	if s.o.challenge != "" {
		name := map[int]string{401: "WWW", 407: "Proxy"}[code]
		d.challenge = fmt.Sprintf(`Digest realm="%s", nonce="%s", algorithm=MD5, qop="auth"`, s.o.challenge, p.branch())
		fields = append(fields, name+"-Authenticate: "+d.challenge)
	}
	for _, h := range s.o.with {
		fields = append(fields, p.s.fill(s, h))
	}
	kind, body := p.content(s, d)
	return compose(fmt.Sprintf("SIP/2.0 %d %s", code, phrase(code)), fields, kind, body)
}

func phrase(code int) string {
	if p := map[int]string{100: "Trying", 180: "Ringing", 183: "Session Progress", 200: "OK", 202: "Accepted",
		486: "Busy Here", 487: "Request Terminated"}[code]; p != "" {
		return p
	}
	return "As Said"
}

// content returns the body. A session description that differs from the last one gets the next version (RFC 3264
// section 8).
func (p *peer) content(s step, d *dialog) (kind, body string) {
	switch {
	case s.o.body == "application/dtmf-relay":
		return s.o.body, "Signal=16\r\nDuration=160\r\n"
	case s.o.body == "message/sipfrag":
		return s.o.body, "SIP/2.0 200 OK\r\n"
	case s.o.body != "":
		return s.o.body, "Curtain up in five minutes."
	case !s.o.sdp:
		return "", ""
	}
	direction, ip, port := s.o.direction, p.ip, 4000
	if direction == "" {
		direction = "sendrecv"
	}
	if direction == "moved" {
		direction, ip, port = "sendrecv", p.moved, 4002
	}
	says := fmt.Sprintf("c=IN IP4 %s\r\nt=0 0\r\nm=audio %d RTP/AVP 0 101\r\na=rtpmap:0 PCMU/8000\r\na=rtpmap:101 telephone-event/8000\r\na=%s\r\n",
		ip, port, direction)
	if says != d.described {
		d.version++
		d.described = says
	}
	return "application/sdp", fmt.Sprintf("v=0\r\no=- %d %d IN IP4 %s\r\ns=-\r\n", p.at.Port(), d.version, p.ip) + says
}

// left describes which transactions and dialogs of this party have not ended.
func (p *peer) left() (faults []string) {
	say := func(format string, a ...any) { faults = append(faults, p.name+": "+fmt.Sprintf(format, a...)) }
	for _, m := range p.held {
		say("%s is still held", m.Start)
	}
	for _, d := range p.dialogs {
		for _, a := range d.sent {
			if a.final == 0 && !a.unanswered {
				say("its %q in %s got no final response", a.req.Start, d.name)
			}
			for tag, acked := range a.acked {
				if !acked {
					say("did not acknowledge the final response to its %q in %s (tag %s)", a.req.Start, d.name, tag)
				}
			}
		}
		for _, a := range d.received {
			if a.final == 0 && !a.unanswered {
				say("gave no final response to %q in %s", a.req.Start, d.name)
			}
			for tag, acked := range a.acked {
				if !acked && !a.unanswered {
					say("no ACK came for its final response to %q in %s (tag %s)", a.req.Start, d.name, tag)
				}
			}
		}
		for fork, e := range d.ends {
			if e.confirmed && !e.over {
				say("the dialog %s %s has not ended", d.name, fork)
			}
		}
	}
	return faults
}
