package endpoint

import (
	"net"
	"testing"
	"time"

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
	next, err := net.FilePacketConn(held)
	require.NoError(t, err)
	defer next.Close()
	e.Pause()
	udp := dial(t, "udp", e)
	udp.Send(udp.Text(rawtest.Request{Method: "INFO", CallID: "between"}))
	require.NoError(t, e.Close())
	next.SetReadDeadline(time.Now().Add(testTimeout))
	b := make([]byte, maxDatagram)
	n, _, err := next.ReadFrom(b)
	require.NoError(t, err)
	require.Contains(t, string(b[:n]), "between")
}
