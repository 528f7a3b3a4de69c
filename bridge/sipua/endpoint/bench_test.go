package endpoint

import (
	"fmt"
	"net"
	"net/netip"
	"strings"
	"testing"
	"time"

	"github.com/emiago/sipgo"
	"github.com/emiago/sipgo/sip"
	"github.com/stretchr/testify/require"

	"clearback/bridge/sipua/rawtest"
)

// BenchmarkBye measures a BYE over UDP on loopback until its 200 arrives, through the library alone and through the
// endpoint.
func BenchmarkBye(b *testing.B) {
	b.Run("library", func(b *testing.B) {
		ua, err := sipgo.NewUA()
		require.NoError(b, err)
		srv, err := sipgo.NewServer(ua)
		require.NoError(b, err)
		srv.OnBye(func(req *sip.Request, tx sip.ServerTransaction) {
			tx.Respond(sip.NewResponseFromRequest(req, 200, "OK", nil))
		})
		c, err := net.ListenPacket("udp", "127.0.0.1:0")
		require.NoError(b, err)
		done := make(chan struct{})
		go func() {
			srv.ServeUDP(c)
			close(done)
		}()
		byes(b, c.LocalAddr().String())
		c.Close()
		<-done
		ua.Close()
	})
	b.Run("endpoint", func(b *testing.B) {
		e := open(b, testHandler{request: func(r *Request) { r.Reply(200, "OK") }})
		byes(b, e.Addr().String())
	})
}

func byes(b *testing.B, to string) {
	conn, err := net.Dial("udp", to)
	require.NoError(b, err)
	defer conn.Close()
	w := rawtest.New(b, conn)
	n := 0
	b.ReportAllocs()
	for b.Loop() {
		n++
		w.Send(w.Text(rawtest.Request{Method: "BYE", CallID: fmt.Sprintf("bye-%d", n), ToTag: "ours"}))
		if m := w.Next(testTimeout); !strings.HasPrefix(m, "SIP/2.0 200") {
			b.Fatalf("got %q", m)
		}
	}
}

// BenchmarkJunk measures the cost of a datagram that is dropped, compared with a bare read from the socket in the same
// run. "ratio" is the total time divided by the time of the bare read.
func BenchmarkJunk(b *testing.B) {
	const burst = 100 // fits into the buffer of a socket
	junk := make([]byte, 400)
	for i := range junk {
		junk[i] = byte(i)
	}
	for _, kind := range []struct {
		name string
		b    []byte
	}{{"no SIP", junk}, {"a scan", from(hostile, "OPTIONS", "scan")}} {
		b.Run(kind.name, func(b *testing.B) {
			e := open(b, testHandler{}, limited)
			c, err := net.ListenUDP("udp", &net.UDPAddr{IP: net.IPv4(127, 0, 0, 1)})
			require.NoError(b, err)
			defer c.Close()
			sender, err := net.Dial("udp", c.LocalAddr().String())
			require.NoError(b, err)
			defer sender.Close()
			buf := make([]byte, maxDatagram)
			read := func(take func([]byte, netip.AddrPort)) time.Duration {
				for range burst {
					_, err := sender.Write(kind.b)
					require.NoError(b, err)
				}
				begin := time.Now()
				for range burst {
					n, at, err := c.ReadFromUDPAddrPort(buf)
					require.NoError(b, err)
					take(buf[:n], at)
				}
				return time.Since(begin)
			}
			var bare, whole time.Duration
			n := 0
			for b.Loop() {
				bare += read(func([]byte, netip.AddrPort) {})
				whole += read(func(b []byte, from netip.AddrPort) { e.datagram(b, from, 0, 0) })
				n += burst
			}
			b.ReportMetric(float64(bare.Nanoseconds())/float64(n), "bare-ns")
			b.ReportMetric(float64(whole.Nanoseconds())/float64(n), "whole-ns")
			b.ReportMetric(float64(whole)/float64(bare), "ratio")
		})
	}
}
