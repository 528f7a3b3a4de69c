package config

import (
	"errors"
	"strings"
	"time"

	"clearback/supervision"
)

// What the file leaves out.
const (
	defaultRealm   = "clearback"
	defaultPorts   = 30000 // to 30999: 125 lines with two calls each, at one address
	defaultUnit    = 1
	defaultExpires = time.Hour              // RFC 3261 section 10.2
	defaultTimeout = 500 * time.Millisecond // as the driver's own
)

// defaults is the file that says nothing.
func defaults() *Config {
	c := &Config{}
	c.Emergency.CallbackWindow = supervision.DefaultPolicy().CallbackWindow
	c.SIP.Realm = defaultRealm
	c.SIP.AdapterSide, c.SIP.ServiceSide = newSocket(), newSocket()
	c.Media.PortLow, c.Media.PortHigh = defaultPorts, defaultPorts+999
	c.Log = Log{Level: "info", Format: "auto"}
	return c
}

func newSocket() Socket { return Socket{Transports: []string{"udp", "tcp"}} }

func newController() Controller { return Controller{Modbus: Modbus{Timeout: defaultTimeout}} }

func newLine() Line {
	return Line{
		Media:   "relay",
		Service: Service{Register: true, Expires: defaultExpires},
		Contact: Contact{Unit: defaultUnit, OpenLevel: "on"},
		Policy:  supervision.DefaultPolicy(),
	}
}

// complete fills in what follows from other keys.
func (c *Config) complete() {
	if a := c.SIP.AdapterSide.Listen.Addr(); !c.Media.AdapterAddress.IsValid() && !a.IsUnspecified() {
		c.Media.AdapterAddress = a
	}
	if a := c.SIP.ServiceSide.Listen.Addr(); !c.Media.ServiceAddress.IsValid() && !a.IsUnspecified() {
		c.Media.ServiceAddress = a
	}
	for i := range c.Lines {
		l := &c.Lines[i]
		l.Policy.CallbackWindow = c.Emergency.CallbackWindow
		if l.Service.AuthUser == "" {
			l.Service.AuthUser = l.Service.User
		}
	}
}

// The tables of keys, from the file inwards.

func fileKeys(c *Config) []key {
	return []key{
		required(text("country", &c.Country, "an ISO 3166-1 code of two capital letters, such as GB")),
		nested("emergency", []key{
			values("numbers", &c.Emergency.Numbers, "digits", dialled),
			values("outside_prefixes", &c.Emergency.Prefixes, "digits", dialled),
			values("extensions", &c.Emergency.Extensions, "a pattern like 1xx", pattern),
			duration("callback_window", &c.Emergency.CallbackWindow, 0, 0),
		}),
		required(nested("sip", []key{
			required(nested("adapter_side", socketKeys(&c.SIP.AdapterSide))),
			required(nested("service_side", socketKeys(&c.SIP.ServiceSide))),
			value("realm", &c.SIP.Realm, "a name", realm),
		})),
		nested("media", []key{
			address("adapter_address", &c.Media.AdapterAddress),
			address("service_address", &c.Media.ServiceAddress),
			ports("ports", &c.Media.PortLow, &c.Media.PortHigh),
		}),
		nested("log", []key{
			choice("level", &c.Log.Level, "debug", "info", "warn", "error"),
			choice("format", &c.Log.Format, "auto", "console", "json"),
		}),
		list("controllers", &c.Controllers, newController, controllerKeys),
		required(list("lines", &c.Lines, newLine, lineKeys)),
	}
}

func socketKeys(s *Socket) []key {
	return []key{
		required(listen("listen", &s.Listen)),
		values("transports", &s.Transports, "udp or tcp", oneOf([]string{"udp", "tcp"})),
		value("advertise", &s.Advertise, "a host", host),
	}
}

func controllerKeys(c *Controller) []key {
	return []key{
		required(value("name", &c.Name, "a name", name)),
		required(choice("driver", &c.Driver, "modbus")),
		required(nested("modbus", []key{
			required(value("address", &c.Modbus.Address, "host:port", hostPort)),
			duration("timeout", &c.Modbus.Timeout, 20*time.Millisecond, 10*time.Second), // the driver's own bounds
		})),
	}
}

func lineKeys(l *Line) []key {
	return []key{
		required(value("name", &l.Name, "a name", name)),
		required(nested("adapter", adapterKeys(&l.Adapter))),
		required(nested("service", serviceKeys(&l.Service))),
		choice("media", &l.Media, "relay", "direct"),
		required(nested("contact", contactKeys(&l.Contact))),
		nested("policy", policyKeys(&l.Policy)),
	}
}

func adapterKeys(a *Adapter) []key {
	return []key{
		required(text("user", &a.User, "a user name")),
		secret("password", &a.Password),
		text("contact", &a.Contact, "a SIP URI"),
		values("allow_from", &a.AllowFrom, "an address or network", parsePrefix),
		optional("socket", &a.Socket, newSocket, socketKeys),
	}
}

func serviceKeys(s *Service) []key {
	return []key{
		required(text("registrar", &s.Registrar, "a SIP URI")),
		required(text("user", &s.User, "a user name")),
		text("auth_user", &s.AuthUser, "a user name"),
		secret("password", &s.Password),
		value("proxy", &s.Proxy, "host:port", hostPort),
		yesNo("register", &s.Register),
		duration("expires", &s.Expires, time.Minute, 24*time.Hour),
		optional("socket", &s.Socket, newSocket, socketKeys),
	}
}

func contactKeys(c *Contact) []key {
	return []key{
		required(choice("driver", &c.Driver, "none", "modbus")),
		value("controller", &c.Controller, "the name of a controller", name),
		unit("unit", &c.Unit),
		number("coil", &c.Coil, 0, 65535),
		choice("open_level", &c.OpenLevel, "on", "off"),
		optional("timed", &c.Timed, func() TimedOutput { return TimedOutput{} }, timedKeys),
		optional("watchdog", &c.Watchdog, func() WatchdogRegister { return WatchdogRegister{} }, watchdogKeys),
		optional("sense", &c.Sense, func() SenseInput { return SenseInput{CurrentWhen: "on"} }, senseKeys),
		yesNo("accept_open_if_daemon_dies", &c.AcceptOpenIfDaemonDies),
		yesNo("accept_open_if_power_fails", &c.AcceptOpenIfPowerFails),
	}
}

// A register counts to 65,535; no opening is longer than IntervalCeiling, so no unit needs to be.
func timedKeys(t *TimedOutput) []key {
	return []key{
		required(number("register", &t.Register, 0, 65535)),
		required(duration("unit", &t.Unit, time.Millisecond, supervision.IntervalCeiling)),
		required(duration("limit", &t.Limit, time.Millisecond, time.Hour)),
	}
}

func senseKeys(s *SenseInput) []key {
	return []key{
		required(number("input", &s.Input, 0, 65535)),
		choice("current_when", &s.CurrentWhen, "on", "off"),
	}
}

func watchdogKeys(w *WatchdogRegister) []key {
	return []key{
		required(number("register", &w.Register, 0, 65535)),
		required(duration("unit", &w.Unit, time.Millisecond, supervision.IntervalCeiling)),
		required(duration("timeout", &w.Timeout, 30*time.Millisecond, time.Hour)),
	}
}

// policyKeys has no bounds: supervision.Policy.Check has them.
func policyKeys(p *supervision.Policy) []key {
	return []key{
		duration("interval", &p.Interval, 0, 0),
		duration("lead", &p.Lead, 0, 0),
		duration("guard_time", &p.GuardTime, 0, 0),
		duration("onhook_recognition", &p.OnHookRecognition, 0, 0),
		duration("max_interval", &p.MaxInterval, 0, 0),
		duration("flash_max", &p.FlashMax, 0, 0),
		values("steps", &p.Steps, "a time like 1s", parseDuration),
		yesNo("life_safety", &p.LifeSafety),
	}
}

// only tells whether s has nothing but the given characters, and at least one.
func only(s, allowed string) bool { return s != "" && strings.Trim(s, allowed) == "" }

const digits = "0123456789"

func name(s string) (string, error) {
	if len(s) > 32 || !only(s, digits+"abcdefghijklmnopqrstuvwxyz-") {
		return "", errors.New("is no name; allowed: 1 to 32 of a-z, 0-9 and -")
	}
	return s, nil
}

func host(s string) (string, error) {
	if len(s) > 253 || !only(s, digits+"abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ.-:") {
		return "", errors.New("is no host; write a name or an IP address, without a port")
	}
	return s, nil
}

func realm(s string) (string, error) {
	if len(s) > 64 || !only(s, digits+"abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ.-_") {
		return "", errors.New("is no realm; allowed: 1 to 64 letters, digits, dots, - and _")
	}
	return s, nil
}

func dialled(s string) (string, error) {
	if len(s) > 15 || !only(s, digits) {
		return "", errors.New("is no number; allowed: 1 to 15 digits")
	}
	return s, nil
}

func pattern(s string) (string, error) {
	if len(s) > 15 || !only(s, digits+"x") {
		return "", errors.New("is no pattern of extensions; allowed: 1 to 15 of 0-9 and x for any digit, such as 1xx")
	}
	return s, nil
}

// Keys returns the path of every key that a file may have ("lines.contact.coil"), from the very tables that read it.
func Keys() []string {
	var all []string
	var walk func(path string, keys []key)
	walk = func(path string, keys []key) {
		for _, k := range keys {
			all = append(all, join(path, k.name))
			walk(join(path, k.name), k.below)
		}
	}
	walk("", fileKeys(defaults()))
	return all
}
