package httprelay

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
	// URL is the device's base URL: http or https, a host, optionally a port and a path that begins the path of every
	// request. It has no user, query or fragment.
	URL string
	// User and Password are sent with every request by Basic authentication (RFC 7617) if User is not empty. Templates
	// can use both. The password is never shown.
	User, Password string
	// Headers are added to every request, after its own. Their values are templates without numbers and are never
	// shown, so they may hold a key.
	Headers []Header
	// CA is a PEM file with the only certificates that may sign the device's certificate. If it is empty, the system's
	// trusted certificates may.
	CA string
	// Certificate and Key are PEM files of the client certificate; set both or none.
	Certificate, Key string
	// ServerName is the name in the device's certificate, if it differs from the URL's host.
	ServerName string
	// Timeout is how long a request may take, from the start of its connection to the last byte of the answer: 20 ms to
	// 10 s; 0 means 1 s, since small devices need some hundred milliseconds for TLS.
	Timeout time.Duration
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

// Header is one header field of a request.
type Header struct{ Name, Value string }

// ContactOptions say how one contact is driven. If Open, Close and Read are nil and Timed has no path, the device
// implements this package's contract; see the package comment.
type ContactOptions struct {
	// Name is the line's name, for the template word {line}.
	Name string
	// Contact is the value of the template word {contact}; empty means the line's name.
	Contact string
	// Timed opens the loop for a time, and the device ends the opening. The contact is then KindOneshot, otherwise
	// KindNone.
	Timed *Timed
	// Open opens the loop until it is closed. It is only for a device without a timer, and must not be set together
	// with Timed.
	Open *Request
	// Close closes the loop and stops the device's own timer. It is always required.
	Close *Request
	// Read reads the contact's level. Nil means that it cannot be read, so that the device's answers are the only
	// confirmation.
	Read *Read
	// Sense reports whether loop current flows: Closed lists the values if it flows, Open those if it does not. Nil
	// means that there is no such input.
	Sense *Read

	contract bool // the device implements this package's contract
}

// Timed is an opening that the device ends itself.
type Timed struct {
	// Request contains the length as {ms} or {s}.
	Request
	// Unit is the unit to which lengths are rounded up, at least 1 ms. 0 means 1 ms if {ms} is used, and 1 s if only
	// {s} is.
	Unit time.Duration
	// Limit is the longest opening that may be requested: Unit to 1 h. With this package's contract 0 means 10 s.
	Limit time.Duration
}

// Request is one request to a device. Path, header values and body are templates with these words: {line} and {contact}
// are the names; {user} and {password} are the board's; {seq} is a number that no other command has (not in Read and
// Sense); {ms} and {s} are the length of a timed opening in whole milliseconds, and in seconds with as many decimals as
// needed.
type Request struct {
	// Method is POST, PUT or PATCH, or GET for devices that accept nothing else. Empty means POST, or GET in Read and
	// Sense.
	Method string
	// Path begins with "/" and may have a query. It is appended to the path of the board's URL. Errors show it without
	// the query and with its template words unreplaced.
	Path string
	// Headers are added to this request. ContentType is the type of Body; empty means application/json.
	Headers     []Header
	Body        string
	ContentType string
	// Success lists the status codes that mean success; nil means 200 to 299.
	Success []int
	// Refused lists the status codes that prove that the device did nothing. Nil means 400 to 499 without 408, 409,
	// 424, 425, 429 and 499. After any other code the outcome is unknown.
	Refused []int
	// Expect, if not nil, is a value that a successful answer must also contain.
	Expect *Expect
}

// Expect is an expected value in an answer.
type Expect struct {
	// Pointer is a JSON Pointer (RFC 6901) into the answer, such as "/relays/0/ok". Empty means the whole answer as
	// text, without surrounding white space.
	Pointer string
	// Values lists the allowed values: the text of a string, or a number, true, false or null exactly as in the answer.
	Values []string
}

// Read is a request whose answer has one of two meanings. Any other value is a fault of the device.
type Read struct {
	Request
	// Pointer is defined in [Expect].
	Pointer string
	// Open and Closed are the values, as in [Expect]. Both are required, and no value may be in both.
	Open, Closed []string
}

// ErrOptions means that a setting is out of range.
var ErrOptions = errors.New("httprelay: setting out of range")
