package config

import (
	"time"

	"clearback/supervision"
)

// Defaults and bounds.
const (
	defaultRealm   = "clearback"
	defaultPorts   = 30000 // to 30999: 125 lines with two calls each, at one address
	defaultUnit    = 1
	defaultExpires = time.Hour              // RFC 3261 section 10.2
	defaultTimeout = 500 * time.Millisecond // the same as in the driver
	defaultRemind  = 15 * time.Minute       // our own number: at least once in a shift, too rare to fill a log
	defaultKeep    = 365 * 24 * time.Hour   // our own number: a season of a playhouse and the one before
	defaultMaxSize = 1_000_000_000          // some two million calls
	defaultCalls   = 4                      // our own number: two of a three-way call, one waiting, one ending
	mostCalls      = 20                     // our own number: a pair carries one conversation; more is an error or an attack
	defaultSession = 30 * time.Minute       // RFC 4028 section 4 recommends 1,800 s
	// defaultSecondAfter is also the minimum: a service that works rings within that time. Our own number.
	defaultSecondAfter = 4 * time.Second
	leastSession       = 90 * time.Second // RFC 4028 section 5: no session timer is shorter
)

// defaults returns the configuration of an empty file.
func defaults() *Config {
	c := &Config{Require: kinds[0]}
	c.Emergency.CallbackWindow = supervision.DefaultPolicy().CallbackWindow
	c.Emergency.SecondAfter = defaultSecondAfter
	c.SIP.Realm = defaultRealm
	c.SIP.AdapterSide, c.SIP.ServiceSide = newSocket(), newSocket()
	c.Media.PortLow, c.Media.PortHigh = defaultPorts, defaultPorts+999
	c.Log = Log{Level: "info", Format: "auto", Remind: defaultRemind}
	c.Journal = Journal{Keep: defaultKeep, MaxSize: defaultMaxSize, Numbers: "full"}
	c.Alarms = Alarms{Repeat: defaultRepeat, PerHour: defaultPerHour, RegistrationLost: defaultRegistrationLost}
	return c
}

func newSocket() Socket { return Socket{Transports: []string{"udp", "tcp"}} }

func newLine() Line {
	p := supervision.DefaultPolicy()
	return Line{
		Media:     "relay",
		MediaLost: "report",
		Adapter:   Adapter{Digest: []string{"md5"}, Transfer: "pass"},
		Service:   newService(),
		Contact:   newContact(),
		Policy:    p,
		Verify:    Verify{By: "options", Watch: p.Watch, Listening: p.Listening},
		Equipment: defaultEquipment(),
		Calls:     defaultCalls,
	}
}

func newService() Service {
	return Service{Register: true, Expires: defaultExpires, SessionExpires: defaultSession, MessageWaiting: "pass"}
}

func newSecond() Service { return Service{Register: true, Expires: defaultExpires} }

// The tables of keys, from the outermost mapping inwards.

func fileKeys(c *Config) []key {
	return []key{
		required(text("country", &c.Country, "an ISO 3166-1 code of two capital letters, such as GB")),
		nested("emergency", []key{
			values("numbers", &c.Emergency.Numbers, "digits", dialled),
			values("outside_prefixes", &c.Emergency.Prefixes, "digits", dialled),
			values("extensions", &c.Emergency.Extensions, "a pattern like 1xx", pattern),
			duration("callback_window", &c.Emergency.CallbackWindow, 0, 0),
			duration("second_after", &c.Emergency.SecondAfter, defaultSecondAfter, 10*time.Second),
			values("callback_from", &c.Emergency.CallbackFrom, "an address or network", parseSource),
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
			values("from", &c.Media.From, "an address or network", parsePrefix),
		}),
		nested("log", []key{
			choice("level", &c.Log.Level, "debug", "info", "warn", "error"),
			choice("format", &c.Log.Format, "auto", "console", "json"),
			value("remind", &c.Log.Remind, "a time like 15m", spans("0s for never, or 1m to 24h", time.Minute,
				24*time.Hour)),
		}),
		nested("journal", []key{
			text("file", &c.Journal.File, "a path, or none"),
			value("keep", &c.Journal.Keep, "a time like 365d or 8760h",
				spans("0s for ever, or 1h to 100 years", time.Hour, 100*365*24*time.Hour)),
			value("max_size", &c.Journal.MaxSize, "a size like 500MB", parseSize),
			choice("numbers", &c.Journal.Numbers, "full", "short", "none"),
		}),
		nested("control", []key{
			text("socket", &c.Control.Socket, "an absolute path, or none"),
			value("group", &c.Control.Group, "a group", group),
		}),
		nested("alarms", alarmKeys(&c.Alarms)),
		nested("metrics", []key{listen("listen", &c.Metrics.Listen)}),
		choice("require", &c.Require, kinds...),
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

func lineKeys(l *Line) []key {
	return []key{
		required(value("name", &l.Name, "a name", name)),
		required(nested("adapter", adapterKeys(&l.Adapter))),
		required(nested("service", serviceKeys(&l.Service))),
		choice("media", &l.Media, "relay", "direct"),
		choice("media_lost", &l.MediaLost, "report", "act"),
		required(nested("contact", contactKeys(&l.Contact))),
		nested("policy", policyKeys(l)),
		nested("verify", verifyKeys(&l.Verify)),
		nested("equipment", equipmentKeys(&l.Equipment)),
		nested("dial", dialKeys(&l.Dial)),
		number("calls", &l.Calls, 1, mostCalls),
		text("location", &l.Location, "a place"),
	}
}

func adapterKeys(a *Adapter) []key {
	return []key{
		required(text("user", &a.User, "a user name")),
		secret("password", &a.Password),
		text("contact", &a.Contact, "a SIP URI"),
		values("allow_from", &a.AllowFrom, "an address or network", parsePrefix),
		optional("socket", &a.Socket, newSocket, socketKeys),
		values("digest", &a.Digest, "md5 or sha-256", oneOf(digests)),
		choice("transfer", &a.Transfer, "pass", "refuse"),
	}
}

// serviceKeys are the keys of the account, of its calls, and of the second account.
func serviceKeys(s *Service) []key {
	return append(accountKeys(s),
		optional("socket", &s.Socket, newSocket, socketKeys),
		value("session_expires", &s.SessionExpires, "a time like 30m",
			spans("0s for never, or 90s to 24h (RFC 4028)", leastSession, 24*time.Hour)),
		choice("message_waiting", &s.MessageWaiting, "off", "pass", "subscribe"),
		optional("second", &s.Second, newSecond, accountKeys),
	)
}

func accountKeys(s *Service) []key {
	return []key{
		required(text("registrar", &s.Registrar, "a SIP URI")),
		required(text("user", &s.User, "a user name")),
		text("auth_user", &s.AuthUser, "a user name"),
		secret("password", &s.Password),
		value("proxy", &s.Proxy, "host:port", hostPort),
		yesNo("register", &s.Register),
		duration("expires", &s.Expires, time.Minute, 24*time.Hour),
		values("allow_from", &s.AllowFrom, "an address or network", parsePrefix),
	}
}

func dialKeys(d *Dial) []key {
	return []key{
		values("allow", &d.Allow, "a pattern like 555xxxx", numbersPattern),
		values("deny", &d.Deny, "a pattern like 0900*", numbersPattern),
		yesNo("international", &d.International),
	}
}

// policyKeys sets almost no bounds, because supervision.Policy.Check checks them.
func policyKeys(l *Line) []key {
	p := &l.Policy
	return []key{
		duration("interval", &p.Interval, 0, 0),
		duration("lead", &p.Lead, 0, 0),
		duration("guard_time", &p.GuardTime, 0, 0),
		duration("onhook_recognition", &p.OnHookRecognition, 0, 0),
		duration("max_interval", &p.MaxInterval, 0, 0),
		duration("flash_max", &p.FlashMax, 0, 0),
		values("steps", &p.Steps, "a time like 1s", parseDuration),
		number("repeats", &p.Repeats, 0, 2),
		number("openings_per_minute", &p.OpeningsPerMinute, 1, 60), // the same as in supervision.Policy.Check
		yesNo("accept_cutting_into_dialling", &l.AcceptCuttingIntoDialling),
		yesNo("life_safety", &p.LifeSafety),
	}
}

func verifyKeys(v *Verify) []key {
	return []key{
		choice("by", &v.By, "options", "sense", "none"),
		value("offhook_number", &v.OffHookNumber, "digits", dialled),
		// the bounds are those of supervision.Policy.Check
		value("watch", &v.Watch, "a time like 60s", spans("0s for never, or 3s to 1h", 3*time.Second, time.Hour)),
		duration("listening", &v.Listening, 0, time.Minute),
	}
}

func equipmentKeys(e *Equipment) []key {
	return []key{
		release("card_release", &e.CardReleaseMin, &e.CardReleaseMax),
		value("flash_min", &e.FlashMin, "a time like 300ms", spans("0s, or 20ms to 1.55s (RFC 5098)",
			20*time.Millisecond, 1550*time.Millisecond)),
		duration("relay_move", &e.RelayMove, 0, 100*time.Millisecond),
		duration("relay_bounce", &e.RelayBounce, 0, 100*time.Millisecond),
		duration("timing_error", &e.TimingError, 0, 200*time.Millisecond),
		yesNo("pulse_dialling", &e.PulseDialling),
		duration("longest_open", &e.LongestOpen, supervision.IntervalFloor, supervision.IntervalCeiling),
	}
}
