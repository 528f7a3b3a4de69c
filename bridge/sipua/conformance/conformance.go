package conformance

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
)

// Trace is what one party sent to and received from the user agent under test, in the party's own order.
type Trace struct {
	Messages []Message
	// Own is the address ("host:port") at which the user agent under test receives from this party. The Via and Contact
	// of the user agent must name it. "" allows any address.
	Own string
	// Foreign holds addresses and names of the other leg. No message to this party may contain them.
	Foreign []string
}

// Faults describes each rule that a received message breaks. It checks byte-identical repeats once.
func (t Trace) Faults() []string {
	c := &checker{own: t.Own, seen: map[string]bool{}, branches: map[string]*transaction{},
		partyRequests: map[string]*transaction{}, calls: map[string]*callState{}}
	for _, raw := range t.Messages {
		if c.seen[raw.Text] {
			continue
		}
		c.seen[raw.Text] = true
		m := parse(raw)
		if !m.sent {
			c.everyMessage(m, raw.Text)
			for _, f := range t.Foreign {
				if strings.Contains(raw.Text, f) {
					c.fault(m, "%q of the other leg leaks", f)
				}
			}
		}
		switch {
		case m.sent && m.code == 0:
			c.partyRequest(m)
		case m.sent:
			c.partyResponse(m)
		case m.code == 0:
			c.request(m)
		default:
			c.response(m)
		}
	}
	return c.faults
}

// SharedIdentifiers describes each Call-ID, tag and branch of one leg that was sent to the other. The legs are separate
// dialogs, and each leg hides the other's topology.
func SharedIdentifiers(a, b Trace) []string {
	return append(leaks(a, b), leaks(b, a)...)
}

// leaks describes each identifier of the messages of from that occurs in a message to the party of to.
func leaks(from, to Trace) (faults []string) {
	secrets := map[string]bool{}
	for _, raw := range from.Messages {
		m := parse(raw)
		for _, s := range []string{m.get("call-id"), m.fromTag(), m.toTag(), m.branch()} {
			if len(s) > 3 {
				secrets[s] = true
			}
		}
	}
	for _, raw := range to.Messages {
		for s := range secrets {
			if !raw.Sent && strings.Contains(raw.Text, s) {
				first, _, _ := strings.Cut(raw.Text, "\r\n")
				faults = append(faults, fmt.Sprintf("%q: %q of the other leg leaks", first, s))
			}
		}
	}
	return faults
}

// checker holds the state that the checks of later messages need.
type checker struct {
	own    string
	faults []string
	seen   map[string]bool
	// requests of the user agent under test, by branch (CANCEL and the ACK of a non-2xx share the branch of the INVITE)
	branches      map[string]*transaction
	partyRequests map[string]*transaction // requests of the party, by branch and method
	calls         map[string]*callState   // by Call-ID
}

// transaction is one request and the responses to it.
type transaction struct {
	req   message
	heard bool    // the party sent a provisional response
	final message // code 0 until it is sent
	tag   string  // To tag of the responses above 100
	rseq  int
	acked bool
	// early: a reliable provisional response carried the SDP answer
	early bool
}

// callState is the state of one Call-ID.
type callState struct {
	seqs    map[string]int // highest CSeq of the user agent under test, by To tag; "" is the key outside of dialogs
	tag     string         // From tag of the requests of the user agent under test
	forks   map[string]bool
	dialogs map[string]*dialog // by the tag of the party
	invites map[int]*transaction
}

// dialog is a dialog as the user agent under test should know it.
type dialog struct {
	targets []string
	routes  []string
	over    bool   // the user agent under test sent BYE or answered BYE with 2xx
	origin  string // o= line of its last session description
	body    string
}

func (c *checker) fault(m message, format string, a ...any) {
	c.faults = append(c.faults, fmt.Sprintf("%q (CSeq %s): ", m.first, m.get("cseq"))+fmt.Sprintf(format, a...))
}

func (c *checker) callsOf(m message) *callState {
	id := m.get("call-id")
	k := c.calls[id]
	if k == nil {
		k = &callState{seqs: map[string]int{}, forks: map[string]bool{}, dialogs: map[string]*dialog{},
			invites: map[int]*transaction{}}
		c.calls[id] = k
	}
	return k
}

// several lists the header fields that may occur more than once (RFC 3261 section 7.3.1: lists, and the four of digest
// authentication).
var several = []string{
	"via", "route", "record-route", "warning", "diversion", "history-info", "p-asserted-identity", "www-authenticate",
	"proxy-authenticate",
	"authorization", "proxy-authorization", "alert-info", "call-info", "error-info", "reason", "contact", "allow",
	"supported", "require",
}

// everyMessage checks what every message must contain.
func (c *checker) everyMessage(m message, text string) {
	must := []string{"via", "from", "to", "call-id", "cseq", "content-length"} // sections 8.1.1, 8.2.6.2, 20.14
	if m.code == 0 {
		must = append(must, "max-forwards")
	}
	for _, h := range must {
		if m.get(h) == "" {
			c.fault(m, "no %s (RFC 3261 sections 8.1.1, 20)", h)
		}
	}
	count := map[string]int{}
	for _, f := range m.fields {
		if count[f.name]++; count[f.name] == 2 && !slices.Contains(several, f.name) {
			c.fault(m, "%s twice (section 7.3.1)", f.name)
		}
		if f.value == "" && f.name != "supported" && f.name != "subject" && f.name != "allow" && f.name != "accept" {
			c.fault(m, "%s is empty (section 25.1)", f.name)
		}
	}
	if n, err := strconv.Atoi(m.get("content-length")); err != nil || n != len(m.body) {
		c.fault(m, "Content-Length %q for %d bytes (section 18.3)", m.get("content-length"), len(m.body))
	}
	if (m.body != "") != m.has("content-type") {
		c.fault(m, "Content-Type %q with %d bytes of body (section 20.15)", m.get("content-type"), len(m.body))
	}
	number, method, _ := strings.Cut(m.get("cseq"), " ")
	if n, err := strconv.ParseUint(number, 10, 32); err != nil || n >= 1<<31 || m.code == 0 && method != m.method {
		c.fault(m, "CSeq %q (section 8.1.1.5)", m.get("cseq"))
	}
	if head, _, _ := strings.Cut(text, "\r\n\r\n"); strings.Contains(strings.ReplaceAll(head, "\r\n", ""), "\n") {
		c.fault(m, "a bare LF (section 7.1)")
	}
	if c.own != "" {
		for _, contact := range m.all("contact") {
			if m.code < 300 && m.method != "REGISTER" && hostOf(uriOf(contact)) != c.own {
				c.fault(m, "Contact %q does not lead to %s (section 8.1.1.8)", contact, c.own)
			}
		}
		if m.code == 0 && !strings.Contains(m.get("via"), " "+c.own+";") {
			c.fault(m, "Via %q is not sent by %s (section 18.1.1)", m.get("via"), c.own)
		}
	}
	if m.sdp() {
		c.sessionDescription(m)
	}
}

// sessionDescription checks RFC 3264 section 8: the session identifier stays the same, and the version rises by one
// with each change.
func (c *checker) sessionDescription(m message) {
	for _, kind := range []string{"v", "o", "s", "t", "m"} {
		if len(m.lines(kind)) == 0 {
			c.fault(m, "no %s= line in the session description (RFC 4566 section 5)", kind)
			return
		}
	}
	d := c.dialogOf(m)
	now := strings.Fields(m.lines("o")[0])
	if len(now) != 6 {
		c.fault(m, "o=%s (RFC 4566 section 5.2)", m.lines("o")[0])
		return
	}
	if d == nil {
		return
	}
	if was := strings.Fields(d.origin); len(was) == 6 {
		v1, _ := strconv.ParseUint(was[2], 10, 64)
		v2, _ := strconv.ParseUint(now[2], 10, 64)
		switch {
		case was[1] != now[1]:
			c.fault(m, "session %s in o= was %s (RFC 3264 section 8)", now[1], was[1])
		case m.body == d.body:
		case v2 != v1+1:
			c.fault(m, "another session description with version %d after %d (RFC 3264 section 8)", v2, v1)
		}
	}
	d.origin, d.body = m.lines("o")[0], m.body
}

// dialogOf returns the dialog in which the user agent under test sent m, or nil if there is none.
func (c *checker) dialogOf(m message) *dialog {
	tag := m.toTag()
	if m.code != 0 {
		tag = m.fromTag()
	}
	return c.callsOf(m).dialogs[tag]
}
