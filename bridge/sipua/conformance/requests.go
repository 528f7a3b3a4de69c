package conformance

import (
	"slices"
	"strings"
)

// request checks a request that the party received.
func (c *checker) request(m message) {
	if len(m.all("via")) != 1 {
		c.fault(m, "%d Via (section 8.1.1.7)", len(m.all("via")))
	}
	branch := m.branch()
	if !strings.HasPrefix(branch, "z9hG4bK") || len(branch) < 12 {
		c.fault(m, "branch %q (section 8.1.1.7)", branch)
	}
	if !strings.Contains(m.get("via"), ";rport") {
		c.fault(m, "no rport in Via (RFC 3581 section 3)")
	}
	if n := m.get("max-forwards"); n == "0" || len(n) > 2 || len(n) == 2 && n > "70" {
		c.fault(m, "Max-Forwards %q (section 8.1.1.6)", n)
	}
	k := c.callsOf(m)
	tag := m.fromTag()
	switch {
	case tag == "":
		c.fault(m, "no From tag (section 8.1.1.3)")
	case k.tag != "" && k.tag != tag:
		c.fault(m, "From tag changed (section 12.2.1.1)")
	}
	k.tag = tag
	switch m.method {
	case "CANCEL":
		c.cancel(m)
	case "ACK":
		c.ack(m, k)
	default:
		c.newRequest(m, k)
	}
}

// newRequest checks a request other than ACK and CANCEL.
func (c *checker) newRequest(m message, k *callState) {
	if old := c.branches[m.branch()]; old != nil {
		c.fault(m, "branch of %q (section 8.1.1.7)", old.req.first)
	}
	t := &transaction{req: m}
	c.branches[m.branch()] = t
	c.cseqNumber(m, k)
	switch m.method {
	case "INVITE":
		k.invites[m.seq] = t
		for _, h := range []string{"allow", "supported"} {
			if !m.has(h) {
				c.fault(m, "no %s (section 13.2.1)", h)
			}
		}
		fallthrough
	case "UPDATE", "REGISTER", "SUBSCRIBE", "REFER":
		if len(m.all("contact")) != 1 {
			c.fault(m, "%d Contact (sections 8.1.1.8, 10.2, 12.2.1.1)", len(m.all("contact")))
		}
	case "PRACK":
		c.prack(m)
	case "BYE":
		if m.sdp() {
			c.fault(m, "a session description (section 15.1.1)")
		}
	}
	if m.toTag() != "" {
		c.inDialog(m, k)
	}
}

// cseqNumber checks section 12.2.1.1: each dialog has its own sequence, which starts with the request that created it.
func (c *checker) cseqNumber(m message, k *callState) {
	tag := m.toTag()
	last, counts := k.seqs[tag]
	if !counts {
		last = k.seqs[""]
	}
	switch {
	case m.seq <= last:
		c.fault(m, "CSeq not above %d (section 12.2.1.1)", last)
	case last > 0 && m.seq != last+1:
		c.fault(m, "CSeq does not follow %d (section 12.2.1.1)", last)
	}
	k.seqs[tag] = max(last, m.seq)
}

// inDialog checks a request within a dialog (section 12.2.1.1).
func (c *checker) inDialog(m message, k *callState) {
	d := k.dialogs[m.toTag()]
	if d == nil {
		c.fault(m, "To tag %q of no dialog (section 12.2.1.1)", m.toTag())
		return
	}
	if d.over {
		c.fault(m, "in a dialog that is over (section 15.1.1)")
	}
	c.requestTarget(m, d)
	if m.method == "BYE" {
		d.over = true
		for _, t := range c.partyRequests {
			if t.req.method == "INVITE" && t.req.toTag() == "" && t.req.get("call-id") == m.get("call-id") &&
				t.final.code/100 == 2 && !t.acked {
				c.fault(m, "before the ACK of our 2xx (section 15)")
			}
		}
	}
}

// requestTarget checks that Request-URI and Route follow from the remote target and the route set. The previous target
// is allowed too, because a target refresh may cross the request.
func (c *checker) requestTarget(m message, d *dialog) {
	uri, routes := m.uri, m.routes("route")
	// A strict router: its URI is in the Request-URI, and the target is last in Route.
	if len(d.routes) > 0 && !strings.Contains(d.routes[0], ";lr") {
		if uri != d.routes[0] || len(routes) == 0 || !slices.Equal(routes[:len(routes)-1], d.routes[1:]) {
			c.fault(m, "Request-URI %q and Route %q for the strict route %q (section 12.2.1.1)", uri, routes, d.routes)
			return
		}
		uri, routes = routes[len(routes)-1], d.routes
	}
	if !slices.Contains(d.targets[max(0, len(d.targets)-2):], uri) {
		c.fault(m, "Request-URI %q, the remote target is %q (section 12.2.1.1)", uri, d.targets)
	}
	if !slices.Equal(routes, d.routes) {
		c.fault(m, "Route %q, the route set is %q (section 12.2.1.1)", routes, d.routes)
	}
}

// copiedFromInvite checks that a CANCEL, or the ACK of a non-2xx, repeats these values of its INVITE.
func (c *checker) copiedFromInvite(m, invite message, section string) {
	if m.uri != invite.uri {
		c.fault(m, "Request-URI %q, the INVITE's was %q (%s)", m.uri, invite.uri, section)
	}
	for _, h := range []string{"call-id", "from"} {
		if m.get(h) != invite.get(h) {
			c.fault(m, "%s %q, the INVITE's was %q (%s)", h, m.get(h), invite.get(h), section)
		}
	}
	if m.seq != invite.seq {
		c.fault(m, "CSeq number, the INVITE's was %d (%s)", invite.seq, section)
	}
	if m.get("via") != invite.get("via") {
		c.fault(m, "Via %q, the INVITE's was %q (%s)", m.get("via"), invite.get("via"), section)
	}
	if !slices.Equal(m.routes("route"), invite.routes("route")) {
		c.fault(m, "Route %q, the INVITE's was %q (%s)", m.routes("route"), invite.routes("route"), section)
	}
}

// cancel checks a CANCEL (section 9.1).
func (c *checker) cancel(m message) {
	t := c.branches[m.branch()]
	if t == nil || t.req.method != "INVITE" {
		c.fault(m, "no INVITE has its branch (section 9.1)")
		return
	}
	c.copiedFromInvite(m, t.req, "section 9.1")
	if m.get("to") != t.req.get("to") {
		c.fault(m, "To %q, the INVITE's was %q (section 9.1)", m.get("to"), t.req.get("to"))
	}
	if m.has("require") || m.has("proxy-require") {
		c.fault(m, "Require (section 9.1)")
	}
	if !t.heard && t.final.code == 0 {
		c.fault(m, "before any provisional response (section 9.1)")
	}
}

// ack checks an ACK (sections 17.1.1.3 and 13.2.2.4).
func (c *checker) ack(m message, k *callState) {
	t := k.invites[m.seq]
	if t == nil {
		c.fault(m, "no INVITE has its CSeq number (section 13.2.2.4)")
		return
	}
	switch {
	case t.final.code == 0:
		c.fault(m, "before a final response (section 13.2.2.4)")
	case t.final.code >= 300:
		c.copiedFromInvite(m, t.req, "section 17.1.1.3")
		if m.get("to") != t.final.get("to") {
			c.fault(m, "To %q, the response's was %q (section 17.1.1.3)", m.get("to"), t.final.get("to"))
		}
		if m.body != "" {
			c.fault(m, "a body (section 17.1.1.3)")
		}
	default:
		c.ackOf2xx(m, t, k)
	}
	t.acked = true
}

// ackOf2xx checks the ACK of a 2xx.
func (c *checker) ackOf2xx(m message, t *transaction, k *callState) {
	if m.branch() == t.req.branch() {
		c.fault(m, "the INVITE's own branch (section 13.2.2.4)")
	}
	for _, h := range []string{"authorization", "proxy-authorization"} {
		if !slices.Equal(m.all(h), t.req.all(h)) {
			c.fault(m, "%s is not the INVITE's (section 22.1)", h)
		}
	}
	switch d := k.dialogs[m.toTag()]; {
	case d == nil:
		c.fault(m, "To tag %q of no dialog (section 13.2.2.4)", m.toTag())
	default:
		c.requestTarget(m, d)
	}
	if !t.req.sdp() && t.final.sdp() && t.final.toTag() == m.toTag() && !m.sdp() && !t.early {
		c.fault(m, "no answer to the offer in the 2xx (section 13.2.2.4)")
	}
	if t.req.sdp() && m.sdp() {
		c.fault(m, "a session description, though the INVITE had the offer (section 13.2.1)")
	}
}

// prack checks a PRACK (RFC 3262 section 4).
func (c *checker) prack(m message) {
	rack := strings.Fields(m.get("rack"))
	if len(rack) != 3 {
		c.fault(m, "RAck %q (RFC 3262 section 7.2)", m.get("rack"))
		return
	}
	for _, t := range c.callsOf(m).invites {
		if rack[1]+" "+rack[2] == t.req.get("cseq") {
			return
		}
	}
	c.fault(m, "RAck %q of no INVITE (RFC 3262 section 7.2)", m.get("rack"))
}

// partyResponse records a response of the party to a request of the user agent under test.
func (c *checker) partyResponse(m message) {
	t := c.branches[m.branch()]
	if t == nil || t.req.method != m.method {
		return
	}
	k := c.callsOf(m)
	if m.code < 200 {
		t.heard = true
		t.early = t.early || m.token("require", "100rel") && m.sdp()
	} else if t.final.code == 0 || t.final.code/100 == 2 {
		t.final = m
	}
	if m.code <= 100 || m.code >= 300 || m.toTag() == "" {
		return
	}
	switch d := k.dialogs[m.toTag()]; {
	case m.method == "INVITE" && d == nil:
		k.forks[m.toTag()] = true
		k.dialogs[m.toTag()] = &dialog{targets: []string{uriOf(m.get("contact"))},
			routes: reversed(m.routes("record-route"))}
	case d != nil && (m.method == "INVITE" || m.method == "UPDATE") && m.has("contact"):
		d.targets = append(d.targets, uriOf(m.get("contact")))
		if t.req.toTag() == "" && m.code >= 200 { // the 2xx replaces the route set (section 13.2.2.4)
			d.routes = reversed(m.routes("record-route"))
		}
	}
}
