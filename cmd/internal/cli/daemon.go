package cli

import (
	"context"
	"fmt"
	"net/netip"
	"strings"
	"sync"
	"time"

	"github.com/emiago/sipgo/sip"
	"go.uber.org/zap"

	"clearback/bridge"
	"clearback/bridge/control"
	"clearback/bridge/journal"
	"clearback/bridge/media"
	"clearback/bridge/relay"
	"clearback/bridge/relay/drivers"
	"clearback/bridge/sipua"
	"clearback/config"
	"clearback/supervision"
	"clearback/supervision/callrecord"
)

// Time limits of the steps of a shutdown.
const (
	// awaitRestFor is how long a shutdown waits for the interruptions of the last calls. Lead, interval and guard time
	// end within 2 s plus the guard time (invariant 11), so this is ample.
	awaitRestFor = 5 * time.Second
	// closeTimeout is how long the daemon tries to close the contacts.
	closeTimeout = 10 * time.Second
	// hurriedCloseFor replaces closeTimeout after a second signal.
	hurriedCloseFor = 500 * time.Millisecond
)

// Daemon is everything that `run` runs, except signals and log files.
type Daemon struct {
	log        *zap.Logger
	contacts   *drivers.Set
	media      *media.Relay
	agent      *sipua.Agent
	lines      []*bridge.Line
	lineStates []*lineState
	journal    *journal.Journal // nil if there is none
	control    *control.Server  // nil if there is none

	// mu guards earlyNotices, and lineStates until all are created. After that lineStates does not change.
	mu           sync.Mutex
	earlyNotices []relay.Notice // notices that arrived before the lineStates existed

	ending    chan struct{} // closed when the shutdown begins
	once      sync.Once
	notClosed []drivers.NotClosed
}

// StartDaemon opens the journal, the contacts (closed first), the media relay and the sockets, starts the lines, and
// serves the control socket. If it fails, it leaves nothing open. A journal or control socket that cannot be opened is
// no failure: the lines are served without it.
func StartDaemon(c *config.Config, log *zap.Logger) (*Daemon, error) { return startDaemon(c, "", log) }

// startDaemon is StartDaemon for the configuration file at path. The control socket reports that path.
func startDaemon(c *config.Config, path string, log *zap.Logger) (*Daemon, error) {
	numbers, err := supervision.NewNumbers(supervision.NumbersOptions{
		Country: c.Country, Prefixes: c.Emergency.Prefixes, Additional: c.Emergency.Numbers,
	})
	if err != nil {
		return nil, fmt.Errorf("emergency numbers: %w", err)
	}
	d := &Daemon{log: log, ending: make(chan struct{})}
	if c.Journal.File != "" {
		d.journal = journal.Open(journalOptions(c, log))
	}
	tell := notices(log)
	notify := func(n relay.Notice) {
		tell(n)
		d.contactNotice(n)
	}
	if d.contacts, err = drivers.Open(c, drivers.Options{Notify: notify}); err != nil {
		d.Shutdown(context.Background())
		return nil, fmt.Errorf("relay contacts: %w", err)
	}
	if err := d.startLines(c, numbers); err != nil {
		d.Shutdown(context.Background())
		return nil, err
	}
	d.serveControl(c, path)
	return d, nil
}

func journalOptions(c *config.Config, log *zap.Logger) journal.Options {
	sensed := map[string]bool{}
	for i := range c.Lines {
		sensed[c.Lines[i].Name] = c.Lines[i].Verify.By == "sense"
	}
	return journal.Options{
		Path: c.Journal.File, MaxAge: c.Journal.Keep, MaxSize: c.Journal.MaxSize, Version: versionText(), Logger: log,
		Remind: c.Log.Remind,
		Detail: map[string]journal.Detail{"short": journal.DetailShort,
			"none": journal.DetailNone}[c.Journal.Numbers],
		HasSensor: func(line string) bool { return sensed[line] },
	}
}

// serveControl opens the control socket. If that fails, it logs an error, and the lines are served without the socket.
func (d *Daemon) serveControl(c *config.Config, path string) {
	if c.Control.Socket == "" {
		return
	}
	h := &controlBackend{d: d, started: time.Now(), config: path, journal: c.Journal.File}
	var err error
	if d.control, err = control.Listen(control.Options{Path: c.Control.Socket, Group: c.Control.Group, Backend: h,
		Logger: d.log}); err != nil {
		d.log.Error("no control socket; the lines are served without it", zap.Error(err))
	}
}

// contactNotice passes a controller's notice to the lines concerned. Notices arrive from the moment that the contacts
// are opened.
func (d *Daemon) contactNotice(n relay.Notice) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if len(d.lineStates) == 0 {
		d.earlyNotices = append(d.earlyNotices, n)
	}
	d.contactNoticeLocked(n)
}

func (d *Daemon) contactNoticeLocked(n relay.Notice) {
	for _, k := range d.lineStates {
		if k.c.Name == n.Contact || n.Contact == "" && k.c.Contact.Controller == n.Controller {
			k.contactNotice(n)
		}
	}
}

func (d *Daemon) startLines(c *config.Config, numbers *supervision.Numbers) error {
	o := sipua.Options{
		Realm: c.SIP.Realm, Numbers: numbers, Logger: d.log, CallInfo: d.callInfo, UserAgent: d.userAgentSeen,
		CallbackWindow: c.Emergency.CallbackWindow, CallbackFrom: c.Emergency.CallbackFrom,
		SecondAfter: c.Emergency.SecondAfter,
	}
	if d.journal != nil {
		o.FirstCall = d.journal.FirstCall()
	}
	var err error
	if relays(c) {
		if d.media, err = media.New(media.Options{
			AdapterAddr: c.Media.AdapterAddress, ServiceAddr: c.Media.ServiceAddress,
			PortLow: c.Media.PortLow, PortHigh: c.Media.PortHigh, From: c.Media.From,
		}); err != nil {
			return fmt.Errorf("media relay: %w", err)
		}
		o.Media = d.media
	}
	epoch := time.Now()
	var lines []*bridge.Line
	desks := map[string]*lineState{}
	for i := range c.Lines {
		l := &c.Lines[i]
		k, bo := newLineState(l, d.contacts.Contact(l.Name), d.journal, epoch, d.log)
		bo.Remind = c.Log.Remind
		line := bridge.NewLine(bo)
		k.line = line
		desks[l.Name] = k
		lo, err := lineOptions(c, l, line)
		if err != nil {
			return fmt.Errorf("line %s: %w", l.Name, err)
		}
		if bo.Saved.CallbackBy > 0 {
			lo.CallbackUntil = epoch.Add(time.Duration(bo.Saved.CallbackBy))
		}
		if lo.CallbackUntil.After(o.CallbackUntil) {
			o.CallbackUntil = lo.CallbackUntil
		}
		lo.AtRest = line.AtRest
		o.Lines = append(o.Lines, lo)
		lines = append(lines, line)
	}
	d.mu.Lock()
	for i := range c.Lines {
		d.lineStates = append(d.lineStates, desks[c.Lines[i].Name])
	}
	for _, n := range d.earlyNotices {
		d.contactNoticeLocked(n)
	}
	d.earlyNotices = nil
	d.mu.Unlock()
	if d.agent, err = sipua.Start(o); err != nil {
		return fmt.Errorf("SIP: %w", err)
	}
	for i, line := range lines {
		d.lineStates[i].port = d.agent.Line(c.Lines[i].Name)
		line.Start(d.lineStates[i].port)
	}
	d.lines = lines // only started lines can be stopped
	return nil
}

// callInfo takes the parties of a call. It may be called from the moment that the sockets are open.
func (d *Daemon) callInfo(n callrecord.CallInfo) {
	if k := d.lineState(n.Line); k != nil {
		k.setCallInfo(n)
	}
}

func (d *Daemon) userAgentSeen(line, userAgent string) {
	if k := d.lineState(line); k != nil {
		k.userAgentSeen(userAgent)
	}
}

func (d *Daemon) lineState(line string) *lineState {
	for _, k := range d.lineStates {
		if k.c.Name == line {
			return k
		}
	}
	return nil
}

func relays(c *config.Config) bool {
	for i := range c.Lines {
		if c.Lines[i].Media == "relay" {
			return true
		}
	}
	return false
}

// lineOptions converts a line's configuration to the options of the user agent.
func lineOptions(c *config.Config, l *config.Line, events sipua.Events) (sipua.LineOptions, error) {
	o := sipua.LineOptions{
		Name: l.Name, OffHookNumber: l.Verify.OffHookNumber,
		AdapterSocket: socket(l.Adapter.Socket, c.SIP.AdapterSide),
		AdapterUser:   l.Adapter.User, AdapterSecret: l.Adapter.Password.Reveal(),
		AdapterAllow:  l.Adapter.AllowFrom,
		ServiceSocket: socket(l.Service.Socket, c.SIP.ServiceSide),
		ServiceUser:   l.Service.User, ServiceAuth: l.Service.AuthUser, ServiceSecret: l.Service.Password.Reveal(),
		ServiceProxy: l.Service.Proxy, Register: l.Service.Register, Expires: l.Service.Expires,
		Relay: l.Media == "relay", Events: events, LifeSafety: l.Policy.LifeSafety,
		ActOnMediaLost: l.MediaLost == "act",
		RefuseTransfer: l.Adapter.Transfer == "refuse", MaxCalls: l.Calls,
		ServiceAllow: l.Service.AllowFrom, SessionExpires: l.Service.SessionExpires,
	}
	for _, name := range l.Adapter.Digest {
		o.AdapterDigest = append(o.AdapterDigest, strings.ToUpper(name))
	}
	switch l.Service.MessageWaiting {
	case "pass":
		o.MessageWaiting = sipua.MessagesPass
	case "subscribe":
		o.MessageWaiting = sipua.MessagesSubscribe
	}
	var err error
	if o.Dial, err = c.DialPlan(l); err != nil {
		return o, err
	}
	if s := l.Service.Second; s != nil {
		o.Second = &sipua.ServiceAccount{
			User: s.User, Auth: s.AuthUser, Secret: s.Password.Reveal(), Proxy: s.Proxy, Register: s.Register,
			Expires: s.Expires, Allow: s.AllowFrom,
		}
		if err := sip.ParseUri(s.Registrar, &o.Second.Registrar); err != nil {
			return o, fmt.Errorf("second service registrar %q: %w", s.Registrar, err)
		}
	}
	if err := sip.ParseUri(l.Service.Registrar, &o.Registrar); err != nil {
		return o, fmt.Errorf("service registrar %q: %w", l.Service.Registrar, err)
	}
	if l.Adapter.Contact != "" {
		o.AdapterFixed = new(sip.Uri)
		if err := sip.ParseUri(l.Adapter.Contact, o.AdapterFixed); err != nil {
			return o, fmt.Errorf("adapter contact %q: %w", l.Adapter.Contact, err)
		}
	}
	return o, nil
}

func socket(own *config.Socket, shared config.Socket) sipua.Socket {
	s := shared
	if own != nil {
		s = *own
	}
	out := sipua.Socket{Listen: s.Listen, Advertise: s.Advertise}
	for _, t := range s.Transports {
		out.UDP = out.UDP || t == "udp"
		out.TCP = out.TCP || t == "tcp"
	}
	return out
}

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

// Close shuts the daemon down in order. Its error names the contacts that are not known to be closed.
func (d *Daemon) Close() error {
	left := d.Shutdown(context.Background())
	if len(left) > 0 {
		return fmt.Errorf("not known closed: %s", names(left))
	}
	return nil
}

// Shutdown ends the daemon. New ordinary calls get 503. Ordinary calls are cleared and get their interruption.
// Emergency calls are awaited. Then everything closes, the loops last (invariant 9). Once hurry has ended, Shutdown
// waits only for the contacts to close, and at most hurriedCloseFor. It returns the lines whose contact is not known to
// be closed.
func (d *Daemon) Shutdown(hurry context.Context) []drivers.NotClosed {
	d.once.Do(func() {
		close(d.ending)
		unasked := d.endControl()
		left := make(chan struct{}) // closed when the calls and the agent have ended
		go func() { defer close(left); d.endCalls(hurry) }()
		select {
		case <-left:
		case <-hurry.Done():
		}
		closing, cancel := context.WithCancel(context.Background())
		defer cancel()
		defer context.AfterFunc(hurry, func() { time.AfterFunc(hurriedCloseFor, cancel) })()
		var stopping sync.WaitGroup
		for _, l := range d.lines {
			// The lines stop in parallel, so that a board that does not answer delays no other board's contacts.
			stopping.Go(l.Stop)
		}
		stopping.Wait() // from here on nothing opens, whatever the calls do
		if d.media != nil {
			if err := d.media.Close(); err != nil {
				d.log.Warn("closing the media relay", zap.Error(err))
			}
		}
		ctx, cancelTime := context.WithTimeout(closing, closeTimeout)
		defer cancelTime()
		if d.contacts != nil {
			d.notClosed = d.contacts.Shutdown(ctx)
		}
		select {
		case <-left:
		case <-closing.Done(): // the last BYEs are not worth waiting for
		}
		<-unasked
		if d.journal != nil {
			if err := d.journal.Close(); err != nil {
				d.log.Error("the end of the journal could not be written", zap.Error(err))
			}
		}
	})
	return d.notClosed
}

// endControl ends the tuning sessions and the requests of the control socket. It runs beside the rest of the shutdown.
// done is closed when it has finished.
func (d *Daemon) endControl() (done <-chan struct{}) {
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		for _, k := range d.lineStates {
			k.end()
		}
		if d.control == nil {
			return
		}
		if err := d.control.Close(); err != nil {
			d.log.Warn("closing the control socket", zap.Error(err))
		}
	}()
	return ended
}

// endCalls ends all calls and the agent. Once hurry has ended, it skips every wait that it can skip. Sending BYE to
// peers that do not answer still takes its time.
func (d *Daemon) endCalls(hurry context.Context) {
	if d.agent == nil {
		return
	}
	d.agent.Drain()
	for {
		emergency := d.agent.EmergencyCalls()
		// Also clears ordinary calls that were up beside an emergency call, once that has ended.
		d.agent.ClearOrdinary()
		d.awaitRest(hurry)
		if hurry.Err() != nil {
			break
		}
		if len(emergency) == 0 && !d.agent.EmergencyUp() {
			d.agent.Unregister() // an emergency call may begin meanwhile
			if d.agent.Shut() {
				break
			}
		}
		// An emergency call on any line: the other lines wait only for their own calls.
		d.agent.AwaitEnd(hurry, emergency)
	}
	if err := d.agent.Close(); err != nil {
		d.log.Warn("closing the SIP sockets", zap.Error(err))
	}
}

// awaitRest waits until every line is at rest, for at most awaitRestFor.
func (d *Daemon) awaitRest(hurry context.Context) {
	ctx, cancel := context.WithTimeout(hurry, awaitRestFor)
	defer cancel()
	tick := time.NewTicker(10 * time.Millisecond)
	defer tick.Stop()
	for _, l := range d.lines {
		for !l.AtRest() {
			select {
			case <-ctx.Done():
				return
			case <-tick.C:
			}
		}
	}
}

// EmergencyUp reports whether an emergency call is up.
func (d *Daemon) EmergencyUp() bool { return d.agent != nil && d.agent.EmergencyUp() }

// line returns the actor of that name, nil if there is none.
func (d *Daemon) line(name string) *bridge.Line {
	for _, l := range d.lines {
		if l.Name() == name {
			return l
		}
	}
	return nil
}

// notices returns a function that writes the controllers' notices to the log.
func notices(log *zap.Logger) func(relay.Notice) {
	return func(n relay.Notice) {
		at := zap.InfoLevel
		switch {
		case n.Kind.Alarm():
			at = zap.ErrorLevel
		case n.Kind == relay.LinkLost:
			at = zap.WarnLevel
		}
		fields := []zap.Field{zap.String("controller", n.Controller)}
		if n.Contact != "" {
			fields = append(fields, zap.String("line", n.Contact))
		}
		if n.Err != nil {
			fields = append(fields, zap.Error(n.Err))
		}
		if !n.Since.IsZero() {
			fields = append(fields, zap.Time("since", n.Since))
		}
		log.Log(at, "contact: "+n.Kind.String(), fields...)
	}
}

// names lists the contacts that are not known to be closed.
func names(left []drivers.NotClosed) string {
	words := make([]string, len(left))
	for i, n := range left {
		words[i] = n.Line + " (" + n.Controller + ")"
	}
	return strings.Join(words, ", ")
}
