package daemon

import (
	"cmp"
	"context"
	"fmt"
	"net/netip"
	"os"
	"sync"
	"sync/atomic"
	"time"

	"go.uber.org/zap"

	"clearback/bridge"
	"clearback/bridge/control"
	"clearback/bridge/journal"
	"clearback/bridge/localaddr"
	"clearback/bridge/media"
	"clearback/bridge/metrics"
	"clearback/bridge/relay"
	"clearback/bridge/relay/drivers"
	"clearback/bridge/runtimestate"
	"clearback/bridge/sipua"
	"clearback/bridge/sipua/registration"
	"clearback/bridge/socketstore"
	"clearback/config"
	"clearback/supervision"
	"clearback/supervision/callrecord"
)

// Options are the options of [Start] and [Run].
type Options struct {
	// Path is the path of the configuration file. The control socket reports it. It may be empty.
	Path string
	// Version is the program's version, for the journal, the control socket and the log.
	Version string
	// Logger is required.
	Logger *zap.Logger
	// Notify takes the states that [Run] reports to the service manager, in the form of sd_notify(3). It may be called
	// from several goroutines at once. [Start] does not use it.
	Notify func(state string)
	// Watchdog is how often [Run] feeds the service manager's watchdog; 0 means never. It has to be at most a quarter
	// of the time that the service manager allows. [Start] does not use it.
	Watchdog time.Duration

	// Hangups delivers the signals at which [Run] reloads the file; nil means none. [Start] does not use it.
	Hangups <-chan os.Signal

	// Sockets has the sockets that an earlier process kept, and takes those that [Daemon.HandOver] keeps; nil keeps
	// none.
	Sockets *socketstore.Store

	// MayStart returns an error if the next process would not start. [Daemon.HandOver] then ends the calls instead. nil
	// means that it would.
	MayStart func(context.Context) error

	closeFor time.Duration // 0: CloseTimeout; tests use a shorter time
}

// Daemon is a running daemon. Its methods may be called from any goroutine.
type Daemon struct {
	log       *zap.Logger
	sockets   *socketstore.Store // nil keeps no sockets
	mayStart  func(context.Context) error
	contacts  *drivers.Set
	media     *media.Relay
	agent     *sipua.Agent
	journal   *journal.Journal    // nil if there is none
	state     *runtimestate.Store // nil if there is none
	copies    *runtimestate.Store // of the calls, for a power cut; nil if there are none
	backend   *backend
	control   *control.Server  // nil if there is none
	metrics   *metrics.Metrics // nil if nobody may read them
	addresses *addressWatch
	watching  sync.WaitGroup // the run of addresses

	lines   atomic.Pointer[[]*Line] // nil until all lines are created; replaced as a whole
	epoch   time.Time               // the zero of the machines' time lines
	reloads *reloads
	alarms  *alarmRunner

	mu           sync.Mutex     // guards earlyNotices, and is held while a notice is passed on
	earlyNotices []relay.Notice // notices that arrived before the lines existed

	closeFor  time.Duration // how long a shutdown tries to close the contacts
	ending    chan struct{} // closed when the shutdown begins
	once      sync.Once
	notClosed []drivers.NotClosed
}

// Start opens the journal, the contacts (closed first), the media relay and the sockets, starts the lines, and serves
// the control socket. If it fails, it shuts down what it had started. If contacts are not known to be closed then, the
// error wraps [ErrNotClosed]. That includes the contacts that Start has not reached, unless another process drives one.
// Start does not fail if the journal or the control socket cannot be opened: the lines are served without it. c must
// have no faults and must not be changed afterwards.
func Start(c *config.Config, o Options) (*Daemon, error) {
	numbers, err := supervision.NewNumbers(supervision.NumbersOptions{
		Country: c.Country, Prefixes: c.Emergency.Prefixes, Additional: c.Emergency.Numbers,
	})
	if err != nil {
		return nil, fmt.Errorf("emergency numbers: %w", err)
	}
	d := &Daemon{log: o.Logger, sockets: o.Sockets, mayStart: o.MayStart, closeFor: cmp.Or(o.closeFor, CloseTimeout),
		ending: make(chan struct{}), epoch: time.Now()}
	d.reloads = newReloads(d, c, o)
	d.alarms = newAlarmRunner(d, c)
	d.backend = &backend{d: d, started: time.Now(), config: o.Path, version: o.Version, journal: c.Journal.File}
	d.addresses = &addressWatch{log: o.Logger, has: localaddr.Has, remind: c.Log.Remind,
		wanted: func() []config.Address { return d.reloads.loaded.Load().Addresses() },
		back:   func() { d.agent.Renew() }}
	if c.Metrics.Listen.IsValid() {
		d.metrics = metrics.New(o.Version, d.metricsState)
	}
	if limit, ok := descriptorLimit(); ok {
		if s := descriptorWarning(c, limit); s != "" {
			o.Logger.Warn(s)
		}
	}
	if c.Journal.File != "" {
		d.journal = journal.Open(journalOptions(c, o))
	}
	if d.contacts, err = drivers.Open(c, d.driverOptions()); err != nil {
		d.notClosed = notReached(c, err)
		err = fmt.Errorf("relay contacts: %w", err)
	} else {
		err = d.startLines(c, numbers)
	}
	d.dropSockets()
	if err != nil {
		if notClosed := d.Close(); notClosed != nil {
			return nil, fmt.Errorf("%w; %w", err, notClosed)
		}
		return nil, err
	}
	d.serveControl(c)
	d.alarms.start()
	return d, nil
}

func (d *Daemon) driverOptions() drivers.Options {
	tell := notices(d.log)
	return drivers.Options{Notify: func(n relay.Notice) {
		tell(n)
		d.alarms.notice(n)
		d.contactNotice(n)
	}}
}

// serveControl opens the control socket. If that fails, it logs an error, and the lines are served without the socket.
func (d *Daemon) serveControl(c *config.Config) {
	if c.Control.Socket == "" {
		return
	}
	var err error
	if d.control, err = control.Listen(control.Options{Path: c.Control.Socket, Group: c.Control.Group,
		Backend: d.backend, Logger: d.log}); err != nil {
		d.log.Error("no control socket; the lines are served without it", zap.Error(err))
	}
}

// contactNotice passes a controller's notice to the lines concerned. Notices arrive from the moment that the contacts
// are opened.
func (d *Daemon) contactNotice(n relay.Notice) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.lines.Load() == nil {
		d.earlyNotices = append(d.earlyNotices, n)
	}
	d.contactNoticeLocked(n)
}

func (d *Daemon) contactNoticeLocked(n relay.Notice) {
	for _, l := range d.all() {
		if l.name == n.Contact || n.Contact == "" && l.Config().Contact.Controller == n.Controller {
			l.contactNotice(n)
		}
	}
}

func (d *Daemon) startLines(c *config.Config, numbers *supervision.Numbers) error {
	o := sipua.Options{
		Realm: c.SIP.Realm, Numbers: numbers, Logger: d.log, CallInfo: d.callInfo, CallMedia: d.callMedia,
		UserAgent:      d.userAgentSeen,
		CallbackWindow: c.Emergency.CallbackWindow, CallbackFrom: c.Emergency.CallbackFrom,
		SecondAfter: c.Emergency.SecondAfter, Sockets: d.sockets,
	}
	if d.metrics != nil {
		o.EmergencyPassed = d.metrics.EmergencyPassed
	}
	if d.journal != nil {
		o.FirstCall = d.journal.FirstCall()
	}
	if c.Control.Socket != "" { // after the contacts have begun to close, because Open may wait a second for the disk
		d.openState(c.Control.Socket, c.Journal.File)
		o.SavedBinding, o.SaveBinding = d.savedBinding, d.saveBinding
		o.SavedRegistration, o.SaveRegistration = d.savedRegistration, d.saveRegistration
		o.SavedCalls, o.Rebooted = d.savedCalls()
		o.SaveCall = d.saveCall
	}
	var err error
	if relays(c) {
		if d.media, err = media.New(media.Options{
			AdapterAddr: c.Media.AdapterAddress, ServiceAddr: c.Media.ServiceAddress,
			PortLow: c.Media.PortLow, PortHigh: c.Media.PortHigh, From: c.Media.From,
			Sockets: d.sockets,
		}); err != nil {
			return fmt.Errorf("media relay: %w", err)
		}
		o.Media = d.media
	}
	var lines []*Line
	for i := range c.Lines {
		k, lo, err := d.makeLine(c, &c.Lines[i], d.contacts.Contact(c.Lines[i].Name))
		if err != nil {
			return err
		}
		if lo.CallbackUntil.After(o.CallbackUntil) {
			o.CallbackUntil = lo.CallbackUntil
		}
		o.Lines = append(o.Lines, lo)
		lines = append(lines, k)
	}
	d.mu.Lock()
	d.lines.Store(&lines)
	for _, n := range d.earlyNotices {
		d.contactNoticeLocked(n)
	}
	d.earlyNotices = nil
	d.mu.Unlock()
	d.addresses.look() // before the first request that cannot be sent
	if d.agent, err = sipua.Start(o); err != nil {
		return fmt.Errorf("SIP: %w", err)
	}
	d.watching.Go(func() { d.addresses.run(d.ending) })
	for _, k := range lines {
		k.setParts(func(p *parts) { p.port = d.agent.Line(k.name) })
		k.line.Start(k.SIP())
	}
	return nil
}

// makeLine makes a line that is not started yet, and the options of its user agent.
func (d *Daemon) makeLine(c *config.Config, l *config.Line, contact relay.Contact) (*Line, sipua.LineOptions, error) {
	k, bo := newLine(l, contact, d.journal, d.epoch, d.log)
	k.tell = d.alarms.post
	bo.Remind, k.metrics = c.Log.Remind, d.metrics.NewLine()
	k.line = bridge.NewLine(bo)
	lo, err := k.sipOptions(c, l)
	if bo.Saved.CallbackBy > 0 {
		lo.CallbackUntil = d.epoch.Add(time.Duration(bo.Saved.CallbackBy))
	}
	return k, lo, err
}

// sipOptions returns the options of the line's user agent for this configuration.
func (l *Line) sipOptions(c *config.Config, line *config.Line) (sipua.LineOptions, error) {
	o, err := lineOptions(c, line, l.line)
	if err != nil {
		return o, fmt.Errorf("line %s: %w", line.Name, err)
	}
	o.AtRest = l.line.AtRest
	return o, nil
}

// callInfo records the parties of a call. It may be called as soon as the sockets are open.
func (d *Daemon) callInfo(n callrecord.CallInfo) {
	if l := d.Line(n.Line); l != nil {
		l.setCallInfo(n)
	}
}

// callMedia records what was received in a call.
func (d *Daemon) callMedia(line string, call supervision.CallID, m callrecord.Media) {
	if l := d.Line(line); l != nil {
		l.setCallMedia(call, m)
	}
}

func (d *Daemon) userAgentSeen(line, userAgent string) {
	if l := d.Line(line); l != nil {
		l.userAgentSeen(userAgent)
	}
}

// all returns the lines at this moment.
func (d *Daemon) all() []*Line {
	if all := d.lines.Load(); all != nil {
		return *all
	}
	return nil
}

// Line returns the line with the given name, or nil if there is none.
func (d *Daemon) Line(line string) *Line {
	for _, l := range d.all() {
		if l.name == line {
			return l
		}
	}
	return nil
}

// Backend returns the backend that the control socket serves. It exists even without a control socket.
func (d *Daemon) Backend() control.Backend { return d.backend }

// Refusal returns the last refusal of an adapter that could belong to more than one line, or to none. ok is false if
// there was none.
func (d *Daemon) Refusal() (last registration.Refusal, ok bool) { return d.agent.Refusal() }

// AdapterAddr returns the address on which the line listens for its adapter.
func (d *Daemon) AdapterAddr(line string) netip.AddrPort {
	if l := d.agent.Line(line); l != nil {
		return l.Status().AdapterAddr
	}
	return netip.AddrPort{}
}

// ServiceAddr returns the address on which the line listens for its service.
func (d *Daemon) ServiceAddr(line string) netip.AddrPort {
	if l := d.agent.Line(line); l != nil {
		return l.Status().ServiceAddr
	}
	return netip.AddrPort{}
}

// EmergencyUp reports whether an emergency call is up.
func (d *Daemon) EmergencyUp() bool { return d.agent != nil && d.agent.EmergencyUp() }
