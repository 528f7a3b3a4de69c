package sipua

import (
	"net/netip"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"clearback/bridge/sipua/uatest"
)

var topVia = regexp.MustCompile(`(?im)^(via|v) *:([^\r]|\r\n[ \t])*`)

// torture returns one of the messages of RFC 4475 or RFC 5118. Its answer is directed to the sending port, and its
// branch is unique: several messages have the same branch and would count as retransmissions.
func torture(t *testing.T, file string) []byte {
	t.Helper()
	b, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if at := topVia.FindIndex(b); at != nil {
		b = append(append(append([]byte{}, b[:at[1]]...), ";rport"...), b[at[1]:]...)
	}
	own := "branch=z9hG4bK" + strings.TrimSuffix(filepath.Base(file), ".dat")
	return []byte(strings.Replace(string(b), "branch=z9hG4bK", own, 1))
}

// The behaviour that RFC 4475 and RFC 5118 require of a user agent or a registrar. The endpoint's own test covers the
// parsing of all messages.
func TestTorture(t *testing.T) {
	t.Parallel()
	h := newTestBed(t, registering)
	h.register(h.adapter)
	const folder = "endpoint/testdata/torture/"
	p := uatest.New(t, "torture")
	for _, c := range []struct {
		name     string
		to       netip.AddrPort
		want     string
		contains string
	}{
		{name: "bext01", to: h.toService, want: "420",
			contains: "Unsupported: nothingSupportsThis, nothingSupportsThisEither"},
		{name: "sdp01", to: h.toService, want: "406", contains: "Warning: 399 "},
		{name: "esc02", to: h.toAdapter, want: "405", contains: "Allow: "}, // not REGISTER
		{name: "intmeth", to: h.toService, want: "405", contains: "Allow: "},
		{name: "regaut01", to: h.toAdapter, want: "401"},
		{name: "cparam01", to: h.toAdapter, want: "401"}, // valid REGISTERs from unknown users
		{name: "cparam02", to: h.toAdapter, want: "401"},
		{name: "regescrt", to: h.toAdapter, want: "401"},
		{name: "escnull", to: h.toAdapter, want: "401"},
		{name: "dblreq", to: h.toAdapter, want: "401"},
		{name: "unksm2", to: h.toAdapter, want: "400"},
		{name: "zeromf", to: h.toAdapter, want: "200"},
		{name: "wsinv", to: h.toService, want: "481"}, // it has the To tag of an unknown dialog
		{name: "lwsruri", to: h.toService, want: "400"},
		// RFC 5118
		{name: "ipv6-good", to: h.toAdapter, want: "401"}, // valid REGISTERs from unknown users
		{name: "port-ambiguous", to: h.toAdapter, want: "401"},
		{name: "port-unambiguous", to: h.toAdapter, want: "401"},
		{name: "ipv6-bad", to: h.toAdapter, want: "400"},
		// it has the To tag of an unknown dialog
		{name: "via-received-param-with-delim", to: h.toService, want: "481", contains: "received=127.0.0.1"},
		{name: "mult-ip-in-header", to: h.toService, want: "481",
			contains: "Via: SIP/2.0/TCP [2001:db8::9:255];branch=z9hG4bK451jj;received=192.0.2.200"},
		{name: "via-received-param-no-delim", to: h.toService, want: "200", contains: "received=127.0.0.1"},
		// no user of that name, whatever the host
		{name: "ipv6-bug-abnf-3-colons", to: h.toService, want: "404"},
		{name: "ipv6-correct-abnf-2-colons", to: h.toService, want: "404"},
	} {
		text := string(torture(t, folder+c.name+".dat"))
		if strings.HasPrefix(text, "INVITE") { // to a user of this agent
			line, rest, _ := strings.Cut(text, "\r\n")
			text = strings.Replace(line, "sip:user@example.com", "sip:"+serviceUser+"@"+c.to.String(), 1) + "\r\n" +
				rest
		}
		if err := p.Out([]byte(text), c.to); err != nil {
			t.Fatal(err)
		}
		m := p.Next()
		for m.Is("100") {
			m = p.Next()
		}
		if !m.Is(c.want) || !strings.Contains(m.String(), c.contains) {
			t.Fatalf("%s: want %s with %q, got %s", c.name, c.want, c.contains, m)
		}
	}
	// invut has a body of an unknown type. The called side may know the type, and answers 415 if it does not. Both
	// pass.
	text := strings.Replace(string(torture(t, folder+"invut.dat")), "sip:user@example.com",
		"sip:"+serviceUser+"@"+h.toService.String(), 1)
	if err := p.Out([]byte(text), h.toService); err != nil {
		t.Fatal(err)
	}
	p.Expect("100")
	inv := h.adapter.Expect("INVITE")
	contains(t, inv.Get("Content-Type"), "application/unknownformat")
	h.adapter.Respond(inv, 415, "near", "", "Accept: application/sdp")
	h.adapter.Expect("ACK")
	p.Expect("415")
	// after all messages on both sides the agent still works and a call passes
	files, err := filepath.Glob(folder + "*.dat")
	if err != nil || len(files) != 61 {
		t.Fatal(len(files), err)
	}
	noise := uatest.New(t, "noise")
	for _, file := range files {
		for _, to := range []netip.AddrPort{h.toService, h.toAdapter} {
			if _, err := noise.Conn.WriteToUDPAddrPort(torture(t, file), to); err != nil {
				t.Fatal(err)
			}
		}
	}
	far := h.arrive(uatest.Offer("127.0.0.1", farSDP, "sendrecv"))
	inv = h.adapter.Expect("INVITE")
	h.adapter.Respond(inv, 486, "near", "")
	h.adapter.Expect("ACK")
	far.AckFailure(h.service.ExpectOf("486", "INVITE"))
}

// Offers with IPv6 addresses (RFC 5118 sections 4.6, 4.8 and 4.9). With direct media they pass unchanged. If media is
// relayed over IPv4, a stream at an IPv6 address is refused (RFC 3264 section 6), and so is a call without any other
// stream. An IPv4-mapped address counts as IPv4.
func TestTortureIPv6Offers(t *testing.T) {
	t.Parallel()
	for name, relayed := range map[string][]string{
		"ipv6-in-sdp":      nil,
		"mult-ip-in-sdp":   {"m=audio ", "m=video 0 "},
		"ipv4-mapped-ipv6": {"m=audio ", "m=video "},
	} {
		for _, relay := range []bool{false, true} {
			h := newTestBed(t, func(o *Options, _ *times) { o.Lines[0].Relay = relay })
			_, rest, _ := strings.Cut(string(torture(t, "endpoint/testdata/torture/"+name+".dat")), "\r\n")
			_, offered, _ := strings.Cut(rest, "\r\n\r\n")
			p := uatest.New(t, name)
			if err := p.Out([]byte("INVITE sip:"+serviceUser+"@"+h.toService.String()+" SIP/2.0\r\n"+rest),
				h.toService); err != nil {
				t.Fatal(err)
			}
			p.Expect("100")
			if relay && relayed == nil {
				p.Expect("488")
				continue
			}
			inv := h.adapter.Expect("INVITE")
			if !relay && inv.Body != offered {
				t.Errorf("%s, direct: the offer becomes\n%s", name, inv.Body)
			}
			if relay {
				contains(t, inv.Body, "c=IN IP4 127.0.0.1\r\n")
				for _, line := range relayed {
					contains(t, inv.Body, "\r\n"+line)
				}
				for _, of := range []string{"IP6", "192.0.2.", "m=audio 0 ", "m=audio 6000 ", "m=video 6024 "} {
					if strings.Contains(inv.Body, of) {
						t.Errorf("%s, relayed: unexpected %q in\n%s", name, of, inv.Body)
					}
				}
			}
			h.adapter.Respond(inv, 486, "near", "")
			h.adapter.Expect("ACK")
			p.Expect("486")
		}
	}
}
