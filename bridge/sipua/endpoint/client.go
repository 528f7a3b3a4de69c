package endpoint

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"net/netip"
	"slices"
	"strings"
	"sync"
	"time"

	"github.com/emiago/sipgo/sip"
)

// maxForwards is the initial value of RFC 3261 section 8.1.1.6.
const maxForwards = 70

// dialLimit is how long a TCP connection or a name look-up may take. Our own number: an adapter turns to its second
// server after some seconds.
const dialLimit = 5 * time.Second

// A Response is what a client transaction brought. Err is set, and Response nil, when no final response came in
// time (ErrTimeout) or the request could not be sent; after Err nothing more comes.
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
	on  func(Response)
	// fallback is where the request goes if no connection to its destination can be made, "" nowhere
	fallback string

	mu          sync.Mutex
	to          netip.AddrPort // set before anybody can find it
	conn        sip.Connection
	tx          *sip.ClientTx // the library's: repeats and time-outs until the final response
	provisional bool          // a provisional came
	cancel      bool          // Cancel was called
	sent        bool          // the CANCEL was sent
	why         []sip.Header  // what it says besides
	final       int           // status code of the final response, 0: none yet
	ack         *sip.Request  // of a failure
	ended       bool          // nothing more comes
	lost        bool          // the request could not be written
	deadline    *time.Timer   // after CANCEL
}

// Send starts a client transaction for req (From, To, Call-ID, CSeq, Route and body as the caller set them; Via and
// Max-Forwards are added if missing). on is called in the order of arrival within the Call-ID, never concurrently, and
// must not block. For INVITE every 2xx is handed on, also repeats and those of other forks, for 64*T1 after the first;
// the ACK of a failure is sent here, the ACK of a 2xx is the caller's (Write).
//
// It sends a copy: req is the caller's again when Send returns. It goes to req.Destination(): what the caller set, or
// the first Route, or the Request-URI. Send does not block: where a name must be looked up or a TCP connection made, an
// error of that comes through on.
func (e *Endpoint) Send(req *sip.Request, on func(Response)) (*Transaction, error) {
	return e.SendOr(req, "", on)
}

// SendOr is Send for a request over TCP whose destination is the far end of a connection that may end at any moment,
// and where nobody listens: if it has, the request goes elsewhere, "host:port" ("": nowhere).
func (e *Endpoint) SendOr(req *sip.Request, elsewhere string, on func(Response)) (*Transaction, error) {
	out, err := e.prepare(req)
	if err != nil {
		return nil, fmt.Errorf("send %s: %w", req.Method, err)
	}
	t := &Transaction{e: e, req: out, on: on, fallback: elsewhere, key: clientKey(out.Via(), out.Method)}
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

// prepare copies a request and adds what the transport owes.
func (e *Endpoint) prepare(req *sip.Request) (*sip.Request, error) {
	if req.From() == nil || req.To() == nil || req.CallID() == nil || req.CSeq() == nil {
		return nil, errors.New("the request lacks From, To, Call-ID or CSeq; set them all")
	}
	out := req.Clone()
	transport := strings.ToUpper(req.Transport())
	switch {
	case transport == "TCP":
	case transport != "UDP":
		return nil, fmt.Errorf("transport %q is not served; use UDP or TCP", transport)
	case e.packets == nil:
		return nil, errors.New("this endpoint has no UDP socket; use TCP or open it with UDP")
	}
	out.SetTransport(transport)
	dest := req.Destination()
	if host, port, err := sip.ParseAddr(dest); err == nil {
		if at, err := netip.ParseAddr(strings.Trim(host, "[]")); err == nil {
			dest = netip.AddrPortFrom(at.Unmap(), uint16(port)).String()
		}
	}
	out.SetDestination(dest)
	if out.Via() == nil {
		via := &sip.ViaHeader{ProtocolName: "SIP", ProtocolVersion: "2.0", Transport: transport, Host: e.host,
			Port: int(e.addr.Port())}
		via.Params.Add("branch", sip.RFC3261BranchMagicCookie+rand.Text()) // 130 bits: who did not see the request cannot answer it
		via.Params.Add("rport", "")
		out.PrependHeader(via)
	}
	if out.MaxForwards() == nil {
		hops := sip.MaxForwardsHeader(maxForwards)
		out.AppendHeader(&hops)
	}
	return out, nil
}

// ready returns what a prepared request can go through at once, nil if that must be made first.
func (e *Endpoint) ready(req *sip.Request) sip.Connection {
	if _, err := netip.ParseAddrPort(req.Destination()); err != nil {
		return nil
	}
	return e.connection(req.Transport(), req.Destination())
}

// resolve looks up the host of a prepared request (addresses only: RFC 3263's service records are the caller's) and
// makes the connection.
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
		req.SetDestination(netip.AddrPortFrom(at, uint16(port)).String())
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

// lookupLimit is how long a name is looked up that was found before. Our own number: a name server answers within that,
// and an INVITE must be out long before the adapter's patience ends.
const lookupLimit = time.Second

// hostCache are the addresses that host names had last. Safe for concurrent use.
type hostCache struct {
	mu   sync.Mutex
	last map[string][]netip.Addr
}

// maxHosts bounds what peers' Contacts can fill, maxAddresses what one name has.
const maxHosts, maxAddresses = 256, 16

func (n *hostCache) get(host string) []netip.Addr {
	n.mu.Lock()
	defer n.mu.Unlock()
	return n.last[host]
}

// Resolved are the addresses that a host name had when it was last looked up; none: it was not.
func (e *Endpoint) Resolved(host string) []netip.Addr { return e.hostCache.get(host) }

// address looks a name up; while that fails the last address known serves, so that a dead name server stops no call.
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

// nearest is the first address of the family that we listen on.
func nearest(addrs []netip.Addr, own netip.Addr) netip.Addr {
	for _, a := range addrs {
		if a.Unmap().Is4() == own.Unmap().Is4() || own.IsUnspecified() {
			return a.Unmap()
		}
	}
	return addrs[0].Unmap()
}

// Alternative is an address of a host name that was not tried, of those that it had when it was last looked up, and of
// the family that we listen on; false: there is none.
func (e *Endpoint) Alternative(host string, tried []netip.Addr) (netip.Addr, bool) {
	own := e.addr.Addr()
	for _, a := range e.hostCache.get(host) {
		if a = a.Unmap(); (own.IsUnspecified() || a.Is4() == own.Unmap().Is4()) && !slices.Contains(tried, a) {
			return a, true
		}
	}
	return netip.Addr{}, false
}

// To is where the request went; invalid until that is known.
func (t *Transaction) To() netip.AddrPort {
	t.mu.Lock()
	defer t.mu.Unlock()
	return t.to
}

// connect makes the connection beside and starts.
func (t *Transaction) connect() {
	conn, err := t.reach(t.req)
	t.mu.Lock()
	t.to, _ = netip.ParseAddrPort(t.req.Destination()) // also if nobody could be reached there
	t.mu.Unlock()
	if err == nil {
		err = t.start(conn)
	}
	if err != nil {
		t.fail(fmt.Errorf("send %s to %s: %w", t.req.Method, t.req.Destination(), err))
	}
}

// start sends the request. The lock is held so that a response that is back before the library's timers are set waits.
func (t *Transaction) start(conn sip.Connection) error {
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.ended {
		return nil
	}
	t.conn = conn
	written := &retryConn{Connection: conn}
	if sip.IsReliable(t.req.Transport()) {
		conn = written // for the library; t.conn stays what it is, since revive compares it
	}
	t.to, _ = netip.ParseAddrPort(t.req.Destination()) // resolved by now
	tx := sip.NewClientTx(t.key, t.req, conn, sip.DefaultLogger())
	e := t.e
	e.t.mu.Lock()
	switch {
	case e.t.closed:
		e.t.mu.Unlock()
		return ErrClosed
	case e.t.clients.get(t.key) != nil:
		e.t.mu.Unlock()
		return errors.New("its branch is in use; give each request its own Via branch, or none")
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
	if sip.IsReliable(t.req.Transport()) {
		t.checkConnAfter(sip.T1)
	}
	return nil
}

// forget ends the transaction in the table.
func (t *Transaction) forget() {
	e := t.e
	e.t.mu.Lock()
	defer e.t.mu.Unlock()
	if e.t.clients.get(t.key) == t {
		e.t.clients.remove(t.key)
		e.sourceLimiter.await(t.to.Addr(), -1)
	}
}

// watch empties the library's channel (we take responses from the wire ourselves) and learns of its time-out.
func (t *Transaction) watch(tx *sip.ClientTx) {
	for {
		select {
		case <-tx.Responses():
		case <-tx.Done():
			t.mu.Lock()
			over := t.final != 0 || t.ended
			t.mu.Unlock()
			if over {
				return
			}
			err := tx.Err()
			if err == nil || errors.Is(err, sip.ErrTransactionTimeout) {
				err = ErrTimeout
			}
			t.fail(err)
			return
		}
	}
}

// receive takes a response, in the order of the wire.
func (t *Transaction) receive(res *sip.Response) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.ended || t.tx == nil {
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

// firstFinal ends the library's part and keeps what is needed for repeats.
func (t *Transaction) firstFinal(res *sip.Response, invite bool) {
	if t.deadline != nil {
		t.deadline.Stop()
	}
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
		t.ended = true
		t.forget()
		return
	}
	e.after(stay, func() { t.forget() })
}

// deliver queues a response for the user. The first final one is never lost; of others that come faster than the user
// takes them some are.
func (t *Transaction) deliver(res *sip.Response, first bool) {
	f := func() { t.on(Response{Response: res}) }
	if first {
		t.e.queues.post(callID(t.req), f)
	} else if !t.e.queues.offerReserved(callID(t.req), f) {
		t.e.n.overloaded.Add(1)
	}
}

// fail ends the transaction with an error, once.
func (t *Transaction) fail(err error) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.ended || t.final != 0 {
		return
	}
	t.ended = true
	if t.deadline != nil {
		t.deadline.Stop()
	}
	if t.tx != nil {
		t.tx.Terminate()
	}
	t.forget()
	t.e.queues.post(callID(t.req), func() { t.on(Response{Err: err}) })
}

// write sends a message of this transaction beside the library. If it is lost, the peer repeats what it answers.
func (t *Transaction) write(req *sip.Request) {
	req.SetTransport(t.req.Transport())
	req.SetDestination(t.req.Destination())
	t.conn.WriteMsg(req)
}

// follower is a request that belongs to the transaction of an INVITE: same Request-URI, top Via, Route, From, Call-ID
// and CSeq number.
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

// failureAck is the ACK of a failure (RFC 3261 section 17.1.1.3).
func failureAck(invite *sip.Request, res *sip.Response) *sip.Request {
	ack := follower(invite, sip.ACK)
	ack.AppendHeader(sip.HeaderClone(res.To()))
	return ack
}

// Do sends a request that is no INVITE and waits for the final response.
func (e *Endpoint) Do(ctx context.Context, req *sip.Request) (*sip.Response, error) {
	if req.IsInvite() {
		return nil, errors.New("do INVITE: use Send")
	}
	got := make(chan Response, 1) // one final response, or one error: on must not block
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

// Write sends a request outside any transaction: the ACK of a 2xx. Like Send it sends a copy and does not block; where
// a name must be looked up or a connection made, what fails there is lost, as a datagram may be.
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
