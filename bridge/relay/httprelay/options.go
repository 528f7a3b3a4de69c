package httprelay

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
	// URL is where the device is: http or https, a host, perhaps a port and a path that begins every request's. No
	// user, query or fragment.
	URL string
	// User and Password are sent with every request by Basic authentication (RFC 7617) if User is not empty. Both are
	// words for templates too. The password is never shown.
	User, Password string
	// Headers go with every request, after its own. Values are templates without numbers, and never shown: here is the
	// place for a key.
	Headers []Header
	// CA is a PEM file with the only certificates that a device's may be signed by; empty: those that the system
	// trusts.
	CA string
	// Certificate and Key are PEM files of the certificate that is shown to the device; both or none.
	Certificate, Key string
	// ServerName is the name in the device's certificate, if that is not the URL's host.
	ServerName string
	// Timeout is how long one request may take, from the beginning of its connection to the last byte of the answer. 20
	// ms to 10 s; 0 means 1 s, since small devices need some hundred milliseconds for TLS.
	Timeout time.Duration
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

// Header is one field of a request.
type Header struct{ Name, Value string }

// ContactOptions say how one contact is driven. If Open, Close and Read are nil and Timed has no path, the device
// speaks the contract of this package: see there.
type ContactOptions struct {
	// Name is the line's name: the word {line}.
	Name string
	// Contact is the word {contact}; empty: the line's name.
	Contact string
	// Timed opens the loop for a time that the device ends by itself. The contact is then KindOneshot, else KindNone.
	Timed *Timed
	// Open opens the loop until it is closed. Only for a device that cannot time: never beside Timed.
	Open *Request
	// Close closes the loop and ends the device's own timer. Always needed.
	Close *Request
	// Read tells where the contact is; nil: it cannot be read back, and what the device answers to a command has to do.
	Read *Read
	// Sense reports whether loop current flows: its Closed are the values when it does, its Open those when it does
	// not. Nil: no such input.
	Sense *Read

	contract bool // the device speaks this package's own
}

// Timed is an opening that the device ends by itself.
type Timed struct {
	// Request names the length by {ms} or {s}.
	Request
	// Unit is what lengths are rounded up to, 1 ms or more; 0 means 1 ms with {ms} and 1 s with {s} alone.
	Unit time.Duration
	// Limit is the longest opening that will be asked for, Unit to 1 h. With this package's contract 0 means 10 s.
	Limit time.Duration
}

// Request is one request to a device. Path, header values and body are templates: {line} and {contact} are the names,
// {user} and {password} the board's, {seq} a number that no other command has (not in Read and Sense), {ms} and {s} the
// length of a timed opening in whole milliseconds and in seconds, with as many decimals as there are.
type Request struct {
	// Method is POST, PUT, PATCH, or GET for devices that know nothing else. Empty: POST, and GET in Read and Sense.
	Method string
	// Path begins with "/" and may have a query; it is put behind the path of the board's URL. Errors show it without
	// the query, and with its words as they stand here.
	Path string
	// Headers go with this request. ContentType is that of Body; empty: application/json.
	Headers     []Header
	Body        string
	ContentType string
	// Success are the status codes of a device that did as asked; nil: 200 to 299.
	Success []int
	// Refused are the status codes of a device that certainly did nothing. Nil: 400 to 499 without 408, 409, 424, 425,
	// 429 and 499. Every other code leaves open what was done.
	Refused []int
	// Expect, if not nil, is what a successful answer must say besides.
	Expect *Expect
}

// Expect is a value in an answer.
type Expect struct {
	// Pointer is a JSON Pointer (RFC 6901) into the answer, such as "/relays/0/ok". Empty: the whole answer as text,
	// without the white space around it.
	Pointer string
	// Values are those allowed: the text of a string, or a number, true, false or null as the answer writes them.
	Values []string
}

// Read is a question with two kinds of answers. Any other value is a fault of the device.
type Read struct {
	Request
	// Pointer is as in [Expect].
	Pointer string
	// Open and Closed are the values, as in [Expect]; both are needed and share none.
	Open, Closed []string
}

// ErrOptions: a setting is out of its range.
var ErrOptions = errors.New("httprelay: setting out of range")
