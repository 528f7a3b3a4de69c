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
	// From is the address it really came from.
	From netip.AddrPort
	// Arrival is when it came to this machine; zero: not known.
	Arrival Arrival
	// Endpoint took it.
	Endpoint *Endpoint
	// Cancel is the CANCEL of an INVITE; nil until [Handler].Cancelled.
	Cancel *Request

	server   *server // nil for ACK
	unknown  bool
	urgent   bool // see [Options].Urgent
	inDialog bool // it belongs to a dialog
}

// errNoTransaction tells that the request takes no response: an ACK, or one that did not come through [Open].
var errNoTransaction = errors.New("the request takes no response")

// Respond sends a response. A provisional after the final one is dropped, and so is a second final one; a 2xx to an
// INVITE may be sent again and again until its ACK comes (RFC 6026 section 7.1), for 64*T1. The error is the
// transport's.
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
	if r.server != nil && code > 100 && !r.To().Params.Has("tag") {
		res.To().Params.Remove("tag") // the library's, a new one each time; respond adds ours
	}
	return r.Respond(res)
}

// server is a server transaction: the library's state machine and what it lacks.
type server struct {
	// set once
	r           *Request
	tx          *sip.ServerTx
	key, callID string
	dest        string // where responses go
	tag         string // our To tag where the user sets none
	reservation reservation

	// among is the server's element in the list of its source, if it is in the ordinary room. Guarded by the table's
	// lock.
	among *list.Element

	// done is the code of the final response, 0: none yet. Read under the table's lock, under which mu may not be
	// taken: a response that cannot be sent ends the transaction, which takes the table's lock under mu.
	done atomic.Int32

	mu          sync.Mutex
	final       int // status code, 0: none yet
	responded   bool
	cancelled   bool
	ackReceived bool
	toCancel    *sip.Response // the answer to a CANCEL
	toUnknown   *sip.Response // the failure of a stranger's INVITE
}

func newServer(r *Request, key, dest string, conn sip.Connection) *server {
	s := &server{r: r, key: key, callID: callID(r), dest: dest, tag: rand.Text()}
	s.tx = sip.NewServerTx(key, r.Request, conn, sip.DefaultLogger())
	s.tx.Init() // sets timers, and cannot fail
	if !r.IsInvite() {
		return s
	}
	// The library's own 100 after 200 ms would read the request while the user may write its To tag, and could take
	// the place of a final response. A repeat stops it; ours is built now.
	s.tx.Receive(r.Request) // cannot fail for the same method
	res := sip.NewResponseFromRequest(r.Request, sip.StatusTrying, "Trying", nil)
	r.Endpoint.after(sip.Timer_1xx, func() { s.try(res) })
	return s
}

// try sends 100 if nothing was sent in 200 ms (RFC 3261 section 17.2.1).
func (s *server) try(res *sip.Response) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if !s.responded {
		s.responded = true
		res.SetDestination(s.dest)
		s.tx.Respond(res) // if it cannot be sent, the INVITE comes again
	}
}

func (s *server) respond(res *sip.Response) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.final != 0 && !(s.r.IsInvite() && success(s.final) && res.StatusCode == s.final) {
		return nil
	}
	if to := res.To(); to != nil && res.StatusCode > 100 && !to.Params.Has("tag") {
		to.Params.Add("tag", s.tag)
	}
	res.SetTransport(s.r.Transport())
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

// respondUnknown sends the failure of a stranger's INVITE, and again only for each repeat of the INVITE. Timer G would
// repeat it ten times to an address that may be forged, whose owner never asked and sends no ACK; an honest stranger
// who missed the answer repeats his INVITE (Timer A), so nothing is lost.
func (s *server) respondUnknown(res *sip.Response) error {
	s.toUnknown = res
	s.tx.Terminate()
	s.stay(sip.Timer_H)
	return datagrams{s.r.Endpoint.packets}.WriteMsg(res)
}

// stay keeps the key of an ended transaction for d.
func (s *server) stay(d time.Duration) {
	e := s.r.Endpoint
	e.t.mu.Lock()
	if !e.t.closed {
		e.t.addLocked(s)
	}
	e.t.mu.Unlock()
	e.after(d, func() { e.t.removeServer(s) })
}

// respondOverNewConn sends a response whose connection has gone over a new one, to the sent-by of the Via (RFC 3261
// section 18.2.2): otherwise a call whose caller's connection broke while it rang would be answered by the near end and
// never be told so.
func (s *server) respondOverNewConn(res *sip.Response) error {
	if !res.IsProvisional() {
		s.tx.Terminate() // a 200 is repeated by the user
	}
	e, via, out := s.r.Endpoint, s.r.Via(), res.Clone()
	way := sip.NewRequest(s.r.Method, s.r.Recipient) // is never sent: it says where the connection goes
	way.AppendHeader(sip.HeaderClone(via))
	way.SetTransport(s.r.Transport())
	way.SetDestination(net.JoinHostPort(via.Params.GetOr("received", via.Host), strconv.Itoa(sentByPort(via))))
	if !e.spawn(func() {
		conn, err := e.resolve(way)
		if err == nil {
			err = conn.WriteMsg(out)
		}
		if err != nil {
			e.log.Debug("a response found no connection", zap.Int("code", out.StatusCode), zap.Error(err))
		}
	}) {
		return ErrClosed
	}
	return nil
}

// linger is how long a CANCEL stays known after its answer: Timer J (RFC 3261 section 17.2.2). The library sends an
// answer to CANCEL past its state machine, so that it would neither repeat it nor ever end.
func (s *server) linger() time.Duration {
	if sip.IsReliable(s.r.Transport()) {
		return 0
	}
	return sip.Timer_J
}

func success(code int) bool { return code >= 200 && code < 300 }

// replaceable reports whether a transaction is only kept for repeats of its request. After a 2xx to INVITE it is not:
// the user repeats that.
func (s *server) replaceable() bool {
	code := int(s.done.Load())
	return code != 0 && !(s.r.IsInvite() && success(code))
}

// cancel reports whether a CANCEL means something to the user.
func (s *server) cancel() bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	first := s.final == 0 && !s.cancelled
	s.cancelled = true
	return first
}

// toTag is our tag in the responses to this request. It is read in the order of the Call-ID, where the user writes it.
func (s *server) toTag() string {
	if tag, ok := s.r.To().Params.Get("tag"); ok && tag != "" {
		return tag
	}
	return s.tag
}

// repeated takes a retransmission: the last response is sent again.
func (s *server) repeated(req *sip.Request) {
	switch {
	case req.IsInvite():
		s.mu.Lock()
		once := s.toUnknown
		s.mu.Unlock()
		if once == nil {
			s.tx.Receive(req) // cannot fail for the same method, which the key has
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
			s.tx.Respond(s.toCancel) // if it is lost, the CANCEL comes again
		}
	}
}

// acked takes an ACK with the branch of the INVITE: that of a failure ends here (RFC 3261 section 17.2.1).
func (s *server) acked(ack *Request) {
	s.mu.Lock()
	code, again := s.final, s.ackReceived
	if code >= 300 {
		s.ackReceived = true
	}
	s.mu.Unlock()
	switch {
	case success(code):
		s.r.Endpoint.pass(ack)
	case code >= 300 && !again:
		s.confirmed()
	}
}

// confirmed ends the transaction of a failure; its key stays for T4, so that repeats of the ACK are absorbed.
func (s *server) confirmed() {
	s.tx.Terminate()
	if !sip.IsReliable(s.r.Transport()) {
		s.stay(sip.T4)
	}
}

// received notes in the top Via where the request came from (RFC 3261 section 18.2.1, RFC 3581 section 4) and returns
// where its responses go.
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
		return req.Source()
	}
	if !asked {
		port = sentByPort(via)
	}
	return net.JoinHostPort(host, strconv.Itoa(port))
}

// sentByPort is the port of a Via's sent-by (RFC 3261 section 18.2.2).
func sentByPort(via *sip.ViaHeader) int {
	if via.Port > 0 && via.Port <= 65535 {
		return via.Port
	}
	return sip.DefaultUdpPort // TCP has the same
}
