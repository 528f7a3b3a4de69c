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

	"clearback/bridge/socketstore"
)

// ErrTimeout means that no final response arrived in time: within 64*T1 = 32 s after the request (RFC 3261 section
// 17.1), or after the CANCEL of an INVITE.
var ErrTimeout = errors.New("no final response in time")

// ErrClosed means that the endpoint was closed.
var ErrClosed = errors.New("endpoint is closed")

// Options are the options of an [Endpoint].
type Options struct {
	// Listen is the local address; port 0 picks a free port.
	Listen netip.AddrPort
	// UDP and TCP choose the transports; both use the same port number.
	UDP, TCP bool
	// Packets, if not nil, is used instead of a UDP socket of our own. Close closes it.
	Packets Packets
	// Sockets opens the sockets and keeps them for the next process; nil opens new ones.
	Sockets *socketstore.Store
	// Clocks, if not nil, replaces the system's clocks: the wall clock, and a clock that runs on while this process is
	// stopped and while the machine sleeps.
	Clocks func() (wall, boot time.Duration)
	// Lookup, if not nil, replaces the system's resolver for host names. It may be called from any goroutine.
	Lookup func(ctx context.Context, network, host string) ([]netip.Addr, error)
	// Advertise is the host in Via and Contact. It is needed if Listen is an unspecified address.
	Advertise string
	// LimitUnknown limits unknown sources: all of them together share a bounded rate. A source is known if it is in
	// Known, if Know made it known, if a request that we sent to it awaits a response, or if it answered one lately.
	// If false, no source is limited.
	LimitUnknown bool
	// Known holds addresses that are always known. SetKnown replaces them.
	Known []netip.Prefix
	// Urgent, if not nil, reports whether a request is an emergency call. Such a request is served beyond the limits
	// that keep one source from taking all the room. It must not block.
	Urgent func(*sip.Request) bool
	// InDialog, if not nil, returns the dialog of a request with a To tag. If it returns nil, the request is answered
	// 481 and leaves no state; an ACK is dropped. The same happens to a BYE, INFO, UPDATE or PRACK without a To tag. If
	// InDialog is nil, every request with a To tag belongs to a dialog without a Serial. Some room is reserved for
	// requests in a dialog. InDialog is called in the goroutine that reads the socket, and must not block.
	InDialog func(*Request) *Dialog
	// Answers, if not nil, reports whether a request that belongs to no dialog gets an answer. It must not block.
	Answers func(*Request) bool
	// SameSide, if not nil, reports whether two addresses belong to one peer. If so, a CANCEL may come from a different
	// address than its INVITE. It must not block.
	SameSide func(invite, cancel netip.Addr) bool
	// Bound, if not nil, returns the addresses of the current bindings of adapters. Room is reserved for an emergency
	// call from these addresses, and a TCP connection from them is the last to be closed for lack of room. It must not
	// block.
	Bound func() []netip.AddrPort
	// Unmatched, if not nil, takes a 2xx to an INVITE that this endpoint has not sent, or no longer knows. It must not
	// block.
	Unmatched func(*sip.Response)
	// Accept, if not nil, reports whether messages from a source are accepted. Other messages are dropped unparsed, and
	// counted.
	Accept func(netip.Addr) bool
	// Suspended, if not nil, is called when the machine has slept, or its clock was set forward, for at least 10 s. The
	// timers of this process do not count d, and registrations may have ended meanwhile. Suspended must not block for
	// long. It is never called on a system whose clocks we cannot read.
	Suspended func(d time.Duration)
	// Disconnected, if not nil, is called when a TCP connection that this endpoint made has ended, unless by Close.
	// lasted is how long it lasted. It must not block.
	Disconnected func(peer netip.AddrPort, lasted time.Duration)
	Logger       *zap.Logger
}

// Packets is a datagram socket, such as [net.UDPConn]. Its methods may be called concurrently. If a read returns
// [net.ErrClosed], the endpoint stops reading; it treats any other error as temporary.
type Packets interface {
	ReadFromUDPAddrPort(b []byte) (int, netip.AddrPort, error)
	WriteToUDPAddrPort(b []byte, to netip.AddrPort) (int, error)
	SetReadDeadline(at time.Time) error
	LocalAddr() net.Addr
	Close() error
}

var _ Packets = (*net.UDPConn)(nil)

// Dialog says how the requests of a dialog are handled.
type Dialog struct {
	// Serial runs Handle. If it is nil, the queue of the Call-ID runs Handle.
	Serial *Serial
	// Handle takes the requests in the order of arrival, as [Handler].Request does. It must not block.
	Handle func(*Request)
}

// Handler takes the requests that arrive outside a [Dialog]. Its methods must not block (post to a mailbox). For one
// Call-ID they are called in the order of arrival, and never concurrently.
type Handler interface {
	// Request takes a new request, or the ACK of a 2xx. It gets no retransmission, no CANCEL that matched an INVITE,
	// and no ACK of a non-2xx final response.
	Request(r *Request)
	// Cancelled reports that a CANCEL matched the INVITE r, which has no final response yet. It is called where r was
	// handled, after r: in its dialog's Serial, or in the queue of its Call-ID. The CANCEL has already been answered
	// 200. The handler answers r with 487, or with a 200 that crosses the CANCEL.
	Cancelled(r *Request)
}

// Endpoint is one SIP socket. Safe for concurrent use.
type Endpoint struct {
	// set once
	o             Options
	handler       Handler
	log           *zap.Logger
	addr          netip.AddrPort
	host          string // for Via and Contact
	parser        *sip.Parser
	packets       Packets
	timestamped   *timestampedConn // same as packets if the kernel stamps its datagrams, else nil
	arrivals      *arrivals        // nil with Options.Packets, unless Options.Clocks is set too
	streams       tcpConns
	sourceLimiter sourceLimiter
	n             counters
	t             transactions
	queues        queues
	work          sync.WaitGroup  // everything that runs outside the queues
	ctx           context.Context // ended by Close
	stop          context.CancelFunc
	secret        []byte // key of derivedTag

	fullTold  atomic.Int64 // no log entry about a lack of room until then: Unix nanoseconds
	paused    pause
	closed    atomic.Bool
	once      sync.Once
	err       error // result of Close
	hostCache hostCache
	lookup    func(ctx context.Context, network, host string) ([]netip.Addr, error)
}

// Open binds the sockets. When it returns, they can send and receive, or, if the machine does not have the address yet
// ([localaddr.ListenConfig]), they can as soon as it has.
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
	e.sourceLimiter.init(o)
	e.streams.init(e)
	e.queues.init(e.log)
	libraryLog(o.Logger)
	if err := e.bind(); err != nil {
		return nil, fmt.Errorf("open endpoint on %s: %w", o.Listen, err)
	}
	e.ctx, e.stop = context.WithCancel(context.Background())
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
		e.work.Go(func() { e.arrivals.run(e.ctx, o.Suspended) })
	}
	if e.packets != nil {
		e.work.Go(e.readDatagrams)
	}
	if e.streams.listener != nil {
		e.work.Go(e.streams.serve)
	}
	return e, nil
}

// bind opens the sockets. With port 0, the TCP port that matches the free UDP port may be in use. Then bind tries
// again.
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
			own, err := e.o.Sockets.ListenUDP(at)
			if err != nil {
				return err
			}
			_ = own.SetReadBuffer(receiveBuffer) // as much as the kernel allows
			c, e.timestamped = own, newTimestampedConn(own)
		}
		e.packets = c
		at = netip.AddrPortFrom(at.Addr(), c.LocalAddr().(*net.UDPAddr).AddrPort().Port())
	}
	if e.o.TCP {
		l, err := e.o.Sockets.ListenTCP(at)
		if err != nil {
			if e.packets != nil {
				e.packets.Close()
			}
			return err
		}
		e.streams.listener = l
		at = netip.AddrPortFrom(at.Addr(), l.Addr().(*net.TCPAddr).AddrPort().Port())
	}
	e.addr = at
	return nil
}

// Keep keeps the sockets for the next process ([Options.Sockets]). TCP connections are not kept.
func (e *Endpoint) Keep() error {
	var errs []error
	if c, ok := e.packets.(*net.UDPConn); ok {
		errs = append(errs, e.o.Sockets.Keep(c))
	}
	if l := e.streams.listener; l != nil {
		errs = append(errs, e.o.Sockets.Keep(l))
	}
	return errors.Join(errs...)
}

// Addr returns the address that the endpoint listens on, with the actual port.
func (e *Endpoint) Addr() netip.AddrPort { return e.addr }

// Connected reports whether there is a TCP connection to addr, "address:port".
func (e *Endpoint) Connected(addr string) bool {
	return e.connection("TCP", addr) != nil
}

// Contact returns a Contact header field for this socket. It names the transport only if that is TCP, because a URI
// without the parameter means UDP.
func (e *Endpoint) Contact(user string, transport string) *sip.ContactHeader {
	u := sip.Uri{Scheme: "sip", User: user, Host: e.host, Port: int(e.addr.Port())}
	if strings.EqualFold(transport, "TCP") || !e.o.UDP {
		u.UriParams.Add("transport", "tcp")
	}
	return &sip.ContactHeader{Address: u}
}

// Close closes the sockets and waits for all goroutines. Pending client transactions end with [ErrClosed].
func (e *Endpoint) Close() error {
	e.once.Do(func() {
		e.closed.Store(true)
		e.stop()
		var errs []error
		if e.packets != nil {
			errs = append(errs, e.packets.Close())
		}
		errs = append(errs, e.streams.close())
		e.Unpause() // lets the reading goroutines see that their sockets are closed
		e.t.terminate()
		e.work.Wait()
		e.queues.finish()
		e.err = errors.Join(errs...)
	})
	return e.err
}

// after runs f after d, unless the endpoint is closed by then.
func (e *Endpoint) after(d time.Duration, f func()) *time.Timer {
	return time.AfterFunc(d, func() {
		if !e.closed.Load() {
			f()
		}
	})
}

// spawn runs f in a goroutine of its own. It returns false, and does not run f, if the endpoint is closed.
func (e *Endpoint) spawn(f func()) bool {
	e.t.mu.Lock()
	defer e.t.mu.Unlock()
	if e.t.closed {
		return false
	}
	e.work.Go(f)
	return true
}
