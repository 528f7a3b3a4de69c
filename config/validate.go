package config

import (
	"fmt"
	"net/netip"
	"slices"
	"strings"
	"time"

	"clearback/supervision"

	"github.com/emiago/sipgo/sip"
)

// validate checks the relations between values. It does not report missing keys again.
func (d *decoder) validate(c *Config) {
	d.checkCountry(c)
	d.checkSockets(c)
	d.checkMedia(c)
	d.checkControllers(c)
	if len(c.Lines) == 0 && d.has("lines") {
		d.add(d.at("lines"), "lines: there is no line; add one")
	}
	for i := range c.Lines {
		l, at := &c.Lines[i], fmt.Sprintf("lines[%d]", i)
		d.checkAdapter(l, at+".adapter")
		d.checkTransports(c, l, at)
		d.checkDirect(c, l, at+".media")
		d.checkAccount(&l.Service, at+".service")
		d.checkSecond(l, at+".service.second")
		d.checkDial(c, l, at+".dial")
		d.checkContact(c, l, at+".contact")
		d.checkPolicy(l, at)
		d.checkMediaLost(l, at)
		d.checkVerify(c, l, at)
		d.checkEquipment(l, at)
	}
	d.checkControl(c)
	d.checkAlarms(&c.Alarms)
	d.checkSummary(c)
	d.checkMetrics(c)
	d.checkLinesDiffer(c)
}

// checkMediaLost reports a media_lost: act that would have no effect.
func (d *decoder) checkMediaLost(l *Line, at string) {
	switch {
	case l.MediaLost != "act":
	case l.Media == "direct":
		d.add(d.at(at+".media_lost"),
			"%s.media_lost: with media: direct the daemon does not see whether media arrives; write media: relay, or remove media_lost",
			at)
	case l.Policy.LifeSafety:
		d.add(d.at(at+".media_lost"),
			"%s.media_lost: a call on a life_safety line is not ended because of silence; remove media_lost", at)
	}
}

func (c *Config) numbers() (*supervision.Numbers, error) {
	return supervision.NewNumbers(supervision.NumbersOptions{
		Country: c.Country, Prefixes: c.Emergency.Prefixes, Additional: c.Emergency.Numbers,
	})
}

// listener is a socket and its path in the file.
type listener struct {
	Socket
	path    string
	service bool
}

func (c *Config) listeners() []listener {
	all := []listener{{c.SIP.AdapterSide, "sip.adapter_side", false}, {c.SIP.ServiceSide, "sip.service_side", true}}
	for i := range c.Lines {
		if s := c.Lines[i].Adapter.Socket; s != nil {
			all = append(all, listener{*s, fmt.Sprintf("lines[%d].adapter.socket", i), false})
		}
		if s := c.Lines[i].Service.Socket; s != nil {
			all = append(all, listener{*s, fmt.Sprintf("lines[%d].service.socket", i), true})
		}
	}
	return all
}

func (d *decoder) checkSockets(c *Config) {
	all := c.listeners()
	for i, s := range all {
		if !s.Listen.IsValid() {
			continue
		}
		if len(s.Transports) == 0 {
			d.add(d.at(s.path+".transports"), "%s.transports: the list is empty; allowed: udp, tcp or both", s.path)
		}
		if s.Listen.Addr().IsUnspecified() && s.Advertise == "" {
			d.add(d.at(s.path+".listen"),
				"%s.listen: %v is not an address that others can reach; write one of this machine's addresses, or add advertise",
				s.path, s.Listen)
		}
		for _, o := range all[:i] {
			if s.clashes(o) {
				d.add(d.at(s.path+".listen"),
					"%s.listen: %v clashes with %s.listen, %v; give each socket its own address or port (they may be the same only on one side and with all settings equal)",
					s.path, s.Listen, o.path, o.Listen)
				break
			}
		}
	}
}

// checkMetrics reports an address at which everybody could read the metrics, or which a SIP socket has.
func (d *decoder) checkMetrics(c *Config) {
	const path = "metrics.listen"
	at := c.Metrics.Listen
	switch {
	case !at.IsValid():
		return
	case at.Addr().IsUnspecified():
		d.add(d.at(path), "%s: %v would show the numbers to every network that this machine is in, and they have no password; write the one address from which they are read, or 127.0.0.1:%d",
			path, at, at.Port())
		return
	}
	for _, l := range c.listeners() {
		if l.Listen.IsValid() && l.Listen.Port() == at.Port() && sameHost(l.Listen.Addr(), at.Addr()) &&
			slices.Contains(l.Transports, "tcp") {
			d.add(d.at(path), "%s: %v clashes with %s.listen, %v; give it its own port", path, at, l.path, l.Listen)
			return
		}
	}
}

// clashes reports whether two sockets cannot be open at once. Equal sockets on the same side are one socket.
func (s listener) clashes(o listener) bool {
	if s.service == o.service && s.Listen == o.Listen && s.Advertise == o.Advertise &&
		slices.Equal(s.Transports, o.Transports) {
		return false
	}
	return o.Listen.IsValid() && s.Listen.Port() == o.Listen.Port() && sameHost(s.Listen.Addr(), o.Listen.Addr()) &&
		slices.ContainsFunc(s.Transports, func(t string) bool { return slices.Contains(o.Transports, t) })
}

func sameHost(a, b netip.Addr) bool { return a == b || a.IsUnspecified() || b.IsUnspecified() }

// callsPerLine is the number of calls of a line that must have ports: one active and one waiting.
const callsPerLine = 2

func (d *decoder) checkMedia(c *Config) {
	for _, n := range c.Media.From {
		if n.Bits() == 0 {
			d.add(d.at("media.from"),
				"media.from: %v allows everybody, who could then listen to any call; list the networks that media comes from",
				n)
		}
	}
	relayed, calls := 0, 0
	for i := range c.Lines {
		if c.Lines[i].Media == "relay" {
			relayed++
			calls += min(c.Lines[i].Calls, callsPerLine)
		}
	}
	if relayed == 0 {
		return
	}
	have, need := int(c.Media.PortHigh)-int(c.Media.PortLow)+1, calls*c.portsPerCall()
	if have < need {
		d.add(d.at("media.ports"),
			"media.ports: %d ports are too few for the lines that relay (%d); at least %d are needed (two calls a line, or one where calls is 1, each with %d ports at one address): widen the range",
			have, relayed, need, c.portsPerCall())
	}
	for _, s := range []struct {
		name string
		addr netip.Addr
		at   Socket
	}{{"adapter", c.Media.AdapterAddress, c.SIP.AdapterSide}, {"service", c.Media.ServiceAddress, c.SIP.ServiceSide}} {
		if !s.addr.IsValid() && s.at.Listen.IsValid() {
			d.add(d.at("sip."+s.name+"_side.listen"),
				"media.%s_address is missing, and sip.%[1]s_side.listen is %v, which cannot be used in SDP; add it: the address of this machine on the %[1]s's side",
				s.name, s.at.Listen)
		}
	}
	for _, s := range c.listeners() {
		if p := s.Listen.Port(); p >= c.Media.PortLow && p <= c.Media.PortHigh && slices.Contains(s.Transports, "udp") {
			d.add(d.at("media.ports"), "media.ports: %d-%d contains the port of %s.listen, %d; move one of them",
				c.Media.PortLow, c.Media.PortHigh, s.path, p)
		}
	}
}

// portsPerCall returns the ports that a call takes at one address: RTP and RTCP, twice if both sides have the same
// address.
func (c *Config) portsPerCall() int {
	if c.Media.AdapterAddress == c.Media.ServiceAddress {
		return 4
	}
	return 2
}

func (d *decoder) checkAdapter(l *Line, at string) {
	d.checkDigest(l.Adapter.Digest, at+".digest")
	if l.Adapter.Contact == "" {
		if !d.has(at+".password") && d.has(at) {
			d.add(d.at(at), "%s.password is missing; it is required unless contact says where the adapter is: write {file: PATH}, {env: NAME} or {credential: NAME}",
				at)
		}
		return
	}
	u, ok := d.uri(at+".contact", l.Adapter.Contact)
	if !ok || d.has(at+".password") || len(l.Adapter.AllowFrom) > 0 {
		return
	}
	if _, err := netip.ParseAddr(strings.Trim(u.Host, "[]")); err != nil {
		d.add(d.at(at+".contact"),
			"%s.contact: %q is not an IP address, so without a password the adapter cannot be distinguished from others; write its IP address, or add password or allow_from",
			at, u.Host)
	}
}

// uri parses a SIP URI as the user agent does. Its faults do not quote the URI, since it may contain a password.
func (d *decoder) uri(path, s string) (u sip.Uri, ok bool) {
	err := sip.ParseUri(s, &u)
	switch {
	case err != nil || u.Host == "" || strings.ContainsAny(u.Host, " ,<>@") || strings.ContainsAny(s, "<> "):
		d.add(d.at(path), "%s: this is not a SIP URI; write one such as sip:pbx.millrace.example or sip:192.0.2.21:5060",
			path)
	case !strings.EqualFold(u.Scheme, "sip"):
		d.add(d.at(path), "%s: only the scheme sip is supported (no TLS); write sip:%s", path, u.Host)
	case u.Password != "":
		d.add(d.at(path), "%s: a URI must not hold a password; put it into password", path)
	default:
		return u, true
	}
	return u, false
}

func (c *Config) controllerNames() string {
	if len(c.Controllers) == 0 {
		return "there is none yet; add one"
	}
	all := make([]string, len(c.Controllers))
	for i, b := range c.Controllers {
		all[i] = b.Name
	}
	return strings.Join(all, ", ")
}

// longest returns the longest interval that a clearing may use on the line, including one that is longer than any flash
// (invariant 3).
func longest(p *supervision.Policy) time.Duration {
	v := p.Interval
	for _, s := range p.Steps {
		v = max(v, s)
	}
	if p.FlashMax > 0 {
		v = max(v, p.FlashMax+100*time.Millisecond)
	}
	return v
}

// checkTimed compares the controller's own timer with the intervals of the line.
func (d *decoder) checkTimed(l *Line, at string) {
	own := l.Contact.ownTimer()
	t := struct{ Unit, Limit time.Duration }{own.unit, own.limit}
	at += "." + own.at
	if t.Unit == 0 || t.Limit == 0 {
		return
	}
	if !l.Contact.flat() && t.Limit < t.Unit {
		return // the driver has reported this
	}
	need := longest(&l.Policy)
	whole := wholeUnits(need, t.Unit)
	switch {
	case t.Limit < need:
		d.add(d.at(at+".limit"),
			"%s.limit: %v is shorter than the longest interval of the line, %v; raise it, or shorten the interval", at,
			t.Limit, need)
	case t.Limit < whole:
		d.add(d.at(at+".limit"),
			"%s.limit: %v is shorter than %v, to which the longest interval of the line, %v, is rounded up, so that interval would never be used; raise the limit, or shorten the interval",
			at, t.Limit, whole, need)
	}
	// If the interval itself is too long, checkPolicy reports it.
	if p := &l.Policy; whole > need && need <= p.Longest() && p.Lead+need <= dialWindow &&
		(whole > p.Longest() || p.Lead+whole > dialWindow) {
		d.add(d.at(at+".unit"),
			"%s.unit: in whole units of %v an interval of %v becomes %v, which is longer than max_interval allows, %v, or with lead ends later than %v after the BYE to the adapter; write an interval of whole units",
			at, t.Unit, need, whole, p.Longest(), dialWindow)
	}
}

// dialWindow bounds lead and an opening together (invariant 11).
const dialWindow = 2 * time.Second

// wholeUnits rounds v up to whole units, as a board does.
func wholeUnits(v, unit time.Duration) time.Duration { return (v + unit - 1) / unit * unit }

// checkPolicy maps the findings of supervision.Policy.Check to keys.
func (d *decoder) checkPolicy(l *Line, at string) {
	for _, f := range l.Policy.Check() {
		path := at + ".policy." + f.Field
		switch f.Field {
		case "callback_window":
			path = "emergency." + f.Field
		case "watch":
			path = at + ".verify." + f.Field
		}
		d.add(d.at(path), "%s: %s", path, f.Problem)
	}
	if l.Policy.Repeats > 0 && !l.AcceptCuttingIntoDialling {
		d.add(d.at(at+".policy.repeats"),
			"%s.policy.repeats: a repetition opens the loop later than %v after the BYE to the adapter, so it may cut off somebody who has hung up, lifted and begun to dial by then, even an emergency number; remove it, or accept that with accept_cutting_into_dialling: true",
			at, dialWindow)
	}
}
