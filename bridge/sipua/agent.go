package sipua

import (
	"cmp"
	"context"
	"errors"
	"net/netip"
	"sync"
	"sync/atomic"
	"time"

	"github.com/emiago/sipgo/sip"
	"go.uber.org/zap"

	"clearback/bridge/media"
	"clearback/bridge/sipua/endpoint"
	"clearback/bridge/sipua/registration"
	"clearback/bridge/socketstore"
	"clearback/supervision"
	"clearback/supervision/callrecord"
	"clearback/supervision/dialplan"
)

// Events receives what happened on a line, in order. Post never blocks and never drops an event.
type Events interface {
	Post(ev supervision.Event)
}

// Socket is where one side of one or more lines listens. Lines with equal Sockets share a listening socket.
type Socket struct {
	Listen    netip.AddrPort
	UDP, TCP  bool
	Advertise string
}

// LineOptions are the options of one line.
type LineOptions struct {
	Name                       string
	AdapterSocket              Socket
	AdapterUser, AdapterSecret string
	AdapterFixed               *sip.Uri // the contact of an adapter that does not register
	AdapterAllow               []netip.Prefix
	// AdapterDigest lists the algorithms of the challenge to the adapter, best first: "MD5", "SHA-256"; nil means MD5.
	AdapterDigest []string
	// RefuseTransfer answers the adapter's REFER with 403. Otherwise REFER passes to the service.
	RefuseTransfer bool
	// Dial decides which numbers the near end may call; nil allows all.
	Dial *dialplan.Plan
	// MaxCalls is how many ordinary calls may be on the line at once; 0 means no limit.
	MaxCalls int

	ServiceSocket            Socket
	Registrar                sip.Uri // its host is the domain of the address of record
	ServiceUser, ServiceAuth string
	ServiceSecret            string
	ServiceProxy             string // "host:port"; "" resolves Registrar
	Register                 bool
	Expires                  time.Duration
	// ServiceAllow are the only addresses that calls may come from; nil allows any address that knows our Contact.
	ServiceAllow []netip.Prefix
	// SessionExpires is the session interval that calls at the service ask for (RFC 4028 section 4); 0 asks for none.
	SessionExpires time.Duration
	// MessageWaiting selects how message waiting at the service is handled (RFC 3842).
	MessageWaiting MessageWaiting
	// Second, if not nil, is the account that takes over when the first is lost.
	Second *ServiceAccount
	// AtRest, if not nil, reports whether the loop is at rest: no opening is wanted, under way or being checked. Only
	// then is the adapter notified of waiting messages. AtRest may be called from any goroutine and must not block for
	// long.
	AtRest func() bool

	// ActOnMediaLost ends a call whose far end has been silent for 5 min without a reason.
	ActOnMediaLost bool
	// LifeSafety: only a BYE or an expired session timer shows that the far end of a call is gone. So does a 481 right
	// after a restart.
	LifeSafety bool
	// CallbackUntil is the end of the line's call-back window after an emergency call before the start; zero means no
	// window.
	CallbackUntil time.Time
	// Relay sends RTP through this process. Otherwise the SDP passes unchanged and RTP goes directly.
	Relay  bool
	Events Events
	// Contact says what opens the line's loop. An ordinary call that was saved while the line had another contact,
	// adapter or account is not continued after a restart.
	Contact string
	// OffHookNumber is the number that the adapter calls when the line is left off hook. Such a call is refused, and
	// LeftOffHook is posted. "" means that there is no such number.
	OffHookNumber string
}

// MessageWaiting selects how message waiting at the service is handled (RFC 3842).
type MessageWaiting uint8

// The ways to handle message waiting.
const (
	MessagesOff       MessageWaiting = iota // ignore it
	MessagesPass                            // pass unsolicited NOTIFY requests of the service to the adapter
	MessagesSubscribe                       // subscribe at the service, and pass its notifications
)

// ServiceAccount is a second account at another service, on the same socket as the first.
type ServiceAccount struct {
	Registrar          sip.Uri
	User, Auth, Secret string
	Proxy              string // "host:port"; "" resolves Registrar
	Register           bool
	Expires            time.Duration
	Allow              []netip.Prefix
}

// Options are the options of [Start].
type Options struct {
	Lines   []LineOptions
	Realm   string
	Numbers *supervision.Numbers
	// CallbackWindow is how long after an emergency call of any line a call-back from the emergency centre is expected;
	// 0 expects it only during an emergency call. CallbackUntil is the end of the window after an emergency call before
	// the start; zero means no window.
	CallbackWindow time.Duration
	CallbackUntil  time.Time
	// CallbackFrom are the addresses whose call-back mark is trusted at any time.
	CallbackFrom []netip.Prefix
	// SecondAfter is how long an emergency call may go without an 18x before the line's second service is tried too; 0
	// means 4 s.
	SecondAfter time.Duration
	// Media may be nil if no line relays.
	Media  *media.Relay
	Logger *zap.Logger
	// FirstCall is the number of the first call; 0 means 1.
	FirstCall uint64
	// CallInfo, if not nil, receives the parties of a call as soon as they are known. It must not block.
	CallInfo func(callrecord.CallInfo)
	// CallMedia, if not nil, receives what was received in a relayed call, once the call has ended on both sides. It
	// must not block.
	CallMedia func(line string, call supervision.CallID, m callrecord.Media)
	// EmergencyPassed, if not nil, receives the time from the arrival of an adapter's emergency call to the INVITE that
	// was sent to its first service. It must not block.
	EmergencyPassed func(took time.Duration)
	// UserAgent, if not nil, receives the adapter's User-Agent whenever a registration or an answer to OPTIONS has a
	// new one. It must not block.
	UserAgent func(line, userAgent string)
	// SavedBinding and SaveBinding, if not nil, return and take the bindings that outlive the process, as in
	// registration.RegistrarOptions.
	SavedBinding func(line string) (registration.SavedBinding, bool)
	SaveBinding  func(line string, b *registration.SavedBinding)
	// SavedCalls are the calls that an earlier process saved, by number. SaveCall, if not nil, takes the state of a
	// call whenever it has changed; nil means that the call has ended. It must not block. done, if not nil, is called
	// once the state is on the disk, or could not be written; in any goroutine.
	SavedCalls map[supervision.CallID][]byte
	SaveCall   func(call supervision.CallID, state []byte, done func(error))
	// Rebooted has those of SavedCalls that were saved before the machine's present start. One that was not answered is
	// only ended, since the wall clock may not show how long ago that was.
	Rebooted map[supervision.CallID]bool
	// SavedRegistration and SaveRegistration, if not nil, return and take what is known of a registration at a service,
	// so that a later process registers the same Contact; nil means that it has ended. SaveRegistration must not block.
	SavedRegistration func(line string, second bool) (SavedRegistration, bool)
	SaveRegistration  func(line string, second bool, r *SavedRegistration)
	// Sockets opens the sockets and keeps them for a later process; nil opens new ones.
	Sockets *socketstore.Store
	// packets, if not nil, opens the UDP sockets. clocks, if not nil, replace the system's clocks (see
	// endpoint.Options).
	packets func(netip.AddrPort) endpoint.Packets
	clocks  func() (wall, boot time.Duration)
	// reception, if not nil, returns when media of one side of a call was last received. It replaces the streams' own
	// record.
	reception func(call supervision.CallID, side media.Side) time.Time
	// lookup, if not nil, looks up host names.
	lookup func(ctx context.Context, network, host string) ([]netip.Addr, error)
}

// Agent serves all lines. Its methods may be called from any goroutine.
type Agent struct {
	directory atomic.Pointer[directory]

	// set once
	log             *zap.Logger
	times           times
	epoch           time.Time
	numbers         *supervision.Numbers
	media           *media.Relay
	callInfo        func(callrecord.CallInfo)                                             // may be nil
	callMedia       func(line string, call supervision.CallID, m callrecord.Media)        // may be nil
	userAgent       func(line, userAgent string)                                          // may be nil
	emergencyPassed func(took time.Duration)                                              // may be nil
	saveCall        func(supervision.CallID, []byte, func(error))                         // may be nil
	saveReg         func(line string, second bool, r *SavedRegistration)                  // may be nil
	kept            *socketstore.Store                                                    // may be nil
	packets         func(netip.AddrPort) endpoint.Packets                                 // nil: the system's sockets
	clocks          func() (wall, boot time.Duration)                                     // used with packets
	reception       func(supervision.CallID, media.Side) time.Time                        // nil: the streams' own record
	lookup          func(ctx context.Context, network, host string) ([]netip.Addr, error) // nil: the system resolver
	registrar       *registration.Registrar
	// callbackWindow and callbackFrom are as in [Options]
	callbackWindow time.Duration
	callbackFrom   []netip.Prefix
	secondAfter    time.Duration
	sockets        []*socket
	stopLines      context.CancelFunc // ends everything that waits for an answer, and the registrations
	ctx            context.Context
	stopClients    context.CancelFunc // ends the registrations
	registering    context.Context

	opened chan struct{} // closed after open has returned; a datagram may arrive earlier
	failed bool          // open failed; set before opened is closed

	// counts from 1
	lastCall atomic.Uint64
	// ordinary is the number of calls that are up and not emergency calls
	ordinary atomic.Int64
	counts   counters
	// callbackUntil is the end of the window in which a call-back is expected, in nanoseconds since the agent's start
	callbackUntil atomic.Int64
	// silence is a test of an adapter's second server, nil if there is none
	silence atomic.Pointer[silence]

	// savingSlow: the state of a call was not on the disk in time, and none has been since
	savingSlow atomic.Bool

	leaving   atomic.Bool // Leave has begun to end the agent
	draining  atomic.Bool
	admission *admission
	clients   sync.WaitGroup // the registrations at the service
	work      workers
	tables
}

// Start opens the sockets and starts the registrations.
func Start(o Options) (*Agent, error) { return start(o, defaultTimes()) }

func start(o Options, t times) (*Agent, error) {
	a := &Agent{admission: newAdmission(), log: o.Logger, times: t, epoch: time.Now(), numbers: o.Numbers,
		media:  o.Media,
		opened: make(chan struct{}), callInfo: o.CallInfo, callMedia: o.CallMedia, userAgent: o.UserAgent,
		emergencyPassed: o.EmergencyPassed,
		packets:         o.packets, clocks: o.clocks, lookup: o.lookup}
	a.lastCall.Store(max(o.FirstCall, 1) - 1)
	if a.log == nil {
		a.log = zap.NewNop()
	}
	a.reception, a.saveCall, a.saveReg, a.kept = o.reception, o.SaveCall, o.SaveRegistration, o.Sockets
	a.callbackWindow, a.callbackFrom = o.CallbackWindow, o.CallbackFrom
	a.secondAfter = cmp.Or(o.SecondAfter, t.silence)
	if !o.CallbackUntil.IsZero() {
		a.callbackUntil.Store(int64(o.CallbackUntil.Sub(a.epoch)))
	}
	a.ctx, a.stopLines = context.WithCancel(context.Background())
	a.registering, a.stopClients = context.WithCancel(a.ctx)
	a.tables.init()
	var lines []*Line
	for i := range o.Lines {
		l, err := a.newLine(o.Lines[i])
		if err != nil {
			return nil, err
		}
		l.restoreRegistrations(o.SavedRegistration)
		lines = append(lines, l)
	}
	all, err := newDirectory(lines)
	if err != nil {
		return nil, err
	}
	a.directory.Store(all)
	a.registrar = registration.NewRegistrar(registration.RegistrarOptions{
		Accounts: accountsOf(lines), Realm: o.Realm, Logger: a.log, BindingChanged: a.renewed,
		UserAgent: func(line, name string) {
			if l := a.Line(line); l != nil {
				l.userAgentSeen(byRegistration, name)
			}
		},
		Refused: func(line string, is bool) {
			if l := a.Line(line); l != nil {
				l.adapterRefused(is)
			}
		},
		Saved: o.SavedBinding, Save: o.SaveBinding, Boot: a.boot(),
	})
	for _, l := range lines {
		l.restoreUserAgent()
	}
	if err = a.open(lines); err == nil {
		for _, l := range lines {
			l.beginAccounts()
		}
		a.adopt(o.SavedCalls, o.Rebooted)
		for _, l := range lines {
			l.register()
		}
	}
	a.failed = err != nil
	close(a.opened) // from here on the sockets' goroutines use the lines
	if err != nil {
		a.stopLines()
		return nil, errors.Join(err, a.closeSockets())
	}
	return a, nil
}

// boot returns the boot clock, or nil for the machine's.
func (a *Agent) boot() func() time.Duration {
	if a.clocks == nil {
		return nil
	}
	return func() time.Duration { _, boot := a.clocks(); return boot }
}

// accountsOf returns the adapters' accounts, one for each line.
func accountsOf(lines []*Line) []registration.Account {
	accounts := make([]registration.Account, 0, len(lines))
	for _, l := range lines {
		accounts = append(accounts, registration.Account{
			Line: l.o.Name, User: l.o.AdapterUser, Password: l.o.AdapterSecret,
			Fixed: l.o.AdapterFixed, AllowFrom: l.o.AdapterAllow, Digest: l.o.AdapterDigest,
			Endpoint: func() *endpoint.Endpoint { return l.adapter.endpoint() },
		})
	}
	return accounts
}

// Refusal returns the last refusal of an adapter that could belong to more than one line, or to none. ok is false if
// there was none.
func (a *Agent) Refusal() (last registration.Refusal, ok bool) { return a.registrar.Refusal("") }

// Line returns the line of that name, or nil.
func (a *Agent) Line(name string) *Line { return a.directory.Load().byName[name] }

// Drain refuses new ordinary calls with 503; emergency calls still pass.
func (a *Agent) Drain() { a.draining.Store(true) }

// Unregister ends the registrations and subscriptions at the services. Each takes a second at most. New emergency calls
// still pass. It may be called more than once.
func (a *Agent) Unregister() {
	a.Drain()
	a.stopClients()
	a.clients.Wait()
}

// Shut refuses every new call from here on. While an emergency call is up or being set up, it changes nothing and
// reports false.
func (a *Agent) Shut() bool { return a.admission.shut(a.EmergencyUp) }

// Close ends the remaining calls, removes the registrations, closes the sockets and waits for all goroutines. From here
// on every new call gets 503, even an emergency call: the adapter's second server can still serve it, and we cannot. To
// avoid refusing an emergency call, call Unregister and Shut first.
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
