package rehearsal

import (
	"fmt"
	"net/netip"
	"time"
)

// call is one call of a user agent, and its dialog (RFC 3261 section 12). The goroutine of the user agent's inbox owns
// it.
type call struct {
	u         *ua
	id, tag   string
	local     string // our From, with the tag
	remote    string // our To, with the tag once it is known
	target    string // remote target
	routes    []string
	seq       int
	in        *server // the incoming INVITE; nil for an outgoing call
	out       *client // our INVITE; after a challenge, the one with credentials
	confirmed bool    // answered
	acked     bool
	over      bool
	audio     *audio
}

func (u *ua) forget(c *call) {
	c.over = true
	if c.audio != nil {
		c.audio.close()
	}
}

// invited handles a new incoming call.
func (u *ua) invited(t *server) {
	m := t.req
	c := &call{u: u, id: m.get("Call-ID"), tag: token(), in: t, remote: m.get("From"), target: uriOf(m.get("Contact")),
		routes: m.all("Record-Route")}
	c.local = m.get("To") + ";tag=" + c.tag
	u.calls[c.id+c.tag] = c
	u.owner.offered(c)
}

// invite calls a number. to is the destination of the datagram, domain the host of the URIs.
func (u *ua) invite(number, domain string, to netip.AddrPort) (*call, error) {
	c := &call{u: u, id: token(), tag: token(), target: fmt.Sprintf("sip:%s@%s", number, domain)}
	c.local = fmt.Sprintf("<sip:%s@%s>;tag=%s", u.user, domain, c.tag)
	c.remote = "<" + c.target + ">"
	u.calls[c.id+c.tag] = c
	var err error
	if c.audio, err = openAudio(); err != nil {
		return nil, err
	}
	req := c.request("INVITE")
	req.add("Content-Type", "application/sdp")
	req.body = c.audio.sdp()
	c.sendInvite(req, to)
	return c, nil
}

func (c *call) sendInvite(req *message, to netip.AddrPort) {
	c.u.start(req, to, func(res *message) { c.response(req, to, res) })
	c.out = c.u.clients[req.branch()+"INVITE"]
}

// request creates a request within the call.
func (c *call) request(method string) *message {
	c.seq++
	m := &message{start: method + " " + c.target + " SIP/2.0"}
	m.add("Via", c.u.via())
	m.add("Max-Forwards", "70")
	for _, r := range c.routes {
		m.add("Route", r)
	}
	m.add("From", c.local)
	m.add("To", c.remote)
	m.add("Call-ID", c.id)
	m.add("CSeq", fmt.Sprintf("%d %s", c.seq, method))
	m.add("Contact", c.u.contact())
	return m
}

// hop returns the destination of a request within the dialog: the first route, or else the remote target.
func (c *call) hop() netip.AddrPort {
	next := c.target
	if len(c.routes) > 0 {
		next = uriOf(c.routes[0])
	}
	if a, ok := addrOf(next); ok {
		return a
	}
	if c.in != nil {
		return c.in.from
	}
	return c.out.to
}

func (c *call) response(req *message, to netip.AddrPort, res *message) {
	switch code := res.status(); {
	case (code == 401 || code == 407) && req == c.out.req && !c.over:
		again, err := authorize(req, res, c.u.login)
		if err != nil {
			c.fail("an unanswerable challenge")
			return
		}
		c.seq++
		again.set("Via", c.u.via())
		again.set("CSeq", fmt.Sprintf("%d INVITE", c.seq))
		c.sendInvite(again, to)
	case code < 180 || req != c.out.req:
	case code < 200:
		c.u.owner.ringing(c)
	case code < 300:
		c.accepted(res)
	default:
		c.fail(fmt.Sprint(code))
	}
}

func (c *call) fail(how string) {
	if c.over {
		return
	}
	c.u.forget(c)
	c.u.owner.ended(c, how)
}

// accepted handles a 200 to our INVITE, and acknowledges each retransmission.
func (c *call) accepted(res *message) {
	c.remote = res.get("To")
	if contact := res.get("Contact"); contact != "" {
		c.target = uriOf(contact)
	}
	c.routes = nil
	for _, r := range res.all("Record-Route") {
		c.routes = append([]string{r}, c.routes...)
	}
	invite, _ := c.out.req.cseq()
	ack := c.request("ACK")
	c.seq--
	ack.set("CSeq", fmt.Sprintf("%d ACK", invite))
	c.u.send(ack, c.hop())
	switch {
	case c.over: // the 200 crossed our CANCEL
		c.u.start(c.request("BYE"), c.hop(), func(*message) {})
	case !c.confirmed:
		c.confirmed = true
		c.audio.talkTo(res.body)
		c.u.owner.answered(c)
	}
}

// ring and answer are for an incoming call.
func (c *call) ring() {
	res := c.in.req.reply(180, reason(180), c.tag)
	res.add("Contact", c.u.contact())
	c.u.respond(c.in, res)
}

func (c *call) answer() {
	var err error
	if c.audio, err = openAudio(); err != nil {
		c.refuse(488)
		return
	}
	c.confirmed = true
	res := c.in.req.reply(200, "OK", c.tag)
	res.add("Contact", c.u.contact())
	res.add("Content-Type", "application/sdp")
	res.body = c.audio.sdp()
	c.u.respond(c.in, res)
	c.audio.talkTo(c.in.req.body)
	c.repeatAnswer(res, t1)
}

// repeatAnswer retransmits the 200 until its ACK comes (RFC 3261 section 13.3.1.4).
func (c *call) repeatAnswer(res *message, interval time.Duration) {
	c.u.after(interval, func() {
		if !c.acked && !c.over && interval < 16*time.Second {
			c.u.send(res, c.in.from)
			c.repeatAnswer(res, min(2*interval, t2))
		}
	})
}

// refuse rejects an incoming call that is not answered yet.
func (c *call) refuse(code int) {
	c.u.forget(c)
	c.u.respond(c.in, c.in.req.reply(code, reason(code), c.tag))
}

// hangUp ends the call from our side: BYE, or CANCEL before the answer.
func (c *call) hangUp() {
	if c.over {
		return
	}
	c.u.forget(c)
	if c.confirmed {
		c.u.start(c.request("BYE"), c.hop(), func(*message) {})
		return
	}
	req := c.out.req
	n, _ := req.cseq()
	m := &message{start: "CANCEL " + req.uri() + " SIP/2.0"}
	for _, name := range []string{"Via", "Max-Forwards", "Route", "From", "To", "Call-ID"} {
		for _, v := range req.all(name) {
			m.add(name, v)
		}
	}
	m.add("CSeq", fmt.Sprintf("%d CANCEL", n))
	c.u.start(m, c.out.to, func(*message) {})
}

// handleInDialog handles a request within the dialog.
func (c *call) handleInDialog(t *server) {
	m := t.req
	if m.method() == "ACK" {
		c.acked = true
		return
	}
	if c.over {
		c.u.respond(t, m.reply(481, reason(481), c.tag))
		return
	}
	res := m.reply(200, "OK", c.tag)
	switch m.method() {
	case "BYE":
		c.u.forget(c)
		c.u.respondBye(t, res)
		c.u.owner.ended(c, "BYE")
		return
	case "INVITE", "UPDATE":
		if contact := m.get("Contact"); contact != "" {
			c.target = uriOf(contact)
		}
		res.add("Contact", c.u.contact())
		if len(m.body) > 0 {
			res.add("Content-Type", "application/sdp")
			res.body = c.audio.sdp()
			c.audio.talkTo(m.body)
		}
	}
	c.u.respond(t, res)
}
