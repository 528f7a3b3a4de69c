// Package config is the configuration file: its types, its defaults, strict loading, and the relations between its
// values.
//
// In the types, the comment behind a field begins with the field's key in the file and a colon.
package config

import (
	"fmt"
	"io"
	"net/netip"
	"time"

	"clearback/supervision"
)

// Config is a whole configuration file, loaded, completed with defaults, and checked.
type Config struct {
	// Country is the ISO 3166-1 alpha-2 code that selects the emergency numbers. Required.
	Country   string
	Emergency Emergency
	SIP       SIP
	Media     Media
	Log       Log
	Journal   Journal
	Control   Control
	Alarms    Alarms
	Metrics   Metrics
	// Require is the lowest kind of contact for lines that have no require of their own: oneshot, watchdog or none.
	Require     string // require: default none
	Controllers []Controller
	Lines       []Line

	secrets []string   // files with secrets and private keys
	loaded  loadedFile // set by Load
}

// Emergency is the mapping `emergency:`.
type Emergency struct {
	Numbers  []string // numbers:
	Prefixes []string // outside_prefixes:
	// extensions: patterns of the PBX's own extensions ("1xx"), for a warning of `check`
	Extensions     []string
	CallbackWindow time.Duration // callback_window:
	// CallbackFrom holds the addresses from which a call that is marked as a call-back is accepted as one at any time.
	CallbackFrom []netip.Prefix // callback_from: default none
	// SecondAfter is how long an emergency call may wait for a ringing response before the second service is tried as
	// well.
	SecondAfter time.Duration // second_after: default 4s
}

// SIP is the mapping `sip:`: the sockets that lines share. A line may have its own.
type SIP struct {
	AdapterSide Socket // adapter_side:
	ServiceSide Socket // service_side:
	Realm       string // realm: of the digest challenges to adapters
}

// Socket is where one side listens.
type Socket struct {
	Listen     netip.AddrPort // listen:
	Transports []string       // transports: [udp, tcp]
	Advertise  string         // advertise: host for Via, Contact and SDP if listen is unspecified
}

// Media is the mapping `media:`: the relay's addresses and ports.
type Media struct {
	AdapterAddress netip.Addr // adapter_address: default is that of sip.adapter_side.listen
	ServiceAddress netip.Addr // service_address: default is that of sip.service_side.listen
	PortLow        uint16     // ports: 30000-30999
	PortHigh       uint16
	From           []netip.Prefix // from: networks that may send media whatever the SDP says
}

// Log is the mapping `log:`.
type Log struct {
	Level  string // level: debug, info, warn, error
	Format string // format: auto, console, json
	// Remind is how often a lasting incident is reported again; 0 means never.
	Remind time.Duration // remind: default 15m
}

// Journal is the mapping `journal:`: the durable record.
type Journal struct {
	// File is the path. In the file it may be relative to the configuration file, and none means that nothing is
	// recorded; File is then "".
	File    string        // file: default: see completeFiles
	Keep    time.Duration // keep: default 8760h (a year); 0s means forever
	MaxSize int64         // max_size: bytes, written like 500MB; default 1GB; at least 10MB
	// Numbers says how much of names and numbers is recorded: full, short (the last three digits, no names) or none.
	// Emergency calls are always recorded in full.
	Numbers string // numbers: default full
}

// Control is the mapping `control:`: the Unix socket through which the running daemon is controlled.
type Control struct {
	// Socket is an absolute path. In the file, none means that there is no socket; Socket is then "".
	Socket string // socket: default: see completeFiles
	Group  string // group: the group that may use it; "" means the daemon's own

	tooLong string // the default path, if it is too long for a socket
}

// Metrics is the mapping `metrics:`: the TCP port at which others read numbers and health.
type Metrics struct {
	// Listen is not unspecified. If it is invalid, nothing listens.
	Listen netip.AddrPort // listen: default none
}

// Line is an entry of `lines:`.
type Line struct {
	Name    string  // name:
	Adapter Adapter // adapter:
	Service Service // service:
	// Media is "direct" or "relay".
	Media string // media:
	// MediaLost is "report" or "act": what happens to a call whose far end has stopped sending media.
	MediaLost string  // media_lost:
	Contact   Contact // contact:
	// policy: interval, lead, guard_time, onhook_recognition, max_interval, flash_max, life_safety, steps, repeats
	Policy supervision.Policy
	// AcceptCuttingIntoDialling is the consent that repeats need.
	AcceptCuttingIntoDialling bool      // policy.accept_cutting_into_dialling:
	Verify                    Verify    // verify:
	Equipment                 Equipment // equipment:
	Dial                      Dial      // dial:
	// Calls is how many calls may be on the line at once. An emergency call is allowed in addition.
	Calls int // calls: default 4
	// Location says where the line's telephones are, for people who have to tell the emergency centre.
	Location string // location: default none
}

// Dial is the mapping `dial:` of a line: what its near end may call. Emergency numbers are always allowed.
type Dial struct {
	// Allow, if not empty, holds the only destinations that may be called. Deny holds those that may not, and takes
	// precedence. A pattern consists of digits, x for any digit, and perhaps a * at the end for any rest: "555xxxx",
	// "1xx", "0800*".
	Allow []string // allow:
	Deny  []string // deny:
	// International allows numbers in other countries.
	International bool // international: default false
}

// Verify is the mapping `verify:` of a line: how the daemon finds out whether a hold has cleared.
type Verify struct {
	// By is options, sense or none. It counts only if `check --live` has seen the three states.
	By string // by: default options
	// OffHookNumber is the number that the adapter calls if the line is left off hook; "" means none.
	OffHookNumber string // offhook_number: digits
	// Watch is copied into the policy.
	Watch time.Duration // watch: default 60s; 0s means never
	// Listening is copied into the policy.
	Listening time.Duration // listening: default 10s; 0s means that the first check decides
}

// Equipment is the mapping `equipment:` of a line: what the window of intervals is computed from, together with the
// policy.
type Equipment struct {
	CardReleaseMin, CardReleaseMax time.Duration // card_release: 350ms, or 50ms-600ms
	FlashMin                       time.Duration // flash_min:
	// RelayMove and RelayBounce bound how long the contact takes to move in either direction, and how long it bounces.
	RelayMove, RelayBounce time.Duration // relay_move:, relay_bounce:
	// TimingError is how much longer or shorter than requested an opening can be.
	TimingError time.Duration // timing_error:
	// PulseDialling says that the adapter detects dial pulses.
	PulseDialling bool // pulse_dialling:
	// LongestOpen is the longest opening that the user accepts.
	LongestOpen time.Duration // longest_open:
}

// Adapter is the adapter port that serves the line.
type Adapter struct {
	User      string         // user:
	Password  Secret         // password:
	Contact   string         // contact: sip:...; a fixed address, so the adapter does not register
	AllowFrom []netip.Prefix // allow_from:
	Socket    *Socket        // socket: one of its own
	// Digest lists the algorithms of the challenge, best first: md5, sha-256 (RFC 8760). Other algorithms are not
	// accepted.
	Digest []string // digest: default [md5]
	// Transfer says what happens to a REFER of the adapter: pass (to the service) or refuse.
	Transfer string // transfer: default pass
}

// Service is the line's account at the PBX or provider.
type Service struct {
	// Registrar is a SIP URI ("sip:pbx.millrace.example"); its host is the domain of the address of record.
	Registrar string // registrar:
	User      string // user: of the address of record, and the number of the line
	AuthUser  string // auth_user: default is user
	Password  Secret // password:
	// Proxy, if set, is the "host:port" that all requests go to.
	Proxy string // proxy:
	// Register false means that calls come and go without a registration.
	Register bool          // register:
	Expires  time.Duration // expires:
	Socket   *Socket       // socket: one of its own
	// AllowFrom holds the only addresses that calls may come from; if empty, calls may come from anybody who knows our
	// contact. It is required if register is false, unless registrar or proxy is an IP address, which is then the only
	// one allowed.
	AllowFrom []netip.Prefix // allow_from:
	// SessionExpires is the session interval that we ask for in calls at the service (RFC 4028). 0 means that we never
	// ask, but accept a session timer if the service asks.
	SessionExpires time.Duration // session_expires: default 30m, 0s, or 90s to 24h
	// MessageWaiting is off, pass (what the service sends unasked goes to the adapter) or subscribe (we subscribe at
	// the service, RFC 3842).
	MessageWaiting string // message_waiting: default pass
	// Second, if not nil, is the account that takes over when this one is lost. It has no Second, Socket,
	// SessionExpires or MessageWaiting of its own.
	Second *Service // second:
}

// Secret is a text that never appears in a log or in printed output. In the file it is {file: PATH}, {env: NAME} or
// {credential: NAME} (systemd).
type Secret struct {
	text string
	// unknown means that the file names a secret that was not fetched or could not be read.
	unknown bool
}

// NewSecret returns a Secret with a text.
func NewSecret(s string) Secret { return Secret{text: s} }

// Reveal returns the text.
func (s Secret) Reveal() string { return s.text }

// forCheck returns the text. If the secret is unknown, it returns a text that passes every check.
func (s Secret) forCheck() string {
	if s.unknown {
		return unreadSecret
	}
	return s.text
}

// unreadSecret stands for a secret that is not read. It passes every check.
const unreadSecret = "unknown"

const hidden = "(hidden)"

// Format prints a placeholder for every verb.
func (s Secret) Format(f fmt.State, _ rune) { io.WriteString(f, hidden) }

// String returns a placeholder.
func (s Secret) String() string { return hidden }
