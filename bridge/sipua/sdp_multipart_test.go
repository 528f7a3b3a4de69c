package sipua

import (
	"strings"
	"testing"
	"testing/synctest"

	"github.com/emiago/sipgo/sip"

	"clearback/bridge/sipua/uatest"
)

// geolocation is the location that an emergency call conveys (RFC 6442 section 4.1), at the Millrace Playhouse.
const geolocation = "Content-Type: application/pidf+xml\r\nContent-ID: <box-office@millrace.example>\r\n\r\n" +
	`<?xml version="1.0"?><presence xmlns="urn:ietf:params:xml:ns:pidf" entity="pres:box-office@millrace.example"/>` +
	"\r\n"

func located(sdp string) string {
	return "--stage\r\n" + geolocation + "--stage\r\nContent-Type: application/sdp\r\n\r\n" + sdp + "\r\n--stage--\r\n"
}

var locationHeaders = []string{
	"Content-Type: multipart/mixed;boundary=stage", "Geolocation: <cid:box-office@millrace.example>",
	"Geolocation: <https://where.example/7>",
	"Geolocation-Routing: yes", "Privacy: none",
}

// callLocated makes an emergency call with a location.
func (h *testBed) callLocated() *uatest.Dialog {
	return h.adapter.Call("sip:999@"+h.toAdapter.String(),
		`"Box Office" <sip:`+adapterUser+"@"+h.toAdapter.String()+">", h.toAdapter,
		located(near()), locationHeaders...)
}

// passesLocation checks the call at a service, which rejects it because of the location.
func (h *testBed) passesLocation(p *uatest.Peer, user string) {
	h.t.Helper()
	inv := p.Expect("INVITE")
	contains(h.t, inv.Get("From"), `"Box Office" <sip:`+user+"@")
	for _, header := range locationHeaders {
		contains(h.t, strings.Join(inv.Headers, "\n"), header)
	}
	contains(h.t, inv.Body, "--stage\r\n"+geolocation+"--stage\r\nContent-Type: application/sdp\r\n\r\nv=0\r\n")
	contains(h.t, inv.Body, "\r\n--stage--\r\n")
	if own, relay := strings.Contains(inv.Body, " "+num(nearSDP)+" "), h.line.o.Relay; own == relay {
		h.t.Errorf("the body has the adapter's own port: %t; relayed: %t", own, relay)
	}
	p.Respond(inv, 424, "far", "", `Geolocation-Error: 100;code="Cannot Process Location"`)
	p.Expect("ACK")
}

// The caller's location, by value and by reference, and the caller's number reach each service that is tried. A
// service's error about the location reaches the adapter.
func TestLocationOfAnEmergencyCall(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h, reserve := newVirtualTestBedOfTwo(t)
		d := h.callLocated()
		h.passesLocation(h.service, serviceUser)
		h.passesLocation(reserve, secondUser)
		m := h.adapter.ExpectFinal("424")
		contains(t, m.Get("Geolocation-Error"), "Cannot Process Location")
		d.AckFailure(m)
	})
}

// If media is relayed, the session description beside the location is rewritten.
func TestLocationBesideRelayedSDP(t *testing.T) {
	t.Parallel()
	h := newTestBed(t, relaying)
	d := h.callLocated()
	h.passesLocation(h.service, serviceUser)
	d.AckFailure(h.adapter.ExpectFinal("424"))
}

// A malformed multipart body has no session description.
func TestSDPPart(t *testing.T) {
	t.Parallel()
	for body, want := range map[string]string{
		located("v=0\r\ns=-"): "v=0\r\ns=-",
		"--stage \r\ncontent-type: Application/SDP; charset=utf-8\r\n\r\nv=0\r\n--stage--":    "v=0",
		"--stage\r\nContent-Type: application/sdp\r\n\r\n\r\n--stage--":                       "",
		"--stage\r\nContent-Type: application/sdp\r\n\r\nv=0":                                 "none",
		"--stage\r\n\r\n\r\n--stage\r\nContent-Type: application/sdp\r\n\r\nv=0\r\n--stage--": "v=0",
		"--stage\r\nnonsense\r\n\r\nv=0\r\n--stage--":                                         "none",
		"--stage--": "none", "": "none", "\r\n--stage": "none",
	} {
		r := sip.NewRequest(sip.INVITE, sip.Uri{})
		r.AppendHeader(sip.NewHeader("Content-Type", "multipart/mixed; boundary=stage"))
		r.SetBody([]byte(body))
		got := "none"
		if from, to, ok := sdpPart(r); ok {
			got = body[from:to]
		}
		if got != want {
			t.Errorf("%q: %q, want %q", body, got, want)
		}
	}
}
