//go:build linux

package interop

import (
	"fmt"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

var (
	branchOf = regexp.MustCompile(`(?i);branch=([^;,\s]+)`)
	tagOf    = regexp.MustCompile(`(?i);tag=([^;,\s]+)`)
)

func group(r *regexp.Regexp, s string) string {
	if m := r.FindStringSubmatch(s); m != nil {
		return m[1]
	}
	return ""
}

// lint checks all that the daemon sent to the parties of the scene.
func (r *rig) lint() {
	for _, p := range r.parties {
		for _, fault := range lintTrace(p.messages()) {
			r.t.Errorf("%s received from the daemon: %s", p.name, fault)
		}
	}
}

// inviteState is an INVITE of ours: its branch and its final answer, once that has come.
type inviteState struct {
	branch string
	final  int
}

// linter knows one Call-ID's history of requests.
type linter struct {
	faults  []string
	invites map[string]*inviteState // by Call-ID and CSeq number
	last    map[string]int          // the highest CSeq of a new request, by Call-ID
	seen    map[string]bool         // requests by Call-ID, CSeq and branch: a repeat is allowed
	tags    map[string]string       // our From tag by Call-ID
	asked   map[string]message      // requests of the party by transaction, for the replies
}

// lintTrace applies rules of RFC 3261 to what the party received: the peer is the one under test.
func lintTrace(all []message) []string {
	l := &linter{invites: map[string]*inviteState{}, last: map[string]int{}, seen: map[string]bool{}, tags: map[string]string{}, asked: map[string]message{}}
	for _, m := range all {
		first, _, _ := strings.Cut(m.text, "\r\n")
		reply := strings.HasPrefix(first, "SIP/2.0 ")
		switch {
		case m.sent && reply:
			l.answered(m)
		case m.sent:
			l.asked[transaction(m)] = m
		case reply:
			l.common(m, first)
			l.reply(m, first)
		default:
			l.common(m, first)
			l.request(m, first)
		}
	}
	return l.faults
}

// transaction: a reply belongs to its request by branch and method (section 17.1.3); the number of CSeq is copied too.
func transaction(m message) string { return group(branchOf, m.header("Via")) + " " + m.header("CSeq") }

func (l *linter) fault(format string, a ...any) {
	l.faults = append(l.faults, fmt.Sprintf(format, a...))
}

// common: section 20 says which headers every message carries; 18.3, how long its body is.
func (l *linter) common(m message, first string) {
	for _, h := range []string{"Via", "From", "To", "Call-ID", "CSeq", "Content-Length"} {
		if m.header(h) == "" {
			l.fault("no %s in %q (RFC 3261 sections 8.1.1, 20.14)", h, first)
		}
	}
	if n, err := strconv.Atoi(m.header("Content-Length")); err != nil || n != len(m.body()) {
		l.fault("Content-Length %q, but the body has %d bytes, in %q (section 18.3)", m.header("Content-Length"), len(m.body()), first)
	}
	if m.body() != "" && m.header("Content-Type") == "" {
		l.fault("a body without Content-Type in %q (section 20.15)", first)
	}
}

func (l *linter) request(m message, first string) {
	number, method, _ := strings.Cut(m.header("CSeq"), " ")
	n, err := strconv.Atoi(number)
	if err != nil || !strings.HasPrefix(first, method+" ") {
		l.fault("CSeq %q in %q (section 8.1.1.5)", m.header("CSeq"), first)
	}
	branch, call := group(branchOf, m.header("Via")), m.header("Call-ID")
	if !strings.HasPrefix(branch, "z9hG4bK") {
		l.fault("branch %q in %q (section 8.1.1.7)", branch, first)
	}
	if m.header("Max-Forwards") == "" {
		l.fault("no Max-Forwards in %q (section 8.1.1.6)", first)
	}
	tag := group(tagOf, m.header("From"))
	if tag == "" {
		l.fault("no From tag in %q (section 8.1.1.3)", first)
	}
	if old, ok := l.tags[call]; ok && old != tag && method != "REGISTER" {
		l.fault("From tag changed in %q (section 12.2.1.1)", first)
	}
	l.tags[call] = tag
	if (method == "INVITE" || method == "REGISTER") && m.header("Contact") == "" {
		l.fault("no Contact in %q (sections 8.1.1.8, 10.2)", first)
	}
	key, repeat := call+" "+number, fmt.Sprint(call, " ", m.header("CSeq"), " ", branch)
	switch {
	case method == "ACK" || method == "CANCEL":
		l.follows(method, branch, first, l.invites[key])
	case l.seen[repeat]:
	default:
		if n <= l.last[call] {
			l.fault("CSeq %d not above %d in %q (section 12.2.1.1)", n, l.last[call], first)
		}
		l.last[call] = n
		if method == "INVITE" {
			l.invites[key] = &inviteState{branch: branch}
		}
	}
	l.seen[repeat] = true
}

// follows: a CANCEL, and the ACK of a rejection, carry the branch of their INVITE; the ACK of a 2xx its own (9.1, 17.1.1.3, 13.2.2.4).
func (l *linter) follows(method, branch, first string, invite *inviteState) {
	switch {
	case invite == nil:
		l.fault("%q without an INVITE of that CSeq", first)
	case method == "CANCEL" && invite.branch != branch:
		l.fault("CANCEL with branch %q for the INVITE with %q (section 9.1)", branch, invite.branch)
	case method == "ACK" && invite.final == 0:
		l.fault("ACK before a final answer in %q", first)
	case method == "ACK" && invite.final >= 300 && invite.branch != branch:
		l.fault("ACK of %d with branch %q for the INVITE with %q (section 17.1.1.3)", invite.final, branch, invite.branch)
	case method == "ACK" && invite.final < 300 && invite.branch == branch:
		l.fault("ACK of %d with the INVITE's own branch (section 13.2.2.4)", invite.final)
	}
}

// answered notes the final answer that the party gave to an INVITE.
func (l *linter) answered(m message) {
	number, method, _ := strings.Cut(m.header("CSeq"), " ")
	code, _ := strconv.Atoi(strings.Fields(m.text)[1])
	if i := l.invites[m.header("Call-ID")+" "+number]; i != nil && method == "INVITE" && code >= 200 {
		i.final = code
	}
}

// reply: section 8.2.6.2, what a response copies from its request.
func (l *linter) reply(m message, first string) {
	q, ok := l.asked[transaction(m)]
	if !ok {
		l.fault("%q answers no request: Via %q, CSeq %q", first, m.header("Via"), m.header("CSeq"))
		return
	}
	for _, h := range []string{"Call-ID", "From"} {
		if m.header(h) != q.header(h) {
			l.fault("%s %q for %q in %q (section 8.2.6.2)", h, m.header(h), q.header(h), first)
		}
	}
	if !strings.HasPrefix(first, "SIP/2.0 100") && group(tagOf, m.header("To")) == "" {
		l.fault("no To tag in %q (section 8.2.6.2)", first)
	}
	if asked := group(tagOf, q.header("To")); asked != "" && group(tagOf, m.header("To")) != asked {
		l.fault("To tag changed in %q (section 8.2.6.2)", first)
	}
}

// TestLint feeds the linter a sound exchange and then the same with one fault each.
func TestLint(t *testing.T) {
	const head = "Via: SIP/2.0/UDP 127.0.0.1:5;branch=z9hG4bKa\r\nMax-Forwards: 70\r\nFrom: <sip:a@x.test>;tag=1\r\nTo: <sip:b@x.test>\r\nCall-ID: c\r\nContact: <sip:a@x.test>\r\n"
	invite := message{text: "INVITE sip:b@x.test SIP/2.0\r\n" + head + "CSeq: 7 INVITE\r\nContent-Length: 0\r\n\r\n"}
	refusal := message{sent: true, text: "SIP/2.0 486 Busy Here\r\n" + head + "CSeq: 7 INVITE\r\nContent-Length: 0\r\n\r\n"}
	ack := message{text: "ACK sip:b@x.test SIP/2.0\r\n" + head + "CSeq: 7 ACK\r\nContent-Length: 0\r\n\r\n"}
	require.Empty(t, lintTrace([]message{invite, invite, refusal, ack}))
	spoil := func(m message, old, new string) message {
		require.Contains(t, m.text, old)
		m.text = strings.Replace(m.text, old, new, 1)
		return m
	}
	asked := message{sent: true, text: spoil(invite, "x", "x").text}
	answer := message{text: strings.Replace(refusal.text, "To: <sip:b@x.test>", "To: <sip:b@x.test>;tag=2", 1)}
	require.Empty(t, lintTrace([]message{asked, answer}))
	for name, bad := range map[string][]message{
		"length":        {spoil(invite, "Length: 0", "Length: 3")},
		"branch":        {spoil(invite, "z9hG4bK", "a")},
		"no tag":        {spoil(invite, ";tag=1", "")},
		"tag changed":   {invite, refusal, spoil(ack, "tag=1", "tag=2")},
		"ack's branch":  {invite, refusal, spoil(ack, "z9hG4bKa", "z9hG4bKb")},
		"ack's number":  {invite, refusal, spoil(ack, "7 ACK", "8 ACK")},
		"old number":    {invite, spoil(spoil(invite, "z9hG4bKa", "z9hG4bKb"), "7 INVITE", "6 INVITE")},
		"method":        {spoil(invite, "7 INVITE", "7 BYE")},
		"no contact":    {spoil(invite, "Contact:", "X:")},
		"no forwards":   {spoil(invite, "Max-Forwards:", "X:")},
		"stray cancel":  {spoil(spoil(ack, "ACK", "CANCEL"), "7 ACK", "7 CANCEL")},
		"stray reply":   {answer},
		"reply's tag":   {asked, spoil(answer, ";tag=2", "")},
		"reply's CSeq":  {asked, spoil(answer, "7 INVITE", "8 INVITE")},
		"missing To":    {spoil(invite, "To:", "X:")},
		"reply's From":  {asked, spoil(answer, "tag=1", "tag=9")},
		"eager ack":     {invite, ack},
		"untyped body":  {message{text: strings.Replace(invite.text, "Length: 0\r\n\r\n", "Length: 1\r\n\r\nv", 1)}},
		"cancel branch": {invite, spoil(spoil(spoil(ack, "ACK", "CANCEL"), "7 ACK", "7 CANCEL"), "z9hG4bKa", "z9hG4bKb")},
	} {
		require.NotEmpty(t, lintTrace(bad), name)
	}
}
