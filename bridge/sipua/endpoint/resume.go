package endpoint

import (
	"errors"
	"fmt"
	"net/netip"

	"github.com/emiago/sipgo/sip"
)

// Resume files the transaction of an INVITE that an earlier process received and did not answer finally, so that it can
// be answered and cancelled. The handler does not get the INVITE again. text is the INVITE.
func (e *Endpoint) Resume(text []byte, from netip.AddrPort, transport string) (*Request, error) {
	req, err := e.Parse(text, transport)
	switch {
	case err != nil:
		return nil, err
	case !from.IsValid() || req.Via() == nil:
		return nil, errors.New("no source")
	}
	req.SetSource(from.String())
	if code, reason := requestFault(req); code != 0 {
		return nil, errors.New(reason)
	}
	r := &Request{Request: req, From: from, Endpoint: e}
	if !e.start(incoming{r, serverKey(req), received(req, from)}, e.connection(transport, from.String()),
		reservation{}) {
		return nil, ErrClosed
	}
	return r, nil
}

// Parse parses an INVITE that was saved by an earlier process.
func (e *Endpoint) Parse(text []byte, transport string) (req *sip.Request, err error) {
	defer func() {
		if v := recover(); v != nil {
			err = fmt.Errorf("parse: %v", v)
		}
	}()
	if f, _ := inspect(text); f.code != 0 {
		return nil, errors.New(f.reason)
	}
	m, err := e.parser.ParseSIP(text)
	if err != nil {
		return nil, err
	}
	req, ok := m.(*sip.Request)
	if !ok || !req.IsInvite() {
		return nil, errors.New("not an INVITE")
	}
	req.SetTransport(transport)
	return req, nil
}

// ResumeIn files the transaction of an INVITE that an earlier process sent, so that it can be cancelled and its
// responses are understood. It does not send the INVITE. The rest is as in SendIn.
func (e *Endpoint) ResumeIn(in *Serial, req *sip.Request, elsewhere string, on func(Response)) (*Transaction, error) {
	return e.beginTransaction(&Transaction{e: e, in: in, on: on, fallback: elsewhere, former: true}, req)
}

// withoutInvite drops the INVITE of a transaction that an earlier process began.
type withoutInvite struct{ sip.Connection }

func (c withoutInvite) WriteMsg(m sip.Message) error {
	if r, ok := m.(*sip.Request); ok && r.IsInvite() {
		return nil
	}
	return c.Connection.WriteMsg(m)
}

// NewVia returns a Via with a branch of its own. A request that a later process may have to repeat gets it before it is
// sent.
func (e *Endpoint) NewVia(transport string) *sip.ViaHeader {
	via := &sip.ViaHeader{ProtocolName: "SIP", ProtocolVersion: "2.0", Transport: transport, Host: e.host,
		Port: int(e.addr.Port())}
	via.Params.Add("branch", newBranch())
	via.Params.Add("rport", "")
	return via
}
