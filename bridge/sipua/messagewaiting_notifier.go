package sipua

import (
	"strconv"
	"strings"
	"time"

	"github.com/emiago/sipgo/sip"

	"clearback/bridge/sipua/endpoint"
)

// This file handles the adapter's subscription to message waiting (RFC 6665). Each line has one at most: a new
// subscription replaces the previous one.

// The durations of an adapter's subscription. An hour is the default and the maximum, so that a replaced subscription
// is not served for long. A minute is the minimum. Our own numbers; RFC 3842 section 3.4 suggests hours to days.
const (
	longestSubscription  = time.Hour
	shortestSubscription = time.Minute
)

// subscribe handles a SUBSCRIBE outside a dialog. Its sender is challenged as for a call.
func (s *socket) subscribe(r *endpoint.Request) {
	name, ok := s.a.registrar.Authenticate(r, nil)
	if !ok {
		return
	}
	l := s.a.Line(name)
	if l == nil {
		return
	}
	if unsupported := required(r.Request); unsupported != nil {
		s.reply(r, sip.StatusBadExtension, "Bad Extension", unsupported)
		return
	}
	if r.Contact() == nil || r.Contact().Address.Wildcard {
		s.reply(r, sip.StatusBadRequest, "Missing Contact")
		return
	}
	if l.o.MessageWaiting == MessagesOff || packageOf(r.Request) != messagePackage {
		s.badEvent(r)
		return
	}
	if !accepts(r.Request, summaryType) {
		s.reply(r, sip.StatusNotAcceptable, "Not Acceptable")
		return
	}
	lasting, ok := s.lasting(r)
	if !ok {
		return
	}
	own := token()
	r.To().Params.Add("tag", own)
	local, remote := r.To().AsFrom(), r.Request.From().AsTo()
	sub := &adapterSubscription{
		dialog: dialog{tag: own, local: &local, remote: &remote, target: r.Contact().Address,
			routes: routeSet(r.Request), remoteSeq: r.CSeq().SeqNo, remoteSeqSet: true},
		callID: r.CallID().Value(), event: first(r.Request, "Event"), transport: strings.ToUpper(r.Transport()),
		dest: r.From.String(),
	}
	m := &l.messageState
	m.mu.Lock()
	m.drop()
	m.sub = sub
	s.a.addUsage(m.key(sub), func(r *endpoint.Request) { m.handleSubscribe(sub, r) })
	m.mu.Unlock()
	m.granted(s, r, sub, lasting)
}

// lasting returns how long a subscription shall last. If the request asks for too short a time, lasting answers it and
// reports false.
func (s *socket) lasting(r *endpoint.Request) (time.Duration, bool) {
	asked := longestSubscription
	if n, err := strconv.ParseUint(strings.TrimSpace(first(r.Request, "Expires")), 10, 32); err == nil {
		asked = time.Duration(n) * time.Second
	}
	if asked > 0 && asked < shortestSubscription {
		s.reply(r, sip.StatusIntervalToBrief, "Interval Too Brief",
			sip.NewHeader("Min-Expires", strconv.Itoa(int(shortestSubscription.Seconds()))))
		return 0, false
	}
	return min(asked, longestSubscription), true
}

// accepts reports whether a request accepts a body of that type. Without Accept it accepts the event package's own type
// (RFC 3842 section 3.5).
func accepts(r *sip.Request, kind string) bool {
	all := r.GetHeaders("Accept")
	for _, h := range all {
		for _, v := range strings.Split(h.Value(), ",") {
			v, _, _ = strings.Cut(v, ";")
			switch strings.ToLower(strings.TrimSpace(v)) {
			case kind, "application/*", "*/*":
				return true
			}
		}
	}
	return len(all) == 0
}

func (m *messageState) key(sub *adapterSubscription) dialogKey {
	return dialogKey{ep: m.l.adapter.ep, callID: sub.callID, tag: sub.tag}
}

// drop removes the adapter's subscription without a NOTIFY. m.mu is held.
func (m *messageState) drop() {
	if m.sub != nil {
		m.l.a.removeDialog(m.key(m.sub))
		m.sub = nil
	}
}

// granted answers a SUBSCRIBE. The NOTIFY that must follow (RFC 6665 section 4.2.1.2) waits until the line is at rest.
func (m *messageState) granted(s *socket, r *endpoint.Request, sub *adapterSubscription, lasting time.Duration) {
	s.reply(r, sip.StatusOK, "OK", sip.NewHeader("Expires", strconv.Itoa(int(lasting.Seconds()))),
		m.l.adapter.ep.Contact(m.l.o.AdapterUser, sub.transport))
	m.mu.Lock()
	sub.until, sub.last = time.Now().Add(lasting), lasting == 0
	m.pending, m.failed = true, 0
	m.mu.Unlock()
	m.notifySoon()
}

// handleSubscribe handles a request inside the adapter's subscription.
func (m *messageState) handleSubscribe(sub *adapterSubscription, r *endpoint.Request) {
	s := m.l.adapter
	if q := m.l.silence(); q != nil && q.take(r, time.Now()) {
		r.Drop()
		return
	}
	m.mu.Lock()
	current, known, later := m.sub == sub, sub.matches(r.To().Params.GetOr("tag", ""),
		r.Request.From().Params.GetOr("tag", "")), r.CSeq().SeqNo > sub.remoteSeq
	if current && known && later {
		sub.remoteSeq = r.CSeq().SeqNo
	}
	m.mu.Unlock()
	switch {
	case r.Method == sip.ACK:
		return
	case !current || !known:
		s.reply(r, sip.StatusCallTransactionDoesNotExists, "Subscription Does Not Exist")
		return
	case !later:
		s.reply(r, sip.StatusInternalServerError, "CSeq Out of Order")
		return
	case r.Method != sip.SUBSCRIBE:
		s.notAllowed(r)
		return
	case packageOf(r.Request) != messagePackage:
		s.badEvent(r)
		return
	}
	lasting, ok := s.lasting(r)
	if !ok {
		return
	}
	m.mu.Lock()
	sub.retarget(r.Contact())
	sub.dest = r.From.String()
	m.mu.Unlock()
	m.granted(s, r, sub, lasting)
}
