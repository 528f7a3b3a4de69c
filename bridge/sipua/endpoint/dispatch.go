package endpoint

import (
	"net/netip"
	"strings"
	"sync"
	"time"

	"github.com/emiago/sipgo/sip"
	"go.uber.org/zap"
)

// earlyCancel is how long a CANCEL waits for the INVITE that it overtook. Our own number: datagrams of one sender that
// change places on the way do so within milliseconds.
const earlyCancel = 50 * time.Millisecond

// transactions are those under way, both ways.
type transactions struct {
	mu      sync.Mutex
	servers map[string]*server
	clients map[string]*Transaction
	// cancels wait for their INVITE, by the key of that INVITE.
	cancels map[string]*Request
	closed  bool
}

func (t *transactions) init() {
	t.servers, t.clients, t.cancels = map[string]*server{}, map[string]*Transaction{}, map[string]*Request{}
}

// terminate ends all and lets none begin.
func (t *transactions) terminate() {
	t.mu.Lock()
	t.closed = true
	servers, clients := t.servers, t.clients
	t.init()
	t.mu.Unlock()
	for _, s := range servers {
		s.tx.Terminate()
	}
	for _, c := range clients {
		c.fail(ErrClosed)
	}
}

// streamed takes each message that came by TCP, in the goroutine that reads its connection.
func (e *Endpoint) streamed(m sip.Message) {
	defer e.survive()
	at, err := netip.ParseAddrPort(m.Source())
	if err != nil {
		return
	}
	e.message(m, netip.AddrPortFrom(at.Addr().Unmap(), at.Port()))
}

// survive keeps a fault in one message from ending the process.
func (e *Endpoint) survive() {
	if v := recover(); v != nil {
		e.log.Error("a message could not be taken", zap.Any("fault", v), zap.Stack("stack"))
	}
}

// message takes each message in the order of the wire, in the goroutine that reads the socket.
func (e *Endpoint) message(m sip.Message, from netip.AddrPort) {
	switch m := m.(type) {
	case *sip.Request:
		e.request(m, from)
	case *sip.Response:
		e.response(m)
	}
}

// request matches a request to its server transaction, or makes one (RFC 3261 section 17.2.3).
func (e *Endpoint) request(req *sip.Request, from netip.AddrPort) {
	if req.Via() == nil {
		return // nowhere to answer to
	}
	dest := received(req, from)
	if code, reason := faulty(req); code != 0 {
		e.refuse(req, dest, code, reason)
		return
	}
	key, err := sip.ServerTxKeyMake(req)
	if err != nil {
		e.refuse(req, dest, sip.StatusBadRequest, "Bad Request")
		return
	}
	e.t.mu.Lock()
	s := e.t.servers[key]
	e.t.mu.Unlock()
	r := &Request{Request: req, From: from, Endpoint: e}
	switch {
	case s != nil && req.IsAck():
		s.acked(r)
	case s != nil:
		s.repeated(req)
	case req.IsAck():
		e.pass(r)
	default:
		e.begin(r, key, dest)
	}
}

// begin makes the server transaction of a new request and passes it on.
func (e *Endpoint) begin(r *Request, key, dest string) {
	conn := e.connection(r.Transport(), r.Source())
	if conn == nil { // the TCP connection has gone; nothing can be answered, but who said BYE is gone too
		if r.Method == sip.BYE {
			e.pass(r)
		}
		return
	}
	s, err := newServer(r, key, dest, conn)
	if err != nil {
		conn.TryClose()
		return
	}
	r.server = s
	e.t.mu.Lock()
	if e.t.closed {
		e.t.mu.Unlock()
		s.tx.Terminate()
		return
	}
	e.t.servers[key] = s
	cancel := e.t.cancels[key]
	delete(e.t.cancels, key)
	e.t.mu.Unlock()
	s.tx.OnTerminate(func(string, error) { e.t.removeServer(key, s) })
	if r.IsCancel() {
		e.cancel(r)
		return
	}
	e.pass(r)
	if cancel != nil {
		e.queues.post(callID(r), func() { e.cancelled(cancel, s) })
	}
}

func (t *transactions) removeServer(key string, s *server) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.servers[key] == s {
		delete(t.servers, key)
	}
}

func callID(m interface{ CallID() *sip.CallIDHeader }) string {
	if h := m.CallID(); h != nil {
		return h.Value()
	}
	return ""
}

// pass queues a request for the handler. If the handler fails, the peer gets 500.
func (e *Endpoint) pass(r *Request) {
	e.queues.post(callID(r), func() {
		defer func() {
			if v := recover(); v != nil {
				e.log.Error("a request could not be handled", zap.String("method", r.Method.String()), zap.Any("fault", v), zap.Stack("stack"))
				r.answer(sip.StatusInternalServerError, "Server Internal Error")
			}
		}()
		e.handler.Request(r)
	})
}

// answer replies where nobody can be told that it failed: the peer will repeat its request.
func (r *Request) answer(code int, reason string) {
	if err := r.Reply(code, reason); err != nil {
		r.Endpoint.log.Debug("a reply could not be sent", zap.Int("code", code), zap.Error(err))
	}
}

// cancel looks for the INVITE of a CANCEL (RFC 3261 section 9.2). It runs in the reading goroutine; what concerns the
// INVITE is done in the order of its Call-ID.
func (e *Endpoint) cancel(r *Request) {
	key, err := inviteKey(r.Request)
	if err != nil {
		r.answer(sip.StatusBadRequest, "Bad Request")
		return
	}
	e.t.mu.Lock()
	s := e.t.servers[key]
	if s == nil {
		s = e.t.pendingLike(r.Request)
	}
	if s == nil {
		e.t.cancels[key] = r
		e.t.mu.Unlock()
		e.after(earlyCancel, func() { e.orphan(key, r) })
		return
	}
	e.t.mu.Unlock()
	e.queues.post(callID(r), func() { e.cancelled(r, s) })
}

// inviteKey is the key of the INVITE that a CANCEL is for.
func inviteKey(cancel *sip.Request) (string, error) {
	cseq := cancel.CSeq()
	cseq.MethodName = sip.INVITE
	defer func() { cseq.MethodName = sip.CANCEL }()
	return sip.ServerTxKeyMake(cancel)
}

// pendingLike finds an INVITE without a final response by Call-ID, CSeq number and From tag, for a CANCEL whose branch or
// sent-by was changed on its way.
func (t *transactions) pendingLike(cancel *sip.Request) *server {
	var found *server
	for _, s := range t.servers {
		r := s.r.Request
		if !r.IsInvite() || s.answered() || callID(r) != callID(cancel) || r.CSeq().SeqNo != cancel.CSeq().SeqNo ||
			r.From().Params.GetOr("tag", "") != cancel.From().Params.GetOr("tag", "") {
			continue
		}
		if found != nil {
			return nil // forked to us twice: the CANCEL does not say which
		}
		found = s
	}
	return found
}

// cancelled answers a CANCEL that matched and tells the handler, once, unless the INVITE has its final response.
func (e *Endpoint) cancelled(cancel *Request, s *server) {
	cancel.server.tag = s.toTag()
	cancel.answer(sip.StatusOK, "OK")
	if s.cancel() {
		e.handler.Cancelled(s.r)
	}
}

// orphan answers a CANCEL whose INVITE did not come.
func (e *Endpoint) orphan(key string, r *Request) {
	e.t.mu.Lock()
	mine := e.t.cancels[key] == r
	if mine {
		delete(e.t.cancels, key)
	}
	e.t.mu.Unlock()
	if mine {
		r.answer(sip.StatusCallTransactionDoesNotExists, "Call/Transaction Does Not Exist")
	}
}

// response matches a response to its client transaction (RFC 3261 section 17.1.3). What matches none is dropped: our
// transactions stay for as long as a user needs repeats (64*T1 for a 2xx to INVITE).
func (e *Endpoint) response(res *sip.Response) {
	if code, _ := faultyResponse(res); code != 0 {
		return
	}
	e.t.mu.Lock()
	t := e.t.clients[clientKey(res.Via(), res.CSeq().MethodName)]
	e.t.mu.Unlock()
	if t != nil && callID(t.req) == callID(res) {
		t.receive(res)
	}
}

func clientKey(via *sip.ViaHeader, method sip.RequestMethod) string {
	return via.Params.GetOr("branch", "") + " " + string(method)
}

// connection returns what a message over transport to or from the address goes through, nil if there is none.
func (e *Endpoint) connection(transport, addr string) sip.Connection {
	if strings.EqualFold(transport, "UDP") {
		if e.packets == nil {
			return nil
		}
		return datagrams{e.packets}
	}
	c, err := e.tp.GetConnection("tcp", addr)
	if err != nil {
		return nil
	}
	return c
}
