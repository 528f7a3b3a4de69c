package endpoint

import (
	"fmt"
	"time"

	"github.com/emiago/sipgo/sip"
)

// This file repeats a request whose TCP connection died after the request was written.

// retryConn is a TCP connection that may die while the request is written. It then closes itself, so that it is not
// used again, and the request counts as lost on the way. resend sends it again.
type retryConn struct {
	sip.Connection
	lost bool // read after Init, which writes once, has returned
}

// WriteMsg implements [sip.Connection].
func (s *retryConn) WriteMsg(m sip.Message) error {
	s.lost = s.Connection.WriteMsg(m) != nil
	return nil
}

// checkConnAfter calls resend after the given time. While the connection lives, resend repeats the check at doubled
// intervals, as Timer A does over UDP (RFC 3261 section 17.1.1.2).
func (t *Transaction) checkConnAfter(after time.Duration) {
	t.e.after(after, func() { t.e.spawn(func() { t.resend(2 * after) }) })
}

// resend sends the request again if its TCP connection died before any response arrived. A peer that restarted without
// closing the connection answers the first bytes with a reset, and the library's transaction repeats nothing over TCP.
func (t *Transaction) resend(next time.Duration) {
	t.mu.Lock()
	req, lost := t.req.Clone(), t.lost
	over := t.ended || t.final != 0 || t.provisional
	alive := t.e.connected(t.req, t.conn)
	t.mu.Unlock()
	switch {
	case over:
		return
	case alive: // it may still die
		t.checkConnAfter(next)
		return
	}
	conn, err := t.reach(req)
	if err == nil {
		err = t.rewrite(conn, req)
	}
	// If nothing was ever sent, fail now. Otherwise the peer may have the request, so wait for the timeout.
	if err != nil && lost {
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

// connected reports whether conn is still the connection to the destination of req.
func (e *Endpoint) connected(req *sip.Request, conn sip.Connection) bool {
	return e.connection(req.Transport(), req.Destination()) == conn
}

// reach makes the connection for the request. If that fails, it tries the fallback destination.
func (t *Transaction) reach(req *sip.Request) (sip.Connection, error) {
	conn, err := t.e.resolve(req)
	if err == nil || t.fallback == "" || t.fallback == req.Destination() || !sip.IsReliable(req.Transport()) {
		return conn, err
	}
	req.SetDestination(t.fallback)
	return t.e.resolve(req)
}
