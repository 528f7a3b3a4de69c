//go:build linux

package interop

import (
	"fmt"
	"net"
	"net/netip"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// ringing makes a call from the far end to a line, which rings. It returns the caller's side, and the INVITE as the
// adapter received it.
func ringing(near, far *peer, line string) (caller *callSide, invite message) {
	near.t.Helper()
	caller = far.begins("555-0101", "sip:"+line+"@"+far.to.String())
	caller.request("INVITE", described(far.at))
	invite = near.expect("INVITE", "INVITE")
	near.replies(invite, "180 Ringing", "near")
	caller.expect("SIP/2.0 180", "INVITE")
	return caller, invite
}

// TestAttackCancel: a call rings, and somebody who has read its INVITE cancels it: from a third address, from the
// address of another line's adapter, from the other side, and from the caller's address with one field wrong. The call
// keeps ringing and is answered. The caller's own CANCEL ends a call, even from another port, as after a new mapping of
// a NAT.
func TestAttackCancel(t *testing.T) {
	t.Parallel()
	r := newTestBed(t, setup{settled: true, both: true, farHost: 4,
		lines: []lineSetup{{name: boxOffice, host: 2}, {name: stageDoor, coil: 1, host: 3}}})
	near, far := r.peer("near", 2, r.adapters[boxOffice], r.adapterPort), r.peer("far", 4, r.far, r.servicePort)
	caller, invite := ringing(near, far, boxOffice)
	cancel := caller.text("CANCEL")
	others := map[*peer]string{}
	for _, host := range []byte{9, 2, 3} {
		others[r.peer(fmt.Sprint("third-", host), host, 0, r.servicePort)] = cancel
		others[r.peerTCP(fmt.Sprint("stream-", host), host, r.servicePort)] = cancel
	}
	same := r.peer("same-host", 4, 0, r.servicePort)
	for _, wrong := range []string{
		strings.Replace(cancel, caller.callID+"\r\n", "another\r\n", 1),
		strings.Replace(cancel, "CSeq: 1 ", "CSeq: 2 ", 1), strings.Replace(cancel, ";tag=t", ";tag=another", 1),
		strings.Replace(cancel, "branch=z9hG4bK", "branch=z9hG4bKx", 1),
		strings.Replace(cancel, far.at.String()+";branch", same.at.String()+";branch", 1),
	} {
		require.NotEqual(t, cancel, wrong)
		same.send(wrong)
		require.Equal(t, "481", same.expect("SIP/2.0", "CANCEL").code(), wrong)
	}
	for p, text := range others {
		p.send(text)
	}
	// On the adapter side, the INVITE is the one that the daemon sent to the adapter. A CANCEL of it to the daemon has
	// no effect.
	for _, host := range []byte{9, 2, 3, 4} {
		p := r.peer(fmt.Sprint("inside-", host), host, 0, r.adapterPort)
		p.send(cancel)
		p.send(strings.Replace(cancel, caller.callID, invite.header("Call-ID"), 1))
	}
	// The call can still be answered after all that, so it kept ringing.
	near.replies(invite, "200 OK", "near", described(near.at))
	caller.up(caller.response("INVITE"))
	near.none("CANCEL", "CANCEL")
	near.expect("ACK", "ACK")
	arrivedCall{near.taken(invite, "near"), caller}.farClears()

	eventuallyClosed(t, r)
	caller, invite = ringing(near, far, boxOffice)
	moved := r.peer("moved", 4, 0, r.servicePort)
	moved.send(caller.text("CANCEL"))
	require.Equal(t, "200", moved.expect("SIP/2.0", "CANCEL").code())
	near.replies(near.expect("CANCEL", "CANCEL"), "200 OK", "near")
	near.replies(invite, "487 Request Terminated", "near")
	require.Equal(t, "487", caller.refused(caller.response("INVITE")))
}

// TestAttackConnections: a registered adapter uses one TCP connection, which is idle. Two other known addresses open
// 280 connections each and send on each. Strangers open connections too, and so does somebody at the adapter's own
// address, until no more are accepted. The adapter's connection stays: a call arrives on it, and the adapter's
// emergency call passes.
func TestAttackConnections(t *testing.T) {
	t.Parallel()
	r := newTestBed(t, setup{settled: true, both: true, farHost: 4,
		lines: []lineSetup{{name: boxOffice, roaming: true}, {name: stageDoor, coil: 1, host: 3},
			{name: workshop, coil: 2, host: 5}}})
	far := r.peer("far", 4, r.far, r.servicePort)
	near := r.peerTCP("near", 2, r.adapterPort)
	require.Equal(t, "200", near.registration(boxOffice).register())

	for i := range 1120 {
		host := []byte{3, 5, byte(100 + i%50), 2}[i*4/1120] // the third host is a stranger
		if host >= 100 && i%4 > 0 {
			continue
		}
		c, err := net.DialTCP("tcp4", net.TCPAddrFromAddrPort(netip.AddrPortFrom(placeOf(host), 0)),
			net.TCPAddrFromAddrPort(near.to))
		if err != nil {
			continue // closed at once
		}
		defer c.Close()
		p := peer{name: "many", conn: c, at: c.LocalAddr().(*net.TCPAddr).AddrPort(), to: near.to}
		// The connection may be closed already.
		_, _ = c.Write([]byte(p.begins("x", "sip:"+near.to.String()).text("OPTIONS")))
	}
	last := r.peerTCP("last", 3, r.adapterPort)
	c := last.begins("x", "sip:"+last.to.String())
	c.request("OPTIONS")
	c.response("OPTIONS")

	call := callArrives(near, far, boxOffice)
	call.farClears()
	eventuallyClosed(t, r)
	requireEmergencyCall(near, far, boxOffice)
}

// interruptions counts the interruptions of a line that are over, guard time included.
func (r *testBed) interruptions(line string) (n int) {
	for entry := range strings.Lines(r.d.Output()) {
		if strings.Contains(entry, `"line":"`+line+`"`) && strings.Contains(entry, "report interrupted") {
			n++
		}
	}
	return n
}

// eventuallyClosed waits until the first interruption of the box office is over.
func eventuallyClosed(t *testing.T, r *testBed) {
	t.Helper()
	eventually(t, 5*time.Second, "the interruption is over", func() bool { return r.interruptions(boxOffice) > 0 })
}
