// Package config is the configuration file: its types, defaults, strict loading and the relations between its values.
package config

import (
	"fmt"
	"io"
	"net/netip"
	"time"

	"clearback/supervision"
)

// Config is a whole configuration file, loaded, defaulted and checked.
type Config struct {
	// Country is the ISO 3166-1 alpha-2 code that selects the emergency numbers. Required.
	Country   string
	Emergency Emergency
	SIP       SIP
	Media     Media
	Log       Log
	Journal   Journal
	Control   Control
	// Require is the least kind of contact for lines that do not say it themselves: oneshot, watchdog or none.
	Require     string // require: default none
	Controllers []Controller
	Lines       []Line

	secrets []string // files with secrets and private keys
}

// Emergency: `emergency:`.
type Emergency struct {
	Numbers        []string      // numbers:
	Prefixes       []string      // outside_prefixes:
	Extensions     []string      // extensions: patterns of the PBX's own extensions, for check's warning ("1xx")
	CallbackWindow time.Duration // callback_window:
	// CallbackFrom are the addresses from which a call marked as a call-back is believed at any time.
	CallbackFrom []netip.Prefix // callback_from: default none
	// SecondAfter is how long an emergency call may be without a ringing response before the second service is tried
	// too.
	SecondAfter time.Duration // second_after: default 4s
}

// SIP: `sip:`. Sockets that lines share; a line may name its own.
type SIP struct {
	AdapterSide Socket // adapter_side:
	ServiceSide Socket // service_side:
	Realm       string // realm: of the digest towards the adapters
}

// Socket: where one side listens.
type Socket struct {
	Listen     netip.AddrPort // listen:
	Transports []string       // transports: [udp, tcp]
	Advertise  string         // advertise: host for Via, Contact and SDP if listen is unspecified
}

// Media: `media:`. The relay's addresses and ports.
type Media struct {
	AdapterAddress netip.Addr // adapter_address: default: that of sip.adapter_side.listen
	ServiceAddress netip.Addr // service_address: default: that of sip.service_side.listen
	PortLow        uint16     // ports: 30000-30999
	PortHigh       uint16
	From           []netip.Prefix // from: networks that may send sound whatever SDP says
}

// Log: `log:`.
type Log struct {
	Level  string // level: debug, info, warn, error
	Format string // format: auto, console, json
	// Remind is how often an incident that lasts is told again; 0: never.
	Remind time.Duration // remind: default 15m
}

// Journal: `journal:`. The durable record.
type Journal struct {
	// File is absolute, or relative to the configuration file; "": nothing is recorded.
	File    string        // file:
	Keep    time.Duration // keep: default 8760h (a year); 0s for ever
	MaxSize int64         // max_size: bytes, written like 500MB; default 1GB; at least 10MB
	// Numbers says how much of names and numbers is kept: full, short (the last three digits, no names) or none.
	// Emergency calls are always kept in full.
	Numbers string // numbers: default full
}

// Control: `control:`. The Unix socket by which the running daemon is asked.
type Control struct {
	Socket string // socket: absolute path; "": none
	Group  string // group: that may use it; "": the daemon's own
}

// Line: an entry of `lines:`.
type Line struct {
	Name    string  // name:
	Adapter Adapter // adapter:
	Service Service // service:
	// Media is "direct" or "relay".
	Media string // media:
	// MediaLost is "report" or "act": what becomes of a call of whose far end nothing is heard any more.
	MediaLost string             // media_lost:
	Contact   Contact            // contact:
	Policy    supervision.Policy // policy: interval, lead, guard_time, onhook_recognition, max_interval, flash_max, life_safety, steps, repeats
	// AcceptCuttingIntoDialling is the consent that repeats need.
	AcceptCuttingIntoDialling bool      // policy.accept_cutting_into_dialling:
	Verify                    Verify    // verify:
	Equipment                 Equipment // equipment:
	Dial                      Dial      // dial:
	// Calls is how many calls may be on the line at once; an emergency call is always one more.
	Calls int // calls: default 4
	// Location says where the line's telephones are, for people who have to tell the emergency centre.
	Location string // location: default none
}

// Dial: `dial:` of a line. What its near end may call. Emergency numbers are always allowed.
type Dial struct {
	// Allow, if there are any, are the only destinations that may be called; Deny are those that may not, and win. A
	// pattern is digits, x for any digit, and a * at the end for any rest: "555xxxx", "1xx", "0800*".
	Allow []string // allow:
	Deny  []string // deny:
	// International allows numbers of other countries.
	International bool // international: default false
}

// Verify: `verify:` of a line. How it is seen that a hold cleared.
type Verify struct {
	// By is options, sense or none. It counts only where `check --live` saw the three states.
	By string // by: default options
	// OffHookNumber is what the adapter calls when the line is left off hook: "" none.
	OffHookNumber string // offhook_number: digits
	// Watch goes into the policy.
	Watch time.Duration // watch: default 60s, 0s never
	// Listening goes into the policy.
	Listening time.Duration // listening: default 10s, 0s the first look decides
}

// Equipment: `equipment:` of a line. What the window of intervals is computed from, beside the policy.
type Equipment struct {
	CardReleaseMin, CardReleaseMax time.Duration // card_release: 350ms, or 50ms-600ms
	FlashMin                       time.Duration // flash_min:
	// RelayMove and RelayBounce bound how long the contact takes to move either way, and bounces.
	RelayMove, RelayBounce time.Duration // relay_move:, relay_bounce:
	// TimingError is how far an opening can be off, either way.
	TimingError time.Duration // timing_error:
	// PulseDialling: the adapter detects dial pulses.
	PulseDialling bool // pulse_dialling:
	// LongestOpen is the longest opening that the user accepts.
	LongestOpen time.Duration // longest_open:
}

// Adapter: the port of the adapter that serves the line.
type Adapter struct {
	User      string         // user:
	Password  Secret         // password:
	Contact   string         // contact: sip:... fixed, the adapter does not register
	AllowFrom []netip.Prefix // allow_from:
	Socket    *Socket        // socket: its own
	// Digest are the algorithms of the challenge, best first: md5, sha-256 (RFC 8760). What is not in it is not taken.
	Digest []string // digest: default [md5]
	// Transfer says what becomes of the adapter's REFER: pass (to the service) or refuse.
	Transfer string // transfer: default pass
}

// Service: the line's account at the PBX or provider.
type Service struct {
	// Registrar is a SIP URI ("sip:pbx.millrace.example"); its host is the domain of the address of record.
	Registrar string // registrar:
	User      string // user: of the address of record, and the number of the line
	AuthUser  string // auth_user: default: user
	Password  Secret // password:
	// Proxy, if set, is the "host:port" all requests go to.
	Proxy string // proxy:
	// Register false: calls come and go without a registration.
	Register bool          // register:
	Expires  time.Duration // expires:
	Socket   *Socket       // socket: its own
	// AllowFrom are the only addresses that calls may come from; none: any that knows our contact. Required with
	// register: false unless registrar or proxy is an IP address, which is then the one.
	AllowFrom []netip.Prefix // allow_from:
	// SessionExpires is asked for in calls at the service (RFC 4028); 0: never asked for, but followed when the service
	// asks.
	SessionExpires time.Duration // session_expires: default 30m, 0s, or 90s to 24h
	// MessageWaiting: off; pass (what the service sends unasked goes to the adapter); subscribe (it is asked for, RFC
	// 3842).
	MessageWaiting string // message_waiting: default pass
	// Second, if not nil, is the account that takes over when this one is lost. It has no Second, Socket,
	// SessionExpires or MessageWaiting of its own.
	Second *Service // second:
}

// Secret is a text that no log and no print shows. In the file it is {file: PATH}, {env: NAME} or {credential: NAME}
// (systemd).
type Secret struct {
	text string
}

// NewSecret wraps a text.
func NewSecret(s string) Secret { return Secret{text: s} }

// Reveal returns the text.
func (s Secret) Reveal() string { return s.text }

const hidden = "(hidden)"

// Format hides it from every verb.
func (s Secret) Format(f fmt.State, _ rune) { io.WriteString(f, hidden) }

// String hides it.
func (s Secret) String() string { return hidden }
