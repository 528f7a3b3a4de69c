//go:build linux

package interop

import (
	"encoding/binary"
	"net"
	"net/netip"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// maxWait is the limit of a wait in these tests. Only a failing test waits for so long.
const maxWait = 10 * time.Second

// voice sends G.711 in RTP, without a library, and counts the packets that it receives by their sender.
type voice struct {
	t    testing.TB
	conn *net.UDPConn
	at   netip.AddrPort
	ssrc uint32
	seq  uint16

	mu    sync.Mutex
	heard map[uint32]int
}

// voice returns a sender at an address of the network, with an SSRC of its own.
func (r *testBed) voice(host byte, ssrc uint32) *voice {
	r.t.Helper()
	c, err := net.ListenUDP("udp4", net.UDPAddrFromAddrPort(netip.AddrPortFrom(placeOf(host), 0)))
	require.NoError(r.t, err)
	v := &voice{t: r.t, conn: c, at: c.LocalAddr().(*net.UDPAddr).AddrPort(), ssrc: ssrc, heard: map[uint32]int{}}
	var reading sync.WaitGroup
	reading.Go(func() {
		for b := make([]byte, 2048); ; {
			n, err := c.Read(b)
			if err != nil {
				return
			}
			if n >= 12 {
				v.mu.Lock()
				v.heard[binary.BigEndian.Uint32(b[8:])]++
				v.mu.Unlock()
			}
		}
	})
	r.t.Cleanup(func() { c.Close(); reading.Wait() })
	return v
}

// says sends n consecutive packets (RFC 3550 section 5.1: version 2, payload type 0; 20 ms are 160 units of its clock).
func (v *voice) says(n int, to ...netip.AddrPort) {
	v.t.Helper()
	for range n {
		v.seq++
		p := make([]byte, 172)
		p[0] = 0x80
		binary.BigEndian.PutUint16(p[2:], v.seq)
		binary.BigEndian.PutUint32(p[4:], uint32(v.seq)*160)
		binary.BigEndian.PutUint32(p[8:], v.ssrc)
		for _, at := range to {
			_, _ = v.conn.WriteToUDPAddrPort(p, at) // nothing may listen there
		}
	}
}

// of returns the number of packets received from who, or from anybody if who is nil.
func (v *voice) of(who *voice) (n int) {
	v.mu.Lock()
	defer v.mu.Unlock()
	for ssrc, count := range v.heard {
		if who == nil || ssrc == who.ssrc {
			n += count
		}
	}
	return n
}

// hears lets who send until n of its packets have arrived. It reports whether they arrived within the limit.
func (v *voice) hears(who *voice, to netip.AddrPort, n int, limit time.Duration) bool {
	before := v.of(who)
	return within(limit, func() bool {
		who.says(1, to)
		return v.of(who) >= before+n
	})
}

// spoken is a call with sound in both directions, between the addresses in the session descriptions.
type spoken struct {
	arrivedCall
	near, far            *voice
	adapterSide, farSide netip.AddrPort // the daemon's ports
}

// soundCall makes a call from the far end to a line, with further header lines. Each end uses the given voice.
func (r *testBed) soundCall(near, far *peer, line string, nearVoice, farVoice *voice, more ...string) spoken {
	r.t.Helper()
	c := far.begins("555-0101", "sip:"+line+"@"+far.to.String())
	c.request("INVITE", append(more, described(farVoice.at))...)
	invite := near.expect("INVITE", "INVITE")
	near.replies(invite, "200 OK", "near", described(nearVoice.at))
	ok := c.up(c.response("INVITE"))
	near.expect("ACK", "ACK")
	return spoken{arrivedCall{near.taken(invite, "near"), c}, nearVoice, farVoice, invite.media(r.t), ok.media(r.t)}
}

// TestAttackMedia: somebody at a third address, and somebody at the address of another line's adapter, send sound to
// every port of the daemon: to a side that has not sent yet, and to one that has been silent for longer than any pause.
// They receive nothing of the call, and nobody receives their sound. Far end and near end still hear each other, even
// after a change of the port.
func TestAttackMedia(t *testing.T) {
	t.Parallel()
	r := newTestBed(t, setup{settled: true, quiet: true, farHost: 4,
		lines: []lineSetup{{name: boxOffice, host: 2}, {name: stageDoor, coil: 1, host: 3}}})
	near, far := r.peer("near", 2, r.adapters[boxOffice], r.adapterPort), r.peer("far", 4, r.far, r.servicePort)
	call := r.soundCall(near, far, boxOffice, r.voice(2, 2), r.voice(4, 4))
	thieves := []*voice{r.voice(9, 9), r.voice(9, 10), r.voice(3, 3)}
	var every []netip.AddrPort
	for port := r.relayed; port < r.relayed+40; port += 2 {
		every = append(every, netip.AddrPortFrom(testAddress(), uint16(port)))
	}
	spray := func() {
		for _, thief := range thieves {
			thief.says(3, every...)
			thief.says(30, call.adapterSide, call.farSide)
		}
	}
	spray() // neither side has sent yet
	require.True(t, call.far.hears(call.near, call.adapterSide, 20, maxWait), "the far end hears the near end")
	spray() // the far end still has not sent
	require.True(t, call.far.hears(call.near, call.adapterSide, 20, maxWait))
	require.True(t, call.near.hears(call.far, call.farSide, 20, maxWait), "the near end hears the far end")
	silent := time.Now()
	require.True(t, within(maxWait, func() bool {
		call.near.says(1, call.adapterSide)
		return time.Since(silent) > 2200*time.Millisecond
	}), "the far end is silent for longer than 2 s")
	spray()
	require.True(t, call.far.hears(call.near, call.adapterSide, 20, maxWait),
		"the far end hears the near end after its silence")
	require.True(t, call.near.hears(r.voice(4, 5), call.farSide, 20, maxWait),
		"the near end hears another port of the far end's host")
	for _, thief := range thieves {
		require.Zero(t, thief.of(nil), "a third address heard the call")
		require.Zero(t, call.near.of(thief)+call.far.of(thief), "a third address was heard")
	}
	call.farClears()
	requireInterval(t, usual, r.board.once(t, 0))
}

// TestAttackMediaOfACallForHelp: if the service of an emergency call names one address and sends from another, its
// sound is accepted after 2 s.
func TestAttackMediaOfACallForHelp(t *testing.T) {
	t.Parallel()
	r := newTestBed(t, setup{farHost: 4, lines: []lineSetup{{name: boxOffice, host: 2}}})
	near, far := r.peer("near", 2, r.adapters[boxOffice], r.adapterPort), r.peer("far", 4, r.far, r.servicePort)
	nearVoice, named, elsewhere := r.voice(2, 2), r.voice(4, 4), r.voice(7, 7)
	c := near.begins(boxOffice, "sip:112@"+near.to.String())
	c.request("INVITE", described(nearVoice.at))
	invite := far.expect("INVITE", "INVITE")
	far.replies(invite, "200 OK", "help", described(named.at))
	adapterSide := c.up(c.response("INVITE")).media(t)
	far.expect("ACK", "ACK")
	require.True(t, nearVoice.hears(elsewhere, invite.media(t), 20, maxWait), "the caller hears the emergency centre")
	require.True(t, elsewhere.hears(nearVoice, adapterSide, 20, maxWait), "and is heard")
	eventually(t, 5*time.Second, "it is an incident", func() bool {
		return strings.Contains(r.d.Output(),
			"incident")
	})
	c.request("BYE")
	require.Equal(t, "200", c.response("BYE").code())
	far.replies(far.expect("BYE", "BYE"), "200 OK", "")
	require.Empty(t, r.board.openings(t, 0))
}
