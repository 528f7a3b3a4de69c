package endpoint

import (
	"context"
	"errors"
	"fmt"
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

// Write sends at once if it can. Otherwise it makes a connection or looks up a name in the background. It returns the
// errors that are known at once.
func TestWrite(t *testing.T) {
	runVirtual(t, func(t *virtualTest) {
		e := open(t, testHandler{}, func(o *Options) {
			o.Lookup = func(context.Context, string, string) ([]netip.Addr, error) {
				return []netip.Addr{netip.MustParseAddr("127.0.0.1")}, nil
			}
		})
		w := listenUDP(t, e)
		require.NoError(t, e.Write(outgoing(sip.ACK, "at once", w.Conn.LocalAddr())))
		require.Equal(t, "at once", w.Expect("ACK").Get("Call-ID"))
		named := outgoing(sip.ACK, "by name", w.Conn.LocalAddr())
		_, port, _ := net.SplitHostPort(w.Addr())
		named.SetDestination("pbx.millrace.example:" + port)
		require.NoError(t, e.Write(named))
		require.Equal(t, "by name", w.Expect("ACK").Get("Call-ID"))
		w.ExpectSilence(64 * t1) // an ACK is not retransmitted
		require.ErrorContains(t, e.Write(sip.NewRequest(sip.ACK, sip.Uri{Host: "x.test"})),
			"write ACK: the request lacks From")
		require.NoError(t, e.Close())
		require.ErrorContains(t, e.Write(outgoing(sip.ACK, "late", w.Conn.LocalAddr())), "write ACK: send to ")
		require.ErrorIs(t, e.Write(named), ErrClosed)
		_, err := e.Send(named, func(Response) {})
		require.ErrorIs(t, err, ErrClosed)
	})
	l, next := listenTCP(t)
	e := open(t, testHandler{})
	require.NoError(t, e.Write(outgoing(sip.ACK, "new connection", l.Addr())))
	peer := next()
	require.Equal(t, "new connection", peer.Expect("ACK").Get("Call-ID"))
	require.NoError(t, e.Write(outgoing(sip.ACK, "same connection", l.Addr())))
	require.Equal(t, "same connection", peer.Expect("ACK").Get("Call-ID"))
}

// A request that lacks one of the mandatory header fields is not sent, nor one whose destination lacks host or port, or
// has a port beyond 65535.
func TestSendIncompleteRequest(t *testing.T) {
	runVirtual(t, func(t *virtualTest) {
		e := open(t, testHandler{}, func(o *Options) {
			o.Lookup = func(_ context.Context, _, host string) ([]netip.Addr, error) {
				if host != "pbx" {
					return nil, errors.New("no such host")
				}
				return []netip.Addr{netip.MustParseAddr("127.0.0.1")}, nil
			}
		})
		w := listenUDP(t, e)
		for _, name := range []string{"From", "To", "Call-ID", "CSeq"} {
			r := outgoing(sip.OPTIONS, "lacks", w.Conn.LocalAddr())
			require.True(t, r.RemoveHeader(name))
			_, err := e.Send(r, func(Response) {})
			require.ErrorContains(t, err, "lacks From, To, Call-ID or CSeq", name)
		}
		for _, to := range []string{"", "::", "pbx:x", "pbx:65536", "pbx:-1", "192.0.2.1:65536", "192.0.2.1:-1"} {
			r := outgoing(sip.OPTIONS, "nowhere", w.Conn.LocalAddr())
			r.SetDestination(to)
			got := make(chan error, 1) // the final error
			_, err := e.Send(r, func(r Response) { got <- r.Err })
			if err == nil {
				err = <-got
			}
			require.Error(t, err, "%q", to)
			require.NotErrorIs(t, err, ErrTimeout, "%q was not sent", to)
		}
		require.Zero(t, e.Counts().Clients)
		require.Zero(t, e.sourceLimiter.awaited.len())
	})
}

// A branch that the caller set can be used by one transaction at a time. The caller's Max-Forwards stays.
func TestSendPreservesCallerFields(t *testing.T) {
	runVirtual(t, func(t *virtualTest) {
		e := open(t, testHandler{})
		w := listenUDP(t, e)
		r := outgoing(sip.OPTIONS, "branch", w.Conn.LocalAddr())
		via := &sip.ViaHeader{ProtocolName: "SIP", ProtocolVersion: "2.0", Transport: "UDP", Host: "192.0.2.1",
			Port: 5060}
		via.Params.Add("branch", "z9hG4bKmine")
		r.PrependHeader(via)
		hops := sip.MaxForwardsHeader(7)
		r.AppendHeader(&hops)
		var l log
		_, err := e.Send(r, l.note)
		require.NoError(t, err)
		m := w.Expect("OPTIONS")
		require.Equal(t, "7", m.Get("Max-Forwards"))
		require.Equal(t, "SIP/2.0/UDP 192.0.2.1:5060;branch=z9hG4bKmine", m.Get("Via"))
		_, err = e.Send(r, l.note)
		require.ErrorContains(t, err, "its Via branch is already in use")
		require.Equal(t, 1, e.Counts().Clients)
		require.Equal(t, 1, e.sourceLimiter.awaited.len())
		w.Send(rawtest.Answer(m, 200, "far"))
		l.saw(t, "200 far")
		require.Zero(t, e.sourceLimiter.awaited.len())
		_, err = e.Send(r, l.note)
		require.NoError(t, err)
		w.Send(rawtest.Answer(w.Expect("OPTIONS"), 204, "far"))
		l.saw(t, "200 far", "204 far")
	})
}

// The further header fields of a CANCEL are in it. Only the first of several provisional responses triggers it. After
// the end of the transaction no CANCEL is sent.
func TestCancelFor(t *testing.T) {
	bubble(t, testHandler{}, nil, func(t *testing.T, e *Endpoint, n *endpointtest.Network,
		sent func() []endpointtest.Packet) {
		to := net.UDPAddrFromAddrPort(hostile)
		count := func(method string) (all []rawtest.Message) {
			for _, p := range sent() {
				if strings.HasPrefix(string(p.Data), method+" ") {
					all = append(all, rawtest.Message(p.Data))
				}
			}
			return all
		}
		var l log
		first := outgoing(sip.INVITE, "why", to)
		first.Recipient.UriParams.Add("transport", "tcp") // the INVITE goes over UDP, and so does its CANCEL
		tx, err := e.Send(first, l.note)
		require.NoError(t, err)
		tx.CancelFor(sip.NewHeader("Reason", "SIP;cause=200"))
		tx.CancelFor(sip.NewHeader("Reason", "SIP;cause=600"))
		invite := count("INVITE")[0]
		for range 3 {
			n.Send(hostile, victim, []byte(rawtest.Answer(invite, 180, "far")))
		}
		cancels := count("CANCEL")
		require.Len(t, cancels, 1)
		require.Equal(t, "SIP;cause=200", cancels[0].Get("Reason"))
		n.Send(hostile, victim, []byte(rawtest.Answer(cancels[0], 200, "far")))
		n.Send(hostile, victim, []byte(rawtest.Answer(invite, 487, "far")))
		require.Len(t, count("ACK"), 1)
		<-time.After(200 * t1)
		require.Equal(t, []string{"180 far", "180 far", "180 far", "487 far"}, l.all(),
			"the time-out of the CANCEL is over too")

		var after log
		tx, err = e.Send(outgoing(sip.INVITE, "answered", to), after.note)
		require.NoError(t, err)
		n.Send(hostile, victim, []byte(rawtest.Answer(count("INVITE")[0], 200, "far")))
		sent()
		tx.Cancel()
		other, err := e.Send(outgoing(sip.OPTIONS, "no INVITE", to), after.note)
		require.NoError(t, err)
		other.Cancel()
		n.Send(hostile, victim, []byte(rawtest.Answer(count("OPTIONS")[0], 100, "")))
		<-time.After(200 * t1)
		require.Empty(t, count("CANCEL"))
		require.Equal(t, []string{"200 far", "100 ", ErrTimeout.Error()}, after.all())
	})
}

// If nothing answers a CANCEL and its INVITE gets no final response, the transaction ends after 64*T1 (RFC 3261 section
// 9.1), not before.
func TestCancelTimesOut(t *testing.T) {
	bubble(t, testHandler{}, nil, func(t *testing.T, e *Endpoint, n *endpointtest.Network,
		sent func() []endpointtest.Packet) {
		var l log
		tx, err := e.Send(outgoing(sip.INVITE, "dead", net.UDPAddrFromAddrPort(hostile)), l.note)
		require.NoError(t, err)
		n.Send(hostile, victim, []byte(rawtest.Answer(rawtest.Message(sent()[0].Data), 180, "far")))
		<-time.After(100 * t1)
		tx.Cancel()
		<-time.After(64*t1 - 1)
		sent()
		require.Equal(t, []string{"180 far"}, l.all())
		<-time.After(1)
		sent()
		require.Equal(t, []string{"180 far", ErrTimeout.Error()}, l.all())
		require.Zero(t, e.sourceLimiter.awaited.len())
	})
}

// nearest returns the first address of the family that we listen on, else the first address.
func TestNearest(t *testing.T) {
	four, six, mapped := netip.MustParseAddr("192.0.2.1"), netip.MustParseAddr("2001:db8::1"),
		netip.MustParseAddr("::ffff:192.0.2.2")
	for _, c := range []struct {
		own  string
		all  []netip.Addr
		want string
	}{
		{"192.0.2.9", []netip.Addr{six, four}, "192.0.2.1"}, {"192.0.2.9", []netip.Addr{six, mapped, four},
			"192.0.2.2"},
		{"192.0.2.9", []netip.Addr{four, mapped}, "192.0.2.1"}, {"192.0.2.9", []netip.Addr{six}, "2001:db8::1"},
		{"2001:db8::9", []netip.Addr{four, mapped, six}, "2001:db8::1"},
		{"2001:db8::9", []netip.Addr{mapped}, "192.0.2.2"},
		{"0.0.0.0", []netip.Addr{six, four}, "2001:db8::1"}, {"::", []netip.Addr{four, six}, "192.0.2.1"},
		{"::ffff:192.0.2.9", []netip.Addr{six, four}, "192.0.2.1"},
	} {
		require.Equal(t, c.want, nearest(c.all, netip.MustParseAddr(c.own)).String(), "%+v", c)
	}
}

// The alternative is an address of the last lookup that was not tried, of the family that we listen on; where we listen
// on every address, of either family.
func TestAlternative(t *testing.T) {
	t.Parallel()
	four, six := netip.MustParseAddr("192.0.2.7"), netip.MustParseAddr("2001:db8::7")
	for _, c := range []struct {
		listen string
		tried  []netip.Addr
		want   netip.Addr
	}{
		{"192.0.2.1:5060", nil, four}, {"192.0.2.1:5060", []netip.Addr{four}, netip.Addr{}},
		{"[2001:db8::1]:5060", nil, six}, {"[2001:db8::1]:5060", []netip.Addr{six}, netip.Addr{}},
		{"0.0.0.0:5060", []netip.Addr{four}, six}, {"[::]:5060", []netip.Addr{six}, four},
		{"0.0.0.0:5060", []netip.Addr{four, six}, netip.Addr{}},
	} {
		e := &Endpoint{addr: netip.MustParseAddrPort(c.listen)}
		e.hostCache.last = map[string][]netip.Addr{"pbx.test": {four, six}}
		got, found := e.Alternative("pbx.test", c.tried)
		require.Equal(t, c.want, got, "%s, tried %v", c.listen, c.tried)
		require.Equal(t, c.want.IsValid(), found)
	}
}

// The number of remembered names is bounded, and so is the number of addresses of each. Known names stay up to date.
func TestNamesAreBounded(t *testing.T) {
	var found []netip.Addr
	bubble(t, testHandler{}, func(o *Options) {
		o.Lookup = func(context.Context, string, string) ([]netip.Addr, error) {
			if found == nil {
				return nil, errors.New("no such name server")
			}
			return found, nil
		}
	}, func(t *testing.T, e *Endpoint, _ *endpointtest.Network, _ func() []endpointtest.Packet) {
		for i := range 20 {
			found = append(found, source(i).Addr())
		}
		for i := range maxHosts + 5 {
			at, err := e.address(t.Context(), fmt.Sprint(i, ".example"))
			require.NoError(t, err)
			require.Equal(t, source(0).Addr(), at)
		}
		require.Len(t, e.Resolved("0.example"), 16)
		require.Len(t, e.Resolved(fmt.Sprint(maxHosts-1, ".example")), 16)
		require.Empty(t, e.Resolved(fmt.Sprint(maxHosts, ".example")))
		require.Empty(t, e.Resolved("never.example"))
		found = found[3:4]
		at, err := e.address(t.Context(), "0.example")
		require.NoError(t, err)
		require.Equal(t, source(3).Addr(), at)
		require.Equal(t, found, e.Resolved("0.example"))
		found = nil
		at, err = e.address(t.Context(), "0.example")
		require.NoError(t, err)
		require.Equal(t, source(3).Addr(), at)
		_, err = e.address(t.Context(), fmt.Sprint(maxHosts, ".example"))
		require.Error(t, err)
	})
}
