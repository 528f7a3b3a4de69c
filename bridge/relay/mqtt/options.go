package mqtt

import (
	"context"
	"errors"
	"net"
	"time"

	"clearback/bridge/relay"
)

// Options are the options of a [Board].
type Options struct {
	// Name is the controller's name, for notices.
	Name string
	// Address is the broker's address: mqtt://host:port, or mqtts://host:port with TLS. The default port is 1883, or
	// 8883 with TLS. It has no user, path or query.
	Address string
	// User and Password belong to the broker's account; a password needs a user. The password is never shown.
	User, Password string
	// CA is a PEM file with the only certificates that may sign the broker's certificate. If it is empty, the system's
	// trusted certificates may.
	CA string
	// Certificate and Key are PEM files of the client certificate; set both or none.
	Certificate, Key string
	// ServerName is the name in the broker's certificate, if it differs from the address's host.
	ServerName string
	// ClientID is the prefix of the client identifiers, for brokers that restrict an account to certain identifiers. It
	// has at most 23 letters, digits, - and _; empty means clearback. The rest of the identifier is new in each
	// process.
	ClientID string
	// Timeout is how long a command may take from its writing to the device's answer, and how long a connection may
	// take to be made: 20 ms to 10 s; 0 means 1 s.
	Timeout time.Duration
	// KeepAlive decides when the broker publishes the will if this machine vanishes silently: after one and a half
	// times KeepAlive. It is in whole seconds, 1 s to 1 min; 0 means 5 s. If only the daemon dies, the broker notices
	// at once.
	KeepAlive time.Duration
	// Poll is the interval at which an idle contact is read back, or closed if it cannot be read: at least 10 ms; 0
	// means 1 s.
	Poll time.Duration
	// Notify receives the notices, one at a time for each contact. It must not block and must not call the board. Nil
	// discards them.
	Notify func(relay.Notice)
	// NoLock leaves the contacts unclaimed. It is only for a process that closes contacts and does nothing else.
	NoLock bool
	// Dial replaces the network. Now replaces the clock that NotAfter is compared with. Nil means the real ones.
	Dial func(ctx context.Context, address string) (net.Conn, error)
	Now  func() time.Time
}

// ContactOptions say how one contact is driven: by this package's contract (Prefix) or as a plain device (Plain). Set
// exactly one of the two.
type ContactOptions struct {
	// Name is the line's name.
	Name string
	// Prefix is the topic prefix of a device with this package's contract, such as playhouse/box-office, without a / at
	// either end and without wildcards. The contact is then KindOneshot.
	Prefix string
	// Limit is the longest opening that may be requested from a device with the contract: 1 ms to 1 h; 0 means 10 s.
	// The device may have a lower limit. A plain device has a limit of its own.
	Limit time.Duration
	// Sense means that a device with the contract has a loop-current input.
	Sense bool
	// Plain, if not nil, is a device without the contract. The contact is then KindNone even if the device times its
	// openings, since nothing stops a command that a broker delivers late.
	Plain *Plain
}

// Plain is a device with topics and payloads of its own.
type Plain struct {
	// AcceptLateOpening is the user's consent to a risk of such a device: if the broker, the network or the device
	// stands still, an opening may be delivered late, by seconds or more. The loop then opens during whatever call is
	// on the line. Without this consent the options are refused.
	AcceptLateOpening bool
	// Timed opens the loop for a time, and the device ends the opening. Open opens the loop until it is closed, and is
	// only for a device without a timer. Set exactly one of the two.
	Timed *Timed
	Open  *Message
	// Close closes the loop and stops the device's own timer. It is always required. It is also the will.
	Close *Message
	// State reports the contact's level. Nil means that it cannot be read back, so that the broker's acceptance of a
	// command is the only confirmation.
	State *Value
	// Sense reports whether loop current flows: Closed lists the values if it flows, Open those if it does not. Nil
	// means that there is no such input.
	Sense *Value
	// Available reports whether the device is connected; nothing is sent while it is not. Nil means that no topic
	// reports it.
	Available *Availability
}

// Message is a published command. It has QoS 1 and is never retained.
type Message struct {
	Topic, Payload string
}

// Timed is an opening that the device ends itself. Its payload or its topic contains {ms} or {s}: the length in whole
// milliseconds, or in seconds with as many decimals as needed.
type Timed struct {
	Message
	// Unit is the unit to which lengths are rounded up, at least 1 ms. 0 means 1 ms if {ms} is used, and 1 s if only
	// {s} is.
	Unit time.Duration
	// Limit is the longest opening that may be requested: Unit to 1 h.
	Limit time.Duration
}

// Value is a topic on which a device publishes one of two states. Any other value is a fault of the device.
type Value struct {
	Topic string
	// Pointer is a JSON Pointer (RFC 6901) into the payload, such as "/relays/0/on". Empty means the whole payload as
	// text, without surrounding white space.
	Pointer string
	// Open and Closed list the values: the text of a string, or a number, true, false or null exactly as in the
	// payload. Both are required, and no value may be in both.
	Open, Closed []string
}

// Availability is a topic on which a device, or the broker by the device's will, reports whether the device is
// connected. It should be retained. A device without such a message counts as connected.
type Availability struct {
	Topic string
	// Pointer is defined in [Value].
	Pointer string
	// Online and Offline are the values, as in [Value].
	Online, Offline []string
}

// ErrOptions means that a setting is out of range.
var ErrOptions = errors.New("mqtt: setting out of range")
