package conformance

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
)

// Trace is what one party sent and received, in its own order.
type Trace struct {
	Messages []Message
	// Own is the address ("host:port") at which the judged one receives from this party; it must be in its Via and
	// Contact. "": any.
	Own string
	// Foreign must not be in any message to this party: addresses and names of the other leg.
	Foreign []string
}

// Faults names each rule that a received message breaks. Repeats, byte by byte, are judged once.
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

// SharedIdentifiers names Call-IDs, tags and branches of one leg that were sent to the other (topology hiding: the legs
// are dialogs of their own).
func SharedIdentifiers(a, b Trace) []string {
	return append(leaks(a, b), leaks(b, a)...)
}

// leaks names what only the messages of from should hold and messages to the party of to show.
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

// checker knows what happened before.
type checker struct {
	own           string
	faults        []string
	seen          map[string]bool
	branches      map[string]*transaction // of the judged one's requests, by branch (CANCEL and ACK of a failure share the INVITE's)
	partyRequests map[string]*transaction // of the party's requests, by branch and method
	calls         map[string]*callState   // by Call-ID
}

// transaction is one request and what was said to it.
type transaction struct {
	req   message
	heard bool    // a provisional response was sent by the party
	final message // code 0: none yet
	tag   string  // of the responses over 100
	rseq  int
	acked bool
	// early: a reliable provisional response carried the answer
	early bool
}

// callState is what has one Call-ID.
type callState struct {
	seqs    map[string]int // highest CSeq of the judged one, by To tag; "": outside of dialogs
	tag     string         // From tag of the judged one's requests
	forks   map[string]bool
	dialogs map[string]*dialog // by the party's tag
	invites map[int]*transaction
}

// dialog as the judged one should know it.
type dialog struct {
	targets []string
	routes  []string
	over    bool   // the judged one said or confirmed BYE
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

// several may stand in more than one line (RFC 3261 section 7.3.1: lists, and the four of digest authentication).
var several = []string{
	"via", "route", "record-route", "warning", "diversion", "history-info", "p-asserted-identity", "www-authenticate",
	"proxy-authenticate",
	"authorization", "proxy-authorization", "alert-info", "call-info", "error-info", "reason", "contact", "allow",
	"supported", "require",
}

// everyMessage: what every message carries.
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

// sessionDescription: RFC 3264 section 8: the session's identity stays, its version rises by one with each change.
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

// dialogOf is the dialog in which the judged one sent m, nil outside of any.
func (c *checker) dialogOf(m message) *dialog {
	tag := m.toTag()
	if m.code != 0 {
		tag = m.fromTag()
	}
	return c.callsOf(m).dialogs[tag]
}
