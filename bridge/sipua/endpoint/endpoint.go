// Package endpoint is one SIP socket: the library's user agent made safe to build a B2BUA on. It hands requests and
// responses over in the order of arrival within a Call-ID, keeps an INVITE transaction alive until its final response,
// matches CANCEL, refuses malformed requests, survives a panicking handler and keeps secrets and bad packets out of the log.
package endpoint

import (
	"context"
	"net/netip"

	"github.com/emiago/sipgo/sip"
	"go.uber.org/zap"
)

// Options of an [Endpoint].
type Options struct {
	// Listen is the local address; port 0 takes a free one.
	Listen netip.AddrPort
	// UDP and TCP say which transports listen (the same port number).
	UDP, TCP bool
	// Advertise is the host for Via and Contact where Listen is an unspecified address.
	Advertise string
	// Accept, if not nil, tells whether a source may speak at all; others are dropped before parsing and counted.
	Accept func(netip.Addr) bool
	Logger *zap.Logger
}

// Handler takes what arrives. Its methods must not block (post to a mailbox); for one Call-ID they are never called
// concurrently and come in the order of arrival on the wire.
type Handler interface {
	// Request is a new request: no retransmission, no CANCEL that matched an INVITE, no ACK of a failure. An ACK of a 2xx comes here.
	Request(r *Request)
	// Cancelled: a CANCEL matched the INVITE r, which has no final response yet; the CANCEL itself was answered 200.
	// The handler answers r with 487 (or with a 200 that crossed it).
	Cancelled(r *Request)
}

// Request is a request that arrived. Respond may be called from any goroutine.
type Request struct {
	*sip.Request
	// From is the address it really came from.
	From netip.AddrPort
	// Endpoint took it.
	Endpoint *Endpoint
}

// Respond sends a response. A provisional after the final one is dropped. The error is the transport's.
func (r *Request) Respond(res *sip.Response) error { return nil }

// Reply builds and sends a response without a body.
func (r *Request) Reply(code int, reason string, headers ...sip.Header) error { return nil }

// Endpoint is one socket. Safe for concurrent use.
type Endpoint struct{}

// Open binds the sockets and returns when they can send and receive.
func Open(o Options, h Handler) (*Endpoint, error) { return &Endpoint{}, nil }

// Addr is the address it listens on, with the real port.
func (e *Endpoint) Addr() netip.AddrPort { return netip.AddrPort{} }

// Contact returns a Contact header field for this socket.
func (e *Endpoint) Contact(user string, transport string) *sip.ContactHeader { return nil }

// A Response is what a client transaction brought. Err is set, and Response nil, when no final response came in
// time (ErrTimeout) or the request could not be sent; after Err nothing more comes.
type Response struct {
	*sip.Response
	Err error
}

// Transaction is a client transaction.
type Transaction struct{}

// Send starts a client transaction for req (From, To, Call-ID, CSeq, Route and body as the caller set them; Via and
// Max-Forwards are added if missing). on is called in the order of arrival within the Call-ID, never concurrently, and
// must not block. For INVITE every 2xx is handed on, also repeats and those of other forks, for 64*T1 after the first;
// the ACK of a failure is sent here, the ACK of a 2xx is the caller's (Write).
func (e *Endpoint) Send(req *sip.Request, on func(Response)) (*Transaction, error) { return nil, nil }

// Do sends a request that is no INVITE and waits for the final response.
func (e *Endpoint) Do(ctx context.Context, req *sip.Request) (*sip.Response, error) { return nil, nil }

// Write sends a request outside any transaction: the ACK of a 2xx.
func (e *Endpoint) Write(req *sip.Request) error { return nil }

// Cancel sends CANCEL as soon as a provisional response has come (RFC 3261 section 9.1). on goes on being called: a 200 may cross.
func (t *Transaction) Cancel() {}

// Close closes the sockets and waits for all goroutines.
func (e *Endpoint) Close() error { return nil }
