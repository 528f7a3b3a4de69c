package endpoint

import (
	"fmt"
	"net"
	"strings"
	"testing"

	"github.com/emiago/sipgo"
	"github.com/emiago/sipgo/sip"
	"github.com/stretchr/testify/require"
)

// BenchmarkBye is a BYE over UDP on loopback until its 200 is back: through the library alone, and through the endpoint.
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
		e := open(b, user{request: func(r *Request) { r.Reply(200, "OK") }})
		byes(b, e.Addr().String())
	})
}

func byes(b *testing.B, to string) {
	conn, err := net.Dial("udp", to)
	require.NoError(b, err)
	defer conn.Close()
	w := wired(b, conn)
	n := 0
	b.ReportAllocs()
	for b.Loop() {
		n++
		w.send(w.text(request{method: "BYE", id: fmt.Sprintf("bye-%d", n), toTag: "ours"}))
		if m := w.next(patience); !strings.HasPrefix(m, "SIP/2.0 200") {
			b.Fatalf("got %q", m)
		}
	}
}
