package sipua

import (
	"net/netip"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

var topVia = regexp.MustCompile(`(?im)^(via|v) *:([^\r]|\r\n[ \t])*`)

// torture reads one of the messages of RFC 4475, with the answer called back to the port it is sent from, and a branch of its own: several have
// the same, and would be taken for repeats.
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

// What RFC 4475 leaves to a user agent or a registrar, beyond what the endpoint's own test of all its messages shows.
func TestTorture(t *testing.T) {
	t.Parallel()
	h := newHouse(t, registering)
	h.register(h.adapter)
	const folder = "endpoint/testdata/torture/"
	p := newTalker(t, "torture")
	for _, c := range []struct {
		name     string
		to       netip.AddrPort
		want     string
		contains string
	}{
		{name: "bext01", to: h.toService, want: "420", contains: "Unsupported: nothingSupportsThis, nothingSupportsThisEither"},
		{name: "sdp01", to: h.toService, want: "406", contains: "Warning: 399 "},
		{name: "esc02", to: h.toAdapter, want: "405", contains: "Allow: "}, // is no REGISTER
		{name: "intmeth", to: h.toService, want: "405", contains: "Allow: "},
		{name: "regaut01", to: h.toAdapter, want: "401"},
		{name: "cparam01", to: h.toAdapter, want: "401"}, // good REGISTERs, of nobody we know
		{name: "cparam02", to: h.toAdapter, want: "401"},
		{name: "regescrt", to: h.toAdapter, want: "401"},
		{name: "escnull", to: h.toAdapter, want: "401"},
		{name: "dblreq", to: h.toAdapter, want: "401"},
		{name: "unksm2", to: h.toAdapter, want: "400"},
		{name: "zeromf", to: h.toAdapter, want: "200"},
		{name: "wsinv", to: h.toService, want: "481"}, // it has a To tag, of no dialog here
		{name: "lwsruri", to: h.toService, want: "400"},
	} {
		text := string(torture(t, folder+c.name+".dat"))
		if strings.HasPrefix(text, "INVITE") { // for somebody who lives here
			line, rest, _ := strings.Cut(text, "\r\n")
			text = strings.Replace(line, "sip:user@example.com", "sip:"+serviceUser+"@"+c.to.String(), 1) + "\r\n" + rest
		}
		if err := p.out([]byte(text), c.to); err != nil {
			t.Fatal(err)
		}
		m := p.next()
		for m.is("100") {
			m = p.next()
		}
		if !m.is(c.want) || !strings.Contains(m.String(), c.contains) {
			t.Fatalf("%s: want %s with %q, got %s", c.name, c.want, c.contains, m)
		}
	}
	// invut asks for a session in a format that nobody knows. What is called may know it, and says 415 otherwise: both pass.
	text := strings.Replace(string(torture(t, folder+"invut.dat")), "sip:user@example.com", "sip:"+serviceUser+"@"+h.toService.String(), 1)
	if err := p.out([]byte(text), h.toService); err != nil {
		t.Fatal(err)
	}
	p.expect("100")
	inv := h.adapter.expect("INVITE")
	contains(t, inv.get("Content-Type"), "application/unknownformat")
	h.adapter.respond(inv, 415, "near", "", "Accept: application/sdp")
	h.adapter.expect("ACK")
	p.expect("415")
	// and whatever comes to whichever side, the house stands and a call goes through
	files, err := filepath.Glob(folder + "*.dat")
	if err != nil || len(files) != 49 {
		t.Fatal(len(files), err)
	}
	noise := newTalker(t, "noise")
	for _, file := range files {
		for _, to := range []netip.AddrPort{h.toService, h.toAdapter} {
			if _, err := noise.conn.WriteToUDPAddrPort(torture(t, file), to); err != nil {
				t.Fatal(err)
			}
		}
	}
	far := h.arrive(offer("127.0.0.1", farSDP, "sendrecv"))
	inv = h.adapter.expect("INVITE")
	h.adapter.respond(inv, 486, "near", "")
	h.adapter.expect("ACK")
	far.nack(h.service.expectOf("486", "INVITE"))
}
