package httprelay

import (
	"bufio"
	"bytes"
	"net"
	"net/http"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// cannedConn is a connection on which the device sends given bytes.
type cannedConn struct {
	net.Conn
	bytes.Reader
}

func (c *cannedConn) Write(p []byte) (int, error)      { return len(p), nil }
func (c *cannedConn) Read(p []byte) (int, error)       { return c.Reader.Read(p) }
func (c *cannedConn) SetDeadline(time.Time) error      { return nil }
func (c *cannedConn) SetReadDeadline(time.Time) error  { return nil }
func (c *cannedConn) SetWriteDeadline(time.Time) error { return nil }

// FuzzAnswer checks that an accepted answer has a final status code and is within the limit, whatever the device sends.
func FuzzAnswer(f *testing.F) {
	f.Add([]byte("HTTP/1.1 200 OK\r\nContent-Length: 2\r\n\r\n{}"))
	f.Add([]byte("HTTP/1.1 100 Continue\r\n\r\nHTTP/1.0 422 No\r\n\r\n"))
	f.Add([]byte("HTTP/1.1 200 OK\r\nTransfer-Encoding: chunked\r\n\r\n2\r\n{}\r\n0\r\nX: y\r\n\r\n"))
	f.Add([]byte("HTTP/1.1 200 OK\r\n\r\n" + strings.Repeat("x", answerMax)))
	f.Fuzz(func(t *testing.T, said []byte) {
		r, err := http.ReadRequest(bufio.NewReader(strings.NewReader("POST / HTTP/1.1\r\nHost: relays.example\r\n\r\n")))
		require.NoError(t, err)
		c := &cannedConn{}
		c.Reset(said)
		a, err := roundTrip(c, r, nil)
		if err == nil && (a.status < 200 || len(a.body) >= answerMax) {
			t.Fatalf("status %d, %d bytes", a.status, len(a.body))
		}
	})
}
