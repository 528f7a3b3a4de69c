package sipua

import (
	"cmp"
	"errors"
	"fmt"
	"strings"
	"sync/atomic"
	"time"

	"github.com/emiago/sipgo/sip"
	"go.uber.org/zap"

	"clearback/bridge/media"
	"clearback/bridge/sipua/endpoint"
	"clearback/supervision"
	"clearback/supervision/callrecord"
)

// socket is one listening socket.
type socket struct {
	// set once
	a    *Agent
	at   Socket
	side media.Side // see place

	lines atomic.Pointer[servedLines]
	// unknownReplies limits the replies to strangers on the service's side.
	unknownReplies bucket
	// ep is set before the agent's opened is closed.
	ep *endpoint.Endpoint
}

func (s *socket) endpoint() *endpoint.Endpoint {
	<-s.a.opened
	return s.ep
}

// open opens one socket for each distinct Socket of the lines. Requests that arrive meanwhile wait until start has
// finished: a call that comes on one socket goes out on another.
func (a *Agent) open(lines []*Line) error {
	for _, l := range lines {
		for side, at := range l.o.sockets() {
			if a.socket(at, media.Side(side)) == nil {
				a.sockets = append(a.sockets, &socket{a: a, at: at, side: media.Side(side)})
			}
		}
	}
	served, err := a.serve(lines)
	if err != nil {
		return err
	}
	for _, s := range a.sockets {
		s.lines.Store(served[s])
		eo := endpoint.Options{
			Listen: s.at.Listen, UDP: s.at.UDP, TCP: s.at.TCP, Advertise: s.at.Advertise,
			Sockets: a.kept,
			Accept:  s.accepts, LimitUnknown: true, Known: served[s].sources, Lookup: a.lookup, Logger: a.log,
			InDialog: s.inDialog, Answers: s.answersStray, SameSide: s.sameSide, Bound: s.boundAddresses,
			Suspended: s.suspended, Disconnected: s.disconnected,
			Unmatched: s.unmatchedAnswer,
			Urgent: func(r *sip.Request) bool {
				if !r.IsInvite() {
					return false
				}
				is, _ := a.classify(r.Recipient)
				return is >= emergencyBehindUnlistedPrefix
			},
		}
		if a.packets != nil {
			eo.Packets, eo.Clocks = a.packets(s.at.Listen), a.clocks
		}
		ep, err := endpoint.Open(eo, s)
		if err != nil {
			return fmt.Errorf("listen on %s: %w", s.at.Listen, err)
		}
		s.ep = ep
	}
	return nil
}

// sockets returns the sockets of both sides, by media.Side.
func (o *LineOptions) sockets() [2]Socket {
	return [2]Socket{media.AdapterSide: o.AdapterSocket, media.ServiceSide: o.ServiceSocket}
}

// socket returns the socket for one side of a line, or nil if none is open there. With port 0 the two sides have
// sockets of their own, since any free port serves.
func (a *Agent) socket(at Socket, side media.Side) *socket {
	for _, s := range a.sockets {
		if s.at == at && (at.Listen.Port() != 0 || s.side == side) {
			return s
		}
	}
	return nil
}

func (a *Agent) closeSockets() error {
	var errs []error
	for _, s := range a.sockets {
		if s.ep != nil {
			errs = append(errs, s.ep.Close())
		}
	}
	return errors.Join(errs...)
}

// Request handles a request outside a dialog.
func (s *socket) Request(r *endpoint.Request) {
	defer s.survive("request")
	if <-s.a.opened; s.a.failed {
		return
	}
	if r.Request.From() == nil || r.To() == nil || r.CallID() == nil || r.CSeq() == nil {
		s.reply(r, sip.StatusBadRequest, "Missing Header Field")
		return
	}
	if r.Method == sip.REGISTER && !s.served().adapters {
		s.a.registrar.Misdirected(r)
	}
	if s.fromUnknownSource(r) {
		return
	}
	if s.staysSilent(r) {
		r.Drop()
		return
	}
	switch r.Method {
	case sip.ACK:
	case sip.INVITE:
		s.invite(r)
	case sip.REGISTER:
		if s.served().adapters {
			s.a.registrar.Register(r)
			return
		}
		s.notAllowed(r)
	case sip.OPTIONS:
		s.options(r)
	case sip.BYE, sip.CANCEL, sip.INFO, sip.UPDATE, sip.PRACK:
		s.reply(r, sip.StatusCallTransactionDoesNotExists, "Call/Transaction Does Not Exist")
	case sip.NOTIFY:
		s.handleNotify(r)
	case sip.SUBSCRIBE:
		if s.served().adapters {
			s.subscribe(r)
			return
		}
		s.notAllowed(r)
	default:
		s.notAllowed(r)
	}
}

// Cancelled handles a CANCEL from the endpoint.
func (s *socket) Cancelled(r *endpoint.Request) {
	defer s.survive("cancel")
	said, late := reasons(r.Cancel.Request), age(r.Cancel)
	x := s.a.invite(r.Request)
	if x == nil {
		return
	}
	cancel := func() {
		if x := s.a.invite(r.Request); x != nil { // it has no final response yet
			x.cancelReasons = said
			x.handleCancel(late)
		}
	}
	if x.initial {
		x.from.c.post(cancel)
	} else {
		cancel() // this is the call's mailbox, and messages that came later have to follow
	}
}

// survive recovers from a panic in the handling of one message, so that it does not end the process.
func (s *socket) survive(what string) {
	if v := recover(); v != nil {
		s.a.log.Error("a message could not be handled", zap.String("message", what), zap.Any("fault", v),
			zap.Stack("stack"))
	}
}

// invite passes an INVITE on by its side: a call from the service names a line in its Request-URI.
func (s *socket) invite(r *endpoint.Request) {
	if at := s.accountFor(r); at != nil {
		s.a.callArrived(at, r)
		return
	}
	if s.served().adapters {
		s.a.callRequested(r)
		return
	}
	s.reply(r, sip.StatusNotFound, "Not Found")
}

func (s *socket) options(r *endpoint.Request) {
	if unsupported := required(r.Request); unsupported != nil {
		s.reply(r, sip.StatusBadExtension, "Bad Extension", unsupported)
		return
	}
	if user := r.Recipient.User; user != "" && !s.served().adapters && s.served().tokens[user] == nil {
		s.reply(r, sip.StatusNotFound, "Not Found") // the answer that an INVITE would get (RFC 3261 section 11.2)
		return
	}
	able := abilities(s.allow(r))
	if s.serves(servesMessages) {
		able = append(able, sip.NewHeader("Allow-Events", messagePackage)) // RFC 6665 section 8.2.2
	}
	s.reply(r, sip.StatusOK, "OK", able...)
}

func (s *socket) notAllowed(r *endpoint.Request) {
	s.reply(r, sip.StatusMethodNotAllowed, "Method Not Allowed", sip.NewHeader("Allow", allow))
}

// towards is dest, unless dest is the far end of a TCP connection that has closed. Nobody listens there, so towards is
// then where target leads (RFC 3261 section 18.1.1: a new connection goes to the URI's own port).
func (s *socket) towards(target sip.Uri, transport, dest string) string {
	if dest == "" || !strings.EqualFold(transport, "TCP") || s.ep.Connected(dest) {
		return dest
	}
	return hostPort(target, transport)
}

// reply answers outside a call. If the reply cannot be sent, the other side retransmits its request, so nothing is
// lost.
func (s *socket) reply(r *endpoint.Request, code int, reason string, headers ...sip.Header) {
	if err := r.Reply(code, reason, headers...); err != nil {
		s.a.log.Debug("a reply could not be sent", zap.Int("code", code), zap.Stringer("to", r.Endpoint.Addr()),
			zap.Error(err))
	}
}

// callArrived handles a call from the service.
func (a *Agent) callArrived(at *account, r *endpoint.Request) {
	l := at.line
	s := l.service
	emergency := l.isCallback(r)
	if !a.checkInvite(s, r, emergency) {
		return
	}
	open := a.admission.enter()
	if open {
		defer a.admission.leave()
	}
	if at = at.current(emergency); at == nil { // a reload has just removed the line
		s.reply(r, sip.StatusNotFound, "Not Found")
		return
	}
	l = at.line
	if !open || a.draining.Load() && !emergency {
		l.refuseArrived(r, emergency, sip.StatusServiceUnavailable, supervision.EvidenceShutdown)
		return
	}
	if _, bound := a.registrar.Binding(l.o.Name); !bound {
		if q := l.silence(); q != nil {
			q.end(SilenceCallArrived) // so that the adapter can register for the next call
		}
		l.refuseArrived(r, emergency, sip.StatusTemporarilyUnavailable, supervision.EvidenceNotHere)
		return
	}
	if !emergency && !l.admit() {
		l.refuseArrived(r, emergency, sip.StatusBusyHere, supervision.EvidenceNoRoom)
		return
	}
	s.reply(r, sip.StatusTrying, "Trying")
	if emergency {
		l.callbacks.Add(1)
	}
	c := a.newCall(l, emergency, true)
	c.trial = r.Recipient.User == l.testToken
	if hasCallbackMark(r.Request) && !emergency {
		l.log.Warn("a call marked as a call-back from the emergency centre is treated as an ordinary call, since no call-back is expected or too many are up; "+
			"if it is the centre's, add its address to emergency.callback_from", zap.Uint64("call", uint64(c.id)),
			zap.Stringer("from", r.From.Addr()))
	}
	if x := c.accept(media.ServiceSide, s, at, r); x != nil {
		c.begin(x, func() {
			c.event(supervision.Event{Kind: supervision.CallArrived, Emergency: emergency})
			c.party = caller(r)
			a.reportCallInfo(l, c.id, callrecord.Incoming, emergency, c.party)
		})
	}
}

// adapterRequest is a new call of an adapter whose line is known.
type adapterRequest struct {
	line      *Line
	emergency bool
	number    supervision.NumberClass
	// trusted: the call has credentials, or came from the address and port of the binding.
	trusted bool
}

// identifyAdapterCall finds the line of an adapter's new call and decides whether it is an emergency call. An emergency
// call from an adapter's binding needs no challenge, and only the digits of its Request-URI pass. ok is false if the
// request has been answered or dropped.
func (a *Agent) identifyAdapterCall(r *endpoint.Request) (q adapterRequest, ok bool) {
	is, dial := a.classify(r.Recipient)
	mayPass := func(line string) bool { // as an emergency call
		q.line = a.Line(line)
		return is == emergencyNumber || is == emergencyBehindUnlistedPrefix && q.line != nil &&
			q.line.mayDial(r.Recipient) != ""
	}
	line, known := "", false
	if is >= emergencyBehindUnlistedPrefix {
		if line, q.trusted, known = a.registrar.ByAddress(r); known {
			q.emergency = mayPass(line)
		}
	}
	if !q.emergency {
		if line, q.trusted, known = a.registrar.AuthenticateCall(r, mayPass); !known {
			return q, false
		}
		q.emergency = mayPass(line)
	}
	switch {
	case q.line == nil: // a reload has just removed the line: the adapter's second server may put the call through
		if err := r.Reply(sip.StatusServiceUnavailable, "Service Unavailable", a.retryAfter()); err != nil {
			a.log.Debug("a refusal could not be sent", zap.Error(err))
		}
		return q, false
	case q.emergency:
		r.Recipient = dial // and nothing else of the original Request-URI
		if is == emergencyBehindUnlistedPrefix {
			q.number = supervision.NumberUnlistedPrefix
			q.line.log.Warn("an emergency number was dialled behind a digit that emergency.outside_prefixes does not list; the call is put through")
		}
	case is != ordinaryNumber:
		q.number = supervision.NumberResembles
	}
	return q, true
}

// callRequested handles a call from an adapter and passes it on at once.
func (a *Agent) callRequested(r *endpoint.Request) {
	began := time.Now()
	q, ok := a.identifyAdapterCall(r)
	if !ok {
		return
	}
	l, emergency := q.line, q.emergency
	if !a.checkInvite(l.adapter, r, emergency) {
		return
	}
	if !emergency && (l.refuseBlocked(r) || l.refuseForbidden(r)) {
		return
	}
	open := a.admission.enter()
	if open {
		defer a.admission.leave()
	}
	was := l
	if l = was.current(emergency); l == nil { // a reload has just removed the line
		was.adapter.reply(r, sip.StatusServiceUnavailable, "Service Unavailable", a.retryAfter())
		return
	}
	c, accounts := a.newCall(l, emergency, false), l.choose(emergency)
	c.number = q.number
	event := supervision.Event{Kind: supervision.CallRequested, Call: c.id, Emergency: emergency, Number: q.number}
	// post tells the machine first, and then the trials. Otherwise the end of a trial's call could still open the loop.
	post := func() {
		l.o.Events.Post(event)
		if emergency {
			l.outboundBlock.notify(numberOf(r.Recipient), true)
		}
	}
	note := func(callID string) {
		c.party = callrecord.Party{Number: numberOf(r.Recipient), CallID: callID}
		a.reportCallInfo(l, c.id, callrecord.Outgoing, emergency, c.party)
	}
	refuse := func(evidence supervision.Evidence) {
		// the near end is off hook even if its call is refused
		l.adapter.reply(r, sip.StatusServiceUnavailable, "Service Unavailable", a.retryAfter())
		post()
		l.o.Events.Post(supervision.Event{Kind: supervision.FarEndCleared, Call: c.id, Evidence: evidence})
		note("")
	}
	switch {
	case !open:
		refuse(supervision.EvidenceShutdown)
		return
	case emergency:
		l.emergencyCalls.checkEnds()
		if c.trusted = q.trusted; !l.emergencyCalls.admit(c) {
			a.counts.tooManyCalls.Add(1)
			// a flood that the machine and the record already know of
			if !l.emergencyCalls.reports.take(time.Now()) {
				l.adapter.reply(r, sip.StatusServiceUnavailable, "Service Unavailable", a.retryAfter())
				return
			}
			l.log.Warn("an emergency call from an unverified address was refused: the line makes too many at once",
				zap.Uint64("call", uint64(c.id)))
			refuse(supervision.EvidenceNoRoom)
			return
		}
	case a.draining.Load():
		refuse(supervision.EvidenceShutdown)
		return
	case len(accounts) == 0:
		l.retry() // the next call may find a service again
		refuse(supervision.EvidenceServiceLost)
		return
	case !l.admit():
		l.refuseTooMany(r, c.id)
		return
	}
	l.adapter.reply(r, sip.StatusTrying, "Trying")
	x := c.accept(media.AdapterSide, l.adapter, accounts[0], r)
	switch {
	case c.copied: // the call that it copies has been reported already
		return
	case x == nil:
		post()
		l.o.Events.Post(supervision.Event{Kind: supervision.FarEndCleared, Call: c.id,
			Evidence: supervision.EvidenceBye})
		note("")
		return
	}
	c.begin(x, func() {
		post()
		x.untried = accounts[1:]
		x.passToService()
		if emergency && x.tx != nil && a.emergencyPassed != nil {
			// the arrival is not always known
			a.emergencyPassed(cmp.Or(l.adapter.ep.Age(r.Arrival), time.Since(began)))
		}
		note(x.to.callID)
	})
}

// checkInvite checks what every call needs. If something is missing, it answers and reports false.
func (a *Agent) checkInvite(s *socket, r *endpoint.Request, emergency bool) bool {
	unsupported := required(r.Request)
	switch {
	case unsupported != nil && !emergency: // an emergency call passes without the extension
		s.reply(r, sip.StatusBadExtension, "Bad Extension", unsupported)
	case r.Contact() == nil || r.Contact().Address.Wildcard:
		s.reply(r, sip.StatusBadRequest, "Missing Contact")
	case r.MaxForwards() != nil && r.MaxForwards().Val() == 0:
		s.reply(r, sip.StatusTooManyHops, "Too Many Hops")
	case !emergency && s.shortInterval(r):
	case !emergency && r.IsInvite() && unacceptable(r.Request) != nil:
		s.reply(r, sip.StatusNotAcceptable, "Not Acceptable", unacceptable(r.Request))
	default:
		return true
	}
	return false
}

func (a *Agent) retryAfter() sip.Header {
	return sip.NewHeader("Retry-After", fmt.Sprint(int(a.times.retryAfter.Seconds())))
}
