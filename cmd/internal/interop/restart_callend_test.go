//go:build linux

package interop

import (
	"encoding/binary"
	"fmt"
	"math/rand/v2"
	"net"
	"net/netip"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"clearback/bridge/sipua/uatest"
)

// callEnd is one end of a call, adapter or far end, that plays its part by itself. Its methods may be called from any
// goroutine.
type callEnd struct {
	*uatest.Peer
	media *net.UDPConn

	mu       sync.Mutex
	answers  bool           // it answers calls; otherwise it rings
	pondered bool           // it leaves re-INVITEs unanswered
	d        *uatest.Dialog // the present call; nil: none
	invite   uatest.Message // the INVITE that made it, if we were called
	up       bool           // it has the call, answered
	over     bool           // the call has ended here
	got      map[string]int // requests and final responses, such as "BYE" and "200 BYE"
	sound    int            // packets received
	last     uint16         // sequence number of the last one
	missing  int            // sequence numbers left out so far
	at       time.Time      // when the last one came
	gap      time.Duration  // the longest time between two
	repeats  uint32         // the peer's Repeats that were answered
	to       netip.AddrPort // where its sound goes
}

func newCallEnd(t *testing.T, name string, tcp bool) *callEnd {
	e := &callEnd{got: map[string]int{}}
	if tcp {
		e.Peer = uatest.NewTCP(t, name)
	} else {
		e.Peer = uatest.New(t, name)
	}
	var err error
	e.media, err = net.ListenUDP("udp4", &net.UDPAddr{IP: net.IPv4(127, 0, 0, 1)})
	require.NoError(t, err)
	var work sync.WaitGroup
	stop := make(chan struct{}) // closed at the end of the test
	t.Cleanup(func() { close(stop); e.media.Close(); work.Wait() })
	work.Go(func() {
		for b := make([]byte, 2048); ; {
			if _, err := e.media.Read(b); err != nil {
				return
			}
			e.hear(binary.BigEndian.Uint16(b[2:]))
		}
	})
	work.Go(func() {
		tick := time.NewTicker(20 * time.Millisecond)
		defer tick.Stop()
		for n := uint32(1); ; n++ {
			select {
			case <-tick.C:
				e.talk(n)
			case <-stop:
				return
			}
		}
	})
	out := e.Out
	e.Out = func(text []byte, to netip.AddrPort) error {
		_ = out(text, to) // while the daemon is down, nobody takes it
		return nil
	}
	e.Peer.Serve(e.take)
	return e
}

// hear counts a packet.
func (e *callEnd) hear(n uint16) {
	e.mu.Lock()
	defer e.mu.Unlock()
	now := time.Now()
	if e.sound++; e.sound > 1 {
		e.missing += int(n - e.last - 1)
		e.gap = max(e.gap, now.Sub(e.at))
	}
	e.last, e.at = n, now
}

// talk sends a packet of G.711 silence (RFC 3550 section 5.1, RFC 3551).
func (e *callEnd) talk(n uint32) {
	e.mu.Lock()
	to, up := e.to, e.up
	e.mu.Unlock()
	if up && to.IsValid() {
		packet := make([]byte, 172)
		packet[0] = 0x80
		binary.BigEndian.PutUint16(packet[2:], uint16(n))
		binary.BigEndian.PutUint32(packet[4:], 160*n)
		copy(packet[8:], e.Name)
		_, _ = e.media.WriteToUDPAddrPort(packet, to)
	}
}

func (e *callEnd) offer() string {
	return uatest.Offer("127.0.0.1", e.media.LocalAddr().(*net.UDPAddr).Port, "sendrecv")
}

// hears notes where a session description wants the sound.
func (e *callEnd) hears(m uatest.Message) {
	if strings.Contains(m.Body, "m=audio") {
		e.to = message{text: "\r\n\r\n" + m.Body}.media(e.T)
	}
}

// take plays the part of the end.
func (e *callEnd) take(m uatest.Message) {
	e.mu.Lock()
	defer e.mu.Unlock()
	_, method := m.CSeq()
	mine := e.d != nil && m.Get("Call-ID") == e.d.CallID
	if m.IsResponse() {
		if m.Code() >= 200 {
			e.got[fmt.Sprint(m.Code(), " ", method)]++
		}
		switch {
		case method != "INVITE" || !mine || m.Code() < 200:
		case m.Code() < 300:
			e.hears(m)
			e.d.Established(m).Ack("")
			e.up = !e.over
		default:
			e.d.AckFailure(m)
			e.over = e.over || !e.up
		}
		return
	}
	inDialog := strings.Contains(m.Get("To"), ";tag=")
	e.got[method]++
	switch {
	case method == "ACK":
		e.up = e.up || mine && !e.over
	case method == "INVITE" && !inDialog:
		e.d, e.invite, e.up, e.over = e.Called(m, "tag"), m, false, false
		e.hears(m)
		e.Respond(m, 180, "tag", "")
		if e.answers {
			e.Respond(m, 200, "tag", e.offer())
		}
	case method == "BYE" && mine && !e.up && !e.over: // RFC 3261 section 15: it ends the early dialog
		e.over = true
		e.Respond(m, 200, "", "")
		e.Respond(e.invite, 487, "tag", "")
	case method == "CANCEL":
		e.Respond(m, 200, "tag", "")
		if mine && !e.up && !e.over {
			e.over = true
			e.Respond(e.invite, 487, "tag", "")
		}
	case !inDialog:
		e.Respond(m, 200, "tag", "")
	case !mine || !e.up:
		e.Respond(m, 481, "", "")
	case method == "INVITE" && e.pondered:
		e.Respond(m, 100, "", "")
	case method == "INVITE":
		e.hears(m)
		e.Respond(m, 200, "", e.offer())
	case method == "BYE":
		e.up, e.over = false, true
		e.Respond(m, 200, "", "")
	default:
		e.Respond(m, 200, "", "")
	}
}

// calls begins a call to a port of the daemon.
func (e *callEnd) calls(number string, port int) {
	e.mu.Lock()
	defer e.mu.Unlock()
	e.up, e.over, e.got = false, false, map[string]int{}
	target := "sip:" + number + "@" + at(port)
	e.d = e.Call(target, "<sip:"+e.Name+"@"+at(port)+">", netip.MustParseAddrPort(at(port)), e.offer())
}

// asks sends a request in the call.
func (e *callEnd) asks(method string) {
	e.mu.Lock()
	defer e.mu.Unlock()
	body := ""
	if method == "INVITE" {
		body = strings.Replace(e.offer(), "sendrecv", "sendonly", 1)
	}
	if method == "BYE" {
		e.up, e.over = false, true
	}
	_, host, _ := strings.Cut(e.d.Target, "@")
	host, _, _ = strings.Cut(host, ";")
	e.d.To = netip.MustParseAddrPort(host) // the connection of the INVITE may have ended with the daemon
	e.d.Request(method, body)
}

// is returns a snapshot of the end.
func (e *callEnd) is() (up bool, sound int, got func(string) int) {
	e.mu.Lock()
	defer e.mu.Unlock()
	counts := map[string]int{}
	for what, n := range e.got {
		counts[what] = n
	}
	return e.up, e.sound, func(what string) int { return counts[what] }
}

func (e *callEnd) isUp() bool { up, _, _ := e.is(); return up }

// rings reports whether the end has a call that was neither answered nor ended. It answers a repeated INVITE, which its
// peer only counts.
func (e *callEnd) rings() bool {
	e.mu.Lock()
	defer e.mu.Unlock()
	if n := e.Repeats.Load(); n > e.repeats && e.invite.Start != "" && e.d != nil && !e.up && !e.over {
		e.repeats = n
		if e.Connections != nil { // the connection of the first one has ended (RFC 3261 section 18.2.2)
			_, sentBy, _ := strings.Cut(e.invite.Get("Via"), " ")
			sentBy, _, _ = strings.Cut(sentBy, ";")
			e.invite.From = netip.MustParseAddrPort(sentBy)
		}
		e.Respond(e.invite, 180, "tag", "", fmt.Sprint("Repeated: ", n)) // RFC 3261 section 17.2.1
	}
	return e.d != nil && !e.up && !e.over
}

func (e *callEnd) heard(what string) bool { _, _, got := e.is(); return got(what) > 0 }

// drain waits until the end has handled everything that the daemon sent before it ended: a request of our own, which
// comes after that, is answered.
func (e *callEnd) drain() {
	transport := "UDP"
	if e.Connections != nil {
		transport = "TCP"
		eventually(e.T, 5*time.Second, "its connections end", func() bool { return e.Connections.Open() == 0 })
	}
	c, err := net.Dial(strings.ToLower(transport), e.At.String())
	require.NoError(e.T, err)
	defer c.Close()
	_, err = fmt.Fprintf(c, "OPTIONS sip:%[1]s SIP/2.0\r\nVia: SIP/2.0/%[2]s %[3]s;branch=z9hG4bK%[4]d\r\n"+
		"From: <sip:a@b>;tag=1\r\nTo: <sip:%[1]s>\r\nCall-ID: %[4]d\r\nCSeq: 1 OPTIONS\r\nContent-Length: 0\r\n\r\n",
		e.At, transport, c.LocalAddr(), rand.Uint64())
	require.NoError(e.T, err)
	require.NoError(e.T, c.SetReadDeadline(time.Now().Add(5*time.Second)))
	_, err = c.Read(make([]byte, 2048))
	require.NoError(e.T, err)
}

// reset ends what is left of a call.
func (e *callEnd) reset() {
	e.mu.Lock()
	defer e.mu.Unlock()
	e.up, e.over, e.answers, e.pondered, e.d, e.to = false, true, false, false, nil, netip.AddrPort{}
	e.invite, e.repeats = uatest.Message{}, e.Repeats.Load()
	e.sound, e.missing, e.gap = 0, 0, 0
	e.got = map[string]int{}
}
