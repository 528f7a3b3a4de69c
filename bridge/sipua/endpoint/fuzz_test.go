package endpoint

import (
	"bytes"
	"os"
	"path/filepath"
	"testing"
	"testing/synctest"
	"time"

	"github.com/emiago/sipgo/sip"
	"github.com/stretchr/testify/require"
	"go.uber.org/zap"
	"go.uber.org/zap/zapcore"
	"go.uber.org/zap/zaptest/observer"

	"clearback/bridge/sipua/endpoint/endpointtest"
	"clearback/bridge/sipua/rawtest"
)

// mute reports whether a datagram must not be answered: it is a response, an ACK, or not SIP.
func mute(b []byte) bool {
	if !looksLikeSIP(b) {
		return true
	}
	word, _, _ := bytes.Cut(b, []byte(" "))
	return bytes.HasPrefix(word, []byte("SIP/")) || bytes.EqualFold(word, []byte("ACK"))
}

// FuzzDatagram sends two datagrams through all the code for incoming messages, on a virtual clock. There must be no
// panic (which the endpoint would log), no answer to a message that takes none, and no answer to another address than
// the source. After all timers nothing may be left.
func FuzzDatagram(f *testing.F) {
	files, err := filepath.Glob("testdata/torture/*.dat")
	require.NoError(f, err)
	for _, file := range files {
		b, err := os.ReadFile(file)
		require.NoError(f, err)
		f.Add(b, []byte{})
	}
	for _, second := range []string{"INVITE", "CANCEL", "ACK", "BYE"} {
		f.Add(from(hostile, "INVITE", "fuzz"), from(hostile, second, "fuzz"))
	}
	f.Add(from(hostile, "REGISTER", "fuzz", "Record-Route: <sip:p.example;lr>\r\n"),
		[]byte(rawtest.Answer(rawtest.Message(from(hostile, "INVITE", "x")), 200, "far")))
	f.Fuzz(func(t *testing.T, first, second []byte) {
		core, seen := observer.New(zapcore.ErrorLevel)
		h := testHandler{
			request: func(r *Request) {
				if r.IsInvite() && len(second) > 0 { // otherwise it rings until the end
					return
				}
				r.Reply(486, "Busy Here")
			},
			cancelled: func(r *Request) { r.Reply(487, "Request Terminated") },
		}
		change := func(o *Options) { o.Logger = zap.New(core); o.LimitUnknown = len(first)%2 == 0 }
		bubble(t, h, change, func(t *testing.T, e *Endpoint, n *endpointtest.Network,
			sent func() []endpointtest.Packet) {
			n.Send(hostile, victim, first)
			n.Send(hostile, victim, second)
			<-time.After(2 * sip.Timer_1xx)
			got := sent()
			<-time.After(70 * t1)
			got = append(got, sent()...)
			for _, entry := range seen.All() {
				t.Fatal(entry.Entry, entry.ContextMap())
			}
			for _, p := range got {
				require.Equal(t, hostile.Addr(), p.To.Addr())
				require.True(t, bytes.HasPrefix(p.Data, []byte("SIP/2.0 ")), "%q", p.Data)
			}
			if mute(first) && mute(second) {
				require.Empty(t, got)
			}
			e.t.mu.Lock()
			for _, s := range e.t.servers.m { // a call that nobody answered
				require.True(t, s.r.IsInvite() && s.done.Load() == 0, s.key)
			}
			e.t.mu.Unlock()
			c := e.Counts()
			c.Servers, c.UnknownServers = 0, 0
			require.Zero(t, held(c))
			synctest.Wait()
		})
	})
}

// FuzzStream splits a stream into messages, once as a whole and once in pieces. Both must yield the same messages and
// the same end. The framer must never hold more than one message and one read.
func FuzzStream(f *testing.F) {
	one, two := from(hostile, "INFO", "one"), from(hostile, "INFO", "two", "l: 0\r\n")
	f.Add(append(append([]byte("\r\n\r\n"), one...), one...), uint8(1))
	f.Add(append(bytes.Clone(one), two...), uint8(7))
	f.Add([]byte("\r\n\r\n\r\nX\r\nContent-Length : 5\r\n\r\n12345\r\nY\r\nl:0\r\n\r\n"), uint8(3))
	f.Fuzz(func(t *testing.T, b []byte, size uint8) {
		cut := func(size int) (messages []string, broken bool) {
			var s framer
			for piece := range chunks(b, size) {
				s.write(piece)
				for {
					m, ping, err := s.next()
					if err != nil {
						return messages, true
					}
					if m == nil && !ping {
						break
					}
					if m != nil {
						require.Contains(t, string(m), "\r\n\r\n")
						messages = append(messages, string(m))
					}
				}
				require.LessOrEqual(t, len(s.buf), maxHead+maxBody+size)
			}
			return messages, false
		}
		const read = 4096
		whole, broken := cut(read)
		pieces, also := cut(int(size%63) + 1)
		require.Equal(t, whole, pieces)
		require.Equal(t, broken, also)
	})
}

func chunks(b []byte, size int) func(func([]byte) bool) {
	return func(yield func([]byte) bool) {
		for len(b) > 0 {
			n := min(size, len(b))
			if !yield(b[:n]) {
				return
			}
			b = b[n:]
		}
	}
}
