package endpoint

import (
	"fmt"
	"io"
	"net"
	"net/netip"
	"strings"
	"testing"
	"time"

	"github.com/emiago/sipgo/sip"
	"github.com/stretchr/testify/require"

	"clearback/bridge/sipua/endpoint/endpointtest"
	"clearback/bridge/sipua/rawtest"
)

// The most important field decides, whatever the others say.
func TestConnectionRank(t *testing.T) {
	order := []rank{ // the lowest first
		{known: false, lineDepends: false, share: -2, last: 9}, {known: false, lineDepends: false, share: -1, last: 1},
		{known: false, lineDepends: false, share: -1, last: 2},
		{known: true, lineDepends: false, share: -9, last: 9}, {known: true, lineDepends: false, share: -3, last: 3},
		{known: true, lineDepends: true, share: -8, last: 1}, {known: true, lineDepends: true, share: -8, last: 2},
		{known: true, lineDepends: true, share: -1, last: 0},
	}
	for i, a := range order {
		for j, b := range order {
			require.Equal(t, i < j, a.below(b), "%+v %+v", a, b)
		}
	}
}

// A line depends on a connection from the exact address and port at which an adapter is bound, and on the only
// connection from an address at which an adapter is bound.
func TestLineDependsOnConnection(t *testing.T) {
	bound := []netip.AddrPort{source(1), source(2)}
	other := netip.AddrPortFrom(source(2).Addr(), 40000)
	require.True(t, lineDependsOn(bound, source(2), 7))
	require.True(t, lineDependsOn(bound, other, 1))
	require.False(t, lineDependsOn(bound, other, 2))
	require.False(t, lineDependsOn(bound, source(3), 1))
	require.False(t, lineDependsOn(nil, source(1), 1))
}

// An address that has all the connections it may have loses its own connection that has been silent longest, not one of
// another address.
func TestConnectionsOfOneAddress(t *testing.T) {
	bubble(t, testHandler{}, nil, func(t *testing.T, e *Endpoint, _ *endpointtest.Network,
		_ func() []endpointtest.Packet) {
		s := &e.streams
		port := func(i int) netip.AddrPort { return netip.AddrPortFrom(source(1).Addr(), uint16(10000+i)) }
		add := func(at netip.AddrPort) net.Conn {
			<-time.After(time.Millisecond)
			require.True(t, s.room(at.Addr(), false, time.Now()))
			return piped(e, at)
		}
		add(source(2))
		ends := map[int]net.Conn{}
		for i := range maxConnsSource {
			ends[i] = add(port(i))
		}
		require.Equal(t, 1+maxConnsSource, s.size())
		s.connTo(port(0)).touch()
		add(port(maxConnsSource))
		require.Equal(t, 1+maxConnsSource, s.size())
		require.NotNil(t, s.connTo(source(2)), "silent longer, but from another address")
		require.NotNil(t, s.connTo(port(0)))
		require.Nil(t, s.connTo(port(1)))
		evicted := time.Now()
		_, err := ends[1].Read(make([]byte, 1))
		require.ErrorIs(t, err, io.EOF, "its peer sees the end")
		require.Zero(t, time.Since(evicted), "at once")
		require.EqualValues(t, 1, e.Counts().ConnectionsEnded)
	})
}

// If there is no room, the address that would have the most connections loses the one that has been silent longest,
// even if that is the address of the new connection. The connection of an adapter is closed last, also if its address
// has exactly as many as it may have.
func TestConnectionsOfManyAddresses(t *testing.T) {
	port := func(i, n int) netip.AddrPort { return netip.AddrPortFrom(source(i).Addr(), uint16(10000+n)) }
	bubble(t, testHandler{}, nil, func(t *testing.T, e *Endpoint, _ *endpointtest.Network,
		_ func() []endpointtest.Packet) {
		s := &e.streams
		for i := range maxConns / 2 {
			for n := range 2 {
				<-time.After(time.Millisecond)
				piped(e, port(i, n))
			}
		}
		require.True(t, s.room(source(7).Addr(), false, time.Now()))
		require.Nil(t, s.connTo(port(7, 0)), "others have been silent longer, but none has three connections")
		require.Equal(t, maxConns-1, s.size())
		piped(e, port(8, 2))
		require.True(t, s.room(source(9).Addr(), false, time.Now()))
		require.Equal(t, maxConns-1, s.size())
	})
	bound := func(o *Options) { o.Bound = func() []netip.AddrPort { return []netip.AddrPort{port(1, 0)} } }
	bubble(t, testHandler{}, bound, func(t *testing.T, e *Endpoint, _ *endpointtest.Network,
		_ func() []endpointtest.Packet) {
		s := &e.streams
		for n := range maxConnsSource {
			<-time.After(time.Millisecond)
			piped(e, port(1, n))
		}
		require.True(t, s.room(source(1).Addr(), false, time.Now()))
		require.NotNil(t, s.connTo(port(1, 0)), "the adapter's")
		require.Nil(t, s.connTo(port(1, 1)))
	})
}

// An unknown source replaces no connection that a line depends on, nor a connection of an address with few.
func TestUnknownSourceDisplacesNoConnection(t *testing.T) {
	for _, each := range []int{maxUnknownConns, maxUnknownConns + 1} {
		var all []netip.AddrPort
		for i := range maxConns {
			all = append(all, netip.AddrPortFrom(source(i/each).Addr(), uint16(10000+i)))
		}
		bubble(t, testHandler{}, limited, func(t *testing.T, e *Endpoint, _ *endpointtest.Network,
			_ func() []endpointtest.Packet) {
			s := &e.streams
			for _, at := range all {
				e.Know(at.Addr())
				piped(e, at)
			}
			require.Equal(t, each > maxUnknownConns, s.room(source(4000).Addr(), true, time.Now()), "%d each", each)
			want := maxConns
			if each > maxUnknownConns {
				want--
			}
			require.Equal(t, want, s.size())
		})
		bubble(t, testHandler{}, func(o *Options) { limited(o); o.Bound = func() []netip.AddrPort { return all } },
			func(t *testing.T, e *Endpoint, _ *endpointtest.Network, _ func() []endpointtest.Packet) {
				for _, at := range all {
					e.Know(at.Addr())
					piped(e, at)
				}
				require.False(t, e.streams.room(source(4000).Addr(), true, time.Now()), "each is an adapter's")
				require.Equal(t, maxConns, e.streams.size())
			})
	}
}

// Connections of unknown sources beyond their number, and then beyond their rate, are closed at once.
func TestConnectionLimitOfUnknownSources(t *testing.T) {
	e := open(t, testHandler{}, limited)
	for range unknownSourceBurst + 5 {
		c, err := net.Dial("tcp", e.Addr().String())
		if err == nil {
			defer c.Close()
		}
	}
	require.Eventually(t, func() bool {
		n := e.Counts()
		return n.Connections == maxUnknownConnsSource &&
			n.ConnectionsRefused+n.Limited == unknownSourceBurst+5-maxUnknownConnsSource
	}, testTimeout, time.Millisecond)
	n := e.Counts()
	require.NotZero(t, n.Limited, "beyond the rate, connections are closed before the check for room")
	require.GreaterOrEqual(t, n.ConnectionsRefused, uint64(unknownSourceBurst-maxUnknownConnsSource))
}

// A peer that always has an incomplete message, but completes one after the other, does not count as slow.
func TestPartialMessagesAreNotSlow(t *testing.T) {
	h := testHandler{request: func(r *Request) {}}
	bubble(t, h, nil, func(t *testing.T, e *Endpoint, _ *endpointtest.Network, _ func() []endpointtest.Packet) {
		c := piped(e, source(1))
		send := func(b []byte) {
			_, err := c.Write(b)
			require.NoError(t, err)
		}
		one := func(i int) []byte { return from(source(1), "ACK", fmt.Sprint("busy-", i)) }
		send(one(0)[:100])
		for i := range 10 {
			<-time.After(messageLimit - time.Second)
			send(append(one(i)[100:], one(i + 1)[:100]...))
		}
		begin := time.Now()
		_, err := c.Read(make([]byte, 1))
		require.Error(t, err)
		require.Equal(t, messageLimit, time.Since(begin))
		require.EqualValues(t, 1, e.Counts().Slow)
	})
}

// A message that arrived in parts is complete in the end. After it, a connection may be silent as long as any other.
// The time for the next message begins with its own first byte.
func TestIdleAfterMessageInParts(t *testing.T) {
	for _, known := range []bool{true, false} {
		methods := make(chan sip.RequestMethod, 2) // of the two messages
		h := testHandler{request: func(r *Request) { methods <- r.Method }}
		bubble(t, h, limited, func(t *testing.T, e *Endpoint, _ *endpointtest.Network, _ func() []endpointtest.Packet) {
			limit := unknownIdleLimit
			if known {
				e.Know(source(1).Addr())
				limit = idleLimit
			}
			c := piped(e, source(1))
			send := func(b []byte) {
				_, err := c.Write(b)
				require.NoError(t, err)
			}
			ends := func() time.Duration {
				begin := time.Now()
				_, err := c.Read(make([]byte, 1))
				require.ErrorIs(t, err, io.EOF)
				return time.Since(begin)
			}
			first, second := from(source(1), "ACK", "first"), from(source(1), "ACK", "second")
			send(first[:100])
			<-time.After(messageLimit - time.Nanosecond)
			send(first[100:])
			require.Equal(t, sip.ACK, <-methods)
			<-time.After(limit - time.Nanosecond)
			send(second[:100])
			<-time.After(messageLimit - time.Nanosecond)
			send(second[100:])
			require.Equal(t, sip.ACK, <-methods)
			require.Equal(t, limit, ends())
			n := e.Counts()
			require.Equal(t, []uint64{0, 1}, []uint64{n.Slow, n.Idle})
		})
	}
}

// A peer that we connected to is not limited as an unknown source, whatever its address.
func TestOwnConnectionIsNotLimited(t *testing.T) {
	const many = 2 * unknownSourceBurst
	came := make(chan struct{}, many) // one for each message
	h := testHandler{request: func(r *Request) { came <- struct{}{} }}
	bubble(t, h, limited, func(t *testing.T, e *Endpoint, _ *endpointtest.Network, _ func() []endpointtest.Packet) {
		ours, c := net.Pipe()
		require.True(t, e.streams.add(&conn{Conn: ours, e: e, peer: source(1)}))
		for i := range many {
			_, err := c.Write(from(source(1), "ACK", fmt.Sprint("own-", i)))
			require.NoError(t, err)
		}
		begin := time.Now()
		_, err := c.Read(make([]byte, 1))
		require.ErrorIs(t, err, io.EOF)
		require.Equal(t, idleLimit, time.Since(begin))
		require.Zero(t, e.Counts().Limited)
		require.Len(t, came, many)
	})
}

// A message at the size limit is accepted on a stream. A larger one gets 513, and the stream is closed.
func TestStreamSizes(t *testing.T) {
	body := func(n int) []byte {
		return []byte(strings.Replace(string(from(source(1), "INFO", "size")), "Content-Length: 0\r\n",
			fmt.Sprintf("Content-Length: %d\r\n", n), 1) + strings.Repeat("b", n))
	}
	plain := len(from(source(1), "INFO", "size"))
	head := func(n int) []byte { // a head of n bytes, with no field too long
		pad := n - plain
		first := pad / 2
		field := func(name string, n int) string { return name + ": " + strings.Repeat("x", n-len(name)-4) + "\r\n" }
		b := from(source(1), "INFO", "size", field("X", first), field("Y", pad-first))
		require.Len(t, b, n)
		return b
	}
	for name, c := range map[string]struct {
		b    []byte
		err  error
		size int
	}{
		"body":        {body(maxBody), nil, len(body(maxBody))},
		"body+":       {body(maxBody + 1), errTooLarge, 0},
		"head":        {head(maxHead), nil, maxHead},
		"head+":       {head(maxHead + 1), errTooLarge, 0},
		"no end":      {head(maxHead + 100)[:maxHead], nil, 0},
		"no end+":     {head(maxHead + 100)[:maxHead+1], errTooLarge, 0},
		"no length":   {[]byte("X\r\n\r\n"), errNoLength, 0},
		"two lengths": {[]byte("X\r\nContent-Length: 0\r\nl: 0\r\n\r\n"), errNoLength, 0},
		"compact":     {[]byte("X\r\nl:0\r\n\r\n"), nil, 10},
		"folded":      {[]byte("X\r\nl:0\r\nA:\r\n\tl: 7\r\n l: 7\r\n\r\n"), nil, 28},
		"spaces":      {[]byte("X\r\n Content-Length: 5\r\ncontent-length : 2\r\n\r\nab"), nil, 47},
	} {
		for _, step := range []int{len(c.b), 1} {
			if step == 1 && len(c.b) > 100 {
				step = 97
			}
			var f framer
			var message []byte
			var err error
			for rest := c.b; len(rest) > 0 && message == nil && err == nil; {
				n := min(step, len(rest))
				f.write(rest[:n])
				rest = rest[n:]
				message, _, err = f.next()
			}
			require.Equal(t, c.err, err, name)
			require.Len(t, message, c.size, name)
		}
	}
	// empty lines before a message are dropped; two of them are a ping (RFC 5626 section 3.5.1)
	var f framer
	f.write([]byte("\r\nX\r\nl:0\r\n\r\n\r\n\r\n\r\n\r\n\r\nY\r\nl:0\r\n\r\n\r"))
	var cut []string
	for range 6 {
		message, ping, err := f.next()
		require.NoError(t, err)
		if ping {
			message = []byte("ping")
		}
		cut = append(cut, string(message))
	}
	require.Equal(t, []string{"X\r\nl:0\r\n\r\n", "ping", "ping", "Y\r\nl:0\r\n\r\n", "", ""}, cut)
	require.True(t, f.partial())
	f = framer{}
	f.write([]byte("X\r\nl:0\r\n"))
	_, _, err := f.next()
	require.NoError(t, err)
	require.Equal(t, len("X\r\nl:0\r\n")-3, f.seen, "what has been searched is not searched again")
	f.write([]byte("\r\n"))
	_, _, err = f.next()
	require.NoError(t, err)
	require.Nil(t, f.buf, "an idle connection keeps no buffer")
	for length, want := range map[string]error{"2147483647": errTooLarge, "2147483648": errNoLength} {
		f = framer{}
		f.write([]byte("X\r\nl:" + length + "\r\n\r\n"))
		_, _, err := f.next()
		require.Equal(t, want, err, "an int of 32 bits holds the first, and not the second")
	}
	e := open(t, testHandler{})
	w := dial(t, "tcp", e)
	w.Send(string(head(maxHead + 1)))
	require.Contains(t, w.Next(testTimeout), "SIP/2.0 513")
	_, err = w.In.ReadByte()
	require.ErrorIs(t, err, io.EOF)
	require.EqualValues(t, 1, e.Counts().Oversized)
	require.Eventually(t, func() bool { return e.Counts().Connections == 0 }, testTimeout, time.Millisecond)
}

// Two requests to a peer without a connection share the new one.
func TestDialOnce(t *testing.T) {
	l, next := listenTCP(t)
	e := open(t, testHandler{})
	var got log
	for i := range 5 {
		_, err := e.Send(outgoing("OPTIONS", fmt.Sprint(i), l.Addr()), got.note)
		require.NoError(t, err)
	}
	w := next()
	for range 5 {
		w.Send(rawtest.Answer(w.Expect("OPTIONS"), 200, "far"))
	}
	got.saw(t, "200 far", "200 far", "200 far", "200 far", "200 far")
	require.Equal(t, 1, e.Counts().Connections)
	require.NoError(t, e.Close())
	_, err := e.streams.connect(t.Context(), netip.MustParseAddrPort(l.Addr().String()))
	require.ErrorIs(t, err, ErrClosed)
}

// A closed connection is not found any more, at once, and does not remove a newer one to the same peer.
func TestClosedIsNotFound(t *testing.T) {
	bubble(t, testHandler{}, nil, func(t *testing.T, e *Endpoint, _ *endpointtest.Network,
		_ func() []endpointtest.Packet) {
		s, at := &e.streams, source(1)
		var both []*conn
		for range 2 {
			ours, theirs := net.Pipe()
			c := &conn{Conn: ours, e: e, peer: at} // nobody reads it
			s.mu.Lock()
			s.byPeer[at], s.open[c] = c, struct{}{}
			s.mu.Unlock()
			both = append(both, c)
			defer func() {
				_, err := theirs.Read(make([]byte, 1))
				require.ErrorIs(t, err, io.EOF, "its peer sees the end")
			}()
		}
		require.NoError(t, both[0].Close())
		require.Same(t, both[1], s.connTo(at), "the newer one")
		require.Equal(t, 1, s.size())
		require.NoError(t, both[1].Close())
		require.Nil(t, s.connTo(at))
		require.Zero(t, s.size())
	})
}

// piped returns the peer's end of a connection in memory.
func piped(e *Endpoint, at netip.AddrPort) net.Conn {
	ours, theirs := net.Pipe()
	e.streams.add(&conn{Conn: ours, e: e, peer: at, accepted: true})
	return theirs
}

// A peer that does not complete a message is cut off 10 s after its first byte, however active it is. A silent peer is
// cut off later, an unknown source sooner.
func TestReadDeadlines(t *testing.T) {
	h := testHandler{request: func(r *Request) { go r.Reply(200, "OK") }}
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
		require.Equal(t, unknownIdleLimit, ends(piped(e, source(2))))
		begin = time.Now()
		later := piped(e, source(3))
		<-time.After(unknownIdleLimit - time.Second)
		e.Know(source(3).Addr())
		require.Equal(t, idleLimit, ends(later))
		begin = time.Now()
		busy := piped(e, source(3))
		<-time.After(idleLimit - time.Second)
		go busy.Write(from(source(3), "OPTIONS", "alive"))
		require.Equal(t, 2*idleLimit-time.Second, ends(busy))
		e.Know(source(4).Addr())
		for _, theirs := range []bool{true, false} { // two bytes from the peer, or from us
			begin = time.Now()
			quiet := piped(e, source(4))
			<-time.After(idleLimit - time.Second)
			if theirs {
				go quiet.Write([]byte("\r\n"))
			} else {
				go e.streams.connTo(source(4)).write([]byte("\r\n"))
			}
			require.Equal(t, 2*idleLimit-time.Second, ends(quiet))
		}
		n := e.Counts()
		require.EqualValues(t, 1, n.Slow)
		require.EqualValues(t, 5, n.Idle)
		require.Zero(t, n.Connections)
	})
}

// The number of connections is bounded, and a known source is never refused. The connection that has been silent
// longest is closed, that of an unknown source first.
func TestConnectionLimits(t *testing.T) {
	bubble(t, testHandler{}, limited, func(t *testing.T, e *Endpoint, _ *endpointtest.Network,
		_ func() []endpointtest.Packet) {
		s := &e.streams
		add := func(at netip.AddrPort, known bool) bool {
			<-time.After(time.Millisecond) // so that the order by silence is clear
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
		require.True(t, add(source(999), true)) // has been silent longer than any unknown source
		for i := range maxUnknownConnsSource {
			require.True(t, add(port(i), false))
		}
		require.False(t, add(port(100), false))
		for i := range maxUnknownConns - maxUnknownConnsSource {
			require.True(t, add(source(100+i), false))
		}
		require.NotNil(t, s.connTo(port(0)))
		e.streams.connTo(port(0)).touch() // however lately it sent something
		require.True(t, add(source(500), false))
		require.Nil(t, s.connTo(port(0)), "the oldest connection of an unknown source is closed")
		require.Equal(t, 1+maxUnknownConns, s.size())
		for i := range maxConns - maxUnknownConns - 1 {
			require.True(t, add(source(1000+i), true))
		}
		require.Equal(t, maxConns, s.size())
		require.True(t, add(source(501), false))
		require.Equal(t, maxConns, s.size())
		require.Nil(t, s.connTo(port(1)), "so is the next one")
		require.Nil(t, s.connTo(source(1500)))
		require.True(t, add(source(1500), true))
		require.Equal(t, maxConns, s.size())
		require.Nil(t, s.connTo(port(2)), "the unknown source that was silent longest is closed")
		require.NotNil(t, s.connTo(source(999)))
		same := func(i int) netip.AddrPort { return netip.AddrPortFrom(source(2000).Addr(), uint16(10000+i)) }
		for i := range maxConnsSource + 1 {
			require.True(t, add(same(i), true))
		}
		require.Nil(t, s.connTo(same(0)))
		require.NotNil(t, s.connTo(same(maxConnsSource)))
		require.LessOrEqual(t, s.size(), maxConns)
		require.EqualValues(t, 2+1+maxConnsSource+1, e.Counts().ConnectionsEnded)
	})
}
