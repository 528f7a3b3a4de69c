package endpoint

import (
	"net/netip"
	"strings"
	"time"

	"github.com/emiago/sipgo/sip"
	"go.uber.org/zap"
)

// recoverPanic keeps a fault in one message from ending the process.
func (e *Endpoint) recoverPanic() {
	if v := recover(); v != nil {
		e.log.Error("a message could not be processed", zap.String("fault", Printable(v)), zap.Stack("stack"))
	}
}

// message takes each message in the order of arrival, in the goroutine that reads the socket.
func (e *Endpoint) message(m sip.Message, o origin) {
	switch m := m.(type) {
	case *sip.Request:
		e.request(m, o)
	case *sip.Response:
		e.response(m, o)
	}
}

// request finds the server transaction of a request, or makes one (RFC 3261 section 17.2.3).
func (e *Endpoint) request(req *sip.Request, o origin) {
	if req.Via() == nil {
		e.n.malformed.Add(1)
		return // there is no address to answer to
	}
	// RFC 3261 section 19.1.1 forbids header fields in a Request-URI. They would become header fields of the request
	// that we send on.
	req.Recipient.Headers = nil
	dest := received(req, o.from)
	if code, reason := requestFault(req); code != 0 {
		e.n.malformed.Add(1)
		e.refuse(req, dest, code, reason)
		return
	}
	key := serverKey(req)
	e.t.mu.Lock()
	s := e.t.servers.get(key)
	e.t.mu.Unlock()
	r := &Request{Request: req, From: o.from, Endpoint: e, Arrival: o.arrival, unknown: o.unknown}
	switch {
	case s != nil && req.IsAck():
		s.acked(r)
	case s != nil:
		s.repeated(req)
	case req.IsAck():
		if e.findDialog(r) {
			e.pass(r)
		}
	default:
		e.begin(incoming{r, key, dest})
	}
}

// serverKey returns the library's key of a server transaction, extended by the transport: a request over UDP must not
// wait for a TCP peer that does not read, whatever the request contains. A request that passed requestFault has all
// that the key is made of.
func serverKey(req *sip.Request) string {
	key, _ := sip.ServerTxKeyMake(req)
	return key + " " + strings.ToUpper(req.Transport())
}

// begin makes the server transaction of a new request and queues the request for the handler.
func (e *Endpoint) begin(a incoming) {
	r := a.Request
	if r.IsCancel() {
		e.cancel(a)
		return
	}
	if !e.mayKeepState(r) {
		e.stray(a)
		return
	}
	if r.IsInvite() && !r.inDialog && e.arrivals.isForEarlier(r.Arrival) && e.Age(r.Arrival) > sip.Timer_B {
		e.n.strays.Add(1) // its sender has given up (RFC 3261 section 17.1.1.2), so nobody would be on the line
		return
	}
	conn := e.connection(r.Transport(), r.Source())
	if conn == nil { // no response can be sent: the TCP connection has gone. A BYE still counts.
		if r.Method == sip.BYE {
			e.pass(r)
		}
		return
	}
	r.urgent = e.o.Urgent != nil && e.o.Urgent(r.Request)
	p, gives, ok := e.roomFor(r)
	if !ok {
		e.full(a)
		return
	}
	if gives != nil {
		e.t.removeServer(gives)
		e.spawn(gives.tx.Terminate) // Terminate waits for a write that is under way
	}
	if !e.start(a, conn, p) {
		return
	}
	e.t.mu.Lock()
	waiting := e.t.waitingCancels.take(a.key)
	e.t.mu.Unlock()
	e.pass(r)
	e.endCancelled(r.server, waiting)
}

// mayKeepState reports whether a request belongs to a dialog or needs none.
func (e *Endpoint) mayKeepState(r *Request) bool {
	if !e.findDialog(r) {
		return false
	}
	switch r.Method {
	case sip.BYE, sip.INFO, sip.UPDATE, sip.PRACK: // these methods have no meaning outside a dialog
		return r.inDialog || e.o.InDialog == nil
	}
	return true
}

// findDialog finds the dialog of a request. It returns false if the request has a To tag but its dialog does not exist.
func (e *Endpoint) findDialog(r *Request) bool {
	if r.To().Params.GetOr("tag", "") == "" {
		return true
	}
	if e.o.InDialog == nil {
		r.inDialog = true
		return true
	}
	d := e.o.InDialog(r)
	if d == nil {
		return false
	}
	r.inDialog, r.dialog = true, *d
	return true
}

// stray answers a request that belongs to no dialog, without keeping state.
func (e *Endpoint) stray(a incoming) {
	e.n.strays.Add(1)
	if e.o.Answers == nil || e.o.Answers(a.Request) {
		e.refuse(a.Request.Request, a.dest, sip.StatusCallTransactionDoesNotExists, "Call/Transaction Does Not Exist")
	}
}

// fullEvery is the shortest time between two log entries about requests for which there is no room. Our own number.
const fullEvery = time.Minute

// full refuses a request for which there is no room. A BYE gets no answer: a 503 would end its transaction, while a BYE
// without an answer is retransmitted.
func (e *Endpoint) full(a incoming) {
	e.n.overloaded.Add(1)
	if a.unknown {
		return
	}
	now := time.Now()
	if next := e.fullTold.Load(); now.UnixNano() >= next && e.fullTold.CompareAndSwap(next,
		now.Add(fullEvery).UnixNano()) {
		e.log.Warn("a request was refused for lack of room; somebody sends too many", zap.Stringer("from", a.From),
			zap.Uint64("refused_since_the_start", e.n.overloaded.Load()))
	}
	if !a.inDialog || a.Method != sip.BYE {
		e.refuse(a.Request.Request, a.dest, sip.StatusServiceUnavailable, "Service Unavailable")
	}
}

// start makes and files a server transaction. It returns false if the endpoint is closed.
func (e *Endpoint) start(a incoming, conn sip.Connection, p reservation) bool {
	s := newServer(a.Request, a.key, a.dest, conn)
	s.reservation, a.server = p, s
	e.t.mu.Lock()
	if e.t.closed {
		e.t.mu.Unlock()
		return false
	}
	e.t.addLocked(s)
	e.t.mu.Unlock()
	s.tx.OnTerminate(func(string, error) { e.t.removeServer(s) })
	return true
}

func callID(m interface{ CallID() *sip.CallIDHeader }) string {
	if h := m.CallID(); h != nil {
		return h.Value()
	}
	return ""
}

// pass queues a request for its dialog, or for the handler. If the handling panics, the peer gets 500. A BYE in a
// dialog and an emergency call have reserved places in the queue. If the queue is full, the peer gets 503; but a BYE in
// a dialog gets no answer, so that it is retransmitted.
func (e *Endpoint) pass(r *Request) {
	run := func() {
		defer func() {
			if v := recover(); v != nil {
				e.log.Error("a request could not be handled", zap.String("method", Printable(r.Method)),
					zap.String("fault", Printable(v)), zap.Stack("stack"))
				r.answer(sip.StatusInternalServerError, "Server Internal Error")
			}
		}()
		handle := r.dialog.Handle
		if handle == nil {
			handle = e.handler.Request
		}
		handle(r)
	}
	in, id := r.dialog.Serial, callID(r)
	if r.inDialog && r.Method == sip.BYE || r.urgent {
		if e.queues.offerReserved(in, id, run) {
			return
		}
	} else if e.queues.offer(in, id, r.From.Addr(), run) {
		return
	}
	e.n.overloaded.Add(1)
	if r.inDialog && r.Method == sip.BYE {
		r.Drop() // the BYE is retransmitted
	} else {
		r.answer(sip.StatusServiceUnavailable, "Service Unavailable")
	}
}

// answer replies where an error could not be passed on. If the reply is lost, the peer repeats its request.
func (r *Request) answer(code int, reason string) {
	if err := r.Reply(code, reason); err != nil {
		r.Endpoint.log.Debug("a reply could not be sent", zap.Int("code", code), zap.Error(err))
	}
}

// response finds the client transaction of a response (RFC 3261 section 17.1.3). The branch of the top Via, the method
// and number of CSeq, the Call-ID and our tag have to be those of the request. The branch has 130 random bits, so only
// a peer that saw the request can send the response. A response over TCP must also come from the host that the request
// went to, over any connection from that host. Over UDP the source is not checked, because a server with several
// addresses may answer from any of them. A response that matches no transaction is dropped, except for
// Options.Unmatched. Our transactions live for as long as retransmissions may arrive (64*T1 for a 2xx to INVITE).
func (e *Endpoint) response(res *sip.Response, o origin) {
	if code, _ := responseFault(res); code != 0 {
		e.n.malformed.Add(1)
		return
	}
	e.t.mu.Lock()
	t := e.t.clients.get(clientKey(res.Via(), res.CSeq().MethodName))
	e.t.mu.Unlock()
	if t == nil || !t.answeredBy(res, o) {
		e.n.unmatched.Add(1)
		if t == nil && res.IsSuccess() && res.CSeq().MethodName == sip.INVITE && e.o.Unmatched != nil {
			e.o.Unmatched(res)
		}
		return
	}
	if e.sourceLimiter.on {
		e.sourceLimiter.know(o.from.Addr(), time.Now())
	}
	t.receive(res)
}

// answeredBy reports whether a response answers this request, and whether its transport and source are valid. Branch
// and method are already known to match.
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

// connection returns the connection for messages to or from addr, or nil if there is none.
func (e *Endpoint) connection(transport, addr string) sip.Connection {
	if strings.EqualFold(transport, "UDP") {
		if e.packets == nil {
			return nil
		}
		return datagrams{e.packets}
	}
	at, _ := netip.ParseAddrPort(addr) // there is no connection to the zero address
	if c := e.streams.connTo(netip.AddrPortFrom(at.Addr().Unmap(), at.Port())); c != nil {
		return c
	}
	return nil
}
