package endpoint

import (
	"container/list"
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
	"clearback/bridge/sipua/rawtest"
)

// Messages at and beyond the size limits (RFC 3261 sections 21.4.11 and 21.5.7 for the codes).
func TestMessageSizeLimits(t *testing.T) {
	pad := func(name string, n int) string { return name + ": " + strings.Repeat("x", n-len(name)-2) + "\r\n" }
	body := func(n int) []byte {
		b := string(from(hostile, "INFO", "size"))
		return []byte(strings.Replace(b, "Content-Length: 0\r\n", fmt.Sprintf("Content-Length: %d\r\n", n), 1) +
			strings.Repeat("b", n))
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
		bubble(t, testHandler{request: func(r *Request) { r.Reply(200, "OK") }}, nil,
			func(t *testing.T, e *Endpoint, n *endpointtest.Network, sent func() []endpointtest.Packet) {
				n.Send(hostile, victim, c.b)
				got := sent()
				require.Len(t, got, 1, name)
				require.True(t, strings.HasPrefix(string(got[0].Data), "SIP/2.0 "+c.want), "%s: %s", name, got[0].Data)
				require.Equal(t, c.want != "200", e.Counts().Oversized == 1, name)
			})
	}
}

// One source cannot take all transactions: a dialog has reserved places.
func TestTransactionLimits(t *testing.T) {
	var mu sync.Mutex
	methods := map[string]int{}
	h := testHandler{request: func(r *Request) {
		mu.Lock()
		defer mu.Unlock()
		methods[r.Method.String()]++
	}}
	bubble(t, h, nil, func(t *testing.T, e *Endpoint, n *endpointtest.Network, sent func() []endpointtest.Packet) {
		for i := range maxServersSource + 50 {
			n.Send(hostile, victim, from(hostile, "INFO", fmt.Sprint("full-", i)))
			if i%100 == 0 {
				synctest.Wait() // otherwise the limit of the queues would be reached
			}
		}
		refused := sent()
		require.Len(t, refused, 50)
		require.True(t, strings.HasPrefix(string(refused[0].Data), "SIP/2.0 503"))
		for i := range maxReserved + 1 { // a BYE for which there is no place is not refused
			n.Send(hostile, victim, again(tagged(from(hostile, "BYE", "end")), i))
		}
		n.Send(source(1), victim, from(source(1), "INVITE", "other"))
		require.Empty(t, sent())
		mu.Lock()
		defer mu.Unlock()
		require.Equal(t, map[string]int{"INFO": maxServersSource, "BYE": maxReserved, "INVITE": 1}, methods)
		require.EqualValues(t, 51, e.Counts().Overloaded)
	})
	// unknown sources have less room, and get no answer
	var r Request
	r.Request, r.unknown = sip.NewRequest(sip.INFO, sip.Uri{}), true
	for own, total := range map[int]int{maxUnknownServersSource: 0, 0: maxUnknownServers} {
		var tr transactions
		require.True(t, tr.roomLocked(&r))
		tr.fill(r.From.Addr(), own)
		tr.unknown = total
		require.False(t, tr.roomLocked(&r))
	}
	for total, fits := range map[int]bool{maxServers - 1: true, maxServers: false} {
		require.Equal(t, fits, (&transactions{ordinary: total}).roomLocked(&r), total)
	}
	// a known source has a share beyond the common limit, and there is a limit for all
	r.unknown = false
	for _, c := range []struct {
		total, own, sources int
		fits                bool
	}{
		{maxServers - 1, maxServersSource - 1, 3, true}, {maxServers - 1, maxServersSource, 3, false},
		{maxServers, 2729, 3, true}, {maxServers, 2730, 3, false}, // (16384-8192)/3
		{maxServers, maxServersFew - 1, 1000, true}, {maxServers, maxServersFew, 1000, false},
		{maxServersHard - 1, 0, 3, true}, {maxServersHard, 0, 3, false},
	} {
		var tr transactions
		tr.ordinary = c.total
		for i := range c.sources - 1 {
			tr.fill(source(i).Addr(), 1)
		}
		tr.fill(r.From.Addr(), max(c.own, 1))
		require.Equal(t, c.fits, tr.roomLocked(&r), "%+v", c)
	}
}

// fill adds n servers of a source.
func (t *transactions) fill(source netip.Addr, n int) {
	all := list.New()
	for range n {
		all.PushBack(&server{})
	}
	t.sources.put(source, all)
}

// An attacker who forges the address of a service or an adapter fills its share with transactions that are answered at
// once. The real peer is still served: for its call, its registration and its own OPTIONS, the oldest answered
// transaction ends. Transactions without a final response, and INVITEs answered with 2xx, stay.
func TestAnsweredTransactionsAreReplaced(t *testing.T) {
	var mu sync.Mutex
	methods := map[string]int{}
	h := testHandler{request: func(r *Request) {
		mu.Lock()
		defer mu.Unlock()
		methods[r.Method.String()]++
		switch {
		case r.IsInvite() && strings.HasPrefix(callID(r), "up"):
			r.Reply(200, "OK")
		case r.Method == sip.OPTIONS:
			r.Reply(200, "OK")
		}
	}}
	bubble(t, h, nil, func(t *testing.T, e *Endpoint, n *endpointtest.Network, sent func() []endpointtest.Packet) {
		send := func(method, id string) {
			n.Send(hostile, victim, from(hostile, method, id))
			synctest.Wait()
		}
		const calls = maxSearched/2 - 1 // two transactions each
		for i := range calls {
			send("INVITE", fmt.Sprint("up-", i))
			send("INVITE", fmt.Sprint("ringing-", i))
		}
		for i := range 2 * maxServersSource {
			send("OPTIONS", fmt.Sprint("flood-", i))
		}
		for _, method := range []string{"INVITE", "REGISTER", "OPTIONS", "MESSAGE"} {
			send(method, "real-"+method)
		}
		mu.Lock()
		defer mu.Unlock()
		require.Zero(t, e.Counts().Overloaded)
		require.Equal(t, map[string]int{"INVITE": 2*calls + 1, "OPTIONS": 2*maxServersSource + 1, "REGISTER": 1,
			"MESSAGE": 1}, methods)
		e.t.mu.Lock()
		defer e.t.mu.Unlock()
		require.Equal(t, maxServersSource, e.t.ordinary)
		kept := 0
		for _, s := range e.t.servers.m {
			if s.r.IsInvite() {
				kept++
			}
		}
		require.Equal(t, 2*calls+1, kept, "ringing and answered calls")
	})
}

// The response of a transaction that gave up its place is not retransmitted any more.
func TestReplacedTransactionEnds(t *testing.T) {
	h := testHandler{request: func(r *Request) { r.Reply(486, "Busy Here") }}
	bubble(t, h, nil, func(t *testing.T, e *Endpoint, n *endpointtest.Network, sent func() []endpointtest.Packet) {
		n.Send(hostile, victim, from(hostile, "INVITE", "busy"))
		<-time.After(t1)
		require.Len(t, sent(), 2, "Timer G")
		e.t.mu.Lock()
		e.t.ordinary += maxServersHard
		e.t.mu.Unlock()
		n.Send(hostile, victim, from(hostile, "OPTIONS", "next"))
		<-time.After(70 * t1)
		require.Len(t, sent(), 1, "the response to the OPTIONS")
	})
}

// Of a source's transactions maxSearched are looked at for one that was answered, and of a stranger's none.
func TestLooksForAnAnsweredTransaction(t *testing.T) {
	for _, c := range []struct {
		unanswered     int
		unknown, found bool
	}{{maxSearched - 1, false, true}, {maxSearched, false, false}, {0, false, true}, {0, true, false}} {
		r := &Request{Request: sip.NewRequest(sip.OPTIONS, sip.Uri{}), From: hostile}
		r.unknown = c.unknown
		answered := &server{r: r}
		answered.done.Store(200)
		all := list.New()
		for range c.unanswered {
			all.PushBack(&server{r: r})
		}
		all.PushBack(answered)
		var tr transactions
		tr.sources.put(hostile.Addr(), all)
		require.Equal(t, c.found, tr.answeredLocked(r) == answered, "%+v", c)
	}
}

// tagged returns a request with our tag in To.
func tagged(b []byte) []byte {
	return []byte(strings.Replace(string(b), "To: <sip:5550102@millrace.example>",
		"To: <sip:5550102@millrace.example>;tag=ours", 1))
}

// While the user is slow, the queued work is bounded. A BYE is still queued.
func TestQueueLimits(t *testing.T) {
	var methods map[string]int
	bubble(t, nil, nil, func(t *testing.T, e *Endpoint, n *endpointtest.Network, sent func() []endpointtest.Packet) {
		methods = map[string]int{}
		gate := make(chan struct{})
		e.handler = testHandler{request: func(r *Request) {
			<-gate
			methods[r.Method.String()]++
		}}
		n.Send(hostile, victim, from(hostile, "ACK", "slow"))
		synctest.Wait() // it runs
		for range 2 * maxWaiting {
			n.Send(hostile, victim, from(hostile, "ACK", "slow"))
		}
		for i := range maxWaitingReserved + 10 {
			n.Send(hostile, victim, []byte(strings.Replace(string(tagged(from(hostile, "BYE", "slow"))), "branch=",
				fmt.Sprint("branch=z9hG4bK", i), 1)))
		}
		require.Empty(t, sent(), "a BYE beyond that is not refused; it is retransmitted")
		require.Equal(t, 1, e.Counts().Queues)
		require.Equal(t, maxWaitingReserved, e.Counts().Servers, "the retransmission counts as new")
		close(gate)
		synctest.Wait()
		require.Equal(t, maxWaitingReserved, methods["BYE"])
		require.Equal(t, 1+maxWaiting, methods["ACK"])
		require.EqualValues(t, maxWaiting+10, e.Counts().Overloaded)
	})
	var q queues
	q.init(nil)
	gate := make(chan struct{})
	offer := func(id string, from int) bool { return q.offer(nil, id, source(from).Addr(), func() { <-gate }) }
	for i := range maxQueues {
		require.True(t, offer(fmt.Sprint(i), i/maxQueuesSource))
		if i == maxQueuesSource-1 {
			require.False(t, offer("beyond its share", 0))
		}
	}
	require.False(t, offer("one more", 0))
	require.True(t, offer("0", 0), "its queue already exists")
	for i := range maxQueuesFew {
		require.True(t, offer(fmt.Sprint("few ", i), 9), "another source may add a few beyond that")
	}
	require.False(t, offer("many", 9))
	require.True(t, q.offerReserved(nil, "a BYE", func() { <-gate }))
	close(gate)
	q.finish()
	require.Zero(t, q.sources.len()+q.size())
}

// How many Call-IDs a source may bring, to the last one: its share while there is room for all, then a few, and beyond
// a number none.
func TestQueueRoom(t *testing.T) {
	for _, c := range []struct {
		total, own int
		fits       bool
	}{
		{maxQueues - 1, maxQueuesSource - 1, true}, {maxQueues - 1, maxQueuesSource, false},
		{maxQueues, maxQueuesFew - 1, true}, {maxQueues, maxQueuesFew, false},
		{maxQueuesHard - 1, maxQueuesFew - 1, true}, {maxQueuesHard, 0, false},
	} {
		var q queues
		for i := range c.total {
			q.byID.put(fmt.Sprint(i), &queue{})
		}
		q.sources.add(hostile.Addr(), c.own)
		require.Equal(t, c.fits, q.roomLocked(hostile.Addr()), "%+v", c)
	}
}

// CANCELs without an INVITE wait in bounded number, of which each source has a share. They leave no transaction.
func TestCancelLimits(t *testing.T) {
	bubble(t, testHandler{}, nil, func(t *testing.T, e *Endpoint, n *endpointtest.Network,
		sent func() []endpointtest.Packet) {
		for i := range maxCancelsSource + 5 {
			n.Send(source(0), victim, from(source(0), "CANCEL", fmt.Sprint("own-", i)))
		}
		require.Len(t, sent(), 5)
		for i := range maxCancels - maxCancelsSource + 10 {
			n.Send(source(1+i%7), victim, from(source(1+i%7), "CANCEL", fmt.Sprint(i)))
		}
		require.Len(t, sent(), 10)
		require.Equal(t, maxCancels, e.Counts().Cancels)
		require.Zero(t, e.Counts().Servers)
		<-time.After(cancelWait)
		require.Len(t, sent(), maxCancels)
		require.Zero(t, e.Counts().Cancels)
		require.EqualValues(t, 15, e.Counts().CancelsRefused)
		require.EqualValues(t, maxCancels+15, e.Counts().Strays)
		require.Zero(t, e.Counts().Servers)
	})
}

// A response is accepted only if its branch, method, Call-ID, CSeq number and our tag are those of the request. Over
// UDP it may come from any address.
func TestForgedResponses(t *testing.T) {
	bubble(t, testHandler{}, nil, func(t *testing.T, e *Endpoint, n *endpointtest.Network,
		sent func() []endpointtest.Packet) {
		var got []int
		_, err := e.Send(outgoing(sip.INVITE, "true", net.UDPAddrFromAddrPort(hostile)), func(r Response) {
			if r.Err == nil { // otherwise it is the end of the test
				got = append(got, r.StatusCode)
			}
		})
		require.NoError(t, err)
		good := rawtest.Answer(rawtest.Message(sent()[0].Data), 180, "far")
		forged := []string{
			strings.Replace(good, "branch=z9hG4bK", "branch=z9hG4bKx", 1),
			strings.Replace(good, "7 INVITE", "7 BYE", 1),
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
		n.Send(source(1), victim, []byte(good)) // from a server with two addresses
		synctest.Wait()
		require.Equal(t, []int{180}, got)
		_, err = e.Send(outgoing(sip.OPTIONS, "unasked", net.UDPAddrFromAddrPort(hostile)), func(Response) {})
		require.NoError(t, err)
		asked := rawtest.Answer(rawtest.Message(sent()[0].Data), 200, "far")
		e.take([]byte(asked), origin{from: hostile, transport: "TCP"})
		require.EqualValues(t, len(forged)+1, e.Counts().Unmatched, "the request was sent over UDP")
	})
}

// A response over TCP has to come from the host that the request went to.
func TestForgedStream(t *testing.T) {
	l, next := listenTCP(t)
	e := open(t, testHandler{})
	var got log
	_, err := e.Send(outgoing(sip.OPTIONS, "stream", l.Addr()), got.note)
	require.NoError(t, err)
	peer := next()
	good := rawtest.Answer(peer.Expect("OPTIONS"), 200, "far")
	d := net.Dialer{LocalAddr: &net.TCPAddr{IP: net.IPv4(127, 0, 0, 2)}}
	c, err := d.DialContext(t.Context(), "tcp", e.Addr().String())
	if err != nil {
		t.Skip("this system has no second loopback address:", err)
	}
	defer c.Close()
	_, err = c.Write([]byte(good))
	require.NoError(t, err)
	require.Eventually(t, func() bool { return e.Counts().Unmatched == 1 }, testTimeout, time.Millisecond)
	require.Empty(t, got.all())
	peer.Send(good)
	got.saw(t, "200 far")
}

// The only, idle connection of a bound adapter survives any number of connections from elsewhere. The address with the
// most connections loses one. An adapter that connects while one address has all the connections it may have finds a
// place, and keeps it.
func TestConnectionShares(t *testing.T) {
	adapter, second, elsewhere := source(1), source(2), source(4)
	change := func(o *Options) {
		o.Bound = func() []netip.AddrPort {
			return []netip.AddrPort{adapter, netip.AddrPortFrom(elsewhere.Addr(), 5060)}
		}
	}
	bubble(t, testHandler{}, change, func(t *testing.T, e *Endpoint, _ *endpointtest.Network,
		_ func() []endpointtest.Packet) {
		s := &e.streams
		add := func(at netip.AddrPort) {
			<-time.After(time.Millisecond) // so that the order by silence is clear
			require.True(t, s.room(at.Addr(), false, time.Now()))
			piped(e, at)
		}
		port := func(host, i int) netip.AddrPort { return netip.AddrPortFrom(source(host).Addr(), uint16(10000+i)) }
		add(adapter)
		// its connection comes from another port than the configured one
		add(netip.AddrPortFrom(elsewhere.Addr(), 41000))
		ourOwn := source(3)
		_, theirs := net.Pipe()
		require.True(t, s.add(&conn{Conn: theirs, e: e, peer: ourOwn}))
		for i := range maxConnsSource + 1 { // two addresses take all the room
			add(port(10, i))
			add(port(11, i))
		}
		require.Equal(t, maxConns, s.size())
		require.True(t, s.room(source(20).Addr(), true, time.Now()),
			"an adapter that nobody knows yet finds a place too")
		piped(e, source(20))
		require.Equal(t, maxConns, s.size())
		add(second) // not bound yet, since it has just connected
		for i := range 2 * maxConnsSource {
			add(port(12, i))
		}
		for i := range maxConnsSource { // and from the adapter's own address
			add(port(1, i))
		}
		require.Equal(t, maxConns, s.size())
		require.NotNil(t, s.connTo(adapter))
		require.NotNil(t, s.connTo(netip.AddrPortFrom(elsewhere.Addr(), 41000)))
		require.NotNil(t, s.connTo(ourOwn))
		require.NotNil(t, s.connTo(second))
		each := map[int]int{}
		s.mu.Lock()
		defer s.mu.Unlock()
		for c := range s.open {
			for _, host := range []int{1, 10, 11, 12} {
				if c.peer.Addr() == source(host).Addr() {
					each[host]++
				}
			}
		}
		for host, n := range each {
			require.InDelta(t, maxConns/4, n, 2, "address %d", host)
		}
	})
}

// The stream of an unknown source beyond its rate is closed.
func TestRateLimitOfUnknownConn(t *testing.T) {
	bubble(t, testHandler{request: func(r *Request) {}}, limited,
		func(t *testing.T, e *Endpoint, _ *endpointtest.Network, _ func() []endpointtest.Packet) {
			c := piped(e, source(1))
			sent := 0
			for ; sent < 1000; sent++ {
				if _, err := c.Write(from(source(1), "OPTIONS", fmt.Sprint(sent))); err != nil {
					break
				}
			}
			synctest.Wait() // the endpoint closes the connection before it removes it
			require.InDelta(t, unknownSourceBurst, sent, 2)
			require.EqualValues(t, 1, e.Counts().Limited)
			require.Zero(t, e.Counts().Connections)
		})
}

// A connection that a line depends on does not count as one of an unknown source, even if its address is not known yet.
// It is not closed in favour of an unknown source, and does not use up the room for them.
func TestLineDependsOnUnknownSource(t *testing.T) {
	bound := func(o *Options) {
		limited(o)
		o.Bound = func() []netip.AddrPort { return []netip.AddrPort{source(1)} }
	}
	bubble(t, testHandler{}, bound, func(t *testing.T, e *Endpoint, _ *endpointtest.Network,
		_ func() []endpointtest.Packet) {
		s := &e.streams
		ours, theirs := net.Pipe()
		defer theirs.Close()
		require.True(t, s.add(&conn{Conn: ours, e: e, peer: source(2)}))
		piped(e, source(1))
		for i := range maxConnsSource {
			<-time.After(time.Millisecond)
			if i >= maxUnknownConns-1 {
				e.Know(source(100 + i).Addr())
			}
			piped(e, source(100+i))
		}
		require.True(t, s.room(source(4000).Addr(), true, time.Now()))
		require.Equal(t, 2+maxConnsSource, s.size(), "there is room for one more unknown source")
		piped(e, source(4000))
		require.True(t, s.room(source(4001).Addr(), true, time.Now()))
		require.Equal(t, 2+maxConnsSource, s.size())
		require.NotNil(t, s.connTo(source(1)), "an adapter's")
		require.NotNil(t, s.connTo(source(2)), "our own")
		require.Nil(t, s.connTo(source(100)), "the oldest of an unknown source")
	})
}
