package endpoint

import (
	"bytes"
	"errors"
	"fmt"
	"maps"
	"net"
	"net/netip"
	"sync"
	"syscall"
	"time"

	"github.com/emiago/sipgo/sip"
	"go.uber.org/zap"
)

// writeLimit is how long a TCP peer may refuse to take our bytes before its connection is given up. Our own number: a
// live peer empties its window within a round trip.
const writeLimit = 5 * time.Second

// silenceLimit is how long bytes may stay unacknowledged before the kernel gives the connection up: a peer that vanished
// without a word (power, a cable, a forgetful address translator) would otherwise swallow every call for a quarter of an
// hour. Our own number: five repeats of a lost segment fit in, and the second call after the loss finds a new connection.
const silenceLimit = 5 * time.Second

// newParser returns the library's parser as it must be: header fields that the default one would shorten, or not find
// by their long name, are kept as they came.
func newParser() *sip.Parser {
	parsers := maps.Clone(sip.DefaultHeadersParser())
	for short, long := range map[string]string{"o": "Event", "k": "Supported", "x": "Session-Expires", "r": "Refer-To", "s": "Subject", "u": "Allow-Events", "e": "Content-Encoding", "b": "Referred-By"} {
		parsers[short] = func(_ []byte, v string) (sip.Header, error) { return sip.NewHeader(long, v), nil }
	}
	for _, verbatim := range []string{"refer-to", "referred-by", "record-route"} {
		delete(parsers, verbatim)
	}
	return sip.NewParser(sip.WithHeadersParsers(parsers))
}

// newTransports returns the library's transports, of which TCP is used.
func newTransports(p *sip.Parser) *sip.TransportLayer {
	return sip.NewTransportLayer(net.DefaultResolver, p, nil,
		sip.WithTransportLayerTransports(sip.TransportsConfig{TCP: &sip.TransportTCP{
			WriteTimeout: writeLimit,
			DialerCreate: func(own net.Addr) net.Dialer {
				return net.Dialer{Timeout: dialLimit, LocalAddr: own, Control: func(_, _ string, c syscall.RawConn) error {
					return limitUnacknowledged(c, silenceLimit)
				}}
			},
		}}))
}

// maxDatagram is the largest UDP payload.
const maxDatagram = 65535

// readDatagrams reads the UDP socket until it is closed. The library's own loop keeps one entry for each source address
// for ever, ends at the first read error (an ICMP error of an earlier datagram is one) and hides what it cannot parse.
func (e *Endpoint) readDatagrams() {
	b := make([]byte, maxDatagram)
	pause := time.Millisecond
	for {
		n, from, err := e.packets.ReadFromUDPAddrPort(b)
		switch {
		case err == nil:
			pause = time.Millisecond
			e.datagram(b[:n], netip.AddrPortFrom(from.Addr().Unmap(), from.Port()))
		case errors.Is(err, net.ErrClosed):
			return
		default:
			select {
			case <-e.ctx.Done():
			case <-time.After(pause):
			}
			pause = min(2*pause, time.Second)
		}
	}
}

// datagram takes one datagram.
func (e *Endpoint) datagram(b []byte, from netip.AddrPort) {
	defer e.survive()
	if keepAlive(b) {
		return
	}
	if !looksLikeSIP(b) || e.o.Accept != nil && !e.o.Accept(from.Addr()) {
		e.dropped.Add(1)
		return
	}
	m, err := e.parser.ParseSIP(b)
	if err != nil {
		e.dropped.Add(1)
		e.mangled(b, from)
		return
	}
	m.SetTransport("UDP")
	m.SetSource(from.String())
	e.message(m, from)
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
			case <-l.e.ctx.Done():
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
		l.e.limit(c)
		return accepted{c}, nil
	}
}

// limit bounds how long a vanished peer can hold a connection. Failing costs time and nothing else.
func (e *Endpoint) limit(c *net.TCPConn) {
	raw, err := c.SyscallConn()
	if err == nil {
		err = limitUnacknowledged(raw, silenceLimit)
	}
	if err != nil {
		e.log.Debug("a TCP connection has no limit for unacknowledged bytes", zap.Error(err))
	}
}

// accepted is a connection from a peer. The library also files it under its local address, which is our own listening
// address: a request of ours to ourselves (one line calls another through a proxy) would go to whoever connected last.
type accepted struct{ *net.TCPConn }

// LocalAddr is one that nobody sends to.
func (a accepted) LocalAddr() net.Addr { return &net.TCPAddr{IP: net.IPv4zero} }

// datagrams sends from the listening UDP socket. It is what the library's transactions take for a connection.
type datagrams struct{ c Packets }

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
