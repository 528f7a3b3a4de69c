package endpoint

import (
	"bytes"
	"errors"
	"fmt"
	"maps"
	"net"
	"net/netip"
	"os"
	"sync"
	"time"

	"github.com/emiago/sipgo/sip"

	"clearback/bridge/localaddr"
)

// newParser returns the library's parser with two changes. It finds header fields in compact form by their long name,
// and it keeps as received those that the default parser would shorten.
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

// readDatagrams reads the UDP socket until it is closed. The library's own loop keeps an entry for each source address
// forever, ends at the first read error (such as the ICMP error of an earlier datagram), and hides what it cannot
// parse.
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

// untilClosed calls take again and again until the socket is closed, except while the endpoint is paused. After an
// error it waits, for a second at most.
func (e *Endpoint) untilClosed(take func() error) {
	gated := func() error {
		e.paused.gate.RLock()
		defer e.paused.gate.RUnlock()
		return take()
	}
	pause := time.Millisecond
	for {
		switch err := gated(); {
		case err == nil || errors.Is(err, os.ErrDeadlineExceeded): // the latter only because of Pause
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

// readDatagram reads one datagram, and the kernel's stamp of its arrival (0 if it has none).
func (e *Endpoint) readDatagram(b []byte) (n int, from netip.AddrPort, stamp time.Duration, err error) {
	if e.timestamped != nil {
		return e.timestamped.read(b)
	}
	n, from, err = e.packets.ReadFromUDPAddrPort(b)
	return n, from, 0, err
}

// origin says where and when a message arrived.
type origin struct {
	arrival   Arrival
	from      netip.AddrPort
	transport string
	conn      *conn // nil over UDP
	unknown   bool
}

// datagram processes one datagram. To drop one that is not SIP costs a look at its first line. To drop one that exceeds
// the rate of an unknown source costs a look at two buckets.
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

// take parses and processes one complete message.
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

// keepAlive reports whether a datagram is only a keep-alive for a NAT: CRLF or zero bytes (RFC 5626 section 3.5, common
// practice).
func keepAlive(b []byte) bool { return len(bytes.Trim(b, "\r\n\x00 ")) == 0 }

// looksLikeSIP reports whether the first line contains the SIP version.
func looksLikeSIP(b []byte) bool {
	line, _, ok := bytes.Cut(b[:min(len(b), maxField)], []byte("\r\n"))
	return ok && (bytes.HasPrefix(line, []byte("SIP/")) || bytes.Contains(line, []byte(" SIP/")))
}

// datagrams sends from the listening UDP socket, in the form that the library's transactions expect.
type datagrams struct{ c Packets }

var _ sip.Connection = datagrams{}

var buffers = sync.Pool{New: func() any { return new(bytes.Buffer) }}

// WriteMsg sends a message to its destination, "address:port". A message may be as large as a datagram: common practice
// sends even an INVITE of more than 1300 bytes over UDP if the peer used UDP.
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
		return d.sendError(to, err)
	}
	return nil
}

// sendError returns the error of a datagram that could not be sent. If our address has gone, the kernel says only
// "network is unreachable" or "invalid argument".
func (d datagrams) sendError(to netip.AddrPort, err error) error {
	own, ok := d.c.LocalAddr().(*net.UDPAddr)
	if ok && !localaddr.Has(own.AddrPort().Addr()) {
		err = fmt.Errorf("this machine does not have the address %s now: %w", own.IP, err)
	}
	return fmt.Errorf("send to %s: %w", to, err)
}

func (d datagrams) LocalAddr() net.Addr    { return d.c.LocalAddr() }
func (d datagrams) Ref(int) int            { return 1 }
func (d datagrams) TryClose() (int, error) { return 1, nil }
func (d datagrams) Close() error           { return nil }
