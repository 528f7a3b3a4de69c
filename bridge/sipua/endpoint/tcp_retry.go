package endpoint

import (
	"fmt"
	"time"

	"github.com/emiago/sipgo/sip"
)

// This file is how a request outlives the TCP connection that it was written to.

// retryConn is a TCP connection that may die in the very moment when the request is written: then it is closed, so that
// nobody finds it any more, and the request counts as lost on the way. revive sends it again.
type retryConn struct {
	sip.Connection
	lost bool // read when Init has returned, which writes once
}

// WriteMsg implements [sip.Connection].
func (s *retryConn) WriteMsg(m sip.Message) error {
	if s.Connection.WriteMsg(m) != nil {
		s.lost = true
		s.Connection.Close() // it is dead already
	}
	return nil
}

// checkConnAfter has revive look after so long, and at twice the time each time after that, as Timer A has it over UDP
// (RFC 3261 section 17.1.1.2).
func (t *Transaction) checkConnAfter(after time.Duration) {
	t.e.after(after, func() { t.e.spawn(func() { t.resend(2 * after) }) })
}

// resend sends the request again if its TCP connection died before anything was heard: a peer that restarted without a
// word answers the first bytes it gets with a reset, and the library's transaction repeats nothing over TCP.
func (t *Transaction) resend(next time.Duration) {
	t.mu.Lock()
	req, lost := t.req.Clone(), t.lost
	over := t.ended || t.final != 0 || t.provisional
	alive := !over && t.e.connected(t.req, t.conn)
	t.mu.Unlock()
	switch {
	case over:
		return
	case alive: // it may die yet
		t.checkConnAfter(next)
		return
	}
	conn, err := t.reach(req)
	if err == nil {
		err = t.rewrite(conn, req)
	}
	if err != nil && lost { // nothing was ever sent; otherwise it times out, the peer may have it
		t.fail(fmt.Errorf("send %s to %s: %w", t.req.Method, t.req.Destination(), err))
	}
}

func (t *Transaction) rewrite(conn sip.Connection, req *sip.Request) error {
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.ended || t.final != 0 || t.provisional {
		return nil
	}
	t.conn = conn
	return conn.WriteMsg(req)
}

// connected reports whether conn is still the connection to where req goes.
func (e *Endpoint) connected(req *sip.Request, conn sip.Connection) bool {
	return e.connection(req.Transport(), req.Destination()) == conn
}

// reach makes the connection for the request, elsewhere if it cannot be made to the destination.
func (t *Transaction) reach(req *sip.Request) (sip.Connection, error) {
	conn, err := t.e.resolve(req)
	if err == nil || t.fallback == "" || t.fallback == req.Destination() || !sip.IsReliable(req.Transport()) {
		return conn, err
	}
	req.SetDestination(t.fallback)
	return t.e.resolve(req)
}
