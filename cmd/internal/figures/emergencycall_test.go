//go:build linux

package figures

import (
	"fmt"
	"net/netip"
	"strings"
	"time"
)

// This file measures how long an emergency call takes to pass the daemon. Every flood test uses it.

// emergencyCall makes an emergency call from a line's adapter, from its own address and port. It returns the time from
// the sending of the INVITE by the adapter to its arrival at the service. The service then rejects the call. The INVITE
// is repeated as RFC 3261 section 17.1.1.2 requires, because a datagram may be lost. Not for concurrent use.
func (h *testBed) emergencyCall(line int) time.Duration {
	h.t.Helper()
	out := make(chan time.Time, 1) // one value, received or not
	h.x.mu.Lock()
	h.x.helps++
	h.x.help = out
	id := fmt.Sprintf("help-%d", h.x.helps)
	h.x.mu.Unlock()
	to, invite := netip.AddrPortFrom(h.addr(1), 5060), h.emergencyInvite(line, id)
	began := time.Now()
	limit := time.After(testTimeout)
	for wait := 500 * time.Millisecond; ; wait *= 2 {
		h.x.near.send(invite, to)
		select {
		case at := <-out:
			return at.Sub(began)
		case <-time.After(wait):
		case <-limit:
			h.t.Errorf("a call for help was not put through within %v: %s", testTimeout, h.log())
			return testTimeout
		}
	}
}

// emergencyInvite returns the INVITE of an emergency call from a line's adapter.
func (h *testBed) emergencyInvite(line int, id string) []byte {
	to := netip.AddrPortFrom(h.addr(1), 5060)
	return h.x.emergencyInvite("INVITE", id, fmt.Sprintf("<sip:seat-%d@%v>;tag=%s", line, to, id),
		fmt.Sprintf("<sip:112@%v>", to), description(h.x.media[0]))
}

// emergencyInvite returns the INVITE of an emergency call, or its ACK. The ACK has the INVITE's branch, as for every
// response but a 2xx (section 17.1.1.3).
func (x *testPeers) emergencyInvite(method, id, from, to, body string) []byte {
	kind := ""
	if body != "" {
		kind = "Content-Type: application/sdp\r\n"
	}
	return fmt.Appendf(nil,
		"%s sip:112@host.example SIP/2.0\r\nVia: SIP/2.0/UDP %s;branch=z9hG4bK%s;rport\r\nMax-Forwards: 70\r\nFrom: %s\r\nTo: %s\r\n"+
			"Call-ID: %s\r\nCSeq: 1 %s\r\nContact: <sip:near@%s>\r\n%sContent-Length: %d\r\n\r\n%s", method, x.near.at,
		id,
		from, to, id, method, x.near.at, kind, len(body), body)
}

// emergencyArrived records that an emergency call reached the service.
func (x *testPeers) emergencyArrived(invite []byte) {
	at := time.Now()
	if _, target := first(invite); !strings.HasPrefix(target, "sip:112@") {
		x.t.Errorf("an unexpected call reached the service: %s", invite)
	}
	x.replied(emergencyReply)
	x.mu.Lock()
	defer x.mu.Unlock()
	id := header(invite, "Call-ID")
	if x.help != nil && id != x.helped { // not a repetition of the last one
		x.help <- at
		x.help, x.helped = nil, id
	}
}
