package endpoint

import (
	"bytes"
	"crypto/hmac"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"strings"

	"github.com/emiago/sipgo/sip"
	"go.uber.org/zap"
)

// single lists the header fields that may occur only once (RFC 3261 section 7.3.1 and the tables of section 20).
var single = [...]string{"from", "to", "call-id", "cseq", "max-forwards", "content-length", "content-type"}

// requestFault checks what every method needs (RFC 3261 sections 8.1.1 and 8.2). It returns the response for a faulty
// request, or code 0 if the request is valid.
func requestFault(r *sip.Request) (code int, reason string) {
	bad := sip.StatusBadRequest
	cseq := r.CSeq()
	switch {
	case !strings.EqualFold(r.SipVersion, "SIP/2.0"):
		return sip.StatusVersionNotSupported, "Version Not Supported"
	case cseq == nil:
		return bad, "Missing CSeq"
	case r.From() == nil:
		return bad, "Missing From"
	case r.To() == nil:
		return bad, "Missing To"
	case r.CallID() == nil || r.CallID().Value() == "":
		return bad, "Missing Call-ID"
	case !strings.EqualFold(strings.TrimSpace(string(cseq.MethodName)), string(r.Method)):
		return bad, "CSeq Method Mismatch"
	case r.From().Params.GetOr("tag", "") == "":
		return bad, "Missing From Tag"
	case repeatedHeader(r):
		return bad, "Repeated Header Field"
	case strings.EqualFold(r.Via().Params.GetOr("branch", ""), sip.RFC3261BranchMagicCookie):
		return bad, "Bad Branch" // the same for all requests of this sender, so it identifies none of them
	case r.Recipient.Port < 0 || r.Recipient.Port > 65535:
		return bad, "Bad Request-URI"
	case r.Method == sip.REGISTER && r.To().Address.Scheme != "sip" && r.To().Address.Scheme != "sips" &&
		r.To().Address.Scheme != "tel":
		return bad, "Bad Address Of Record"
	case (r.IsInvite() || r.Method == sip.SUBSCRIBE) && r.Contact() == nil:
		return bad, "Missing Contact"
	case r.MaxForwards() != nil && r.MaxForwards().Val() == 0 && !r.To().Params.Has("tag") && !r.IsAck() &&
		r.Method != sip.OPTIONS && r.Method != sip.CANCEL:
		return sip.StatusTooManyHops, "Too Many Hops"
	}
	return 0, ""
}

func repeatedHeader(r *sip.Request) bool {
	var seen [len(single)]bool
	for _, h := range r.Headers() {
		name := h.Name()
		for i, s := range single {
			if len(name) == len(s) && strings.EqualFold(name, s) {
				if seen[i] {
					return true
				}
				seen[i] = true
			}
		}
	}
	return false
}

// responseFault returns code 0 if a response can be used.
func responseFault(r *sip.Response) (code int, reason string) {
	switch {
	case r.Via() == nil, r.CSeq() == nil, r.CallID() == nil, r.From() == nil, r.To() == nil,
		r.StatusCode < 100, r.StatusCode > 699:
		return sip.StatusBadRequest, "Bad Response"
	}
	return 0, ""
}

// refuse answers a request for which no transaction is made. A retransmission gets the same answer. ACK is never
// answered.
func (e *Endpoint) refuse(req *sip.Request, dest string, code int, reason string) {
	if req.IsAck() {
		return
	}
	conn := e.connection(req.Transport(), req.Source())
	if conn == nil {
		return
	}
	res := sip.NewResponseFromRequest(req, code, reason, nil)
	res.SipVersion = "SIP/2.0"
	if to := res.To(); to != nil && (req.To() == nil || !req.To().Params.Has("tag")) {
		to.Params.Add("tag", e.derivedTag(req)) // instead of the library's tag, which is different at each call
	}
	res.SetDestination(dest)
	if err := conn.WriteMsg(res); err != nil {
		e.log.Debug("a refusal could not be sent", zap.Int("code", code), zap.Error(err))
	}
}

// derivedTag returns our To tag in a stateless response. A retransmission gets the same tag (RFC 3261 section 8.2.7),
// and nobody can predict it.
func (e *Endpoint) derivedTag(req *sip.Request) string {
	h := hmac.New(sha256.New, e.secret)
	id, from := "", ""
	if c := req.CallID(); c != nil {
		id = c.Value()
	}
	if f := req.From(); f != nil {
		from = f.Params.GetOr("tag", "")
	}
	for _, word := range []string{req.Via().Params.GetOr("branch", ""), id, from} {
		fmt.Fprintf(h, "%d %s", len(word), word)
	}
	return hex.EncodeToString(h.Sum(nil)[:16])
}

// verbatim is a parser that leaves header fields unparsed.
var verbatim = sip.NewParser(sip.WithHeadersParsers(sip.HeadersParser{}))

// refuseUnparsed answers a request that was not parsed, if its header fields say where to (RFC 3261 section 8.2). It
// copies their text unparsed. It does not answer a response, which would only cause another one, nor a request with
// more than maxEcho bytes to repeat.
func (e *Endpoint) refuseUnparsed(b []byte, o origin, f fault) {
	head, _, whole := bytes.Cut(b[:min(len(b), maxHead)], []byte("\r\n\r\n"))
	if !whole && len(b) <= maxHead {
		return
	}
	kept := []byte("X sip:x SIP/2.0\r\n") // not sent; the parser needs a start line
	start := fields(head, func(h field, _ int) bool {
		if isEchoed(string(h.name)) {
			kept = append(append(append(append(kept, h.name...), ':'), h.value...), "\r\n"...)
		}
		return len(kept) <= maxEcho
	})
	method, _, ok := bytes.Cut(start, []byte(" "))
	if !ok || len(kept) > maxEcho || bytes.EqualFold(method, []byte("ACK")) || bytes.HasPrefix(method, []byte("SIP/")) {
		return
	}
	m, err := verbatim.ParseSIP(append(kept, "\r\n"...))
	req, ok := m.(*sip.Request)
	if err != nil || !ok || req.GetHeader("Via") == nil && req.GetHeader("v") == nil {
		return
	}
	req.SetTransport(o.transport)
	dest := o.from.String() // used if the Via cannot be read
	if req.Via() != nil {
		dest = received(req, o.from)
	}
	res := sip.NewResponse(f.code, f.reason)
	for _, h := range req.Headers() {
		res.AppendHeader(h)
	}
	res.SetBody(nil)
	res.SetDestination(dest)
	var conn sip.Connection = o.conn
	if o.conn == nil {
		conn = datagrams{e.packets}
	}
	if err := conn.WriteMsg(res); err != nil {
		e.log.Debug("a refusal could not be sent", zap.Error(err))
	}
}

// isEchoed reports whether a response repeats a header field of its request (RFC 3261 section 8.2.6.2).
func isEchoed(name string) bool {
	switch strings.ToLower(name) {
	case "via", "v", "from", "f", "to", "t", "call-id", "i", "cseq":
		return true
	}
	return false
}
