package endpoint

import (
	"fmt"
	"net"
	"net/netip"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/emiago/sipgo/sip"
	"github.com/stretchr/testify/require"

	"clearback/bridge/sipua/endpoint/endpointtest"
)

// Sizes at and beyond their limits (RFC 3261 sections 21.4.11 and 21.5.7 for the codes).
func TestSizes(t *testing.T) {
	pad := func(name string, n int) string { return name + ": " + strings.Repeat("x", n-len(name)-2) + "\r\n" }
	body := func(n int) []byte {
		b := string(from(hostile, "INFO", "size"))
		return []byte(strings.Replace(b, "Content-Length: 0\r\n", fmt.Sprintf("Content-Length: %d\r\n", n), 1) + strings.Repeat("b", n))
	}
	few := strings.Count(string(from(hostile, "INFO", "size")), "\r\n") - 2
	for name, c := range map[string]struct {
		b    []byte
		want string
	}{
		"field":    {from(hostile, "INFO", "size", pad("X", maxField)), "200"},
		"field+":   {from(hostile, "INFO", "size", pad("X", maxField+1)), "513"},
		"folded+":  {from(hostile, "INFO", "size", "X: "+strings.Repeat("\r\n x", maxField/4)+"\r\n"), "513"},
		"head+":    {from(hostile, "INFO", "size", pad("X", maxField), pad("Y", maxField)), "513"},
		"fields":   {from(hostile, "INFO", "size", strings.Repeat("X: y\r\n", maxFields-few)), "200"},
		"fields+":  {from(hostile, "INFO", "size", strings.Repeat("X: y\r\n", maxFields-few+1)), "513"},
		"body":     {body(maxBody), "200"},
		"body+":    {body(maxBody + 1), "413"},
		"message+": {body(maxMessage), "513"},
	} {
		bubble(t, user{request: func(r *Request) { r.Reply(200, "OK") }}, nil, func(t *testing.T, e *Endpoint, n *endpointtest.Network, sent func() []endpointtest.Packet) {
			n.Send(hostile, victim, c.b)
			got := sent()
			require.Len(t, got, 1, name)
			require.True(t, strings.HasPrefix(string(got[0].Data), "SIP/2.0 "+c.want), "%s: %s", name, got[0].Data)
			require.Equal(t, c.want != "200", e.Counts().Oversized == 1, name)
		})
	}
}

// One source cannot take all transactions, and what ends a call is served beyond the limit.
func TestTransactionLimits(t *testing.T) {
	var mu sync.Mutex
	methods := map[string]int{}
	h := user{request: func(r *Request) {
		mu.Lock()
		defer mu.Unlock()
		methods[r.Method.String()]++
	}}
	bubble(t, h, nil, func(t *testing.T, e *Endpoint, n *endpointtest.Network, sent func() []endpointtest.Packet) {
		for i := range maxServersSource + 50 {
			n.Send(hostile, victim, from(hostile, "INFO", fmt.Sprint("full-", i)))
			if i%100 == 0 {
				synctest.Wait() // so many queues at once would be another limit
			}
		}
		refused := sent()
		require.Len(t, refused, 50)
		require.True(t, strings.HasPrefix(string(refused[0].Data), "SIP/2.0 503"))
		n.Send(hostile, victim, from(hostile, "BYE", "end"))
		n.Send(source(1), victim, from(source(1), "INVITE", "other"))
		synctest.Wait()
		mu.Lock()
		defer mu.Unlock()
		require.Equal(t, map[string]int{"INFO": maxServersSource, "BYE": 1, "INVITE": 1}, methods)
		require.EqualValues(t, 50, e.Counts().Overloaded)
	})
	// a call for help is let in all the same, but not a stranger's
	help := Request{Request: sip.NewRequest(sip.INVITE, sip.Uri{}), urgent: true}
	var full transactions
	full.init()
	full.sources[help.From.Addr()] = maxServersSource
	require.True(t, full.room(&help))
	help.urgent = false
	require.False(t, full.room(&help))
	help.urgent, help.stranger = true, true
	require.False(t, full.room(&help))
	// strangers have less, and are not answered
	var r Request
	r.Request, r.stranger = sip.NewRequest(sip.INFO, sip.Uri{}), true
	for own, total := range map[int]int{maxStrangeSource: 0, 0: maxStrange} {
		var tr transactions
		tr.init()
		require.True(t, tr.room(&r))
		tr.sources[r.From.Addr()], tr.strange = own, total
		require.False(t, tr.room(&r))
	}
	// and there is an end for everybody
	var tr transactions
	tr.init()
	bye := Request{Request: sip.NewRequest(sip.BYE, sip.Uri{})}
	for i := range maxServersHard {
		require.True(t, i != maxServers || tr.room(&bye), "a BYE is let in beyond the first limit")
		tr.servers[fmt.Sprint(i)] = nil
	}
	require.False(t, tr.room(&bye))
}

// While the user is slow, what waits for him is bounded; a BYE waits all the same.
func TestQueueLimits(t *testing.T) {
	var methods map[string]int
	bubble(t, nil, nil, func(t *testing.T, e *Endpoint, n *endpointtest.Network, sent func() []endpointtest.Packet) {
		methods = map[string]int{}
		gate := make(chan struct{})
		e.handler = user{request: func(r *Request) {
			<-gate
			methods[r.Method.String()]++
		}}
		n.Send(hostile, victim, from(hostile, "ACK", "slow"))
		synctest.Wait() // it runs
		for range 2 * maxWaiting {
			n.Send(hostile, victim, from(hostile, "ACK", "slow"))
		}
		n.Send(hostile, victim, from(hostile, "BYE", "slow"))
		synctest.Wait()
		require.Equal(t, 1, e.Counts().Queues)
		close(gate)
		synctest.Wait()
		require.Equal(t, 1, methods["BYE"])
		require.Equal(t, 1+maxWaiting, methods["ACK"])
		require.EqualValues(t, maxWaiting, e.Counts().Overloaded)
	})
	var q queues
	q.init(nil)
	gate := make(chan struct{})
	for i := range maxQueues {
		require.True(t, q.offer(fmt.Sprint(i), func() { <-gate }))
	}
	require.False(t, q.offer("one more", func() {}))
	require.True(t, q.offer("0", func() {}), "that one is open")
	close(gate)
	q.finish()
}

// CANCELs for which there is no INVITE wait in bounded number; and so many INVITEs of one Call-ID are not searched.
func TestCancelLimits(t *testing.T) {
	bubble(t, user{}, nil, func(t *testing.T, e *Endpoint, n *endpointtest.Network, sent func() []endpointtest.Packet) {
		for i := range maxCancels + 10 {
			n.Send(source(i%7), victim, from(source(i%7), "CANCEL", fmt.Sprint(i)))
		}
		require.Len(t, sent(), 10)
		require.Equal(t, maxCancels, e.Counts().Cancels)
		<-time.After(earlyCancel)
		require.Len(t, sent(), maxCancels)
		require.Zero(t, e.Counts().Cancels)
		require.EqualValues(t, 10, e.Counts().CancelsRefused)
	})
	bubble(t, user{}, nil, func(t *testing.T, e *Endpoint, n *endpointtest.Network, sent func() []endpointtest.Packet) {
		invite := string(from(hostile, "INVITE", "alike"))
		for i := range maxAlike + 1 {
			n.Send(hostile, victim, []byte(strings.Replace(invite, "branch=z9hG4bKalike", fmt.Sprint("branch=z9hG4bK", i), 1)))
		}
		synctest.Wait()
		cancel, err := e.parser.ParseSIP(from(hostile, "CANCEL", "alike"))
		require.NoError(t, err)
		e.t.mu.Lock()
		defer e.t.mu.Unlock()
		require.Len(t, e.t.invites["alike"], maxAlike+1)
		require.Nil(t, e.t.pendingLike(cancel.(*sip.Request)))
	})
}

// A response is taken only if branch, method, Call-ID, number and our tag are those of the request; by UDP it may come from anywhere.
func TestForgedResponses(t *testing.T) {
	bubble(t, user{}, nil, func(t *testing.T, e *Endpoint, n *endpointtest.Network, sent func() []endpointtest.Packet) {
		var got []int
		_, err := e.Send(outgoing(sip.INVITE, "true", net.UDPAddrFromAddrPort(hostile)), func(r Response) { got = append(got, r.StatusCode) })
		require.NoError(t, err)
		good := answer(message(sent()[0].Data), 180, "far")
		forged := []string{
			strings.Replace(good, "branch=z9hG4bK", "branch=z9hG4bKx", 1), strings.Replace(good, "7 INVITE", "7 BYE", 1),
			strings.Replace(good, "Call-ID: true", "Call-ID: false", 1), strings.Replace(good, "CSeq: 7", "CSeq: 8", 1),
			strings.Replace(good, "tag=ours", "tag=theirs", 1),
		}
		for _, s := range forged {
			require.NotEqual(t, good, s)
			n.Send(hostile, victim, []byte(s))
		}
		synctest.Wait()
		require.Empty(t, got)
		require.EqualValues(t, len(forged), e.Counts().Unmatched)
		n.Send(source(1), victim, []byte(good)) // a server with two addresses
		synctest.Wait()
		require.Equal(t, []int{180}, got)
		_, err = e.Send(outgoing(sip.OPTIONS, "unasked", net.UDPAddrFromAddrPort(hostile)), func(Response) {})
		require.NoError(t, err)
		asked := answer(message(sent()[0].Data), 200, "far")
		e.take([]byte(asked), origin{from: hostile, transport: "TCP"})
		require.EqualValues(t, len(forged)+1, e.Counts().Unmatched, "the request went by UDP")
	})
}

// By TCP a response has to come from the host that was asked.
func TestForgedStream(t *testing.T) {
	l, next := listenTCP(t)
	e := open(t, user{})
	var got log
	_, err := e.Send(outgoing(sip.OPTIONS, "stream", l.Addr()), got.note)
	require.NoError(t, err)
	peer := next()
	good := answer(peer.expect("OPTIONS"), 200, "far")
	d := net.Dialer{LocalAddr: &net.TCPAddr{IP: net.IPv4(127, 0, 0, 2)}}
	c, err := d.DialContext(t.Context(), "tcp", e.Addr().String())
	if err != nil {
		t.Skip("this system has no second loopback address:", err)
	}
	defer c.Close()
	_, err = c.Write([]byte(good))
	require.NoError(t, err)
	require.Eventually(t, func() bool { return e.Counts().Unmatched == 1 }, patience, time.Millisecond)
	require.Empty(t, got.all())
	peer.send(good)
	got.saw(t, "200 far")
}

// piped is a connection of a peer in memory.
func piped(e *Endpoint, at netip.AddrPort) net.Conn {
	ours, theirs := net.Pipe()
	e.streams.add(&conn{Conn: ours, e: e, peer: at, accepted: true})
	return theirs
}

// Who never finishes a message is cut off 10 s after its first byte, however busy he is; who is silent later, a stranger sooner.
func TestPatience(t *testing.T) {
	h := user{request: func(r *Request) { go r.Reply(200, "OK") }}
	bubble(t, h, limited, func(t *testing.T, e *Endpoint, _ *endpointtest.Network, _ func() []endpointtest.Packet) {
		begin := time.Now()
		ends := func(c net.Conn) time.Duration {
			b := make([]byte, 1000)
			for {
				if _, err := c.Read(b); err != nil {
					return time.Since(begin)
				}
			}
		}
		slow := piped(e, source(1))
		go func() {
			for range time.Tick(time.Second) {
				if _, err := slow.Write([]byte("O")); err != nil {
					return
				}
			}
		}()
		require.Equal(t, time.Second+messageLimit, ends(slow))
		begin = time.Now()
		require.Equal(t, strangeIdleLimit, ends(piped(e, source(2))))
		begin = time.Now()
		later := piped(e, source(3))
		<-time.After(strangeIdleLimit - time.Second)
		e.Know(source(3).Addr())
		require.Equal(t, idleLimit, ends(later))
		begin = time.Now()
		busy := piped(e, source(3))
		<-time.After(idleLimit - time.Second)
		go busy.Write(from(source(3), "OPTIONS", "alive"))
		require.Equal(t, 2*idleLimit-time.Second, ends(busy))
		n := e.Counts()
		require.EqualValues(t, 1, n.Slow)
		require.EqualValues(t, 3, n.Idle)
		require.Zero(t, n.Connections)
	})
}

// Connections are bounded, and nobody known is refused one: the longest silent makes room, a stranger first.
func TestConnectionLimits(t *testing.T) {
	bubble(t, user{}, limited, func(t *testing.T, e *Endpoint, _ *endpointtest.Network, _ func() []endpointtest.Packet) {
		s := &e.streams
		add := func(at netip.AddrPort, known bool) bool {
			<-time.After(time.Millisecond) // so that it is clear who is silent longest
			if known {
				e.Know(at.Addr())
			}
			if !s.room(at.Addr(), !known, time.Now()) {
				return false
			}
			piped(e, at)
			return true
		}
		port := func(i int) netip.AddrPort { return netip.AddrPortFrom(source(1).Addr(), uint16(10000+i)) }
		require.True(t, add(source(999), true)) // is silent longer than any stranger
		for i := range maxStrangeConnsEach {
			require.True(t, add(port(i), false))
		}
		require.False(t, add(port(100), false))
		for i := range maxStrangeConns - maxStrangeConnsEach {
			require.True(t, add(source(100+i), false))
		}
		require.NotNil(t, s.to(port(0)))
		e.streams.to(port(0)).touch() // however lately it spoke
		require.True(t, add(source(500), false))
		require.Nil(t, s.to(port(0)), "the stranger that came first made room")
		require.Equal(t, 1+maxStrangeConns, s.size())
		for i := range maxConns - maxStrangeConns - 1 {
			require.True(t, add(source(1000+i), true))
		}
		require.Equal(t, maxConns, s.size())
		require.True(t, add(source(501), false))
		require.Equal(t, maxConns, s.size())
		require.Nil(t, s.to(port(1)), "so did the next")
		require.Nil(t, s.to(source(1500)))
		require.True(t, add(source(1500), true))
		require.Equal(t, maxConns, s.size())
		require.Nil(t, s.to(port(2)), "the stranger that was silent longest made room")
		require.NotNil(t, s.to(source(999)))
		same := func(i int) netip.AddrPort { return netip.AddrPortFrom(source(2000).Addr(), uint16(10000+i)) }
		for i := range maxConnsSource + 1 {
			require.True(t, add(same(i), true))
		}
		require.Nil(t, s.to(same(0)))
		require.NotNil(t, s.to(same(maxConnsSource)))
		require.LessOrEqual(t, s.size(), maxConns)
		require.EqualValues(t, 2+1+maxConnsSource+1, e.Counts().ConnectionsEnded)
	})
}

// A stranger's stream beyond his rate is closed.
func TestStrangeStream(t *testing.T) {
	bubble(t, user{request: func(r *Request) {}}, limited, func(t *testing.T, e *Endpoint, _ *endpointtest.Network, _ func() []endpointtest.Packet) {
		c := piped(e, source(1))
		sent := 0
		for ; sent < 1000; sent++ {
			if _, err := c.Write(from(source(1), "OPTIONS", fmt.Sprint(sent))); err != nil {
				break
			}
		}
		synctest.Wait() // it is closed before it is forgotten
		require.InDelta(t, strangeSourceBurst, sent, 2)
		require.EqualValues(t, 1, e.Counts().Limited)
		require.Zero(t, e.Counts().Connections)
	})
}
