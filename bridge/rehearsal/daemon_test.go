package rehearsal

import (
	"context"
	"errors"
	"fmt"
	"net/netip"
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

// testDaemon consists of those parts of the daemon that a rehearsal needs. The tests of the command's package use the
// daemon that `run` starts.
type testDaemon struct {
	contacts *drivers.Set
	media    *media.Relay
	agent    *sipua.Agent
	lines    []*bridge.Line
}

// startTestDaemon is a [Starter].
func startTestDaemon(_ context.Context, c *config.Config, log *zap.Logger) (Daemon, error) {
	d := &testDaemon{}
	err := d.start(c, log)
	if err != nil {
		return nil, errors.Join(err, d.Close())
	}
	return d, nil
}

func (d *testDaemon) start(c *config.Config, log *zap.Logger) error {
	numbers, err := supervision.NewNumbers(supervision.NumbersOptions{Country: c.Country})
	if err != nil {
		return err
	}
	notify := func(n relay.Notice) {
		if n.Kind.Alarm() || n.Kind == relay.LinkLost {
			log.Warn("contact: "+n.Kind.String(), zap.String("controller", n.Controller), zap.Error(n.Err))
		}
	}
	if d.contacts, err = drivers.Open(c, drivers.Options{Notify: notify}); err != nil {
		return err
	}
	if d.media, err = media.New(media.Options{
		AdapterAddr: c.Media.AdapterAddress, ServiceAddr: c.Media.ServiceAddress, PortLow: c.Media.PortLow,
		PortHigh: c.Media.PortHigh,
	}); err != nil {
		return err
	}
	o := sipua.Options{Realm: c.SIP.Realm, Numbers: numbers, Media: d.media, Logger: log}
	epoch := time.Now()
	var lines []*bridge.Line
	for i := range c.Lines {
		l := &c.Lines[i]
		line := bridge.NewLine(bridge.LineOptions{
			Name: l.Name, Policy: l.Policy, Contact: d.contacts.Contact(l.Name), Epoch: epoch, Logger: log,
			Sense: l.Verify.By == "sense", Remind: c.Log.Remind,
		})
		lines = append(lines, line)
		lo := sipua.LineOptions{
			Name: l.Name, AdapterSocket: sipua.Socket{Listen: c.SIP.AdapterSide.Listen, UDP: true},
			AdapterUser: l.Adapter.User, AdapterSecret: l.Adapter.Password.Reveal(),
			ServiceSocket: sipua.Socket{Listen: c.SIP.ServiceSide.Listen, Advertise: c.SIP.ServiceSide.Advertise,
				UDP: true},
			ServiceUser: l.Service.User, ServiceAuth: l.Service.AuthUser, ServiceSecret: l.Service.Password.Reveal(),
			ServiceProxy: l.Service.Proxy, Register: l.Service.Register, Expires: l.Service.Expires,
			Relay: l.Media == "relay", OffHookNumber: l.Verify.OffHookNumber, Events: line,
		}
		if err := sip.ParseUri(l.Service.Registrar, &lo.Registrar); err != nil {
			return err
		}
		o.Lines = append(o.Lines, lo)
	}
	if d.agent, err = sipua.Start(o); err != nil {
		return err
	}
	for i, line := range lines {
		line.Start(d.agent.Line(c.Lines[i].Name))
	}
	d.lines = lines
	return nil
}

func (d *testDaemon) AdapterAddr(line string) netip.AddrPort {
	return d.agent.Line(line).Status().AdapterAddr
}

func (d *testDaemon) ServiceAddr(line string) netip.AddrPort {
	return d.agent.Line(line).Status().ServiceAddr
}

// Close ends the calls and waits for their interruptions. It closes the loops last.
func (d *testDaemon) Close() error {
	var errs []error
	if d.agent != nil {
		d.agent.Drain()
		d.agent.ClearOrdinary()
		errs = append(errs, await(context.Background(), 5*time.Second, d.atRest))
		_ = d.agent.Close() // a peer that does not unregister is no error here
	}
	for _, l := range d.lines {
		l.Stop()
	}
	if d.media != nil {
		errs = append(errs, d.media.Close())
	}
	if d.contacts != nil {
		ctx, cancel := context.WithTimeout(context.Background(), 5*time.Second)
		defer cancel()
		for _, left := range d.contacts.Shutdown(ctx) {
			errs = append(errs, fmt.Errorf("line %s is not known closed", left.Line))
		}
	}
	return errors.Join(errs...)
}

func (d *testDaemon) atRest() bool {
	for _, l := range d.lines {
		if !l.AtRest() {
			return false
		}
	}
	return true
}
