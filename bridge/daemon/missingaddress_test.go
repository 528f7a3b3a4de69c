package daemon

import (
	"fmt"
	"net"
	"os"
	"runtime"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"go.uber.org/zap"

	"clearback/bridge/daemon/daemontest"
)

// While the address towards the service is missing, a call for help is refused at once, so that the adapter's second
// server can serve it. The daemon serves the adapter all the same.
func TestEmergencyCallWithoutServiceAddress(t *testing.T) {
	t.Parallel()
	if runtime.GOOS != "linux" {
		t.Skip("only Linux can bind an address that is not there")
	}
	adapter, err := net.ListenUDP("udp", &net.UDPAddr{IP: net.IPv4(127, 0, 0, 1)})
	require.NoError(t, err)
	defer adapter.Close()
	path := daemontest.File(t, daemontest.Serve(t, &daemontest.Board{}), "127.0.0.1:9", adapter.LocalAddr().String())
	own := daemontest.Load(t, path).SIP.ServiceSide.Listen.String()
	text, err := os.ReadFile(path)
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(path, []byte(strings.Replace(string(text), own, "192.0.2.10:5070", 1)), 0o600))
	d, err := Start(daemontest.Load(t, path), Options{Logger: zap.NewNop()})
	require.NoError(t, err)
	defer d.Close()
	began := time.Now()
	_, err = adapter.WriteToUDPAddrPort(fmt.Appendf(nil,
		"INVITE sip:911@clearback SIP/2.0\r\nVia: SIP/2.0/UDP %[1]s;branch=z9hG4bK-1;rport\r\nMax-Forwards: 70\r\n"+
			"From: <sip:box-office@clearback>;tag=1\r\nTo: <sip:911@clearback>\r\nCall-ID: help-1\r\nCSeq: 1 INVITE\r\n"+
			"Contact: <sip:box-office@%[1]s>\r\nContent-Length: 0\r\n\r\n", adapter.LocalAddr()), d.AdapterAddr("box-office"))
	require.NoError(t, err)
	b := make([]byte, 4096)
	for status := ""; status != "503"; {
		require.NoError(t, adapter.SetReadDeadline(time.Now().Add(20*time.Second)))
		n, err := adapter.Read(b)
		require.NoError(t, err)
		status = string(b[len("SIP/2.0 ") : len("SIP/2.0 ")+3])
		require.Contains(t, []string{"100", "503"}, status, string(b[:n]))
	}
	require.Less(t, time.Since(began), 2*time.Second)
}
