package sipua

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"net/netip"
	"sync"
	"sync/atomic"
	"time"

	"github.com/emiago/sipgo/sip"
	"go.uber.org/zap"

	"clearback/bridge/media"
	"clearback/bridge/sipua/endpoint"
	"clearback/bridge/sipua/registration"
	"clearback/supervision"
	"clearback/supervision/callrecord"
	"clearback/supervision/dialplan"
)

// Events takes what happened on a line, in order. Post never blocks and never drops.
type Events interface {
	Post(ev supervision.Event)
}

// Socket is where one side of one or more lines listens. Lines with equal Sockets share one.
type Socket struct {
	Listen    netip.AddrPort
	UDP, TCP  bool
	Advertise string
}

// LineOptions of one line.
type LineOptions struct {
	Name                       string
	AdapterSocket              Socket
	AdapterUser, AdapterSecret string
	AdapterFixed               *sip.Uri // reached without registering
	AdapterAllow               []netip.Prefix
	// AdapterDigest are the algorithms of the adapter's challenge, best first: "MD5", "SHA-256"; nil: MD5.
	AdapterDigest []string
	// RefuseTransfer answers the adapter's REFER with 403; otherwise it passes to the service.
	RefuseTransfer bool
	// Dial judges what the near end may call; nil: everything.
	Dial *dialplan.Plan
	// MaxCalls is how many ordinary calls may be on the line at once; 0: no limit.
	MaxCalls int

	ServiceSocket            Socket
	Registrar                sip.Uri // its host is the domain of the address of record
	ServiceUser, ServiceAuth string
	ServiceSecret            string
	ServiceProxy             string // "host:port", "" resolves Registrar
	Register                 bool
	Expires                  time.Duration
	// ServiceAllow are the only addresses that calls may come from; nil: any that knows our contact.
	ServiceAllow []netip.Prefix
	// SessionExpires is asked for in calls at the service (RFC 4028 section 4); 0: not asked for.
	SessionExpires time.Duration
	// MessageWaiting says what becomes of message waiting at the service (RFC 3842).
	MessageWaiting MessageWaiting
	// Second, if not nil, is the account that takes over when the first is lost.
	Second *ServiceAccount
	// AtRest, if not nil, reports whether the line is idle and guarded, so that the adapter may be told of messages. It
	// may be called from any goroutine and must not block for long.
	AtRest func() bool

	// ActOnMediaLost: a call of whose far end nothing has been heard for 5 min, without a reason, is ended.
	ActOnMediaLost bool
	// LifeSafety: nothing but a BYE and a session timer tells that the far end of a call is gone.
	LifeSafety bool
	// CallbackUntil is the end of the line's call-back window, of an emergency call before the start; zero: there was
	// none.
	CallbackUntil time.Time
	// Relay: RTP passes through this process; otherwise the SDP passes and RTP goes directly.
	Relay  bool
	Events Events
	// OffHookNumber is what the adapter calls when the line is left off hook: LeftOffHook is posted and the call
	// refused, it goes nowhere. "": there is none.
	OffHookNumber string
}

// MessageWaiting says what becomes of message waiting at the service (RFC 3842).
type MessageWaiting uint8

// What becomes of it.
const (
	MessagesOff       MessageWaiting = iota // nothing
	MessagesPass                            // what the service sends unasked is passed to the adapter
	MessagesSubscribe                       // it is asked for, and passed
)

// ServiceAccount is a second account at another service, on the same socket as the first.
type ServiceAccount struct {
	Registrar          sip.Uri
	User, Auth, Secret string
	Proxy              string // "host:port", "" resolves Registrar
	Register           bool
	Expires            time.Duration
	Allow              []netip.Prefix
}

// Options of [Start].
type Options struct {
	Lines   []LineOptions
	Realm   string
	Numbers *supervision.Numbers
	// CallbackWindow is for how long after an emergency call of any line a call-back from the emergency centre is
	// expected; 0: only during one. CallbackUntil is the end of the window of a call before the start; zero: there was
	// none.
	CallbackWindow time.Duration
	CallbackUntil  time.Time
	// CallbackFrom are the addresses from which a call-back is believed at any time.
	CallbackFrom []netip.Prefix
	// SecondAfter is how long an emergency call may be without an 18x before the line's second service is tried too; 0:
	// 4 s.
	SecondAfter time.Duration
	// Media may be nil if no line relays.
	Media  *media.Relay
	Logger *zap.Logger
	// FirstCall is the number of the first call; 0 means 1.
	FirstCall uint64
	// CallInfo, if not nil, is told who is in a call as soon as it is known. It must not block.
	CallInfo func(callrecord.CallInfo)
	// UserAgent, if not nil, is told what an adapter calls itself, whenever a registration or an answer to OPTIONS says
	// so for the first time or differently. It must not block.
	UserAgent func(line, userAgent string)
	// packets, if not nil, opens the UDP sockets, and clocks are the clocks by which messages come there; nil: none.
	packets func(netip.AddrPort) endpoint.Packets
	clocks  func() (wall, boot time.Duration)
	// reception, if not nil, tells when media of a side of a call was heard last, instead of the streams.
	reception func(call supervision.CallID, side media.Side) time.Time
	// lookup, if not nil, looks host names up.
	lookup func(ctx context.Context, network, host string) ([]netip.Addr, error)
}

// Agent serves all lines. Its methods may be called from any goroutine.
type Agent struct {
	// set once
	log       *zap.Logger
	times     times
	epoch     time.Time
	numbers   *supervision.Numbers
	media     *media.Relay
	callInfo  func(callrecord.CallInfo)                                             // may be nil
	userAgent func(line, userAgent string)                                          // may be nil
	packets   func(netip.AddrPort) endpoint.Packets                                 // nil: sockets of the system
	clocks    func() (wall, boot time.Duration)                                     // of packets
	reception func(supervision.CallID, media.Side) time.Time                        // nil: what the streams heard
	lookup    func(ctx context.Context, network, host string) ([]netip.Addr, error) // nil: the system resolver
	registrar *registration.Registrar
	// callbackWindow and callbackFrom are as in [Options]
	callbackWindow time.Duration
	callbackFrom   []netip.Prefix
	secondAfter    time.Duration
	lines          []*Line
	byName         map[string]*Line
	sockets        []*socket
	stopLines      context.CancelFunc // ends whatever waits for an answer, and the registrations
	ctx            context.Context
	stopClients    context.CancelFunc // ends the registrations
	registering    context.Context

	opened chan struct{} // closed when open has returned: a datagram may come before
	failed bool          // open failed; set before opened is closed

	// counts from 1
	lastCall atomic.Uint64
	// ordinary are the calls up that are no emergency calls
	ordinary atomic.Int64
	counts   counters
	// callbackUntil is the end of the window in which a call-back is expected: nanoseconds since the agent's start
	callbackUntil atomic.Int64

	draining  atomic.Bool
	admission *admission
	clients   sync.WaitGroup // the registrations at the service
	work      workers
	tables
}

// Start opens the sockets and begins to register.
func Start(o Options) (*Agent, error) { return start(o, defaultTimes()) }

func start(o Options, t times) (*Agent, error) {
	a := &Agent{admission: newGate(), log: o.Logger, times: t, epoch: time.Now(), numbers: o.Numbers, media: o.Media,
		byName: map[string]*Line{}, opened: make(chan struct{}), callInfo: o.CallInfo, userAgent: o.UserAgent,
		packets: o.packets, clocks: o.clocks, lookup: o.lookup}
	a.lastCall.Store(max(o.FirstCall, 1) - 1)
	if a.log == nil {
		a.log = zap.NewNop()
	}
	a.reception = o.reception
	a.callbackWindow, a.callbackFrom = o.CallbackWindow, o.CallbackFrom
	a.secondAfter = cmp.Or(o.SecondAfter, t.silence)
	if !o.CallbackUntil.IsZero() {
		a.callbackUntil.Store(int64(o.CallbackUntil.Sub(a.epoch)))
	}
	a.ctx, a.stopLines = context.WithCancel(context.Background())
	a.registering, a.stopClients = context.WithCancel(a.ctx)
	a.tables.init()
	for i := range o.Lines {
		l := &Line{a: a, o: o.Lines[i], log: a.log.With(zap.String("line", o.Lines[i].Name)), testToken: token()}
		l.accounts, l.messageState.l = newAccounts(l), l
		if until := l.o.CallbackUntil; !until.IsZero() {
			l.callbackUntil.Store(int64(until.Sub(a.epoch)))
		}
		for _, at := range l.accounts {
			if !at.Register && at.from == nil {
				return nil, fmt.Errorf("line %s: it does not register at %s, and neither registrar nor proxy is an address; give the addresses that its calls come from",
					l.o.Name, at.Registrar.Host)
			}
		}
		if a.byName[l.o.Name] != nil {
			return nil, fmt.Errorf("line %s: given twice; give each line its own name", l.o.Name)
		}
		if l.o.Relay && o.Media == nil {
			return nil, fmt.Errorf("line %s: relays media, but there is no media relay", l.o.Name)
		}
		a.lines, a.byName[l.o.Name] = append(a.lines, l), l
	}
	a.registrar = registration.NewRegistrar(registration.RegistrarOptions{
		Accounts: a.accounts(), Realm: o.Realm, Logger: a.log, BindingChanged: a.renewed,
		UserAgent: func(line, name string) { a.byName[line].userAgentSeen(byRegistration, name) },
		Refused:   func(line string, is bool) { a.byName[line].adapterRefused(is) },
	})
	err := a.open()
	if err == nil {
		a.register()
	}
	a.failed = err != nil
	close(a.opened) // from here on the sockets' goroutines look at the lines
	if err != nil {
		a.stopLines()
		return nil, errors.Join(err, a.closeSockets())
	}
	return a, nil
}

// accounts are the lines as their adapters show themselves.
func (a *Agent) accounts() []registration.Account {
	accounts := make([]registration.Account, 0, len(a.lines))
	for _, l := range a.lines {
		accounts = append(accounts, registration.Account{
			Line: l.o.Name, User: l.o.AdapterUser, Password: l.o.AdapterSecret,
			Fixed: l.o.AdapterFixed, AllowFrom: l.o.AdapterAllow, Digest: l.o.AdapterDigest,
			Endpoint: func() *endpoint.Endpoint { return l.adapter.endpoint() },
		})
	}
	return accounts
}

// register starts the registrations and subscriptions at the services.
func (a *Agent) register() {
	for _, l := range a.lines {
		for _, s := range l.accounts {
			if s.begin(); s.client != nil {
				a.clients.Go(func() { s.client.Run(a.registering) })
			}
		}
		if l.o.MessageWaiting == MessagesSubscribe {
			u := &subscriber{s: l.accounts[0], line: l}
			a.clients.Go(func() { u.run(a.registering) })
		}
	}
}

// Line returns the line of that name, nil if there is none.
func (a *Agent) Line(name string) *Line { return a.byName[name] }

// Drain refuses new ordinary calls with 503; emergency calls still pass.
func (a *Agent) Drain() { a.draining.Store(true) }

// Unregister ends the registrations and subscriptions at the services, which takes a second at most for each. New
// emergency calls still pass. It may be called more than once.
func (a *Agent) Unregister() {
	a.Drain()
	a.stopClients()
	a.clients.Wait()
}

// Shut refuses every new call from here on, unless an emergency call is up or about to be: then it reports false and
// changes nothing.
func (a *Agent) Shut() bool { return a.admission.shut(a.EmergencyUp) }

// Close ends what is left, un-registers, closes the sockets and waits for all goroutines. Every new call gets 503 from
// here on, an emergency call too: the adapter's second server can still serve it, we cannot. Who has the time calls
// Unregister and Shut before, so that there is no such call.
func (a *Agent) Close() error {
	a.Drain()
	a.admission.shut(func() bool { return false })
	for _, c := range a.up() {
		c.post(c.abandon)
	}
	ctx, cancel := context.WithTimeout(context.Background(), a.times.closeTimeout)
	a.awaitNone(ctx)
	cancel()
	a.stopLines()
	a.clients.Wait()
	a.work.finish()
	return a.closeSockets()
}
