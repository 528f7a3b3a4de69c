package endpoint

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"net"
	"net/netip"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"github.com/emiago/sipgo/sip"
)

// maxForwards is the initial value of RFC 3261 section 8.1.1.6.
const maxForwards = 70

// dialLimit bounds a TCP connection attempt, and a name lookup. Our own number: an adapter tries its second server
// after some seconds.
const dialLimit = 5 * time.Second

// A Response is an outcome of a client transaction. If no final response arrived in time ([ErrTimeout]) or the request
// could not be sent, Err is set, the embedded Response is nil, and no further Response follows.
type Response struct {
	*sip.Response
	Err error
}

// Transaction is a client transaction.
type Transaction struct {
	// set once
	e   *Endpoint
	req *sip.Request // our own copy
	key string
	in  *Serial // runs the callback on; if nil, the queue of the Call-ID runs it
	on  func(Response)
	// fallback is where the request goes if no connection to its destination can be made; "" means nowhere
	fallback string

	mu          sync.Mutex
	to          netip.AddrPort // set before the transaction can be found in the table
	conn        sip.Connection
	tx          *sip.ClientTx // the library's transaction: retransmissions and timeouts until the final response
	provisional bool          // a provisional response arrived
	cancel      bool          // Cancel was called
	sent        bool          // the CANCEL was sent
	why         []sip.Header  // further header fields of the CANCEL
	final       int           // status code of the final response; 0 until it arrives
	ack         *sip.Request  // the ACK of a non-2xx final response
	ended       bool          // it failed; no further Response follows
	lost        bool          // the request could not be written
	former      bool          // an earlier process sent the request
}

// Send starts a client transaction for req. The caller sets From, To, Call-ID, CSeq, Route and body; Send adds Via and
// Max-Forwards if they are missing. Send calls on in the order of arrival within the Call-ID, never concurrently; on
// must not block. For INVITE, on gets every 2xx for 64*T1 after the first, including retransmissions and those of other
// forks. Send itself sends the ACK of a non-2xx final response. The ACK of a 2xx is up to the caller
// ([Endpoint.Write]).
//
// Send sends a copy, so the caller may change req when Send returns. The destination is req.Destination(): what the
// caller set, else the first Route, else the Request-URI. Send does not block: if a name has to be looked up or a TCP
// connection has to be made, an error of that step arrives through on.
func (e *Endpoint) Send(req *sip.Request, on func(Response)) (*Transaction, error) {
	return e.SendIn(nil, req, "", on)
}

// SendIn is like Send, for a request in a dialog. The callback on runs in the Serial in. The request may go over an
// existing TCP connection that can end at any moment, to a peer that may not accept new connections. If the connection
// has ended and cannot be made again, the request goes to elsewhere, "host:port". If elsewhere is "", the request is
// not sent.
func (e *Endpoint) SendIn(in *Serial, req *sip.Request, elsewhere string, on func(Response)) (*Transaction, error) {
	return e.beginTransaction(&Transaction{e: e, in: in, on: on, fallback: elsewhere}, req)
}

// beginTransaction starts t, which lacks only its request.
func (e *Endpoint) beginTransaction(t *Transaction, req *sip.Request) (*Transaction, error) {
	out, err := e.prepare(req)
	if err != nil {
		return nil, fmt.Errorf("send %s: %w", req.Method, err)
	}
	t.req, t.key = out, clientKey(out.Via(), out.Method)
	if conn := e.ready(out); conn != nil {
		if err := t.start(conn); err != nil {
			return nil, fmt.Errorf("send %s to %s: %w", req.Method, out.Destination(), err)
		}
		return t, nil
	}
	if !e.spawn(t.connect) {
		return nil, fmt.Errorf("send %s: %w", req.Method, ErrClosed)
	}
	return t, nil
}

// prepare copies a request, checks its transport and adds Via and Max-Forwards.
func (e *Endpoint) prepare(req *sip.Request) (*sip.Request, error) {
	if req.From() == nil || req.To() == nil || req.CallID() == nil || req.CSeq() == nil {
		return nil, errors.New("the request lacks From, To, Call-ID or CSeq; set them all")
	}
	out := req.Clone()
	transport := strings.ToUpper(req.Transport())
	switch {
	case transport == "TCP":
	case transport != "UDP":
		return nil, fmt.Errorf("transport %q is not supported; use UDP or TCP", transport)
	case e.packets == nil:
		return nil, errors.New("this endpoint has no UDP socket; use TCP or open it with UDP")
	}
	out.SetTransport(transport)
	dest := req.Destination()
	if at, err := netip.ParseAddrPort(dest); err == nil {
		dest = netip.AddrPortFrom(at.Addr().Unmap(), at.Port()).String()
	}
	out.SetDestination(dest)
	if out.Via() == nil {
		out.PrependHeader(e.NewVia(transport))
	}
	if out.MaxForwards() == nil {
		hops := sip.MaxForwardsHeader(maxForwards)
		out.AppendHeader(&hops)
	}
	return out, nil
}

// newBranch returns a branch of 130 random bits: only a peer that saw the request can answer it.
func newBranch() string { return sip.RFC3261BranchMagicCookie + rand.Text() }

// ready returns the connection for a prepared request, or nil if it first has to be made.
func (e *Endpoint) ready(req *sip.Request) sip.Connection {
	if _, err := netip.ParseAddrPort(req.Destination()); err != nil {
		return nil
	}
	return e.connection(req.Transport(), req.Destination())
}

// resolve looks up the host of a prepared request and makes the connection. It looks up addresses only; the service
// records of RFC 3263 are up to the caller.
func (e *Endpoint) resolve(req *sip.Request) (sip.Connection, error) {
	ctx, cancel := context.WithTimeout(e.ctx, dialLimit)
	defer cancel()
	host, port, err := sip.ParseAddr(req.Destination())
	if err != nil {
		return nil, fmt.Errorf("destination %q: give host and port: %w", req.Destination(), err)
	}
	if _, err := netip.ParseAddr(host); err != nil {
		at, err := e.address(ctx, host)
		if err != nil {
			return nil, err
		}
		req.SetDestination(net.JoinHostPort(at.String(), strconv.Itoa(port)))
	}
	if conn := e.ready(req); conn != nil {
		return conn, nil
	}
	to, err := netip.ParseAddrPort(req.Destination())
	if err != nil {
		return nil, fmt.Errorf("destination %q: give host and port: %w", req.Destination(), err)
	}
	c, err := e.streams.dial(ctx, to)
	if err != nil {
		return nil, err
	}
	return c, nil
}

// lookupLimit bounds the lookup of a name that was found before. Our own number: a name server answers within that
// time, and an INVITE must be sent long before the adapter gives up.
const lookupLimit = time.Second

// hostCache holds the addresses that each host name had at its last lookup. Safe for concurrent use.
type hostCache struct {
	mu   sync.Mutex
	last map[string][]netip.Addr
}

// maxHosts bounds how many names the Contacts of peers can add; maxAddresses bounds the addresses of one name.
const maxHosts, maxAddresses = 256, 16

func (n *hostCache) get(host string) []netip.Addr {
	n.mu.Lock()
	defer n.mu.Unlock()
	return n.last[host]
}

// Resolved returns the addresses that a host name had at its last lookup, or none if it was never looked up.
func (e *Endpoint) Resolved(host string) []netip.Addr { return e.hostCache.get(host) }

// address looks up a name. If the lookup fails, it returns an address of the last lookup, so that calls work while the
// name server does not.
func (e *Endpoint) address(ctx context.Context, host string) (netip.Addr, error) {
	n := &e.hostCache
	last := n.get(host)
	if last != nil {
		short, cancel := context.WithTimeout(ctx, lookupLimit)
		defer cancel()
		ctx = short
	}
	addrs, err := e.lookup(ctx, "ip", host)
	if err != nil {
		if last != nil {
			return nearest(last, e.addr.Addr()), nil
		}
		return netip.Addr{}, err
	}
	at := nearest(addrs, e.addr.Addr())
	n.mu.Lock()
	defer n.mu.Unlock()
	if n.last == nil {
		n.last = map[string][]netip.Addr{}
	}
	if last != nil || len(n.last) < maxHosts {
		n.last[host] = slices.Clone(addrs[:min(len(addrs), maxAddresses)])
	}
	return at, nil
}

// nearest returns the first address of the family that we listen on, else the first address.
func nearest(addrs []netip.Addr, own netip.Addr) netip.Addr {
	for _, a := range addrs {
		if a.Unmap().Is4() == own.Unmap().Is4() || own.IsUnspecified() {
			return a.Unmap()
		}
	}
	return addrs[0].Unmap()
}

// Alternative returns an address of host that is not in tried. It considers the addresses of the last lookup that
// belong to the family we listen on. It returns false if there is no such address.
func (e *Endpoint) Alternative(host string, tried []netip.Addr) (netip.Addr, bool) {
	own := e.addr.Addr()
	for _, a := range e.hostCache.get(host) {
		if a = a.Unmap(); (own.IsUnspecified() || a.Is4() == own.Unmap().Is4()) && !slices.Contains(tried, a) {
			return a, true
		}
	}
	return netip.Addr{}, false
}

// To returns the address that the request went to; it is invalid until that is known.
func (t *Transaction) To() netip.AddrPort {
	t.mu.Lock()
	defer t.mu.Unlock()
	return t.to
}

// connect makes the connection, then starts the transaction. It runs in a goroutine of its own.
func (t *Transaction) connect() {
	conn, err := t.reach(t.req)
	t.mu.Lock()
	t.to, _ = netip.ParseAddrPort(t.req.Destination()) // also set if the connection failed
	t.mu.Unlock()
	if err == nil {
		err = t.start(conn)
	}
	if err != nil {
		t.fail(fmt.Errorf("send %s to %s: %w", t.req.Method, t.req.Destination(), err))
	}
}

// start sends the request. It holds the lock, so a response that arrives before the library has set its timers waits.
func (t *Transaction) start(conn sip.Connection) error {
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.ended {
		return nil
	}
	t.conn = conn
	written := &retryConn{Connection: conn}
	if sip.IsReliable(t.req.Transport()) {
		conn = written // only for the library: t.conn stays as it is, because resend compares it
	}
	t.to, _ = netip.ParseAddrPort(t.req.Destination()) // resolved by now
	if t.former {
		conn = withoutInvite{conn}
	}
	tx := sip.NewClientTx(t.key, t.req, conn, sip.DefaultLogger())
	e := t.e
	e.t.mu.Lock()
	switch {
	case e.t.closed:
		e.t.mu.Unlock()
		return ErrClosed
	case e.t.clients.get(t.key) != nil:
		e.t.mu.Unlock()
		return errors.New("its Via branch is already in use; give each request a branch of its own, or none")
	}
	e.t.clients.put(t.key, t)
	e.sourceLimiter.await(t.to.Addr(), 1)
	e.work.Go(func() { t.watch(tx) })
	e.t.mu.Unlock()
	t.tx = tx
	if err := tx.Init(); err != nil {
		t.ended = true
		tx.Terminate()
		t.forget()
		return err
	}
	t.lost = written.lost
	if t.former { // it waits for as long as it takes, and may be cancelled at once
		tx.Receive(sip.NewResponseFromRequest(t.req, sip.StatusTrying, "Trying", nil))
		t.provisional = true
		return nil
	}
	if sip.IsReliable(t.req.Transport()) {
		t.checkConnAfter(sip.T1)
	}
	return nil
}

// forget removes the transaction from the table.
func (t *Transaction) forget() {
	e := t.e
	e.t.mu.Lock()
	defer e.t.mu.Unlock()
	if e.t.clients.get(t.key) == t {
		e.t.clients.remove(t.key)
		e.sourceLimiter.await(t.to.Addr(), -1)
	}
}

// watch empties the library's channel, since we take responses from the wire ourselves. It also learns of the library's
// timeout.
func (t *Transaction) watch(tx *sip.ClientTx) {
	for {
		select {
		case <-tx.Responses():
		case <-tx.Done():
			err := tx.Err()
			if err == nil || errors.Is(err, sip.ErrTransactionTimeout) {
				err = ErrTimeout
			}
			t.fail(err)
			return
		}
	}
}

// receive takes a response, in the order of arrival.
func (t *Transaction) receive(res *sip.Response) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.ended {
		return
	}
	switch invite := t.req.IsInvite(); {
	case res.IsProvisional():
		if t.final != 0 {
			return
		}
		t.tx.Receive(res)
		t.provisional = true
		if t.cancel {
			t.sendCancel()
		}
		t.deliver(res, false)
	case t.final == 0:
		t.final = res.StatusCode
		t.firstFinal(res, invite)
		t.deliver(res, true)
	case invite && success(t.final) && res.IsSuccess():
		t.deliver(res, false)
	case invite && t.final >= 300 && res.StatusCode >= 300:
		t.write(t.ack)
	}
}

// firstFinal ends the library's transaction, and keeps what is needed to answer repeats.
func (t *Transaction) firstFinal(res *sip.Response, invite bool) {
	e, stay := t.e, time.Duration(0)
	switch {
	case invite && res.IsSuccess():
		stay = sip.Timer_M
	case invite:
		t.ack = failureAck(t.req, res)
		t.write(t.ack)
		if !sip.IsReliable(t.req.Transport()) {
			stay = sip.Timer_D
		}
	}
	t.tx.Terminate()
	if stay == 0 {
		t.forget()
	} else {
		e.after(stay, t.forget)
	}
}

// deliver queues a response for the caller of Send. The first final response is never lost. Others are dropped and
// counted if too many wait.
func (t *Transaction) deliver(res *sip.Response, first bool) {
	f := func() { t.on(Response{Response: res}) }
	if first {
		t.e.queues.post(t.in, callID(t.req), f)
	} else if !t.e.queues.offerReserved(t.in, callID(t.req), f) {
		t.e.n.overloaded.Add(1)
	}
}

// fail ends the transaction with an error, unless it has already ended.
func (t *Transaction) fail(err error) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.ended || t.final != 0 {
		return
	}
	t.ended = true
	if t.tx != nil {
		t.tx.Terminate()
	}
	t.forget()
	t.e.queues.post(t.in, callID(t.req), func() { t.on(Response{Err: err}) })
}

// write sends an ACK of this transaction without the library. If it is lost, the peer repeats its response.
func (t *Transaction) write(req *sip.Request) {
	req.SetDestination(t.req.Destination())
	t.conn.WriteMsg(req)
}

// follower returns a request that belongs to the transaction of an INVITE: the same Request-URI, top Via, Route, From,
// Call-ID and CSeq number.
func follower(invite *sip.Request, method sip.RequestMethod) *sip.Request {
	r := sip.NewRequest(method, *invite.Recipient.Clone())
	r.AppendHeader(sip.HeaderClone(invite.Via()))
	for _, h := range invite.GetHeaders("Route") {
		r.AppendHeader(sip.HeaderClone(h))
	}
	hops, id := sip.MaxForwardsHeader(maxForwards), *invite.CallID()
	r.AppendHeader(sip.HeaderClone(invite.From()))
	r.AppendHeader(&id)
	r.AppendHeader(&sip.CSeqHeader{SeqNo: invite.CSeq().SeqNo, MethodName: method})
	r.AppendHeader(&hops)
	r.SetBody(nil)
	return r
}

// failureAck returns the ACK of a non-2xx final response (RFC 3261 section 17.1.1.3).
func failureAck(invite *sip.Request, res *sip.Response) *sip.Request {
	ack := follower(invite, sip.ACK)
	ack.AppendHeader(sip.HeaderClone(res.To()))
	return ack
}

// Do sends a request other than INVITE and waits for the final response.
func (e *Endpoint) Do(ctx context.Context, req *sip.Request) (*sip.Response, error) {
	if req.IsInvite() {
		return nil, errors.New("do INVITE: use Send")
	}
	got := make(chan Response, 1) // one final response or one error; on must not block
	t, err := e.Send(req, func(r Response) {
		if r.Err != nil || !r.IsProvisional() {
			got <- r
		}
	})
	if err != nil {
		return nil, err
	}
	select {
	case r := <-got:
		return r.Response, r.Err
	case <-ctx.Done():
		t.fail(ctx.Err())
		return nil, fmt.Errorf("%s to %s: %w", req.Method, t.req.Destination(), ctx.Err())
	}
}

// Write sends a request outside any transaction: the ACK of a 2xx. Like Send, it sends a copy and does not block. If a
// name has to be looked up or a connection has to be made and that fails, the request is lost, as a datagram may be.
func (e *Endpoint) Write(req *sip.Request) error {
	out, err := e.prepare(req)
	if err != nil {
		return fmt.Errorf("write %s: %w", req.Method, err)
	}
	if conn := e.ready(out); conn != nil {
		if err := conn.WriteMsg(out); err != nil {
			return fmt.Errorf("write %s: %w", req.Method, err)
		}
		return nil
	}
	if !e.spawn(func() {
		if conn, err := e.resolve(out); err == nil {
			conn.WriteMsg(out)
		}
	}) {
		return fmt.Errorf("write %s: %w", req.Method, ErrClosed)
	}
	return nil
}
