//go:build linux

package interop

import (
	"fmt"
	"math/rand/v2"
	"regexp"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// paidFor is the number that the attacks in this file try to reach.
const paidFor = "4930123456"

// rejecter is a far end that rejects every call and records the INVITEs.
type rejecter struct {
	*peer
	mu      sync.Mutex
	invites []message
	done    chan struct{}
}

// rejects makes a peer answer 486 to every INVITE and 200 to every other request until the end of the test.
func (p *peer) rejects() *rejecter {
	r := &rejecter{peer: p, done: make(chan struct{})}
	go func() {
		defer close(r.done)
		for m := range p.in {
			switch {
			case m.is("INVITE", "INVITE"):
				r.mu.Lock()
				r.invites = append(r.invites, m)
				r.mu.Unlock()
				p.replies(m, "486 Busy Here", "far")
			case !strings.HasPrefix(m.text, "SIP/2.0") && !strings.HasPrefix(m.text, "ACK"):
				p.replies(m, "200 OK", "far")
			}
		}
	}()
	return r
}

// got returns the INVITEs that arrived since the last call.
func (r *rejecter) got() []message {
	r.mu.Lock()
	defer r.mu.Unlock()
	all := r.invites
	r.invites = nil
	return all
}

// dials makes a call, and repeats it with the line's password if challenged. It returns the final status code and the
// INVITEs that reached the service.
func (near *peer) dials(far *rejecter, uri string, more ...string) (code string, passed []message) {
	near.t.Helper()
	c := near.begins(boxOffice, uri)
	more = append(more, described(near.at))
	c.request("INVITE", more...)
	m := c.response("INVITE")
	code = c.refused(m)
	if code == "401" {
		c.request("INVITE", append(more, answersChallenge(m, "INVITE", uri, boxOffice, password))...)
		code = c.refused(c.response("INVITE"))
	}
	return code, far.got()
}

// emergencyDialled matches the Request-URIs of emergency calls from Great Britain, on a line without outside prefixes
// (SAFETY.md S80, S82): the numbers of emergency.csv, 112 and 911, alone or behind one 0, 8 or 9, and the URN of RFC
// 5031.
var emergencyDialled = regexp.MustCompile(`^(?:sip:[089]?(?:112|911|999|18000)@[0-9.:]+|urn:service:sos(?:\.[a-z0-9-]+)*)$`)

// onlyHelp checks that an INVITE at the service is for an emergency number and contains nothing else that was dialled.
func (near *peer) onlyHelp(dialled string, invite message) {
	near.t.Helper()
	uri := strings.Fields(invite.text)[1]
	require.Regexp(near.t, emergencyDialled, uri, "%q reached the service", dialled)
	require.Equal(near.t, "<"+uri+">", invite.header("To"), "%q", dialled)
	require.NotContains(near.t, invite.text, paidFor, "%q reached the service", dialled)
}

// strictLine is a line that may call only extensions 2xx and the numbers 555xxxx, but not 5550150.
var strictLine = lineSetup{name: boxOffice, interval: 300 * time.Millisecond, policy: quickPolicy,
	more: "    dial: {allow: [\"2xx\", \"555xxxx\"], deny: [\"5550150\"]}\n    calls: 2\n"}

// TestAttackNumbers: a number that contains an emergency number is treated like any other (SAFETY.md S81). A call comes
// from the line's own address and port, with the password and without it. Only an emergency number may reach the
// service, whatever the number is wrapped in. A call to an emergency number, in any form that telephones and people
// use, is put through to exactly that number.
func TestAttackNumbers(t *testing.T) {
	t.Parallel()
	r := newTestBed(t, setup{lines: []lineSetup{strictLine}})
	near, far := r.peer("near", 1, r.adapters[boxOffice], r.adapterPort),
		r.peer("far", 1, r.far, r.servicePort).rejects()
	host := near.to.String()

	for _, dialled := range wrapped(host) {
		code, passed := near.dials(far, dialled)
		require.Empty(t, passed, "%q ended with %s, but reached the service", dialled, code)
	}
	for dialled, want := range emergencyDestinations(host) {
		code, passed := near.dials(far, dialled)
		require.Len(t, passed, 1, "%q ended with %s and did not reach the service", dialled, code)
		near.onlyHelp(dialled, passed[0])
		require.Contains(t, []string{"sip:" + want + "@" + at(r.far), want}, strings.Fields(passed[0].text)[1], "%q",
			dialled)
	}
	// A number beside an emergency number in another header field must not reach the service either.
	for _, line := range []string{
		"Route: <sip:" + paidFor + "@192.0.2.99;lr>", "Diversion: <tel:+" + paidFor + ">", "History-Info: <sip:" +
			paidFor + "@192.0.2.99>;index=1",
		"P-Called-Party-ID: <tel:+" + paidFor + ">", "Refer-To: <tel:+" + paidFor + ">", "P-Asserted-Identity: <tel:+" +
			paidFor + ">",
		"P-Preferred-Identity: <tel:+" + paidFor + ">", "Remote-Party-ID: <tel:+" + paidFor + ">", "Replaces: " +
			paidFor + ";to-tag=1;from-tag=2", "Join: " + paidFor + ";to-tag=1;from-tag=2",
		"Contact: <sip:" + paidFor + "@" + near.at.String() + ">",
	} {
		_, passed := near.dials(far, "sip:112@"+host, line)
		for _, invite := range passed {
			near.onlyHelp(line, invite)
		}
	}
	require.Empty(t, r.board.openings(t, 0))
}

// wrapped returns destinations that contain an emergency number but are not emergency numbers.
func wrapped(host string) (all []string) {
	for _, user := range []string{
		// the first forms that were found
		"004930123456;rn=112", "004930123456%3Brn=112", "004930123456*112", "112*004930123456", "112%23004930123456",
		"112#004930123456", "*31*112%23004930123456",
		"004930123456+44112", "5559000*999",
		// other separators: those of diallers (pause, wait, comma), URIs, escapes and other alphabets
		"112,004930123456", "112p004930123456", "112w004930123456", "112P004930123456", "112&004930123456",
		"112=004930123456", "112/004930123456", "112?004930123456",
		"112$004930123456", "112!004930123456", "112~004930123456", "112_004930123456", "112'004930123456",
		"112+4930123456", "112++4930123456", "112%00004930123456",
		"112%0D%0A004930123456", "112%09004930123456", "112%20004930123456", "112%2C004930123456", "112%2A004930123456",
		"112-004930123456", "112.004930123456", "(112)004930123456",
		"112%C2%A0004930123456", "112%E2%80%8B004930123456", "%EF%BC%91%EF%BC%91%EF%BC%92", "%D9%A1%D9%A1%D9%A2",
		"%2531%2531%2532", "112%", "112%4", "1%E2%80%8B12",
		// digits before it
		"004930123456112", "004930123456,112", "004930123456%20112", "+4930123456112", "+44112", "+49112", "0044112",
		"0049112", "00112", "1112", "08112", "7112", "5112",
		// service codes, and repeated codes
		"*21*112#004930123456", "**21*112*11#", "*21*004930123456*112#", "*72112004930123456", "#31#112#004930123456",
		"*31#112*004930123456", "*67*112*004930123456", "*31#*31#112*0049",
		"*31#004930123456", "141004930123456", "141999*004930123456", "1411419990049",
		// an emergency number twice, or with further digits
		"112112", "112999", "9999112", "1129", "9990", "9111", "1120", "0999004930123456", "9112004930123456",
		"8999*004930123456",
		// an allowed number beside it
		"5550101*112", "2222112", "5550150", "555999", "112*5550101", "01632960101*5550101", "*21*01632960101*5550101",
		"**21*01632960101*11#",
		// another number where a parameter should be
		"220;+4930123456", "220%3B+4930123456", "220%3B004930123456",
		"5550101;rn=01632960101", "5550101%3Brn=01632960101",
	} {
		all = append(all, "sip:"+user+"@"+host)
	}
	return append(all,
		"tel:+4930123456;rn=112", "tel:+4930123456;phone-context=112", "tel:004930123456;phone-context=112",
		"tel:+4930123456;isub=112", "tel:+4930123456;ext=112", "tel:112,004930123456",
		"tel:112*004930123456", "tel:+44112", "tel:+49-112", "tel:00112", "tel:1-1-2-4930123456",
		"tel:112p004930123456", "tel:5550101:004930123456", "tel:5550101;rn=01632960101", "tel:", "tel:;rn=112",
		"sip:@"+host, "sip:112", "sip:;rn=112@"+host,
		"sip:004930123456@112", "sip:004930123456@"+host+";user=112", "sip:004930123456@"+host+";maddr=112",
		"sip:004930123456@"+host+"?To=112", "sip:004930123456:112@"+host,
		"sip:urn:service:sos@"+host, "sip:urn%3Aservice%3Asos@"+host, "sip:sos@"+host, "sips:004930123456*112@"+host,
		"SIP:004930123456;112@"+host,
		"urn:service:sos;rn=004930123456", "urn:service:sos@004930123456", "urn:service:sos?tel:+4930123456",
		"urn:service:sosx", "urn:service:sos.", "urn:service:sos..fire",
		"urn:service:sos.fire;tel:+4930123456", "urn:service:counseling", "urn:service:sos/004930123456",
		"urn:nena:service:sos",
		"http:112", "mailto:112@"+host, "im:112@"+host, "112", "tel:112@"+host+"*0049",
		fmt.Sprintf("sip:%s112@%s", strings.Repeat("0", 200), host),
		fmt.Sprintf("sip:112%s@%s", strings.Repeat("*0049", 40), host))
}

// emergencyDestinations returns destinations of real emergency calls, and the number that must reach the service for
// each.
func emergencyDestinations(host string) map[string]string {
	all := map[string]string{
		"tel:112": "112", "tel:999": "999", "tel:9-9-9": "999", "tel:112;phone-context=+44": "112", "tel:112;rn=+" +
			paidFor: "112", "TEL:112": "112",
		"urn:service:sos": "urn:service:sos", "URN:service:sos.Fire": "urn:service:sos.fire",
		"urn:service:sos.animal-control": "urn:service:sos.animal-control",
		"sip:112@elsewhere.example":      "112", "sips:112@" + host: "112", "SIP:999@" + host: "999",
		"sip:112@" + host + ";user=phone": "112", "sip:112@" + host + ";maddr=192.0.2.99": "112", "sip:112@" + host +
			"?Route=%3Csip:" + paidFor + "@192.0.2.99%3E": "112",
	}
	for user, want := range map[string]string{
		"112": "112", "911": "911", "999": "999", "9-9-9": "999", "(112)": "112", "1.1.2": "112", "+112": "112",
		"%31%31%32": "112", "112%23": "112", "112#": "112", "112%20": "112",
		"112;rn=00" + paidFor: "112", "112;phone-context=%2B44": "112", "112%3Brn=00" + paidFor: "112", "112:00" +
			paidFor: "112", "112;user=phone": "112", "112;ext=" + paidFor: "112",
		"*31*112": "112", "*31#112": "112", "#31#999": "999", "*67112": "112", "*82911": "911", "141999": "999",
		"1470112": "112", "*31*112%23": "112",
		// behind a digit for an outside line (S82)
		"9999": "9999", "0112": "0112", "8911": "8911", "9112;rn=00" + paidFor: "9112",
	} {
		all["sip:"+user+"@"+host] = want
	}
	return all
}

// TestAttackNumbersAtRandom does the same with random numbers. With -full it runs longer.
func TestAttackNumbersAtRandom(t *testing.T) {
	t.Parallel()
	r := newTestBed(t, setup{lines: []lineSetup{strictLine}})
	near, far := r.peer("near", 1, r.adapters[boxOffice], r.adapterPort),
		r.peer("far", 1, r.far, r.servicePort).rejects()
	seed, n := uint64(time.Now().UnixNano()), 60
	if *full {
		n = 6000
	}
	t.Logf("seed %d", seed)
	draw := rand.New(rand.NewPCG(seed, 1))
	parts := []string{"112", "999", "911", "00" + paidFor, "+" + paidFor, "44", "0", "8", "9", "2", "555", "*", "%23",
		"#", "*31#", "*31*", "141", "*21*", "*67",
		";rn=", "%3B", ":", ",", "-", ".", "%20", "+", "p", "urn:service:sos"}
	reached := 0
	for range n {
		var user strings.Builder
		for range 1 + draw.IntN(5) {
			user.WriteString(parts[draw.IntN(len(parts))])
		}
		dialled := "sip:" + user.String() + "@" + near.to.String()
		if draw.IntN(4) == 0 {
			dialled = "tel:" + user.String()
		}
		_, passed := near.dials(far, dialled)
		for _, invite := range passed {
			if reached++; !own(invite) {
				near.onlyHelp(dialled, invite)
			}
			require.NotContains(t, invite.text, paidFor, "%q reached the service", dialled)
		}
	}
	t.Logf("%d of %d reached the service", reached, n)
	_, passed := near.dials(far, "sip:999@"+near.to.String())
	require.Len(t, passed, 1, "a call for help passes")
	near.onlyHelp("999", passed[0])
}

// own reports whether an INVITE is for a number that the line may dial, 2xx or 555xxxx, with visual separators (RFC
// 3966 section 5.1.1) or behind a service code.
func own(invite message) bool {
	user, _, _ := strings.Cut(strings.TrimPrefix(strings.Fields(invite.text)[1], "sip:"), "@")
	user = strings.ReplaceAll(user, "%3B", ";")
	user = user[:strings.IndexAny(user+";", ";:")]
	plain := strings.NewReplacer("-", "", ".", "", "%20", "", "%23", "#").Replace(user)
	return ownNumber.MatchString(strings.TrimRight(plain, "*#"))
}

var ownNumber = regexp.MustCompile(`^(?:[*#][0-9]{2}|[*#][0-9]{2,3}[*#]+|141|1470)?(?:2[0-9]{2}|555[0-9]{4})$`)

// TestAttackTransfers: a transfer reaches no number that a call does not reach.
func TestAttackTransfers(t *testing.T) {
	t.Parallel()
	r := newTestBed(t, setup{lines: []lineSetup{strictLine}})
	near, far := r.peer("near", 1, r.adapters[boxOffice], r.adapterPort), r.peer("far", 1, r.far, r.servicePort)
	c := near.begins(boxOffice, "sip:5550101@"+near.to.String())
	c.request("INVITE", described(near.at))
	challenge := c.response("INVITE")
	require.Equal(t, "401", c.refused(challenge))
	c.request("INVITE", described(near.at), answersChallenge(challenge, "INVITE", c.uri, boxOffice, password))
	invite := far.expect("INVITE", "INVITE")
	far.replies(invite, "200 OK", "far", described(far.at))
	c.up(c.response("INVITE"))
	far.expect("ACK", "ACK")
	for _, to := range wrapped("pbx.example") {
		c.request("REFER", "Refer-To: <"+to+">")
		require.NotContains(t, []string{"200", "202"}, c.response("REFER").code(), "a transfer to %s", to)
		far.none("REFER", "REFER")
	}
	for _, to := range []string{"sip:112@pbx.example", "tel:112;rn=+" + paidFor, "sip:*31*112:00" + paidFor +
		"@pbx.example"} {
		c.request("REFER", "Refer-To: <"+to+">")
		m := far.expect("REFER", "REFER")
		require.NotContains(t, m.text, paidFor)
		require.Equal(t, "<sip:112@"+at(r.far)+">", m.header("Refer-To"))
		far.replies(m, "486 Busy Here", "")
		require.Equal(t, "486", c.response("REFER").code())
	}
}
