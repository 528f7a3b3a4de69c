package daemon

import (
	"fmt"
	"strings"

	"github.com/emiago/sipgo/sip"

	"clearback/bridge/journal"
	"clearback/bridge/sipua"
	"clearback/config"
)

func journalOptions(c *config.Config, o Options) journal.Options {
	return journal.Options{
		Path: c.Journal.File, MaxAge: c.Journal.Keep, MaxSize: c.Journal.MaxSize, Version: o.Version, Logger: o.Logger,
		Remind: c.Log.Remind,
		Detail: map[string]journal.Detail{"short": journal.DetailShort,
			"none": journal.DetailNone}[c.Journal.Numbers],
	}
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
		Name: l.Name, OffHookNumber: l.Verify.OffHookNumber, Contact: l.Contact.Place(),
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
