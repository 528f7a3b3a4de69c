package endpoint

import (
	"container/list"
	"crypto/rand"
	"errors"
	"fmt"
	"net"
	"net/netip"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"github.com/emiago/sipgo/sip"
	"go.uber.org/zap"
)

// Request is a request that arrived. Respond may be called from any goroutine.
type Request struct {
	*sip.Request
	// From is the actual source address.
	From netip.AddrPort
	// Arrival is when the request reached this machine; zero if that is not known.
	Arrival Arrival
	// Endpoint is the endpoint that received the request.
	Endpoint *Endpoint
	// Cancel is the CANCEL of an INVITE; it is nil until [Handler].Cancelled.
	Cancel *Request

	server   *server // nil for ACK
	unknown  bool
	urgent   bool // see [Options].Urgent
	inDialog bool // the request belongs to a dialog
	dialog   Dialog
}

// errNoTransaction means that the request takes no response: it is an ACK, or did not come through [Open].
var errNoTransaction = errors.New("the request takes no response")

// Respond sends a response. It drops a provisional response after the final one, and a second final response. A 2xx to
// an INVITE may be sent repeatedly until its ACK arrives (RFC 6026 section 7.1), for 64*T1. The error is that of the
// transport.
func (r *Request) Respond(res *sip.Response) error {
	if r.server == nil {
		return fmt.Errorf("respond %d to %s: %w", res.StatusCode, r.Method, errNoTransaction)
	}
	if err := r.server.respond(res); err != nil {
		return fmt.Errorf("respond %d to %s: %w", res.StatusCode, r.Method, err)
	}
	return nil
}

// Reply builds and sends a response without a body.
func (r *Request) Reply(code int, reason string, headers ...sip.Header) error {
	res := sip.NewResponseFromRequest(r.Request, code, reason, nil)
	for _, h := range headers {
		res.AppendHeader(h)
	}
	if !r.To().Params.Has("tag") {
		res.To().Params.Remove("tag") // the library's tag, different at each call; respond adds ours
	}
	return r.Respond(res)
}

// server is a server transaction: the library's state machine, and what that lacks.
type server struct {
	// set once
	r           *Request
	tx          *sip.ServerTx
	key, callID string
	dest        string // where responses go
	tag         string // our To tag if the user of this package sets none
	reservation reservation

	// element is the element of this server in the list of its source. It is nil in a reserved place. Guarded by the
	// lock of the transactions.
	element *list.Element

	// done is the status code of the final response, 0 until then. It is read under the lock of the transactions, under
	// which mu must not be taken: a response that cannot be sent ends the transaction, which takes that lock while mu
	// is held.
	done atomic.Int32

	mu          sync.Mutex
	final       int // status code of the final response; 0 until then
	responded   bool
	cancelled   bool
	ackReceived bool
	toCancel    *sip.Response // the response to a CANCEL
	toUnknown   *sip.Response // the non-2xx final response to the INVITE of an unknown source
}

func newServer(r *Request, key, dest string, conn sip.Connection) *server {
	s := &server{r: r, key: key, callID: callID(r), dest: dest, tag: rand.Text()}
	s.tx = sip.NewServerTx(key, r.Request, conn, sip.DefaultLogger())
	s.tx.Init() // Init sets timers and cannot fail
	if !r.IsInvite() {
		return s
	}
	// The library would send its own 100 after 200 ms. It would read the request while the user of this package may
	// write the To tag, and the 100 could replace a final response. Receiving the request again stops it; we build our
	// own 100 now.
	s.tx.Receive(r.Request) // cannot fail for the same method
	res := sip.NewResponseFromRequest(r.Request, sip.StatusTrying, "Trying", nil)
	r.Endpoint.after(sip.Timer_1xx, func() { s.try(res) })
	return s
}

// try sends 100 if nothing has been sent within 200 ms (RFC 3261 section 17.2.1).
func (s *server) try(res *sip.Response) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if !s.responded {
		s.respondLocked(res) // if that fails, the INVITE is retransmitted
	}
}

func (s *server) respond(res *sip.Response) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.respondLocked(res)
}

func (s *server) respondLocked(res *sip.Response) error {
	if s.final != 0 && !(s.r.IsInvite() && success(s.final) && res.StatusCode == s.final) {
		return nil
	}
	if to := res.To(); to != nil && res.StatusCode > 100 && !to.Params.Has("tag") {
		to.Params.Add("tag", s.tag)
	}
	res.SetDestination(s.dest)
	s.responded = true
	if !res.IsProvisional() {
		s.final = res.StatusCode
		s.done.Store(int32(res.StatusCode))
	}
	if s.r.IsCancel() {
		s.toCancel = res
		s.r.Endpoint.after(s.linger(), s.tx.Terminate)
	}
	if sip.IsReliable(s.r.Transport()) && !s.r.Endpoint.Connected(s.r.Source()) {
		return s.respondOverNewConn(res)
	}
	if s.r.unknown && s.r.IsInvite() && res.StatusCode >= 300 && !sip.IsReliable(s.r.Transport()) {
		return s.respondUnknown(res)
	}
	return s.tx.Respond(res)
}

// respondUnknown sends a non-2xx final response to the INVITE of an unknown source. It sends it again only for a
// retransmission of the INVITE. Timer G would send it ten times to an address that may be forged, whose owner sends no
// ACK. A legitimate sender who missed the response retransmits the INVITE (Timer A), so no call is lost.
func (s *server) respondUnknown(res *sip.Response) error {
	s.toUnknown = res
	s.r.Endpoint.after(sip.Timer_H, s.tx.Terminate)
	return datagrams{s.r.Endpoint.packets}.WriteMsg(res)
}

// stay keeps the key of an ended transaction in the table for d.
func (s *server) stay(d time.Duration) {
	e := s.r.Endpoint
	e.t.mu.Lock()
	if !e.t.closed {
		e.t.addLocked(s)
	}
	e.t.mu.Unlock()
	e.after(d, func() { e.t.removeServer(s) })
}

// respondOverNewConn sends a response whose TCP connection has gone over a new connection to the sent-by of the Via
// (RFC 3261 section 18.2.2). If a caller's connection broke during ringing and the near end then answered, the caller
// would otherwise not learn of the answer.
func (s *server) respondOverNewConn(res *sip.Response) error {
	if !res.IsProvisional() {
		s.tx.Terminate() // the user of this package repeats a 200
	}
	e, via, out := s.r.Endpoint, s.r.Via(), res.Clone()
	way := sip.NewRequest(s.r.Method, s.r.Recipient) // never sent; it names the destination of the connection
	way.SetTransport(s.r.Transport())
	way.SetDestination(net.JoinHostPort(via.Params.GetOr("received", via.Host), strconv.Itoa(sentByPort(via))))
	if !e.spawn(func() {
		conn, err := e.resolve(way)
		if err == nil {
			err = conn.WriteMsg(out)
		}
		if err != nil {
			e.log.Debug("a response could not be sent: no connection", zap.Int("code", out.StatusCode), zap.Error(err))
		}
	}) {
		return ErrClosed
	}
	return nil
}

// linger returns how long a CANCEL stays in the table after its response: Timer J (RFC 3261 section 17.2.2). The
// library sends the response to a CANCEL outside its state machine, so it would never repeat the response and never end
// the transaction.
func (s *server) linger() time.Duration {
	if sip.IsReliable(s.r.Transport()) {
		return 0
	}
	return sip.Timer_J
}

func success(code int) bool { return code >= 200 && code < 300 }

// replaceable reports whether a transaction is kept only for retransmissions of its request. That is not so after a 2xx
// to INVITE, which the user of this package repeats.
func (s *server) replaceable() bool {
	code := int(s.done.Load())
	return code != 0 && !(s.r.IsInvite() && success(code))
}

// cancel marks the INVITE as cancelled. It reports whether the handler has to be informed.
func (s *server) cancel() bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	first := s.final == 0 && !s.cancelled
	s.cancelled = true
	return first
}

// toTag returns our tag in the responses to this request. It runs in the queue of the Call-ID, as does the code that
// writes the tag.
func (s *server) toTag() string {
	if tag := s.r.To().Params.GetOr("tag", ""); tag != "" {
		return tag
	}
	return s.tag
}

// repeated handles a retransmission: it sends the last response again.
func (s *server) repeated(req *sip.Request) {
	switch {
	case req.IsInvite():
		s.mu.Lock()
		once := s.toUnknown
		s.mu.Unlock()
		if once == nil {
			s.tx.Receive(req) // cannot fail: the key includes the method
			return
		}
		if err := (datagrams{s.r.Endpoint.packets}).WriteMsg(once); err != nil {
			s.r.Endpoint.log.Debug("a refusal could not be sent", zap.Error(err))
		}
	case !req.IsCancel():
		s.tx.Receive(req)
	default:
		s.mu.Lock()
		defer s.mu.Unlock()
		if s.toCancel != nil {
			s.tx.Respond(s.toCancel) // if that fails, the CANCEL is retransmitted
		}
	}
}

// acked handles an ACK with the branch of the INVITE. The ACK of a non-2xx ends here (RFC 3261 section 17.2.1).
func (s *server) acked(ack *Request) {
	s.mu.Lock()
	code := s.final
	first := code >= 300 && !s.ackReceived
	if first {
		s.ackReceived = true
	}
	s.mu.Unlock()
	switch {
	case success(code):
		if s.r.Endpoint.findDialog(ack) {
			s.r.Endpoint.pass(ack)
		}
	case first:
		s.confirmed()
	}
}

// confirmed ends the transaction of a non-2xx. Its key stays for T4, to absorb repeated ACKs.
func (s *server) confirmed() {
	s.tx.Terminate()
	if !sip.IsReliable(s.r.Transport()) {
		s.stay(sip.T4)
	}
}

// received writes the source of a request into its top Via (RFC 3261 section 18.2.1, RFC 3581 section 4). It returns
// the destination of its responses.
func received(req *sip.Request, from netip.AddrPort) string {
	via := req.Via()
	host := from.Addr().String()
	port := int(from.Port())
	asked := via.Params.Has("rport")
	if asked {
		via.Params.Add("rport", strconv.Itoa(port))
	}
	if asked || !strings.EqualFold(via.Host, host) {
		via.Params.Add("received", host)
	}
	if sip.IsReliable(req.Transport()) {
		return from.String()
	}
	if !asked {
		port = sentByPort(via)
	}
	return net.JoinHostPort(host, strconv.Itoa(port))
}

// sentByPort returns the port of a Via's sent-by (RFC 3261 section 18.2.2).
func sentByPort(via *sip.ViaHeader) int {
	if via.Port > 0 && via.Port <= 65535 {
		return via.Port
	}
	return sip.DefaultUdpPort // TCP has the same default
}
