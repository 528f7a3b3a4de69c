package sipua

import (
	"fmt"
	"net/netip"
	"strings"

	"github.com/emiago/sipgo/sip"
	"go.uber.org/zap"

	"clearback/bridge/media"
	"clearback/bridge/sipua/endpoint"
	"clearback/supervision"
)

// maxForwards is the initial value of RFC 3261 section 8.1.1.6.
const maxForwards = 70

// legState is where a leg stands.
//
//	legNew -> legCalling -> legUp -> legOver      we call
//	          legIncoming -> legUp -> legOver     we were called
//
// Every state may change to legOver at once. legUp begins with the 200 (sent or received).
type legState uint8

const (
	legNew      legState = iota // no INVITE has been sent
	legCalling                  // our INVITE has no final response
	legIncoming                 // the peer's INVITE has no final response
	legUp
	legOver
)

// leg is one side of a call: one dialog, or several early dialogs of which one will be chosen. Owned by the call's
// mailbox.
type leg struct {
	// set once
	c       *call
	side    media.Side
	s       *socket
	account *account // the account at the service; unused on the adapter's side
	callID  string

	state legState
	// dialog is the only dialog, or the chosen one. While there are several early dialogs, it has the values of the
	// INVITE itself
	*dialog
	keys       []dialogKey // keys of its dialogs in the tables
	lastSource netip.Addr  // the address of the adapter's last message
	early      []*dialog   // while the INVITE has no 200: one for each fork
	dest       string      // where requests go unless a route overrides it; "" resolves the target
	transport  string

	// in is the INVITE received and not yet acknowledged; out is the INVITE sent and not yet answered
	in, out *inviteForwarding
	// clearing: we are ending the leg; byeWaits: the BYE waits for the peer's ACK
	clearing, byeWaits bool
	// report: AdapterLegCleared is posted with the outcome
	report, reported bool
	answer           supervision.Answer
	alive            liveness
	// replacedInvite is the INVITE of a leg that was abandoned for another service
	replacedInvite *inviteForwarding
	// forwarding is how many requests of the other side wait for this peer's response
	forwarding int
	// byeSeen: the peer has sent a BYE
	byeSeen bool
	// earlyByes are the peer's tags in BYEs that came before any 200. The 200 of such a fork may be lost or late
	earlyByes map[string]bool
	// clockOffset computes how late a BYE is
	clockOffset clockOffset
	session     session
	// peerReasons are the Reason header fields with which the peer ended the call
	peerReasons []sip.Header
	// referrals are the adapter's transfers in progress at the service
	referrals []*referral
}

// newServerLeg returns the leg of a received INVITE.
func newServerLeg(c *call, side media.Side, s *socket, account *account, r *endpoint.Request) *leg {
	l := &leg{c: c, side: side, s: s, account: account, callID: r.CallID().Value(), state: legIncoming,
		dialog: &dialog{tag: token(), seq: 1}}
	r.To().Params.Add("tag", l.tag) // every response has the tag from now on
	local, remote := r.To().AsFrom(), r.Request.From().AsTo()
	l.local, l.remote = &local, &remote
	l.target, l.routes = r.Contact().Address, routeSet(r.Request)
	l.remoteSeq, l.remoteSeqSet = r.CSeq().SeqNo, true
	l.transport = strings.ToUpper(r.Transport())
	l.learn(r.Request)
	if side == media.AdapterSide {
		// behind an address translator the source address reaches the adapter, its Contact may not
		l.dest = r.From.String()
	} else {
		l.dest = account.Proxy
	}
	return l
}

// newClientLeg returns the leg of an INVITE to be sent.
func newClientLeg(c *call, side media.Side, account *account) *leg {
	s := c.line.adapter
	if side == media.ServiceSide {
		s = c.line.service
	}
	return &leg{c: c, side: side, s: s, account: account, callID: token(), state: legNew, dialog: &dialog{tag: token()}}
}

func (l *leg) key(d *dialog) dialogKey { return dialogKey{ep: l.s.ep, callID: l.callID, tag: d.tag} }

func (l *leg) peer() *leg { return l.c.legs[other(l.side)] }

// contact is our Contact in this dialog.
func (l *leg) contact() *sip.ContactHeader {
	user := l.c.line.o.AdapterUser
	if l.side == media.ServiceSide {
		user = l.account.token
	}
	return l.s.ep.Contact(user, l.transport)
}

// build makes a request inside the dialog with the next CSeq number (RFC 3261 section 12.2.1.1).
func (l *leg) build(m sip.RequestMethod) *sip.Request { return l.buildIn(l.dialog, m) }

// buildIn is build in one of several dialogs.
func (l *leg) buildIn(d *dialog, m sip.RequestMethod) *sip.Request {
	d.seq++
	return l.buildSeq(d, m, d.seq)
}

// buildSeq is buildIn with a given CSeq number, for the ACK.
func (l *leg) buildSeq(d *dialog, m sip.RequestMethod, seq uint32) *sip.Request {
	target, routes := d.target, d.routes
	dest := l.dest
	if l.side == media.AdapterSide {
		dest = l.s.towards(target, l.transport, dest)
	}
	if len(routes) > 0 {
		dest = hostPort(routes[0], l.transport)
		if _, loose := routes[0].UriParams.Get("lr"); !loose { // a strict router takes itself as the Request-URI
			strict := *routes[0].Clone()
			strict.Headers = nil
			routes = append(append([]sip.Uri{}, routes[1:]...), target)
			target = strict
		}
	}
	r := sip.NewRequest(m, target)
	for _, u := range routes {
		r.AppendHeader(&sip.RouteHeader{Address: *u.Clone()})
	}
	id, hops := sip.CallIDHeader(l.callID), sip.MaxForwardsHeader(maxForwards)
	r.AppendHeader(sip.HeaderClone(d.local))
	r.AppendHeader(sip.HeaderClone(d.remote))
	r.AppendHeader(&id)
	r.AppendHeader(&sip.CSeqHeader{SeqNo: seq, MethodName: m})
	r.AppendHeader(&hops)
	switch m {
	case sip.INVITE, sip.UPDATE, sip.OPTIONS:
		r.AppendHeader(l.contact())
		r.AppendHeader(sip.NewHeader("Allow", l.allow()))
		if m == sip.OPTIONS { // RFC 3261 section 11.1
			r.AppendHeader(sip.NewHeader("Accept", sdpType))
		}
	case sip.REFER, sip.NOTIFY: // RFC 3515 section 2.2, RFC 6665 section 8.1.1
		r.AppendHeader(l.contact())
	}
	r.SetTransport(l.transport)
	if dest != "" {
		r.SetDestination(dest)
	}
	return r
}

// fallbackDest is where a request to the adapter goes if its connection has just closed.
func (l *leg) fallbackDest(req *sip.Request) string {
	if l.side != media.AdapterSide || !strings.EqualFold(l.transport, "TCP") {
		return ""
	}
	return hostPort(req.Recipient, l.transport)
}

// send starts a request other than INVITE. on receives the final response or the error. A challenge of the service is
// answered once. If the request is sent again, the error of the last transmission counts.
func (l *leg) send(req *sip.Request, on func(*sip.Response, error)) {
	l.sendAgain(req, 1, on)
}

func (l *leg) sendAgain(req *sip.Request, challenges int, on func(*sip.Response, error)) {
	_, err := l.s.ep.SendIn(l.c.mailbox, req, l.fallbackDest(req), func(res endpoint.Response) {
		if res.Err != nil {
			on(nil, res.Err)
			return
		}
		l.learn(res.Response)
		l.answered(req.Method, res.StatusCode)
		switch {
		case res.IsProvisional():
		case challenges > 0 && l.challenged(req, res.Response):
			l.sendAgain(req, challenges-1, on)
		case l.tooShort(req, res.Response):
			l.sendAgain(req, challenges, on)
		default:
			on(res.Response, nil)
		}
	})
	if err != nil {
		on(nil, err)
	}
}

// forward sends a request of the other side on. The other side waits for the response, which only this process can pass
// back.
func (l *leg) forward(req *sip.Request, on func(*sip.Response, error)) {
	l.forwarding++
	l.send(req, func(res *sip.Response, err error) {
		l.forwarding--
		on(res, err)
	})
}

// clear ends the leg in the way that its state requires.
func (l *leg) clear() {
	if l.state == legOver {
		l.reportCleared()
		return
	}
	if l.clearing {
		return
	}
	l.clearing = true
	l.alive.stop()
	switch l.state {
	case legNew:
		l.finish(supervision.AnswerConfirmed)
	case legIncoming:
		code := l.c.code
		if code == 0 {
			code = sip.StatusTemporarilyUnavailable
		}
		l.in.refuse(code)
		l.finish(supervision.AnswerConfirmed)
	case legCalling:
		l.out.dropOthers()
		l.out.cancel()
	default:
		l.bye()
	}
}

// bye sends BYE, after the peer's ACK if we answered its INVITE (RFC 3261 section 15).
func (l *leg) bye() {
	if l.byeWaits = l.in != nil && l.in.initial; l.byeWaits { // not yet acknowledged
		return
	}
	if l.in != nil {
		l.in.refuse(sip.StatusRequestTerminated) // a re-INVITE in progress
	}
	if l.out != nil {
		l.out.acknowledge(nil, nil) // the 200 to our INVITE still waits for the other side's answer
	}
	bye := l.build(sip.BYE)
	for _, h := range l.peer().peerReasons {
		bye.AppendHeader(h)
	}
	l.send(bye, func(res *sip.Response, err error) {
		switch {
		case err != nil:
			l.c.line.log.Warn("no answer to BYE", zap.Uint64("call", uint64(l.c.id)),
				zap.Stringer("side", sideName(l.side)), zap.Error(err))
			l.finish(supervision.AnswerNone)
		case res.StatusCode == sip.StatusCallTransactionDoesNotExists:
			l.finish(supervision.AnswerUnknown)
		case !res.IsSuccess():
			l.finish(supervision.AnswerOther)
		default:
			l.finish(supervision.AnswerConfirmed)
		}
	})
}

// finish ends the leg. Its dialog stays in the tables for a time, so that a BYE already under way is understood.
func (l *leg) finish(answer supervision.Answer) {
	if l.state == legOver {
		return
	}
	l.state, l.answer = legOver, answer
	l.alive.stop()
	l.session.abandon()
	if l.in != nil {
		l.in.refuse(sip.StatusRequestTerminated)
	}
	if p := l.peer(); p.state == legNew { // a leg without an INVITE needs no clearing
		p.finish(supervision.AnswerConfirmed)
	}
	keep := l.c.a.times.final
	if len(l.referrals) > 0 {
		keep = max(keep, l.c.a.times.ringing) // as long as the call that they make may ring
	}
	l.c.after(keep, func() {
		for _, k := range l.keys {
			l.c.a.removeDialog(k)
		}
	})
	l.c.releaseIfEnded()
	if l.c.onlyCleared && l.side == media.AdapterSide && !l.c.nearCleared {
		l.report = true
		l.c.line.reportedEarly.Store(l.c.id, nil)
		l.c.event(supervision.Event{Kind: supervision.FarEndCleared, Evidence: supervision.EvidenceShutdown})
	}
	l.reportCleared() // last: the opening may begin in this call, and waits for nothing above
}

// reportCleared posts the outcome if it was requested.
func (l *leg) reportCleared() {
	if l.report && !l.reported {
		l.reported = true
		l.c.event(supervision.Event{Kind: supervision.AdapterLegCleared, Answer: l.answer})
	}
}

// sideName is a side that prints its name.
type sideName media.Side

func (s sideName) String() string {
	if media.Side(s) == media.AdapterSide {
		return "adapter"
	}
	return "service"
}

// hostPort is the host and port that a URI leads to, with the transport's default port if the URI has none.
func hostPort(u sip.Uri, transport string) string {
	if t, _ := u.UriParams.Get("transport"); t != "" {
		transport = t
	}
	port := u.Port
	if port <= 0 {
		port = sip.DefaultPort(strings.ToUpper(transport))
	}
	return fmt.Sprintf("%s:%d", u.Host, port)
}
