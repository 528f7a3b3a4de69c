package sipua

import (
	"context"
	"errors"
	"strconv"
	"strings"
	"sync"
	"time"

	"github.com/emiago/sipgo/sip"
	"go.uber.org/zap"

	"clearback/bridge/sipua/endpoint"
)

// This file passes message waiting (RFC 3842) from the service to the adapter. Some adapters ring when they get a
// NOTIFY. So none is sent while a call is on the line, or while an opening of the loop is wanted, under way or being
// checked.

// statusBadEvent refuses an event package (RFC 6665 section 8.3.2).
const statusBadEvent = 489

// messageState is what a line knows about waiting messages, and what its adapter was notified of. Safe for concurrent
// use.
type messageState struct {
	l *Line // set once

	mu      sync.Mutex
	known   bool // last is set
	last    summary
	pending bool // the adapter must be notified
	sub     *adapterSubscription
	// stop, if not nil, aborts the NOTIFY in progress
	stop   context.CancelFunc
	failed int // NOTIFYs in a row without an answer
	look   *time.Timer
}

// adapterSubscription is a subscription of the adapter.
type adapterSubscription struct {
	dialog
	callID, event   string
	transport, dest string
	until           time.Time
	last            bool // the next NOTIFY ends it
}

// handleNotify handles a NOTIFY of the service that belongs to no subscription of ours.
func (s *socket) handleNotify(r *endpoint.Request) {
	at := s.accountFor(r)
	switch {
	case at == nil:
		s.notAllowed(r)
	case at.line.o.MessageWaiting == MessagesOff:
		s.badEvent(r)
	default:
		at.line.messageState.handleNotify(s, r)
	}
}

// servesMessages reports whether the adapter of a line may subscribe.
func servesMessages(o *LineOptions) bool { return o.MessageWaiting != MessagesOff }

func (s *socket) badEvent(r *endpoint.Request) {
	s.reply(r, statusBadEvent, "Bad Event", sip.NewHeader("Allow-Events", messagePackage))
}

// handleNotify answers a NOTIFY and stores its summary. RFC 6665 section 8.2.3 requires a Subscription-State, but an
// unsolicited NOTIFY often has none and needs none.
func (m *messageState) handleNotify(s *socket, r *endpoint.Request) {
	refuse := func(code int, reason string, headers ...sip.Header) {
		m.l.a.counts.messagesRefused.Add(1)
		s.reply(r, code, reason, headers...)
	}
	body := r.Body()
	kind, _, _ := strings.Cut(first(r.Request, "Content-Type"), ";")
	switch {
	case packageOf(r.Request) != messagePackage:
		m.l.a.counts.messagesRefused.Add(1)
		s.badEvent(r)
		return
	case len(body) == 0:
		s.reply(r, sip.StatusOK, "OK")
		return
	case !strings.EqualFold(strings.TrimSpace(kind), summaryType):
		refuse(sip.StatusUnsupportedMediaType, "Unsupported Media Type", sip.NewHeader("Accept", summaryType))
		return
	case len(body) > maxSummary:
		refuse(sip.StatusRequestEntityTooLarge, "Request Entity Too Large")
		return
	}
	got, err := parseSummary(body)
	if err != nil {
		refuse(sip.StatusBadRequest, "Bad Message Summary")
		return
	}
	s.reply(r, sip.StatusOK, "OK")
	m.l.a.counts.messagesTaken.Add(1)
	m.mu.Lock()
	if !m.known || !got.same(m.last) {
		m.known, m.last, m.pending, m.failed = true, got, true, 0
	}
	m.mu.Unlock()
	m.notifySoon()
}

// packageOf is the event package of a request, without parameters.
func packageOf(r *sip.Request) string {
	v, _, _ := strings.Cut(first(r, "Event"), ";")
	return strings.ToLower(strings.TrimSpace(v))
}

// adapterRegistered notes that the adapter has registered again and may have lost the earlier summary.
func (m *messageState) adapterRegistered() {
	m.mu.Lock()
	m.pending, m.failed = m.pending || m.known, 0
	m.mu.Unlock()
	m.notifySoon()
}

// abortNotify aborts the NOTIFY in progress because a call has begun: its retransmissions could make the adapter ring
// during the call. It is sent again later.
func (m *messageState) abortNotify() {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.stop != nil {
		m.stop()
	}
}

// notifySoon notifies the adapter in another goroutine, if a notification is pending and the line is at rest.
func (m *messageState) notifySoon() {
	m.mu.Lock()
	due := m.pending && m.stop == nil
	m.mu.Unlock()
	if due {
		m.l.a.work.start(m.notifyIfIdle)
	}
}

// atRest reports whether the line has no call and its loop is at rest. See LineOptions.AtRest.
func (l *Line) atRest() bool {
	for _, c := range l.a.up() {
		if c.line == l {
			return false
		}
	}
	return l.o.AtRest == nil || l.o.AtRest()
}

// notifyIfIdle sends one NOTIFY if the line is at rest. A call that begins after this check calls abortNotify.
func (m *messageState) notifyIfIdle() {
	a := m.l.a
	m.mu.Lock()
	if !m.pending || m.stop != nil || a.admission.isShut() {
		m.mu.Unlock()
		return
	}
	ctx, stop := context.WithTimeout(a.ctx, a.times.probe)
	defer stop()
	m.pending, m.stop = false, stop
	if m.sub != nil && !m.sub.last && !time.Now().Before(m.sub.until) {
		m.drop()
	}
	sub, said, pointless := m.sub, m.last, !m.known && m.sub == nil
	final := sub != nil && sub.last // read now: a SUBSCRIBE may come meanwhile
	m.mu.Unlock()
	became := notifyPostponed
	switch {
	case pointless:
		became = notifyAccepted
	case m.l.atRest() && m.l.silence() == nil:
		became = m.sendNotify(ctx, sub, final, said)
	}
	m.mu.Lock()
	defer m.mu.Unlock()
	m.stop = nil
	if final && became != notifyPostponed { // it was sent; one attempt is enough
		if m.sub == sub {
			m.drop()
		}
		became = notifyAccepted
	}
	m.after(sub, became)
}

// notifyOutcome is the outcome of a NOTIFY.
type notifyOutcome uint8

const (
	notifyPostponed      notifyOutcome = iota // not sent, or ended by a call
	notifyAccepted                            // the adapter accepted it
	notifyUnanswered                          // no answer, or a temporary failure
	notifyNoSubscription                      // the adapter's subscription no longer exists
	notifyRefused                             // the adapter does not accept notifications
)

// after notes the outcome of a NOTIFY and schedules the next attempt. m.mu is held.
func (m *messageState) after(sub *adapterSubscription, became notifyOutcome) {
	t := m.l.a.times
	wait := t.atRestPoll
	switch became {
	case notifyAccepted:
		m.failed = 0
		wait = 0
	case notifyPostponed:
		m.pending = true
	case notifyUnanswered:
		m.pending = true
		m.failed++
		wait = min(t.atRestPoll<<min(m.failed, 10), 64*t.atRestPoll) // over five minutes at most
	case notifyNoSubscription:
		if m.sub == sub {
			m.drop()
		}
		m.pending, wait = m.pending || m.known, 0
	case notifyRefused:
		m.failed, wait = 0, 0
	}
	if !m.pending {
		return
	}
	if m.look != nil {
		m.look.Stop()
	}
	m.look = time.AfterFunc(wait, m.notifySoon)
}

// sendNotify sends the NOTIFY, in the adapter's subscription or unsolicited.
func (m *messageState) sendNotify(ctx context.Context, sub *adapterSubscription, final bool,
	said summary) notifyOutcome {
	l := m.l
	var req *sip.Request
	if sub != nil {
		req = m.nextNotify(sub, final)
	} else {
		b, bound := l.a.registrar.Binding(l.o.Name)
		if !bound {
			return notifyPostponed // it is sent when the adapter registers
		}
		req = l.towardsAdapter(sip.NOTIFY, b)
		req.AppendHeader(sip.NewHeader("Event", messagePackage))
		req.AppendHeader(sip.NewHeader("Subscription-State", "active"))
	}
	own := l.adapter.ep.Contact(l.o.AdapterUser, "").Address
	req.AppendHeader(sip.NewHeader("Content-Type", summaryType))
	req.SetBody(said.body("sip:" + own.User + "@" + own.HostPort()))
	res, err := l.adapter.ep.Do(ctx, req)
	switch {
	case err != nil && errors.Is(ctx.Err(), context.Canceled):
		return notifyPostponed
	case err != nil:
		return notifyUnanswered
	case res.IsSuccess():
		l.a.counts.messagesNotified.Add(1)
		return notifyAccepted
	case sub != nil && res.StatusCode == sip.StatusCallTransactionDoesNotExists:
		return notifyNoSubscription
	case res.StatusCode >= 500 && res.StatusCode != sip.StatusNotImplemented,
		res.StatusCode == sip.StatusRequestTimeout,
		res.StatusCode == sip.StatusTemporarilyUnavailable, res.StatusCode == sip.StatusBusyHere:
		return notifyUnanswered
	}
	l.log.Info("the adapter rejects notifications of waiting messages", zap.Int("code", res.StatusCode))
	if sub != nil {
		return notifyNoSubscription
	}
	return notifyRefused
}

// nextNotify builds the next NOTIFY of a subscription.
func (m *messageState) nextNotify(sub *adapterSubscription, final bool) *sip.Request {
	m.mu.Lock()
	defer m.mu.Unlock()
	sub.seq++
	req := sub.request(sip.NOTIFY, sub.callID, sub.transport, m.l.adapter.towards(sub.target, sub.transport, sub.dest))
	req.AppendHeader(m.l.adapter.ep.Contact(m.l.o.AdapterUser, sub.transport))
	req.AppendHeader(sip.NewHeader("Event", sub.event))
	state := "terminated;reason=timeout"
	if left := int(time.Until(sub.until).Seconds()); !final && left > 0 {
		state = "active;expires=" + strconv.Itoa(left)
	}
	req.AppendHeader(sip.NewHeader("Subscription-State", state))
	return req
}

// request builds a request of a dialog outside a call, with the dialog's present CSeq number.
func (d *dialog) request(m sip.RequestMethod, callID, transport, dest string) *sip.Request {
	target, routes := d.target, d.routes
	if len(routes) > 0 {
		dest = hostPort(routes[0], transport)
		if _, loose := routes[0].UriParams.Get("lr"); !loose {
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
	id, hops := sip.CallIDHeader(callID), sip.MaxForwardsHeader(maxForwards)
	r.AppendHeader(sip.HeaderClone(d.local))
	r.AppendHeader(sip.HeaderClone(d.remote))
	r.AppendHeader(&id)
	r.AppendHeader(&sip.CSeqHeader{SeqNo: d.seq, MethodName: m})
	r.AppendHeader(&hops)
	r.SetTransport(transport)
	if dest != "" {
		r.SetDestination(dest)
	}
	r.SetBody(nil)
	return r
}
