package endpoint

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"net"
	"net/netip"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"github.com/emiago/sipgo/sip"
	"go.uber.org/zap"
)

// ErrTimeout tells that no final response came in time: 64*T1 = 32 s after the request (RFC 3261 section 17.1), or
// after the CANCEL of an INVITE.
var ErrTimeout = errors.New("no final response in time")

// ErrClosed tells that the endpoint was closed.
var ErrClosed = errors.New("endpoint is closed")

// Options of an [Endpoint].
type Options struct {
	// Listen is the local address; port 0 takes a free one.
	Listen netip.AddrPort
	// UDP and TCP say which transports listen (the same port number).
	UDP, TCP bool
	// Packets, if not nil, is read and written instead of a UDP socket of our own; it is closed by Close.
	Packets Packets
	// Clocks, if not nil, are read instead of the system's: the wall clock, and one that goes on while this process
	// stands still and while the machine sleeps.
	Clocks func() (wall, boot time.Duration)
	// Lookup, if not nil, looks host names up instead of the system's resolver. It may be called from any goroutine.
	Lookup func(ctx context.Context, network, host string) ([]netip.Addr, error)
	// Advertise is the host for Via and Contact where Listen is an unspecified address.
	Advertise string
	// Strangers are limited: what comes from an address that is neither in Known nor was made known by Know, nor
	// answered a request of ours lately, shares a bounded rate. False: nobody is limited.
	LimitUnknown bool
	// Known are addresses that are never strangers.
	Known []netip.Prefix
	// Urgent, if not nil, reports whether a request is served beyond the limits that keep one source from taking all
	// the room: a call for help. It must not block.
	Urgent func(*sip.Request) bool
	// InDialog, if not nil, reports whether a request with a tag in To belongs to a dialog. What belongs to none is
	// answered 481 and leaves no state, and so is a BYE, INFO, UPDATE or PRACK without that tag; for what belongs to
	// one some room is kept. nil: all do. It is called in the reading goroutine and must not block.
	InDialog func(*Request) bool
	// Answers, if not nil, reports whether a request that belongs to no dialog is answered at all. It must not block.
	Answers func(*Request) bool
	// SameSide, if not nil, reports whether two addresses are of one peer: a CANCEL may come from the one if its INVITE
	// came from the other. It must not block.
	SameSide func(invite, cancel netip.Addr) bool
	// Bound, if not nil, returns where adapters are bound now. Room is kept for a call for help from there, and a TCP
	// connection from there is closed last for want of room. It must not block.
	Bound func() []netip.AddrPort
	// Accept, if not nil, reports whether a source may speak at all; others are dropped before parsing and counted.
	Accept func(netip.Addr) bool
	Logger *zap.Logger
}

// Packets is a datagram socket; [net.UDPConn] is one. Its methods may be called concurrently. A read that returns
// [net.ErrClosed] ends the reading, any other error is taken for a passing one.
type Packets interface {
	ReadFromUDPAddrPort(b []byte) (int, netip.AddrPort, error)
	WriteToUDPAddrPort(b []byte, to netip.AddrPort) (int, error)
	LocalAddr() net.Addr
	Close() error
}

var _ Packets = (*net.UDPConn)(nil)

// Handler takes what arrives. Its methods must not block (post to a mailbox); for one Call-ID they are never called
// concurrently and come in the order of arrival on the wire.
type Handler interface {
	// Request is a new request: no retransmission, no CANCEL that matched an INVITE, no ACK of a failure. An ACK of a
	// 2xx comes here.
	Request(r *Request)
	// Cancelled: a CANCEL matched the INVITE r, which has no final response yet; the CANCEL itself was answered 200.
	// The handler answers r with 487 (or with a 200 that crossed it).
	Cancelled(r *Request)
}

// Endpoint is one socket. Safe for concurrent use.
type Endpoint struct {
	// set once
	o             Options
	handler       Handler
	log           *zap.Logger
	addr          netip.AddrPort
	host          string // for Via and Contact
	parser        *sip.Parser
	packets       Packets
	timestamped   *timestampedConn // packets, if they bear the kernel's stamps
	arrivals      *arrivals        // nil on sockets that are not the system's, unless Clocks goes with them
	streams       tcpConns
	sourceLimiter sourceLimiter
	n             counters
	t             transactions
	queues        queues
	work          sync.WaitGroup  // everything that runs beside the queues
	ctx           context.Context // ended by Close
	stop          context.CancelFunc
	secret        []byte // of the tags that are derived

	fullTold  atomic.Int64 // until when nothing is said about a lack of room: Unix nanoseconds
	closed    atomic.Bool
	once      sync.Once
	err       error // of Close
	hostCache hostCache
	lookup    func(ctx context.Context, network, host string) ([]netip.Addr, error)
}

// Open binds the sockets and returns when they can send and receive.
func Open(o Options, h Handler) (*Endpoint, error) {
	o.UDP = o.UDP || o.Packets != nil
	if !o.UDP && !o.TCP {
		return nil, errors.New("open endpoint: neither UDP nor TCP chosen; choose at least one")
	}
	if o.Logger == nil {
		o.Logger = zap.NewNop()
	}
	e := &Endpoint{o: o, handler: h, log: o.Logger, lookup: o.Lookup, secret: []byte(rand.Text())}
	if e.lookup == nil {
		e.lookup = net.DefaultResolver.LookupNetIP
	}
	e.ctx, e.stop = context.WithCancel(context.Background())
	e.sourceLimiter.init(o)
	e.streams.init(e)
	e.queues.init(e.log)
	libraryLog(o.Logger)
	if err := e.bind(); err != nil {
		e.stop()
		return nil, fmt.Errorf("open endpoint on %s: %w", o.Listen, err)
	}
	e.host = o.Advertise
	if e.host == "" {
		e.host = e.addr.Addr().String()
	}
	e.parser = newParser()
	if o.Clocks == nil && o.Packets == nil {
		o.Clocks = readClocks
	}
	if o.Clocks != nil {
		e.arrivals = newArrivals(o.Clocks)
		e.work.Go(func() { e.arrivals.run(e.ctx) })
	}
	if e.packets != nil {
		e.work.Go(e.readDatagrams)
	}
	if e.streams.listener != nil {
		e.work.Go(e.streams.serve)
	}
	return e, nil
}

// bind opens the sockets. With port 0 the TCP port that belongs to the free UDP port may be taken: then it tries anew.
func (e *Endpoint) bind() error {
	const tries = 20
	var last error
	for range tries {
		last = e.bindOnce()
		if last == nil || e.o.Listen.Port() != 0 {
			return last
		}
	}
	return last
}

func (e *Endpoint) bindOnce() error {
	at := e.o.Listen
	if e.o.UDP {
		c := e.o.Packets
		if c == nil {
			own, err := net.ListenUDP("udp", net.UDPAddrFromAddrPort(at))
			if err != nil {
				return err
			}
			_ = own.SetReadBuffer(receiveBuffer) // what the kernel grants
			c, e.timestamped = own, newTimestampedConn(own)
		}
		e.packets = c
		at = netip.AddrPortFrom(at.Addr(), c.LocalAddr().(*net.UDPAddr).AddrPort().Port())
	}
	if e.o.TCP {
		l, err := net.ListenTCP("tcp", net.TCPAddrFromAddrPort(at))
		if err != nil {
			if e.packets != nil {
				e.packets.Close()
				e.packets, e.timestamped = nil, nil
			}
			return err
		}
		e.streams.listener = l
		at = netip.AddrPortFrom(at.Addr(), l.Addr().(*net.TCPAddr).AddrPort().Port())
	}
	e.addr = at
	return nil
}

// Addr is the address it listens on, with the real port.
func (e *Endpoint) Addr() netip.AddrPort { return e.addr }

// Connected reports whether there is a TCP connection whose other end is addr, "address:port".
func (e *Endpoint) Connected(addr string) bool {
	return e.connection("TCP", addr) != nil
}

// Contact returns a Contact header field for this socket. The transport "TCP" is said, since UDP is what a URI means
// without.
func (e *Endpoint) Contact(user string, transport string) *sip.ContactHeader {
	u := sip.Uri{Scheme: "sip", User: user, Host: e.host, Port: int(e.addr.Port())}
	if strings.EqualFold(transport, "TCP") || !e.o.UDP {
		u.UriParams.Add("transport", "tcp")
	}
	return &sip.ContactHeader{Address: u}
}

// Close closes the sockets and waits for all goroutines. Client transactions under way end with [ErrClosed].
func (e *Endpoint) Close() error {
	e.once.Do(func() {
		e.closed.Store(true)
		e.stop()
		var errs []error
		if e.packets != nil {
			errs = append(errs, e.packets.Close())
		}
		errs = append(errs, e.streams.close())
		e.t.terminate()
		e.work.Wait()
		e.queues.finish()
		e.err = errors.Join(errs...)
	})
	return e.err
}

// after runs f in d unless the endpoint is closed before.
func (e *Endpoint) after(d time.Duration, f func()) *time.Timer {
	return time.AfterFunc(d, func() {
		if !e.closed.Load() {
			f()
		}
	})
}

// spawn runs f beside; it reports whether it will.
func (e *Endpoint) spawn(f func()) bool {
	e.t.mu.Lock()
	defer e.t.mu.Unlock()
	if e.t.closed {
		return false
	}
	e.work.Go(f)
	return true
}
