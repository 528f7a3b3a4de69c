package mqtt

import (
	"context"
	"errors"
	"net"
	"time"

	"clearback/bridge/relay"
)

// Options of a [Board].
type Options struct {
	// Name is the controller's name, for notices.
	Name string
	// Address is where the broker is: mqtt://host:port, or mqtts://host:port with TLS. Without a port it is 1883 or
	// 8883. No user, path or query.
	Address string
	// User and Password are those of the broker's account; a password needs a user. The password is never shown.
	User, Password string
	// CA is a PEM file with the only certificates that the broker's may be signed by; empty: those that the system
	// trusts.
	CA string
	// Certificate and Key are PEM files of the certificate that is shown to the broker; both or none.
	Certificate, Key string
	// ServerName is the name in the broker's certificate, if that is not the address's host.
	ServerName string
	// ClientID begins the identifiers by which the broker knows the connections, for brokers that allow an account only
	// certain ones. At most 23 letters, digits, - and _; empty means clearback. What follows it is chosen anew in each
	// process.
	ClientID string
	// Timeout is how long one command may take from its writing to the device's answer, and one connection to be made.
	// 20 ms to 10 s; 0 means 1 s.
	Timeout time.Duration
	// KeepAlive bounds how late the broker sends the will when this machine vanishes without a word: one and a half
	// times as long. Whole seconds, 1 s to 1 min; 0 means 5 s. When the daemon alone dies, the broker learns it at
	// once.
	KeepAlive time.Duration
	// Poll is the pace at which a contact is read back when nothing else happens (one that cannot be read is closed).
	// At least 10 ms; 0 means 2 s.
	Poll time.Duration
	// Notify receives notices, never two at a time for one contact. It must not block and must not call the board. Nil:
	// none.
	Notify func(relay.Notice)
	// NoLock leaves the contacts unclaimed. Only for a process that closes contacts and does nothing else.
	NoLock bool
	// Dial replaces the network and Now the clock that NotAfter is compared with; nil means the real ones.
	Dial func(ctx context.Context, address string) (net.Conn, error)
	Now  func() time.Time
}

// ContactOptions say how one contact is driven: by this package's own contract under a prefix, or as a plain device.
// One of the two.
type ContactOptions struct {
	// Name is the line's name.
	Name string
	// Prefix is what the topics of a device with this package's contract begin with, such as playhouse/box-office,
	// without a / at either end and without wildcards. The contact is then KindOneshot.
	Prefix string
	// Limit is the longest opening that such a device will be asked for, 1 ms to 1 h; 0 means 10 s. A device may refuse
	// sooner. A plain one has its own.
	Limit time.Duration
	// Sense: such a device has a loop-current input.
	Sense bool
	// Plain, if not nil, is a device that does not know the contract. The contact is then KindNone, whatever the device
	// times, since nothing stops a command that a broker delivers late.
	Plain *Plain
}

// Plain is a device with topics and payloads of its own.
type Plain struct {
	// AcceptLateOpening is the user's consent to what such a device cannot exclude: a broker, a network or a device
	// that stood still may deliver an opening late, seconds or longer, and then the loop opens under whatever call
	// there is by then. Without it the options are refused.
	AcceptLateOpening bool
	// Timed opens the loop for a time that the device ends by itself; Open opens it until it is closed, and is only for
	// a device that cannot time. One of the two.
	Timed *Timed
	Open  *Message
	// Close closes the loop, and ends the device's own timer. Always needed. It is the will too.
	Close *Message
	// State tells where the contact is; nil: it cannot be read back, and that the broker took a command has to do.
	State *Value
	// Sense reports whether loop current flows: its Closed are the values when it does, its Open those when it does
	// not. Nil: no such input.
	Sense *Value
	// Available reports whether the device is there; nil: that is not told. While it is not, nothing is sent.
	Available *Availability
}

// Message is what is published as a command: QoS 1, never retained.
type Message struct {
	Topic, Payload string
}

// Timed is an opening that the device ends by itself. Its payload, or its topic, says {ms} or {s}: the length in whole
// milliseconds, or in seconds with as many decimals as there are.
type Timed struct {
	Message
	// Unit is what lengths are rounded up to, 1 ms or more; 0 means 1 ms with {ms} and 1 s with {s} alone.
	Unit time.Duration
	// Limit is the longest opening that will be asked for, Unit to 1 h.
	Limit time.Duration
}

// Value is a topic on which a device tells one of two things. What is neither is a fault of the device.
type Value struct {
	Topic string
	// Pointer is a JSON Pointer (RFC 6901) into the payload, such as "/relays/0/on". Empty: the whole payload as text,
	// without the white space around it.
	Pointer string
	// Open and Closed are the values; both are needed and share none: the text of a string, or a number, true, false or
	// null as the payload writes them.
	Open, Closed []string
}

// Availability is a topic on which a device, or the broker as its will, reports whether it is there. It should be
// retained; a device of which nothing was told is taken to be there.
type Availability struct {
	Topic string
	// Pointer is as in [Value].
	Pointer string
	// Online and Offline are the values, as in [Value].
	Online, Offline []string
}

// ErrOptions: a setting is out of its range.
var ErrOptions = errors.New("mqtt: setting out of range")
