package endpoint

import (
	"fmt"
	"net"
	"net/netip"
	"runtime"
	"strconv"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/emiago/sipgo/sip"
	"github.com/stretchr/testify/require"

	"clearback/bridge/sipua/endpoint/endpointtest"
	"clearback/bridge/sipua/rawtest"
)

// from returns a request from an address of the network, as text.
func from(at netip.AddrPort, method, id string, more ...string) []byte {
	return []byte(rawtest.CRLF(fmt.Sprintf(`
%[1]s sip:stage-door@192.0.2.1 SIP/2.0
Via: SIP/2.0/UDP %[2]s;branch=z9hG4bK%[3]s
From: <sip:5550101@millrace.example>;tag=near
To: <sip:5550102@millrace.example>
Call-ID: %[3]s
CSeq: 1 %[1]s
Contact: <sip:5550101@%[2]s>
%[4]sContent-Length: 0

`, method, at, id, strings.Join(more, ""))))
}

// source returns the i-th of many addresses.
func source(i int) netip.AddrPort {
	return netip.AddrPortFrom(netip.AddrFrom4([4]byte{198, 18, byte(i >> 8), byte(i)}), 5060)
}

func limited(o *Options) { o.LimitUnknown = true }

// Unknown sources share a rate, and each has a smaller rate of its own. Both recover with time. A known source has no
// limit.
func TestUnknownSourceLimits(t *testing.T) {
	h := testHandler{request: func(r *Request) { r.Reply(200, "OK") }}
	pbx := netip.MustParseAddrPort("203.0.113.5:5060")
	change := func(o *Options) {
		limited(o)
		o.Known = []netip.Prefix{netip.MustParsePrefix("203.0.113.0/24")}
	}
	bubble(t, h, change, func(t *testing.T, e *Endpoint, n *endpointtest.Network, sent func() []endpointtest.Packet) {
		serial := 0
		ask := func(at netip.AddrPort, times int) int {
			for range times {
				serial++
				n.Send(at, victim, from(at, "OPTIONS", fmt.Sprint("ask-", serial)))
			}
			return len(sent())
		}
		require.Equal(t, unknownSourceBurst, ask(source(1), 100))
		require.Zero(t, ask(source(1), 1))
		<-time.After(time.Second)
		require.Equal(t, unknownSourceRate, ask(source(1), 100))
		require.EqualValues(t, 80+1+90, e.Counts().Limited)
		answered := 0
		for i := range 1000 {
			answered += ask(source(i+2), 1)
		}
		require.Equal(t, unknownBurst-unknownSourceRate, answered, "a token of one source is also taken from all")
		require.Equal(t, 300, ask(pbx, 300), "the service is known")
		require.Zero(t, ask(source(5000), 1))
		e.Know(source(5000).Addr())
		require.Equal(t, 300, ask(source(5000), 300), "a peer at that address has shown a secret")
		require.Equal(t, 1, e.Counts().Known)
		<-time.After(knownFor)
		require.Equal(t, unknownSourceBurst, ask(source(5000), 30), "that was long ago")
		require.Zero(t, e.Counts().Known)
	})
}

// A peer that we sent a request to may answer, and is known afterwards. A forged response makes no address known.
func TestKnownByAnswer(t *testing.T) {
	bubble(t, testHandler{}, limited, func(t *testing.T, e *Endpoint, n *endpointtest.Network,
		sent func() []endpointtest.Packet) {
		for i := range 500 { // nothing is left for unknown sources
			n.Send(source(i), victim, from(source(i), "ACK", fmt.Sprint(i)))
		}
		synctest.Wait()
		service, other := source(1000), source(1001)
		got := 0
		_, err := e.Send(outgoing(sip.OPTIONS, "asked", net.UDPAddrFromAddrPort(service)),
			func(r Response) { got = r.StatusCode })
		require.NoError(t, err)
		asked := rawtest.Message(sent()[0].Data)
		n.Send(other, victim, []byte(strings.Replace(rawtest.Answer(asked, 200, "far"), "branch=z9hG4bK", "branch=z9hG4bKx",
			1)))
		synctest.Wait()
		require.Zero(t, e.Counts().Known)
		n.Send(service, victim, []byte(rawtest.Answer(asked, 200, "far")))
		synctest.Wait()
		require.Equal(t, 200, got)
		require.Equal(t, 1, e.Counts().Known)
		n.Send(service, victim, from(service, "OPTIONS", "back"))
		synctest.Wait()
		require.EqualValues(t, 301, e.Counts().Limited)
	})
}

// Who is asked twice may answer the second question after the first has timed out, however much strangers send.
func TestEachQuestionAwaitsItsAnswer(t *testing.T) {
	bubble(t, testHandler{}, limited, func(t *testing.T, e *Endpoint, n *endpointtest.Network,
		sent func() []endpointtest.Packet) {
		service, got := source(1000), []string{}
		ask := func(id string) rawtest.Message {
			_, err := e.Send(outgoing(sip.OPTIONS, id, net.UDPAddrFromAddrPort(service)), func(r Response) {
				if r.Err != nil {
					got = append(got, id+" timed out")
				} else {
					got = append(got, id+" answered")
				}
			})
			require.NoError(t, err)
			return rawtest.Message(sent()[0].Data)
		}
		ask("first")
		<-time.After(32 * t1)
		sent()
		second := ask("second")
		<-time.After(32*t1 + 1) // RFC 3261 section 17.1.2.2: Timer F is 64*T1
		sent()
		for i := range 500 { // nothing is left for strangers
			n.Send(source(i), victim, from(source(i), "ACK", fmt.Sprint(i)))
		}
		synctest.Wait()
		n.Send(service, victim, []byte(rawtest.Answer(second, 200, "far")))
		synctest.Wait()
		require.Equal(t, []string{"first timed out", "second answered"}, got)
		require.Zero(t, e.sourceLimiter.awaited.len())
	})
}

// The number of known addresses is bounded, and the one that was heard from longest ago is removed first.
func TestKnownIsBounded(t *testing.T) {
	var g sourceLimiter
	g.init(Options{LimitUnknown: true})
	now := time.Unix(0, 0)
	for i := range 2 * maxKnown {
		g.know(source(i).Addr(), now.Add(time.Duration(i)*time.Second))
		g.know(source(0).Addr(), now.Add(time.Duration(i)*time.Second))
	}
	require.Equal(t, maxKnown, g.size())
	now = now.Add(2 * maxKnown * time.Second)
	require.False(t, g.isUnknown(source(0).Addr(), now), "this address is renewed all the time")
	require.False(t, g.isUnknown(source(2*maxKnown-1).Addr(), now))
	require.True(t, g.isUnknown(source(1).Addr(), now))
	require.Len(t, g.sources, unknownSlots)
	for i := range 100 { // a whole IPv6 network counts as one source
		a := netip.MustParseAddr("2001:db8::").As16()
		a[15] = byte(i)
		require.Equal(t, g.slot(netip.MustParseAddr("2001:db8::1")), g.slot(netip.AddrFrom16(a)))
	}
}

// A non-2xx final response to the INVITE of an unknown source is sent once, and again for each retransmission of the
// INVITE. To a known source it is sent until its ACK.
func TestFailureOnce(t *testing.T) {
	// 11: RFC 3261 section 17.2.1, Timer G at T1, doubling to T2 = 8*T1 here, for 64*T1
	for stranger, want := range map[bool]int{true: 1, false: 11} {
		h := testHandler{request: func(r *Request) { r.Reply(404, "Not Found") }}
		change := func(o *Options) { o.LimitUnknown = stranger }
		bubble(t, h, change, func(t *testing.T, e *Endpoint, n *endpointtest.Network,
			sent func() []endpointtest.Packet) {
			invite := from(hostile, "INVITE", "forged")
			n.Send(hostile, victim, invite)
			<-time.After(63 * t1)
			first := sent()
			require.Len(t, first, want)
			if !stranger {
				return
			}
			n.Send(hostile, victim, invite)
			again := sent()
			require.Len(t, again, 1)
			require.Equal(t, first[0].Data, again[0].Data)
			<-time.After(2 * t1)
			require.Zero(t, e.Counts().Servers)
			n.Send(hostile, victim, invite)
			require.Len(t, sent(), 1, "a new INVITE is answered")
			n.Send(hostile, victim, []byte(strings.NewReplacer("INVITE", "ACK").Replace(string(invite))))
			require.Empty(t, sent())
			<-time.After(sip.T4)
			synctest.Wait()
			require.Zero(t, e.Counts().Servers)
		})
	}
}

// Whatever an unknown source sends over UDP, at most one packet goes back, to the source of the request, and it is
// hardly longer than the request.
func TestNoAmplifier(t *testing.T) {
	h := testHandler{request: func(r *Request) {
		r.Reply(401, "Unauthorized", sip.NewHeader("WWW-Authenticate", strings.Repeat("c", 120)))
	}}
	const allowed = 120 + 150 // the challenge, and what a response adds: a tag, the source of the request
	requests := map[string][]byte{
		"cut": from(hostile, "INVITE", "a")[:150],
		"long via": from(hostile, "OPTIONS", "b", "Via: SIP/2.0/UDP "+strings.Repeat("v",
			6000)+".example;branch=z9hG4bKv\r\n"),
		"long body": append(from(hostile, "OPTIONS", "c"), make([]byte, maxBody+1)...),
		"syntax":    []byte(strings.Replace(string(from(hostile, "OPTIONS", "d")), "CSeq: 1", "CSeq: x", 1)),
		"nothing":   []byte("OPTIONS sip:x SIP/2.0\r\nv:SIP/2.0/UDP x\r\n\r\n"),
	}
	for _, method := range []string{"INVITE", "REGISTER", "OPTIONS", "ACK", "CANCEL", "BYE", "SUBSCRIBE", "NOTIFY",
		"WHATEVER"} {
		requests[method] = from(hostile, method, "m"+method)
	}
	for name, b := range requests {
		bubble(t, h, limited, func(t *testing.T, e *Endpoint, n *endpointtest.Network,
			sent func() []endpointtest.Packet) {
			n.Send(hostile, victim, b)
			<-time.After(100 * t1)
			got := sent()
			require.LessOrEqual(t, len(got), 1, name)
			for _, p := range got {
				require.Equal(t, hostile, p.To, name)
				require.LessOrEqual(t, len(p.Data), len(b)+allowed, name)
			}
		})
	}
}

// held returns what an endpoint holds while it is idle.
func held(c Counts) [6]int {
	return [6]int{c.Servers, c.UnknownServers, c.Clients, c.Queues, c.Cancels, c.Connections}
}

// 20,000 sources of junk and of scans leave no state, with limits or without (then fewer sources, since each of them is
// served).
func TestUnknownSourcesLeaveNoState(t *testing.T) {
	heap := func() uint64 {
		runtime.GC()
		runtime.GC()
		var m runtime.MemStats
		runtime.ReadMemStats(&m)
		return m.HeapAlloc
	}
	for _, sources := range []int{20000, 500} {
		h := testHandler{request: func(r *Request) { r.Reply(404, "Not Found") }}
		change := func(o *Options) { o.LimitUnknown = sources == 20000 }
		bubble(t, h, change, func(t *testing.T, e *Endpoint, n *endpointtest.Network,
			sent func() []endpointtest.Packet) {
			var kinds []string
			for _, method := range []string{"INVITE", "CANCEL", "ACK"} {
				kinds = append(kinds, string(from(hostile, method, "NUMBER")))
			}
			kinds = append(kinds, "\x00\x01junk", rawtest.Answer(rawtest.Message(kinds[0]), 200, "x"))
			burst := func(begin, end int) {
				for i := begin; i < end; i++ {
					for _, kind := range kinds[i%3:] {
						n.Send(source(i), victim, []byte(strings.ReplaceAll(kind, "NUMBER", strconv.Itoa(i))))
					}
					if i%100 == 0 {
						<-time.After(t1) // unknown sources regain some of their rate
						sent()
					}
				}
				<-time.After(70 * t1)
				sent()
			}
			burst(0, 500) // then maps and pools have reached their size
			before := heap()
			burst(500, 500+sources)
			require.Zero(t, held(e.Counts()))
			require.Zero(t, e.Counts().Known)
			e.t.mu.Lock()
			require.Zero(t, e.t.sources.len()+e.t.reserved.len()+e.t.ordinary+e.t.waitingCancels.n+
				e.t.waitingCancels.sources.len()+e.sourceLimiter.awaited.len()+e.queues.sources.len())
			e.t.mu.Unlock()
			require.Less(t, int64(heap())-int64(before), int64(2<<20), "%d sources", sources)
		})
	}
}

// An IPv6 network of 64 bits is one source. An IPv4 address is one source, also in IPv6 form.
func TestSlotOfANetwork(t *testing.T) {
	var g sourceLimiter
	g.init(Options{LimitUnknown: true})
	slot := func(s string) int { return g.slot(netip.MustParseAddr(s)) }
	require.Equal(t, slot("2001:db8:0:1::1"), slot("2001:db8:0:1:ff00::2"))
	networks := map[int]bool{}
	for i := range 20 {
		networks[slot(fmt.Sprintf("2001:db8:0:%d::1", i))] = true
	}
	require.Greater(t, len(networks), 15)
	require.Equal(t, slot("192.0.2.1"), slot("::ffff:192.0.2.1"))
	clear(networks)
	for i := range 20 {
		networks[slot(fmt.Sprintf("192.0.2.%d", i))] = true
	}
	require.Greater(t, len(networks), 15)
}
