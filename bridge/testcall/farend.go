package testcall

import (
	"crypto/rand"
	"fmt"
	"net/netip"
	"time"

	"github.com/emiago/sipgo/sip"
	"go.uber.org/zap"

	"clearback/bridge/sipua/endpoint"
	"clearback/supervision"
)

// This file is the far end: a user agent that calls, sends media and hangs up (RFC 3261). Its peer is the line's user
// agent in the same process or on the same machine. Its 200 to a re-INVITE is not retransmitted: over this short path
// no packet is lost.

const (
	// caller is the user part of the far end's address; displayName is the name that the adapter may show.
	caller, displayName = "trial", "clearback trial"
	allow               = "INVITE, ACK, CANCEL, BYE, OPTIONS, INFO, UPDATE"
	maxForwards         = 70 // RFC 3261 section 8.1.1.6
)

// state is the state of a call.
//
//	ringing -> up -> ending -> over
//
// ringing may also change to ending or over.
type state uint8

const (
	ringing state = iota
	up
	ending // our CANCEL or BYE waits for its response
	over
)

// call is one call of the far end. Except for the fields set once, the session's lock guards it.
type call struct {
	// set once
	callID, tag string
	at          netip.AddrPort // where all requests go
	transport   string
	tx          *endpoint.Transaction

	state   state
	failure error // why the call was not answered
	remote  *sip.ToHeader
	target  sip.Uri
	cseq    uint32 // CSeq of our last request
	ack     *sip.Request

	// what the user agent and the line reported (outcome.go)
	id            supervision.CallID
	trialSet      bool
	refused       supervision.Suppression
	farEndCleared bool // the line knows of the far-end clearing
	nearEndError  error
	seq           supervision.Seq
	took          time.Duration
	outcome       *supervision.Effect
}

// place sends the INVITE of a new call.
func (s *Session) place() (*call, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	switch {
	case s.stopped != nil:
		return nil, s.stopped
	case s.call != nil && s.call.state != over && s.call.state != ending:
		return nil, fmt.Errorf("trial on line %s: a call is up; clear it first", s.o.Name)
	}
	contact, at, transport := s.o.Port.Inbound()
	c := &call{callID: rand.Text(), tag: rand.Text(), at: at, transport: transport, cseq: 1}
	own := s.ep.Contact(caller, transport)
	c.remote, c.target = &sip.ToHeader{Address: contact}, contact
	req := c.request(sip.INVITE, 1, own.Address)
	req.AppendHeader(own)
	route := *own.Address.Clone()
	route.UriParams.Add("lr", "")
	// requests from the line come here, not to the service's proxy
	req.AppendHeader(&sip.RecordRouteHeader{Address: route})
	req.AppendHeader(sip.NewHeader("Allow", allow))
	req.AppendHeader(sip.NewHeader("Content-Type", "application/sdp"))
	req.SetBody(s.tone.offer("sendrecv"))
	tx, err := s.ep.Send(req, func(res endpoint.Response) { s.answered(c, res) })
	if err != nil {
		return nil, fmt.Errorf("%w: %w", ErrNotAnswered, err)
	}
	c.tx, s.call = tx, c
	return c, nil
}

// request builds a request of the call.
func (c *call) request(m sip.RequestMethod, seq uint32, own sip.Uri) *sip.Request {
	r := sip.NewRequest(m, *c.target.Clone())
	id, hops := sip.CallIDHeader(c.callID), sip.MaxForwardsHeader(maxForwards)
	r.AppendHeader(&sip.FromHeader{DisplayName: displayName, Address: own,
		Params: sip.HeaderParams{{K: "tag", V: c.tag}}})
	r.AppendHeader(sip.HeaderClone(c.remote))
	r.AppendHeader(&id)
	r.AppendHeader(&sip.CSeqHeader{SeqNo: seq, MethodName: m})
	r.AppendHeader(&hops)
	r.SetTransport(c.transport)
	r.SetDestination(c.at.String())
	r.SetBody(nil)
	return r
}

// answered handles a response to the INVITE.
func (s *Session) answered(c *call, res endpoint.Response) {
	s.change(func() {
		switch {
		case res.Err != nil:
			s.fail(c, fmt.Errorf("%w: %w", ErrNotAnswered, res.Err))
		case res.IsProvisional():
		case !res.IsSuccess():
			s.fail(c, fmt.Errorf("%w: %s", ErrNotAnswered, refusedBecause(res.Response)))
		case c.ack != nil:
			s.write(c.ack) // a retransmission: our ACK was lost
		default:
			s.established(c, res.Response)
		}
	})
}

func (s *Session) fail(c *call, why error) {
	if c.state != over {
		c.state, c.failure = over, why
	}
}

// established takes the dialog from the 200 and acknowledges it. If the 200 crossed our CANCEL, established ends the
// dialog (RFC 3261 section 15).
func (s *Session) established(c *call, res *sip.Response) {
	c.remote = sip.HeaderClone(res.To()).(*sip.ToHeader)
	if contact := res.Contact(); contact != nil {
		c.target = contact.Address
	}
	c.ack = c.request(sip.ACK, 1, s.ep.Contact(caller, c.transport).Address)
	s.write(c.ack)
	if c.state != ringing {
		s.bye(c)
		return
	}
	if err := s.tone.playTo(res.Body()); err != nil {
		c.failure = fmt.Errorf("%w: %w", ErrNotAnswered, err)
		s.bye(c)
		return
	}
	c.state = up
}

func (s *Session) write(ack *sip.Request) {
	if err := s.ep.Write(ack); err != nil {
		s.log.Warn("the ACK of a trial's call could not be sent; the 200 is repeated", zap.Error(err))
	}
}

// hangUp ends the call from the far end: with CANCEL before the answer, with BYE after it.
func (s *Session) hangUp(c *call) {
	s.change(func() {
		switch c.state {
		case ringing:
			c.state = ending
			c.tx.Cancel() // the call ends with the 487, or with a 200 that crossed the CANCEL
		case up:
			s.bye(c)
		}
	})
}

// bye ends an answered call. The caller holds the lock.
func (s *Session) bye(c *call) {
	c.state = ending
	s.tone.stop()
	c.cseq++
	req := c.request(sip.BYE, c.cseq, s.ep.Contact(caller, c.transport).Address)
	ended := func() { c.state = over }
	_, err := s.ep.Send(req, func(res endpoint.Response) {
		if res.Err != nil || !res.IsProvisional() {
			s.change(ended)
		}
	})
	if err != nil {
		s.log.Warn("the far end of a trial could not hang up", zap.Error(err))
		ended()
	}
}

// refusedBecause describes the final response to our INVITE.
func refusedBecause(res *sip.Response) string {
	switch res.StatusCode {
	case sip.StatusBusyHere, sip.StatusGlobalBusyEverywhere:
		return "the line is busy"
	case sip.StatusTemporarilyUnavailable:
		return "the adapter is not registered, or does not answer"
	case sip.StatusServiceUnavailable:
		return "the daemon is shutting down, or has no media ports left"
	case sip.StatusRequestTerminated:
		return "the call was cancelled"
	}
	return fmt.Sprintf("%d %s", res.StatusCode, res.Reason)
}

// Request handles a request from the line's user agent.
func (s *Session) Request(r *endpoint.Request) {
	if r.Method == sip.ACK {
		return // for our 200; an SDP answer in it changes nothing, since our own offer is in use
	}
	code, reason, headers, body := sip.StatusCallTransactionDoesNotExists, "Call/Transaction Does Not Exist",
		[]sip.Header(nil), []byte(nil)
	s.change(func() {
		c := s.call
		if c == nil || !c.inDialog(r.Request) {
			return
		}
		code, reason, headers, body = s.handleInDialog(c, r.Request)
	})
	if code == sip.StatusOK && body != nil {
		headers = append(headers, sip.NewHeader("Content-Type", "application/sdp"))
	}
	res := sip.NewResponseFromRequest(r.Request, code, reason, body)
	for _, h := range headers {
		res.AppendHeader(h)
	}
	if err := r.Respond(res); err != nil {
		s.log.Debug("a response of a trial's far end could not be sent", zap.Error(err))
	}
}

// Cancelled is called for the CANCEL of an unanswered request. It does nothing, since Request answers every request at
// once.
func (s *Session) Cancelled(*endpoint.Request) {}

// inDialog reports whether a request belongs to the dialog.
func (c *call) inDialog(r *sip.Request) bool {
	if r.CallID() == nil || r.From() == nil || r.To() == nil || r.CallID().Value() != c.callID {
		return false
	}
	theirs, _ := c.remote.Params.Get("tag")
	return r.To().Params.GetOr("tag", "") == c.tag && r.From().Params.GetOr("tag", "") == theirs && c.ack != nil
}

// handleInDialog answers a request inside the dialog. The caller holds the lock.
func (s *Session) handleInDialog(c *call, r *sip.Request) (code int, reason string, headers []sip.Header, body []byte) {
	contact := func() []sip.Header {
		return []sip.Header{s.ep.Contact(caller, c.transport), sip.NewHeader("Allow", allow)}
	}
	switch r.Method {
	case sip.BYE:
		if c.state == up {
			s.tone.stop()
			c.nearEndLeft(ErrNearEndHungUp)
		}
		c.state = over
	case sip.INVITE, sip.UPDATE:
		if len(r.Body()) == 0 {
			if r.Method == sip.INVITE {
				body = s.tone.offer("sendrecv")
			}
			return sip.StatusOK, "OK", contact(), body
		}
		answer, err := s.tone.answer(r.Body(), c.state == up)
		if err != nil {
			return sip.StatusNotAcceptableHere, "Not Acceptable Here", nil, nil
		}
		return sip.StatusOK, "OK", contact(), answer
	case sip.INFO:
	case sip.OPTIONS:
		headers = []sip.Header{sip.NewHeader("Allow", allow), sip.NewHeader("Accept", "application/sdp")}
	default:
		return sip.StatusMethodNotAllowed, "Method Not Allowed", []sip.Header{sip.NewHeader("Allow", allow)}, nil
	}
	return sip.StatusOK, "OK", headers, nil
}
