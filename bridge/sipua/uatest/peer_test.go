package uatest

import "testing"

// A response to an earlier peer at the same port is told from one to this peer.
func TestResponsesToAnEarlierPeerAreStray(t *testing.T) {
	p, q := New(t, "service"), New(t, "service")
	response := func(via string) Message { return Parse("SIP/2.0 503 Service Unavailable\r\n"+via+"\r\n\r\n", p.At) }
	own := p.Via()
	p.serial, q.serial = q.serial, p.serial
	if !p.isStray(response(own)) || p.isStray(response(p.Via())) || p.isStray(Parse("OPTIONS sip:x SIP/2.0\r\n"+own+"\r\n\r\n", p.At)) {
		t.Error(own)
	}
}
