package sipua

import (
	"context"
	"errors"
	"fmt"
	"net/netip"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"github.com/emiago/sipgo/sip"
	"go.uber.org/zap"

	"clearback/bridge/media"
	"clearback/bridge/sipua/endpoint"
	"clearback/bridge/sipua/registration"
	"clearback/supervision"
)

// errUnbound is the error for an adapter that has no binding and so cannot be asked.
var errUnbound = errors.New("the adapter is not registered; check its registrar setting, user and password")

// Line carries out the effects of one line. Its methods do not block and may be called from any goroutine.
type Line struct {
	// set once
	a       *Agent
	o       LineOptions
	log     *zap.Logger
	adapter *socket
	service *socket
	// accounts are the line's accounts at the services, one or two. The first is used while it is up.
	accounts []*account
	// testToken is the user part of a Contact that only our own far end knows (package testcall).
	testToken string

	// ordinary is the number of calls that are up and not emergency calls
	ordinary atomic.Int64

	emergencyCalls emergencyCalls
	// callbacks is the number of call-backs from the emergency centre that are up
	callbacks atomic.Int64
	// callbackUntil is the end of the line's own call-back window, in nanoseconds since the agent's start
	callbackUntil atomic.Int64

	// reportedEarly are the calls whose AdapterLegCleared was posted before ClearAdapterLeg
	reportedEarly sync.Map

	messageState messageState

	// clients are what the line does at the services beside its registrations. stopClients ends them.
	clients     sync.WaitGroup
	registering context.Context
	stopClients context.CancelFunc

	outboundBlock outboundBlock
	userAgents    userAgents
	refused       refusedCalls
}

// Name returns the line's name.
func (l *Line) Name() string { return l.o.Name }

// Offer sends an arrived call to the adapter.
func (l *Line) Offer(call supervision.CallID) {
	if c := l.a.call(call); c != nil {
		c.post(c.first.passToAdapter)
	}
}

// Refuse answers an arrived call that was never offered.
func (l *Line) Refuse(call supervision.CallID, code int) {
	if c := l.a.call(call); c != nil {
		c.post(func() { c.refuse(code) })
	}
}

// ClearAdapterLeg ends the call towards the adapter; AdapterLegCleared is posted with the outcome.
func (l *Line) ClearAdapterLeg(call supervision.CallID) {
	if _, early := l.reportedEarly.LoadAndDelete(call); early {
		return
	}
	c := l.a.call(call)
	if c == nil {
		l.o.Events.Post(supervision.Event{Kind: supervision.AdapterLegCleared, Call: call,
			Answer: supervision.AnswerConfirmed})
		return
	}
	c.post(func() {
		leg := c.legs[media.AdapterSide]
		leg.report = true
		leg.clear()
	})
}

// ClearFarEnd ends the call towards the far end.
func (l *Line) ClearFarEnd(call supervision.CallID) {
	if c := l.a.call(call); c != nil {
		c.post(func() { c.legs[media.ServiceSide].clear() })
	}
}

// Probe sends OPTIONS to the adapter (RFC 3261 section 11.2). ProbeAnswered is posted. In a silence nothing is sent:
// the line may be in a call that went elsewhere.
func (l *Line) Probe() {
	l.a.work.start(func() {
		if l.silence() != nil {
			l.o.Events.Post(supervision.Event{Kind: supervision.ProbeAnswered})
			return
		}
		hook := supervision.HookUnknown
		switch code, _, err := l.Ask(l.a.ctx); {
		case err != nil:
			l.log.Debug("the adapter did not answer a probe", zap.Error(err))
		case code == sip.StatusOK:
			hook = supervision.HookOn
		case code == sip.StatusBusyHere:
			hook = supervision.HookOff
		}
		l.o.Events.Post(supervision.Event{Kind: supervision.ProbeAnswered, Hook: hook})
	})
}

// Inbound returns where a far end of our own calls this line as the service would. The line's list of allowed source
// addresses does not apply to such calls. The user part of contact is a secret of the process and must not be logged.
// at is the socket's own address, or the loopback address if the socket listens on all.
func (l *Line) Inbound() (contact sip.Uri, at netip.AddrPort, transport string) {
	ep, transport := l.service.ep, "UDP"
	if !l.service.at.UDP {
		transport = "TCP"
	}
	at = ep.Addr()
	switch addr := at.Addr(); {
	case addr == netip.IPv4Unspecified():
		at = netip.AddrPortFrom(netip.AddrFrom4([4]byte{127, 0, 0, 1}), at.Port())
	case addr == netip.IPv6Unspecified():
		at = netip.AddrPortFrom(netip.IPv6Loopback(), at.Port())
	}
	return ep.Contact(l.testToken, transport).Address, at, transport
}

// Status is the state of a line, as shown to people.
type Status struct {
	Binding registration.Binding
	Bound   bool
	// Heard is when the adapter last registered or answered, also if it is not bound any more. Refusal is its last
	// refusal while it is not bound; At is zero if there was none.
	Heard       time.Time
	Refusal     registration.Refusal
	Service     registration.Status // Heard is when any message came
	Second      registration.Status // of the second service, if there is one
	ServiceAddr netip.AddrPort      // our socket towards the service, with its real port
	AdapterAddr netip.AddrPort      // our socket towards the adapter, with its real port
	Calls       int
}

// Status returns the present state.
func (l *Line) Status() Status {
	s := Status{ServiceAddr: l.service.ep.Addr(), AdapterAddr: l.adapter.ep.Addr()}
	s.Binding, s.Bound = l.a.registrar.Binding(l.o.Name)
	s.Heard = l.a.registrar.LastHeard(l.o.Name)
	s.Refusal, _ = l.a.registrar.Refusal(l.o.Name)
	for _, at := range l.accounts {
		if at.second {
			s.Second = at.status()
		} else {
			s.Service = at.status()
		}
	}
	s.Calls = l.a.callsOf(l)
	return s
}

// Ask sends OPTIONS to the adapter and returns the status code. It serves `check --live`.
func (l *Line) Ask(ctx context.Context) (code int, userAgent string, err error) {
	b, bound := l.a.registrar.Binding(l.o.Name)
	if !bound {
		return 0, "", fmt.Errorf("line %s: %w", l.o.Name, errUnbound)
	}
	ctx, cancel := context.WithTimeout(ctx, l.a.times.probe)
	defer cancel()
	ep := l.adapter.ep
	req := l.towardsAdapter(sip.OPTIONS, b)
	req.AppendHeader(sip.NewHeader("Accept", "application/sdp"))
	res, err := ep.Do(ctx, req)
	if err != nil {
		return 0, "", fmt.Errorf("line %s: ask the adapter at %s: %w", l.o.Name, b.Contact.Addr(), err)
	}
	l.a.registrar.Answered(l.o.Name)
	for _, name := range []string{"User-Agent", "Server"} {
		if h := res.GetHeader(name); h != nil {
			userAgent = h.Value()
			break
		}
	}
	userAgent = endpoint.Printable(userAgent)
	l.userAgentSeen(byAnswer, userAgent)
	return res.StatusCode, userAgent, nil
}

// AskService sends OPTIONS to the line's first service and returns the status code. Any answer shows that a SIP server
// is there. It serves `clearback setup`.
func (l *Line) AskService(ctx context.Context) (code int, err error) {
	return l.accounts[0].sendOptions(ctx, l.a.times.probe)
}

// towardsAdapter builds a request outside a call to the adapter's binding.
func (l *Line) towardsAdapter(m sip.RequestMethod, b registration.Binding) *sip.Request {
	contact := l.adapter.ep.Contact(l.o.AdapterUser, b.Transport)
	req := sip.NewRequest(m, b.Contact)
	id, hops := sip.CallIDHeader(token()), sip.MaxForwardsHeader(maxForwards)
	req.AppendHeader(&sip.FromHeader{Address: contact.Address, Params: sip.HeaderParams{{K: "tag", V: token()}}})
	req.AppendHeader(&sip.ToHeader{Address: b.Contact})
	req.AppendHeader(&id)
	req.AppendHeader(&sip.CSeqHeader{SeqNo: 1, MethodName: m})
	req.AppendHeader(&hops)
	req.AppendHeader(contact)
	req.SetBody(nil)
	direct(req, b)
	if b.Destination.IsValid() {
		req.SetDestination(l.adapter.towards(b.Contact, b.Transport, b.Destination.String()))
	}
	return req
}

// direct sets the destination of req to the adapter's binding.
func direct(req *sip.Request, b registration.Binding) {
	if b.Transport != "" {
		req.SetTransport(strings.ToUpper(b.Transport))
	}
	if b.Destination.IsValid() {
		req.SetDestination(b.Destination.String())
	}
}
