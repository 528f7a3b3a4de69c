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

// newParser returns the library's parser as it must be: header fields that the default one would shorten, or not find
// by their long name, are kept as they came.
func newParser() *sip.Parser {
	parsers := maps.Clone(sip.DefaultHeadersParser())
	for short, long := range map[string]string{"o": "Event", "k": "Supported", "x": "Session-Expires", "r": "Refer-To",
		"s": "Subject", "u": "Allow-Events", "e": "Content-Encoding", "b": "Referred-By"} {
		parsers[short] = func(_ []byte, v string) (sip.Header, error) { return sip.NewHeader(long, v), nil }
	}
	for _, verbatim := range []string{"refer-to", "referred-by", "record-route"} {
		delete(parsers, verbatim)
	}
	return sip.NewParser(sip.WithHeadersParsers(parsers))
}

// maxDatagram is the largest UDP payload.
const maxDatagram = 65535

// readDatagrams reads the UDP socket until it is closed. The library's own loop keeps one entry for each source address
// for ever, ends at the first read error (an ICMP error of an earlier datagram is one) and hides what it cannot parse.
func (e *Endpoint) readDatagrams() {
	b := make([]byte, maxDatagram)
	e.untilClosed(func() error {
		began := e.arrivals.now()
		n, from, stamp, err := e.readDatagram(b)
		if err == nil {
			e.datagram(b[:n], netip.AddrPortFrom(from.Addr().Unmap(), from.Port()), began, stamp)
		}
		return err
	})
}

// untilClosed takes from a socket again and again until it is closed. After an error it waits for better times, a
// second at most.
func (e *Endpoint) untilClosed(take func() error) {
	pause := time.Millisecond
	for {
		switch err := take(); {
		case err == nil:
			pause = time.Millisecond
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

// readDatagram reads one datagram, and the kernel's stamp of its arrival if it has one.
func (e *Endpoint) readDatagram(b []byte) (n int, from netip.AddrPort, stamp time.Duration, err error) {
	if e.timestamped != nil {
		return e.timestamped.read(b)
	}
	n, from, err = e.packets.ReadFromUDPAddrPort(b)
	return n, from, 0, err
}

// origin is where a message came from, and when.
type origin struct {
	arrival   Arrival
	from      netip.AddrPort
	transport string
	conn      *conn // by TCP
	unknown   bool
}

// datagram takes one datagram. What is no SIP costs a look at its first line, what a stranger sends beyond his rate a
// look at two buckets.
func (e *Endpoint) datagram(b []byte, from netip.AddrPort, began Arrival, stamp time.Duration) {
	if keepAlive(b) {
		return
	}
	if !looksLikeSIP(b) {
		e.n.noSIP.Add(1)
		return
	}
	if e.o.Accept != nil && !e.o.Accept(from.Addr()) {
		e.n.refused.Add(1)
		return
	}
	o := origin{from: from, transport: "UDP"}
	if e.sourceLimiter.on {
		now := time.Now()
		o.unknown = e.sourceLimiter.isUnknown(from.Addr(), now)
		if o.unknown && !e.sourceLimiter.admit(from.Addr(), now) {
			e.n.limited.Add(1)
			return
		}
	}
	o.arrival = e.arrivals.arrivalOf(began, stamp)
	e.take(b, o)
}

// take takes one whole message.
func (e *Endpoint) take(b []byte, o origin) {
	defer e.recoverPanic()
	f, untidy := inspect(b)
	if f.code == 0 {
		if untidy {
			b = normalized(b)
		}
		m, err := e.parser.ParseSIP(b)
		if err == nil {
			m.SetTransport(o.transport)
			m.SetSource(o.from.String())
			e.message(m, o)
			return
		}
		f = badRequest
	}
	if f == tooLarge || f == bodyTooLarge {
		e.n.oversized.Add(1)
	} else {
		e.n.malformed.Add(1)
	}
	e.refuseUnparsed(b, o, f)
}

// keepAlive reports whether a datagram only holds an address translator open (RFC 5626 section 3.5, common practice:
// CRLF or zero bytes).
func keepAlive(b []byte) bool { return len(bytes.Trim(b, "\r\n\x00 ")) == 0 }

// looksLikeSIP reports whether the first line names SIP at all.
func looksLikeSIP(b []byte) bool {
	line, _, ok := bytes.Cut(b[:min(len(b), maxField)], []byte("\r\n"))
	return ok && (bytes.HasPrefix(line, []byte("SIP/")) || bytes.Contains(line, []byte(" SIP/")))
}

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
