package endpoint

import (
	"net/netip"
	"slices"
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
	// sources counts the servers by where they came from, strange those of strangers.
	sources map[netip.Addr]int
	strange int
	// invites are the servers of INVITEs by Call-ID.
	invites map[string][]*server
	// cancels wait for their INVITE, by the key of that INVITE.
	cancels map[string]*Request
	closed  bool
}

func (t *transactions) init() {
	t.servers, t.clients, t.cancels = map[string]*server{}, map[string]*Transaction{}, map[string]*Request{}
	t.sources, t.invites, t.strange = map[netip.Addr]int{}, map[string][]*server{}, 0
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

// survive keeps a fault in one message from ending the process.
func (e *Endpoint) survive() {
	if v := recover(); v != nil {
		e.log.Error("a message could not be taken", zap.String("fault", Printable(v)), zap.Stack("stack"))
	}
}

// message takes each message in the order of the wire, in the goroutine that reads the socket.
func (e *Endpoint) message(m sip.Message, o origin) {
	switch m := m.(type) {
	case *sip.Request:
		e.request(m, o)
	case *sip.Response:
		e.response(m, o)
	}
}

// request matches a request to its server transaction, or makes one (RFC 3261 section 17.2.3).
func (e *Endpoint) request(req *sip.Request, o origin) {
	if req.Via() == nil {
		e.n.malformed.Add(1)
		return // nowhere to answer to
	}
	req.Recipient.Headers = nil // RFC 3261 section 19.1.1: not in a Request-URI. They would be header fields of the request that we send on
	dest := received(req, o.from)
	if code, reason := faulty(req); code != 0 {
		e.n.malformed.Add(1)
		e.refuse(req, dest, code, reason)
		return
	}
	key, err := serverKey(req)
	if err != nil {
		e.n.malformed.Add(1)
		e.refuse(req, dest, sip.StatusBadRequest, "Bad Request")
		return
	}
	e.t.mu.Lock()
	s := e.t.servers[key]
	e.t.mu.Unlock()
	r := &Request{Request: req, From: o.from, Endpoint: e, stranger: o.stranger}
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

// serverKey is the library's key of a server transaction, of one transport: what comes by UDP must not wait for a TCP peer that does not read,
// whatever words it bears.
func serverKey(req *sip.Request) (string, error) {
	key, err := sip.ServerTxKeyMake(req)
	return key + " " + strings.ToUpper(req.Transport()), err
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
	r.urgent = e.o.Urgent != nil && e.o.Urgent(r.Request)
	if !e.t.room(r) {
		e.n.overloaded.Add(1)
		if !r.stranger {
			e.refuse(r.Request, dest, sip.StatusServiceUnavailable, "Service Unavailable")
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
	e.t.addLocked(s)
	cancel := e.t.cancels[key]
	delete(e.t.cancels, key)
	e.t.mu.Unlock()
	s.tx.OnTerminate(func(string, error) { e.t.removeServer(s) })
	if r.IsCancel() {
		e.cancel(r)
		return
	}
	e.pass(r)
	if cancel != nil {
		e.queues.post(callID(r), func() { e.cancelled(cancel, s) })
	}
}

// room tells whether one more server transaction may begin. Who ends something (BYE, CANCEL), or calls for help, needs less than who begins
// something else.
func (t *transactions) room(r *Request) bool {
	t.mu.Lock()
	defer t.mu.Unlock()
	n, own := len(t.servers), t.sources[r.From.Addr()]
	switch {
	case n >= maxServersHard:
		return false
	case r.stranger:
		return n < maxServers && t.strange < maxStrange && own < maxStrangeSource
	case own < maxServersFew, r.Method == sip.BYE, r.IsCancel(), r.urgent:
		return true
	default:
		return n < maxServers && own < maxServersSource
	}
}

// addLocked files a server transaction, once.
func (t *transactions) addLocked(s *server) {
	if t.servers[s.key] == s {
		return
	}
	t.servers[s.key] = s
	t.sources[s.r.From.Addr()]++
	if s.r.stranger {
		t.strange++
	}
	if s.r.IsInvite() {
		t.invites[s.callID] = append(t.invites[s.callID], s)
	}
}

func (t *transactions) removeServer(s *server) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.servers[s.key] != s {
		return
	}
	delete(t.servers, s.key)
	from := s.r.From.Addr()
	if t.sources[from]--; t.sources[from] <= 0 {
		delete(t.sources, from)
	}
	if s.r.stranger {
		t.strange--
	}
	if !s.r.IsInvite() {
		return
	}
	left := slices.DeleteFunc(t.invites[s.callID], func(other *server) bool { return other == s })
	if t.invites[s.callID] = left; len(left) == 0 {
		delete(t.invites, s.callID)
	}
}

func callID(m interface{ CallID() *sip.CallIDHeader }) string {
	if h := m.CallID(); h != nil {
		return h.Value()
	}
	return ""
}

// pass queues a request for the handler. If the handler fails, the peer gets 500; if too much waits already, 503, but nothing that ends
// a call, and no call for help, is lost for that.
func (e *Endpoint) pass(r *Request) {
	run := func() {
		defer func() {
			if v := recover(); v != nil {
				e.log.Error("a request could not be handled", zap.String("method", Printable(r.Method)), zap.String("fault", Printable(v)), zap.Stack("stack"))
				r.answer(sip.StatusInternalServerError, "Server Internal Error")
			}
		}()
		e.handler.Request(r)
	}
	switch {
	case r.Method == sip.BYE, r.urgent:
		e.queues.post(callID(r), run)
	case !e.queues.offer(callID(r), run):
		e.n.overloaded.Add(1)
		if r.server != nil {
			r.answer(sip.StatusServiceUnavailable, "Service Unavailable")
		}
	}
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
	if s == nil && len(e.t.cancels) >= maxCancels {
		e.t.mu.Unlock()
		e.n.cancels.Add(1)
		r.answer(sip.StatusCallTransactionDoesNotExists, "Call/Transaction Does Not Exist")
		return
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
	return serverKey(cancel)
}

// pendingLike finds an INVITE without a final response by Call-ID, CSeq number and From tag, for a CANCEL whose branch or
// sent-by was changed on its way.
func (t *transactions) pendingLike(cancel *sip.Request) *server {
	alike := t.invites[callID(cancel)]
	if len(alike) > maxAlike {
		return nil // nobody has so many calls of one Call-ID
	}
	var found *server
	for _, s := range alike {
		r := s.r.Request
		if s.answered() || r.CSeq().SeqNo != cancel.CSeq().SeqNo ||
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
		s.r.Cancel = cancel.Request
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

// response matches a response to its client transaction (RFC 3261 section 17.1.3): branch of the top Via, method and number of CSeq,
// Call-ID and our tag have to be those of the request. The branch is 130 random bits, so a response is from who saw the request. Besides, by
// TCP it has to come from the host that the request went to, over whichever of its connections; by UDP a server with several addresses may
// answer from any of them, so the source is not looked at. What matches none is dropped: our transactions stay for as long as a user needs
// repeats (64*T1 for a 2xx to INVITE).
func (e *Endpoint) response(res *sip.Response, o origin) {
	if code, _ := faultyResponse(res); code != 0 {
		e.n.malformed.Add(1)
		return
	}
	e.t.mu.Lock()
	t := e.t.clients[clientKey(res.Via(), res.CSeq().MethodName)]
	e.t.mu.Unlock()
	if t == nil || !t.answeredBy(res, o) {
		e.n.unmatched.Add(1)
		return
	}
	if e.guard.on {
		e.guard.know(o.from.Addr(), time.Now())
	}
	t.receive(res)
}

// answeredBy tells whether a response with our branch and method answers this request, and may come this way.
func (t *Transaction) answeredBy(res *sip.Response, o origin) bool {
	if callID(t.req) != callID(res) || t.req.CSeq().SeqNo != res.CSeq().SeqNo ||
		t.req.From().Params.GetOr("tag", "") != res.From().Params.GetOr("tag", "") {
		return false
	}
	return o.transport == t.req.Transport() && (o.transport == "UDP" || o.from.Addr() == t.to.Addr())
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
	at, err := netip.ParseAddrPort(addr)
	if err != nil {
		return nil
	}
	if c := e.streams.to(netip.AddrPortFrom(at.Addr().Unmap(), at.Port())); c != nil {
		return c
	}
	return nil
}
