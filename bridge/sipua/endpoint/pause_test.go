package endpoint

import (
	"context"
	"fmt"
	"net"
	"net/netip"
	"syscall"
	"testing"
	"time"

	"github.com/emiago/sipgo/sip"
	"github.com/stretchr/testify/require"

	"clearback/bridge/sipua/rawtest"
)

// While an endpoint is paused, what arrives waits in the socket: over UDP, on a connection and at the listener.
func TestPause(t *testing.T) {
	var l log
	e := open(t, testHandler{request: func(r *Request) { l.add(r.CallID().Value()); r.Reply(200, "OK") }})
	send := func(p *rawtest.Peer, id string) { p.Send(p.Text(rawtest.Request{Method: "INFO", CallID: id})) }
	udp, tcp := dial(t, "udp", e), dial(t, "tcp", e)
	send(udp, "before")
	udp.Expect("SIP/2.0 200")
	send(tcp, "before-tcp")
	tcp.Expect("SIP/2.0 200")
	e.Pause()
	e.Pause() // changes nothing
	send(udp, "meanwhile")
	send(tcp, "meanwhile-tcp")
	late := dial(t, "tcp", e)
	send(late, "meanwhile-new")
	udp.ExpectSilence(t1)
	tcp.ExpectSilence(t1)
	late.ExpectSilence(t1)
	l.saw(t, "before", "before-tcp")
	e.Unpause()
	e.Unpause()
	udp.Expect("SIP/2.0 200")
	tcp.Expect("SIP/2.0 200")
	late.Expect("SIP/2.0 200")
}

// Another process that holds the socket reads what arrived while the first one was paused.
func TestPausedSocketIsTakenOver(t *testing.T) {
	e := open(t, testHandler{request: func(r *Request) { t.Error("read") }})
	held, err := e.packets.(*net.UDPConn).File()
	require.NoError(t, err)
	defer held.Close()
	e.Pause()
	// Not before: FilePacketConn makes the socket block for a moment, and a read that begins then does not end.
	next, err := net.FilePacketConn(held)
	require.NoError(t, err)
	defer next.Close()
	udp := dial(t, "udp", e)
	udp.Send(udp.Text(rawtest.Request{Method: "INFO", CallID: "between"}))
	require.NoError(t, e.Close())
	next.SetReadDeadline(time.Now().Add(testTimeout))
	b := make([]byte, maxDatagram)
	n, _, err := next.ReadFrom(b)
	require.NoError(t, err)
	require.Contains(t, string(b[:n]), "between")
}

// What a peer sends on a connection while the endpoint is paused is confirmed by our kernel. If the endpoint then
// closes, nobody reads it, so the connection is reset instead of ended: the peer sends it again on another one.
func TestConnectionIsResetAfterAPause(t *testing.T) {
	e := open(t, testHandler{request: func(r *Request) { r.Reply(200, "OK") }})
	tcp, idle := dial(t, "tcp", e), dial(t, "tcp", e)
	for i, p := range []*rawtest.Peer{tcp, idle} {
		p.Send(p.Text(rawtest.Request{Method: "INFO", CallID: fmt.Sprint("before-", i)}))
		p.Expect("SIP/2.0 200")
	}
	e.Pause()
	tcp.Send(tcp.Text(rawtest.Request{Method: "INFO", CallID: "meanwhile"}))
	last := func(p *rawtest.Peer) int64 { return e.streams.connTo(netip.MustParseAddrPort(p.Addr())).last.Load() }
	require.Eventually(t, func() bool { return last(tcp) > last(idle) }, testTimeout, time.Millisecond, "it is read")
	require.NoError(t, e.Close())
	for _, p := range []*rawtest.Peer{tcp, idle} {
		_, err := p.Read()
		require.ErrorIs(t, err, syscall.ECONNRESET)
	}
}

// What was read from a connection before the pause counts until it has been passed on.
func TestSettleWaitsForConnections(t *testing.T) {
	inside, through := make(chan struct{}), make(chan struct{})
	e := open(t, testHandler{request: func(r *Request) { r.Reply(200, "OK") }}, func(o *Options) {
		o.Urgent = func(*sip.Request) bool { close(inside); <-through; return false } // called where messages are passed on
	})
	tcp := dial(t, "tcp", e)
	tcp.Send(tcp.Text(rawtest.Request{Method: "INFO", CallID: "before"}))
	<-inside
	e.Pause()
	ended, cancel := context.WithCancel(context.Background())
	cancel()
	e.Settle(ended) // returns: ctx has ended
	settled := make(chan struct{})
	go func() { defer close(settled); e.Settle(context.Background()) }()
	select {
	case <-settled:
		t.Error("settled while a message is passed on")
	case <-time.After(t1):
	}
	close(through)
	<-settled
	tcp.Expect("SIP/2.0 200")
	e.Unpause()
}
