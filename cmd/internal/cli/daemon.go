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
	"clearback/bridge/media"
	"clearback/bridge/relay"
	"clearback/bridge/relay/drivers"
	"clearback/bridge/sipua"
	"clearback/config"
	"clearback/supervision"
)

// How long the steps of an ending may take.
const (
	// restFor is how long the interruptions of the last calls are awaited: lead, interval and guard time end
	// within 2 s plus the guard time (invariant 11), so this is ample.
	restFor = 5 * time.Second
	// closeFor is how long closing the contacts is tried.
	closeFor = 10 * time.Second
	// hurryFor replaces closeFor after a second signal.
	hurryFor = 500 * time.Millisecond
)

// Daemon is everything that `run` runs, without signals and log files.
type Daemon struct {
	log      *zap.Logger
	contacts *drivers.Set
	media    *media.Relay
	agent    *sipua.Agent
	lines    []*bridge.Line

	once      sync.Once
	notClosed []drivers.NotClosed
}

// StartDaemon opens the contacts (closed first), the media relay and the sockets, and starts the lines.
// Nothing is left open when it fails.
func StartDaemon(c *config.Config, log *zap.Logger) (*Daemon, error) {
	numbers, err := supervision.NewNumbers(supervision.NumbersOptions{
		Country: c.Country, Prefixes: c.Emergency.Prefixes, Additional: c.Emergency.Numbers,
	})
	if err != nil {
		return nil, fmt.Errorf("emergency numbers: %w", err)
	}
	d := &Daemon{log: log}
	if d.contacts, err = drivers.Open(c, drivers.Options{Notify: notices(log)}); err != nil {
		return nil, fmt.Errorf("relay contacts: %w", err)
	}
	if err := d.startLines(c, numbers); err != nil {
		d.Shutdown(context.Background())
		return nil, err
	}
	return d, nil
}

func (d *Daemon) startLines(c *config.Config, numbers *supervision.Numbers) error {
	o := sipua.Options{Realm: c.SIP.Realm, Numbers: numbers, Logger: d.log}
	var err error
	if relays(c) {
		if d.media, err = media.New(media.Options{
			AdapterAddr: c.Media.AdapterAddress, ServiceAddr: c.Media.ServiceAddress,
			PortLow: c.Media.PortLow, PortHigh: c.Media.PortHigh,
		}); err != nil {
			return fmt.Errorf("media relay: %w", err)
		}
		o.Media = d.media
	}
	epoch := time.Now()
	var lines []*bridge.Line
	for i := range c.Lines {
		l := &c.Lines[i]
		line := bridge.NewLine(bridge.LineOptions{
			Name: l.Name, Policy: l.Policy, Contact: d.contacts.Contact(l.Name), Epoch: epoch, Logger: d.log,
		})
		lo, err := lineOptions(c, l, line)
		if err != nil {
			return fmt.Errorf("line %s: %w", l.Name, err)
		}
		o.Lines = append(o.Lines, lo)
		lines = append(lines, line)
	}
	if d.agent, err = sipua.Start(o); err != nil {
		return fmt.Errorf("SIP: %w", err)
	}
	for i, line := range lines {
		line.Start(d.agent.Line(c.Lines[i].Name))
	}
	d.lines = lines // only what was started can be stopped
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

// lineOptions turns a line's configuration into the user agent's own options.
func lineOptions(c *config.Config, l *config.Line, events sipua.Events) (sipua.LineOptions, error) {
	o := sipua.LineOptions{
		Name:          l.Name,
		AdapterSocket: socket(l.Adapter.Socket, c.SIP.AdapterSide),
		AdapterUser:   l.Adapter.User, AdapterSecret: l.Adapter.Password.Reveal(),
		AdapterAllow:  l.Adapter.AllowFrom,
		ServiceSocket: socket(l.Service.Socket, c.SIP.ServiceSide),
		ServiceUser:   l.Service.User, ServiceAuth: l.Service.AuthUser, ServiceSecret: l.Service.Password.Reveal(),
		ServiceProxy: l.Service.Proxy, Register: l.Service.Register, Expires: l.Service.Expires,
		Relay: l.Media == "relay", Events: events,
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

// AdapterAddr is where the line listens for its adapter.
func (d *Daemon) AdapterAddr(line string) netip.AddrPort {
	if l := d.agent.Line(line); l != nil {
		return l.Status().AdapterAddr
	}
	return netip.AddrPort{}
}

// ServiceAddr is where the line listens for its service.
func (d *Daemon) ServiceAddr(line string) netip.AddrPort {
	if l := d.agent.Line(line); l != nil {
		return l.Status().ServiceAddr
	}
	return netip.AddrPort{}
}

// Close ends the daemon in order; the error names the contacts that are not known closed.
func (d *Daemon) Close() error {
	left := d.Shutdown(context.Background())
	if len(left) > 0 {
		return fmt.Errorf("not known closed: %s", names(left))
	}
	return nil
}

// Shutdown ends the daemon: new ordinary calls get 503, ordinary calls are cleared and get their interruption, an
// emergency call is awaited, then everything closes and the loops last (invariant 9). When hurry ends,
// nothing but the closing is awaited any more, and that only for hurryFor. It returns the lines whose contact is not known closed.
func (d *Daemon) Shutdown(hurry context.Context) []drivers.NotClosed {
	d.once.Do(func() {
		left := make(chan struct{}) // closed when the calls and the agent have ended
		go func() { defer close(left); d.endCalls(hurry) }()
		select {
		case <-left:
		case <-hurry.Done():
		}
		closing, cancel := context.WithCancel(context.Background())
		defer cancel()
		defer context.AfterFunc(hurry, func() { time.AfterFunc(hurryFor, cancel) })()
		var stopping sync.WaitGroup
		for _, l := range d.lines {
			stopping.Go(l.Stop) // all at once: a board that does not answer holds up no other's contacts
		}
		stopping.Wait() // from here on nothing opens, whatever the calls still do
		if d.media != nil {
			if err := d.media.Close(); err != nil {
				d.log.Warn("closing the media relay", zap.Error(err))
			}
		}
		ctx, cancelTime := context.WithTimeout(closing, closeFor)
		defer cancelTime()
		d.notClosed = d.contacts.Shutdown(ctx)
		select {
		case <-left:
		case <-closing.Done(): // the last farewells are not worth waiting for
		}
	})
	return d.notClosed
}

// endCalls ends all calls and the agent. When hurry ends it skips what can be skipped; farewells to silent peers take their time
// all the same.
func (d *Daemon) endCalls(hurry context.Context) {
	if d.agent == nil {
		return
	}
	d.agent.Drain()
	d.agent.ClearOrdinary()
	d.awaitRest(hurry)
	for again := true; again && hurry.Err() == nil; again = d.agent.EmergencyUp() { // another may have come meanwhile
		d.agent.AwaitEmergency(hurry)
		d.agent.ClearOrdinary() // what was left beside it, or began meanwhile
		d.awaitRest(hurry)
	}
	if err := d.agent.Close(); err != nil {
		d.log.Warn("closing the SIP sockets", zap.Error(err))
	}
}

// awaitRest waits until every line is at rest, for at most restFor.
func (d *Daemon) awaitRest(hurry context.Context) {
	ctx, cancel := context.WithTimeout(hurry, restFor)
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

// EmergencyUp tells whether an emergency call is up.
func (d *Daemon) EmergencyUp() bool { return d.agent != nil && d.agent.EmergencyUp() }

// line returns the actor of that name; the configuration has it.
func (d *Daemon) line(name string) *bridge.Line {
	for _, l := range d.lines {
		if l.Name() == name {
			return l
		}
	}
	return nil
}

// notices writes what the controllers have to say into the log.
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

// names says in words which contacts are not known closed.
func names(left []drivers.NotClosed) string {
	words := make([]string, len(left))
	for i, n := range left {
		words[i] = n.Line + " (" + n.Controller + ")"
	}
	return strings.Join(words, ", ")
}
