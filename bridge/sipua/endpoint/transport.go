package endpoint

import (
	"bytes"
	"errors"
	"fmt"
	"maps"
	"net"
	"net/netip"
	"sync"
	"time"

	"github.com/emiago/sipgo/sip"
)

// writeLimit is how long a TCP peer may refuse to take our bytes before its connection is given up. Our own number: a
// live peer empties its window within a round trip.
const writeLimit = 5 * time.Second

// newTransports returns the library's transports with the parser as it must be: header fields that the default parser
// would shorten or not find by their long name are kept as they came.
func newTransports() *sip.TransportLayer {
	parsers := maps.Clone(sip.DefaultHeadersParser())
	for short, long := range map[string]string{"o": "Event", "k": "Supported", "x": "Session-Expires", "r": "Refer-To", "s": "Subject", "u": "Allow-Events", "e": "Content-Encoding", "b": "Referred-By"} {
		parsers[short] = func(_ []byte, v string) (sip.Header, error) { return sip.NewHeader(long, v), nil }
	}
	for _, verbatim := range []string{"refer-to", "referred-by", "record-route"} {
		delete(parsers, verbatim)
	}
	parser := sip.NewParser(sip.WithHeadersParsers(parsers))
	return sip.NewTransportLayer(net.DefaultResolver, parser, nil,
		sip.WithTransportLayerTransports(sip.TransportsConfig{TCP: &sip.TransportTCP{WriteTimeout: writeLimit}}))
}

// packetConn is the UDP socket as the library reads it. It drops what is no SIP before anything is kept of it, and
// survives read errors (an ICMP error of an earlier datagram must not end the listener).
//
// The library keeps one entry for each source address for ever; so it sees one name for all, and the true source
// of the datagram being handled is in last: the library reads and hands over in one goroutine.
type packetConn struct {
	*net.UDPConn
	e    *Endpoint
	last netip.AddrPort // owned by the reading goroutine
}

// anySource is the one name of all sources.
type anySource struct{}

func (anySource) Network() string { return "udp" }
func (anySource) String() string  { return "udp" }

// ReadFrom implements [net.PacketConn].
func (c *packetConn) ReadFrom(b []byte) (int, net.Addr, error) {
	for pause := time.Millisecond; ; pause = min(2*pause, time.Second) {
		n, from, err := c.UDPConn.ReadFromUDPAddrPort(b)
		switch {
		case err == nil:
			pause = time.Millisecond
		case errors.Is(err, net.ErrClosed):
			return 0, nil, err
		default:
			select {
			case <-c.e.stop:
			case <-time.After(pause):
			}
			continue
		}
		from = netip.AddrPortFrom(from.Addr().Unmap(), from.Port())
		if keepAlive(b[:n]) {
			continue
		}
		if !looksLikeSIP(b[:n]) || c.e.o.Accept != nil && !c.e.o.Accept(from.Addr()) {
			c.e.dropped.Add(1)
			continue
		}
		c.last = from
		return n, anySource{}, nil
	}
}

// keepAlive tells whether a datagram only holds an address translator open (RFC 5626 section 3.5, common practice: CRLF or zero bytes).
func keepAlive(b []byte) bool { return len(bytes.Trim(b, "\r\n\x00 ")) == 0 }

// looksLikeSIP tells whether the first line names SIP at all.
func looksLikeSIP(b []byte) bool {
	line, _, ok := bytes.Cut(b, []byte("\r\n"))
	return ok && (bytes.HasPrefix(line, []byte("SIP/")) || bytes.Contains(line, []byte(" SIP/")))
}

// listener is the TCP socket as the library accepts from it.
type listener struct {
	*net.TCPListener
	e *Endpoint
}

// Accept implements [net.Listener].
func (l *listener) Accept() (net.Conn, error) {
	for pause := time.Millisecond; ; pause = min(2*pause, time.Second) {
		c, err := l.TCPListener.AcceptTCP()
		switch {
		case err == nil:
		case errors.Is(err, net.ErrClosed):
			return nil, err
		default: // out of descriptors: wait for better times
			select {
			case <-l.e.stop:
			case <-time.After(pause):
			}
			continue
		}
		from := c.RemoteAddr().(*net.TCPAddr).AddrPort().Addr().Unmap()
		if l.e.o.Accept != nil && !l.e.o.Accept(from) {
			l.e.dropped.Add(1)
			c.Close()
			continue
		}
		return c, nil
	}
}

// datagrams sends from the listening UDP socket. It is what the library's transactions take for a connection.
type datagrams struct{ c *packetConn }

var _ sip.Connection = datagrams{}

var buffers = sync.Pool{New: func() any { return new(bytes.Buffer) }}

// WriteMsg sends a message to its destination, "address:port". A message may fill a datagram: an INVITE that passes
// 1300 bytes goes by UDP all the same if the peer spoke UDP, as common practice has it.
func (d datagrams) WriteMsg(m sip.Message) error {
	to, err := netip.ParseAddrPort(m.Destination())
	if err != nil {
		return fmt.Errorf("send to %q: give address and port: %w", m.Destination(), err)
	}
	b := buffers.Get().(*bytes.Buffer)
	defer buffers.Put(b)
	b.Reset()
	m.StringWrite(b)
	if _, err := d.c.WriteToUDPAddrPort(b.Bytes(), to); err != nil {
		return fmt.Errorf("send to %s: %w", to, err)
	}
	return nil
}

func (d datagrams) LocalAddr() net.Addr    { return d.c.LocalAddr() }
func (d datagrams) Ref(int) int            { return 1 }
func (d datagrams) TryClose() (int, error) { return 1, nil }
func (d datagrams) Close() error           { return nil }
