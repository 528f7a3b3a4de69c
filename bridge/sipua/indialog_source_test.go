package sipua

import (
	"net"
	"net/netip"
	"testing"
)

// elsewhere returns a peer at another loopback address.
func elsewhere(t testing.TB, name string) *testPeer {
	t.Helper()
	return newTestPeerAt(t, name, net.IPv4(127, 0, 0, 2))
}

// everywhere makes the adapter's socket listen on all addresses, so that a peer at another address gets answers.
func everywhere(o *Options, _ *times) {
	o.Lines[0].AdapterSocket = Socket{Listen: netip.MustParseAddrPort("0.0.0.0:0"), UDP: true, Advertise: "127.0.0.1"}
}

// A BYE with the right dialog identifiers from an address other than the adapter's ends nothing. It is challenged, and
// a sender without the password is refused. With wrong identifiers it belongs to no call, from any address.
func TestSpoofedBye(t *testing.T) {
	h := newTestBed(t, everywhere)
	h.toAdapter = netip.AddrPortFrom(netip.MustParseAddr("127.0.0.1"), h.toAdapter.Port())
	c := h.incoming()
	spoofer := elsewhere(t, "spoofer")
	forged := func(p *testPeer, to netip.AddrPort, d *peerDialog, local, remote, id string) {
		cseq := d.cseq + 1
		p.send(to, "BYE "+d.target+" SIP/2.0", p.via(), "From: "+local, "To: "+remote, "Call-ID: "+id,
			"CSeq: "+num(cseq)+" BYE", "Max-Forwards: 70", "")
	}
	near, far := c.near, c.far
	forged(spoofer, h.toAdapter, near, near.local, near.remote, near.id)
	spoofer.expectOf("401", "BYE")
	for _, side := range []struct {
		p  *testPeer
		to netip.AddrPort
		d  *peerDialog
	}{{h.adapter, h.toAdapter, near}, {h.service, h.toService, far}, {spoofer, h.toAdapter, near}} {
		d := side.d
		for _, words := range [][3]string{
			{d.local + "x", d.remote, d.id}, {d.local, d.remote + "x", d.id}, {d.local, d.remote, d.id + "x"},
			{d.remote, d.local, d.id}, {"<sip:x@pbx.example>", d.remote, d.id},
		} {
			forged(side.p, side.to, d, words[0], words[1], words[2])
			m := side.p.next()
			if !m.is("481") && !m.is("400") {
				t.Fatalf("%s: %q got %s", side.p.name, words, m)
			}
		}
	}
	// the dialog identifiers of one side are not valid on the other
	forged(h.service, h.toService, near, near.local, near.remote, near.id)
	h.service.expectOf("481", "BYE")
	// only requests with the right Call-ID and our tag reach the call, whatever their peer's tag
	if n := h.agent.Counts().WrongSources; n != 2 {
		t.Fatalf("%d requests from wrong sources were counted", n)
	}
	// the call is unaffected
	near.request("INFO", "")
	h.service.respond(h.service.expect("INFO"), 200, "", "")
	h.adapter.expectOf("200", "INFO")
	h.hangUp(near)
	spoofer.nothing(h.toAdapter)
}

// An adapter with a new address in a call, and without a new registration, proves its password and hangs up.
func TestByeFromAnotherAddressOfTheAdapter(t *testing.T) {
	h := newTestBed(t, everywhere)
	h.toAdapter = netip.AddrPortFrom(netip.MustParseAddr("127.0.0.1"), h.toAdapter.Port())
	c := h.outgoing()
	moved := elsewhere(t, "moved")
	d := *c.near
	d.p, d.to = moved, h.toAdapter
	d.request("BYE", "")
	m := moved.expectOf("401", "BYE")
	// some adapters use the called party's URI in the digest, even of a BYE, whose Request-URI is our Contact (from
	// memory)
	const calledURI = "sip:5550199@127.0.0.1"
	d.request("BYE", "", authorization(t, "Authorization", m.get("WWW-Authenticate"), "BYE", calledURI, adapterUser,
		adapterSecret))
	moved.expectOf("200", "BYE")
	h.service.respond(h.service.expect("BYE"), 200, "", "")
	h.machine.saw("1 near end cleared")
	h.done()
}
