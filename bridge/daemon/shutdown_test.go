package daemon

import (
	"context"
	"net"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"go.uber.org/zap"

	"clearback/bridge/daemon/daemontest"
)

// said reads messages until one begins with want.
func said(t *testing.T, c net.PacketConn, want string) (message string, from net.Addr) {
	t.Helper()
	b := make([]byte, 65536)
	require.NoError(t, c.SetReadDeadline(time.Now().Add(5*time.Second)))
	for {
		n, from, err := c.ReadFrom(b)
		require.NoError(t, err, "no %s came", want)
		if m := string(b[:n]); strings.HasPrefix(m, want) {
			return m, from
		}
	}
}

// replied answers a request.
func replied(t *testing.T, c net.PacketConn, request, status string, to net.Addr) {
	t.Helper()
	keep := regexp.MustCompile(`(?m)^(Via|From|To|Call-ID|CSeq|Contact): .*\r\n`)
	head := strings.Join(keep.FindAllString(request, -1), "")
	head = regexp.MustCompile(`(?m)^(To: .*)\r\n`).ReplaceAllString(head, "$1;tag=millrace\r\n")
	_, err := c.WriteTo([]byte("SIP/2.0 "+status+"\r\n"+head+"Expires: 600\r\nContent-Length: 0\r\n\r\n"), to)
	require.NoError(t, err)
}

// An emergency call that arrives while the ending daemon unregisters is put through, and the daemon runs until the call
// has ended.
func TestEmergencyCallWhileUnregistering(t *testing.T) {
	service, err := net.ListenPacket("udp", "127.0.0.1:0")
	require.NoError(t, err)
	defer service.Close()
	adapter, err := net.ListenPacket("udp", "127.0.0.1:0")
	require.NoError(t, err)
	defer adapter.Close()
	c := daemontest.Load(t, daemontest.File(t,
		daemontest.Serve(t, &daemontest.Board{}), service.LocalAddr().String(), adapter.LocalAddr().String()))
	d, err := Start(c, Options{Logger: zap.NewNop()})
	require.NoError(t, err)
	m, from := said(t, service, "REGISTER")
	replied(t, service, m, "200 OK", from)
	require.Eventually(t, func() bool { return d.agent.Line("box-office").Status().Service.Registered }, 5*time.Second,
		time.Millisecond)

	ended := make(chan struct{}) // closed when the daemon has ended
	go func() { defer close(ended); d.Shutdown(context.Background()) }()
	bye, from := said(t, service, "REGISTER")
	at, own := c.SIP.AdapterSide.Listen, adapter.LocalAddr().String()
	_, err = adapter.WriteTo([]byte(strings.Join([]string{
		"INVITE sip:911@" + at.String() + " SIP/2.0", "Via: SIP/2.0/UDP " + own + ";branch=z9hG4bKhelp",
		"From: <sip:box-office@" + own + ">;tag=near", "To: <sip:911@" + at.String() + ">", "Call-ID: help@" + own,
		"CSeq: 1 INVITE",
		"Max-Forwards: 70", "Contact: <sip:box-office@" + own + ">", "Content-Length: 0", "", "",
	}, "\r\n")), net.UDPAddrFromAddrPort(at))
	require.NoError(t, err)
	invite, _ := said(t, service, "INVITE sip:911@")
	replied(t, service, bye, "200 OK", from)
	require.Eventually(t, func() bool { return !d.agent.Line("box-office").Status().Service.Registered }, 5*time.Second,
		time.Millisecond)
	require.True(t, d.EmergencyUp())
	select {
	case <-ended:
		t.Fatal("the daemon has ended, and an emergency call is up")
	default:
	}
	replied(t, service, invite, "486 Busy Here", from)
	said(t, adapter, "SIP/2.0 486")
	<-ended
}
