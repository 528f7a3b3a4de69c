package conformance

import (
	"slices"
	"strconv"
	"strings"
)

// partyRequest records a request of the party.
func (c *checker) partyRequest(m message) {
	k := c.callsOf(m)
	if m.method == "ACK" {
		for _, t := range c.partyRequests {
			if t.req.method == "INVITE" && t.req.seq == m.seq && t.req.get("call-id") == m.get("call-id") {
				t.acked = true
			}
		}
		return
	}
	c.partyRequests[m.branch()+" "+m.method] = &transaction{req: m}
	if m.method == "INVITE" && m.toTag() == "" {
		k.dialogs[m.fromTag()] = &dialog{targets: []string{uriOf(m.get("contact"))}, routes: m.routes("record-route")}
		return
	}
	if d := k.dialogs[m.fromTag()]; d != nil && (m.method == "INVITE" || m.method == "UPDATE") && m.has("contact") {
		d.targets = append(d.targets, uriOf(m.get("contact"))) // takes effect when the request is answered 2xx
	}
}

// response checks a response that the party received.
func (c *checker) response(m message) {
	t := c.partyRequests[m.branch()+" "+m.method]
	if t == nil {
		c.fault(m, "answers no request: Via %q (section 8.2.6.2)", m.get("via"))
		return
	}
	c.copiedFromRequest(m, t)
	if m.code < 200 {
		c.provisional(m, t)
	} else {
		c.final(m, t)
	}
	if m.code < 300 && m.code > 100 && m.method == "INVITE" {
		if m.code >= 200 || m.toTag() != "" {
			if len(m.all("contact")) != 1 {
				c.fault(m, "%d Contact (section 12.1.1)", len(m.all("contact")))
			}
		}
		if t.req.toTag() == "" && !slices.Equal(m.routes("record-route"), t.req.routes("record-route")) {
			c.fault(m, "Record-Route %q, the request's is %q (section 12.1.1)", m.routes("record-route"),
				t.req.routes("record-route"))
		}
	}
}

// copiedFromRequest checks section 8.2.6.2.
func (c *checker) copiedFromRequest(m message, t *transaction) {
	for _, h := range []string{"call-id", "from", "cseq"} {
		if m.get(h) != t.req.get(h) {
			c.fault(m, "%s %q, the request's is %q (section 8.2.6.2)", h, m.get(h), t.req.get(h))
		}
	}
	if got, want := vias(m), vias(t.req); !slices.Equal(got, want) {
		c.fault(m, "Via %q, the request's are %q (section 8.2.6.2)", got, want)
	}
	if uriOf(m.get("to")) != uriOf(t.req.get("to")) {
		c.fault(m, "To %q, the request's is %q (section 8.2.6.2)", m.get("to"), t.req.get("to"))
	}
	tag := m.toTag()
	switch asked := t.req.toTag(); {
	case m.code == 100 && asked == "":
	case tag == "":
		c.fault(m, "no To tag (section 8.2.6.2)")
	case asked != "" && asked != tag:
		c.fault(m, "To tag %q, the request's is %q (section 8.2.6.2)", tag, asked)
	case t.tag != "" && t.tag != tag && (m.method != "INVITE" || m.code < 200 && t.final.code != 0):
		c.fault(m, "To tag %q was %q (section 8.2.6.2)", tag, t.tag)
	default:
		t.tag = tag
	}
	if m.method == "CANCEL" {
		if inv := c.partyRequests[m.branch()+" INVITE"]; inv != nil && inv.tag != "" && inv.tag != tag {
			c.fault(m, "To tag %q, that of the responses to the INVITE is %q (section 9.2)", tag, inv.tag)
		}
	}
}

// vias returns the Vias without the parameters added on the way (received and rport, RFC 3581 section 4).
func vias(m message) []string {
	var all []string
	for _, v := range m.all("via") {
		var kept []string
		for _, p := range strings.Split(v, ";") {
			name, _, _ := strings.Cut(p, "=")
			if name != "received" && name != "rport" {
				kept = append(kept, p)
			}
		}
		slices.Sort(kept)
		all = append(all, strings.Join(kept, ";"))
	}
	return all
}

func (c *checker) provisional(m message, t *transaction) {
	if t.final.code != 0 {
		c.fault(m, "after the final response %d (section 17.2)", t.final.code)
	}
	if m.method != "INVITE" {
		c.fault(m, "a provisional response to a request that is no INVITE (RFC 4320 section 4.1)")
	}
	if m.code > 100 {
		t.heard = true
	}
	if !m.token("require", "100rel") {
		if m.has("rseq") {
			c.fault(m, "RSeq without Require: 100rel (RFC 3262 section 3)")
		}
		return
	}
	if !t.req.token("supported", "100rel") && !t.req.token("require", "100rel") {
		c.fault(m, "reliable, but the request does not support it (RFC 3262 section 3)")
	}
	n, err := strconv.Atoi(m.get("rseq"))
	if err != nil || n < 1 || m.code == 100 {
		c.fault(m, "RSeq %q (RFC 3262 section 3)", m.get("rseq"))
	}
	if t.rseq != 0 && n != t.rseq+1 && len(c.callsOf(m).forks) < 2 && t.tag == m.toTag() {
		c.fault(m, "RSeq %d after %d (RFC 3262 section 3)", n, t.rseq)
	}
	t.rseq, t.early = n, t.early || m.sdp()
}

func (c *checker) final(m message, t *transaction) {
	if t.final.code != 0 && (t.final.code != m.code || m.code >= 300 || t.final.toTag() == m.toTag()) {
		c.fault(m, "a second final response, after %d (section 17.2)", t.final.code)
	}
	t.final = m
	need := func(header, section string) {
		if !m.has(header) {
			c.fault(m, "no %s (section %s)", header, section)
		}
	}
	switch {
	case m.code == 401:
		need("www-authenticate", "22.2")
	case m.code == 407:
		need("proxy-authenticate", "22.3")
	case m.code == 405:
		need("allow", "8.2.1")
	case m.code == 420:
		need("unsupported", "8.2.2.3")
	case m.code == 415:
		need("accept", "8.2.3")
	case m.code == 422:
		need("min-se", "6 of RFC 4028")
	case m.code == 423:
		need("min-expires", "10.3")
	case m.code == 500 && m.method == "INVITE" && t.req.toTag() != "":
		c.retry(m)
	case m.code/100 != 2:
	case m.method == "REGISTER" && t.req.has("contact") && !strings.HasPrefix(t.req.get("expires"), "0") &&
		!strings.Contains(t.req.get("contact"), "expires=0"):
		need("contact", "10.3")
	case m.method == "OPTIONS":
		need("allow", "11.2")
		need("accept", "11.2")
		need("supported", "11.2")
	case m.method == "UPDATE":
		need("contact", "5.2 of RFC 3311")
	case m.method == "INVITE":
		need("allow", "13.3.1")
		need("supported", "13.3.1")
		c.answer(m, t)
	case m.method == "BYE":
		if d := c.callsOf(m).dialogs[t.req.fromTag()]; d != nil {
			d.over = true
		}
	}
}

// retry checks Retry-After in a 500: a re-INVITE that comes too early gets 500 with a time to wait (section 14.2).
func (c *checker) retry(m message) {
	if n, err := strconv.Atoi(m.get("retry-after")); m.has("retry-after") && (err != nil || n < 0 || n > 10) {
		c.fault(m, "Retry-After %q (section 14.2)", m.get("retry-after"))
	}
}

// answer checks RFC 3261 section 13.2.1 and RFC 3264 section 6.
func (c *checker) answer(m message, t *transaction) {
	switch {
	case !m.sdp() && !t.early:
		c.fault(m, "no session description: an answer to the request's offer, or an offer (section 13.2.1)")
	case m.sdp() && t.req.sdp():
		got, want := m.lines("m"), t.req.lines("m")
		if len(got) != len(want) {
			c.fault(m, "%d m= lines for %d (RFC 3264 section 6)", len(got), len(want))
			return
		}
		for i := range got {
			if strings.Fields(got[i])[0] != strings.Fields(want[i])[0] {
				c.fault(m, "m=%s for m=%s (RFC 3264 section 6)", got[i], want[i])
			}
		}
	}
}
