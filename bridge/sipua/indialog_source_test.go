package sipua

import (
	"net"
	"net/netip"
	"testing"
	"testing/synctest"

	"clearback/bridge/sipua/uatest"
)

// elsewhere returns a peer at another loopback address.
func elsewhere(t testing.TB, name string) *uatest.Peer {
	t.Helper()
	return uatest.NewAt(t, name, net.IPv4(127, 0, 0, 2))
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
	forged := func(p *uatest.Peer, to netip.AddrPort, d *uatest.Dialog, local, remote, id string) {
		cseq := d.Seq + 1
		p.Send(to, "BYE "+d.Target+" SIP/2.0", p.Via(), "From: "+local, "To: "+remote, "Call-ID: "+id,
			"CSeq: "+num(cseq)+" BYE", "Max-Forwards: 70", "")
	}
	near, far := c.near, c.far
	forged(spoofer, h.toAdapter, near, near.Local, near.Remote, near.CallID)
	spoofer.ExpectOf("401", "BYE")
	for _, side := range []struct {
		p  *uatest.Peer
		to netip.AddrPort
		d  *uatest.Dialog
	}{{h.adapter, h.toAdapter, near}, {h.service, h.toService, far}, {spoofer, h.toAdapter, near}} {
		d := side.d
		for _, words := range [][3]string{
			{d.Local + "x", d.Remote, d.CallID}, {d.Local, d.Remote + "x", d.CallID}, {d.Local, d.Remote, d.CallID + "x"},
			{d.Remote, d.Local, d.CallID}, {"<sip:x@pbx.example>", d.Remote, d.CallID},
		} {
			forged(side.p, side.to, d, words[0], words[1], words[2])
			m := side.p.Next()
			if !m.Is("481") && !m.Is("400") {
				t.Fatalf("%s: %q got %s", side.p.Name, words, m)
			}
		}
	}
	// the dialog identifiers of one side are not valid on the other
	forged(h.service, h.toService, near, near.Local, near.Remote, near.CallID)
	h.service.ExpectOf("481", "BYE")
	// only requests with the right Call-ID and our tag reach the call, whatever their peer's tag
	if n := h.agent.Counts().WrongSources; n != 2 {
		t.Fatalf("%d requests from wrong sources were counted", n)
	}
	// the call is unaffected
	near.Request("INFO", "")
	h.service.Respond(h.service.Expect("INFO"), 200, "", "")
	h.adapter.ExpectOf("200", "INFO")
	h.hangUp(near)
	spoofer.ExpectNothing(h.toAdapter)
}

// An adapter with a new address in a call, and without a new registration, proves its password and hangs up.
func TestByeFromAnotherAddressOfTheAdapter(t *testing.T) {
	h := newTestBed(t, everywhere)
	h.toAdapter = netip.AddrPortFrom(netip.MustParseAddr("127.0.0.1"), h.toAdapter.Port())
	c := h.outgoing()
	moved := elsewhere(t, "moved")
	d := *c.near
	d.P, d.To = moved, h.toAdapter
	d.Request("BYE", "")
	m := moved.ExpectOf("401", "BYE")
	// some adapters use the called party's URI in the digest, even of a BYE, whose Request-URI is our Contact (from
	// memory)
	const calledURI = "sip:5550199@127.0.0.1"
	d.Request("BYE", "", authorization(t, "Authorization", m.Get("WWW-Authenticate"), "BYE", calledURI, adapterUser,
		adapterSecret))
	moved.ExpectOf("200", "BYE")
	h.service.Respond(h.service.Expect("BYE"), 200, "", "")
	h.machine.saw("1 near end cleared")
	h.done()
}

// An adapter with two addresses gets the INVITE at one and answers it from the other. It hangs up from there, without a
// challenge.
func TestByeFromWhereTheCallWasAnswered(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		second := h.join("second", "127.0.0.2")
		far := h.arrive(far())
		inv := h.adapter.Expect("INVITE")
		second.Respond(inv, 200, "near", near())
		h.adapter.Expect("ACK") // where it registered
		far.Established(h.service.Expect("200")).Ack("")
		d := second.Called(inv, "near")
		d.Request("BYE", "")
		second.ExpectOf("200", "BYE")
		h.service.Respond(h.service.Expect("BYE"), 200, "", "")
		h.machine.saw("1 arrived", "1 answered", "1 near end cleared")
		h.done()
	})
}
