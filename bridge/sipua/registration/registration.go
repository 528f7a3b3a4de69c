package registration

import (
	"net/netip"
	"time"

	"github.com/emiago/sipgo/sip"

	"clearback/bridge/sipua/endpoint"
)

// Account is the account of a line's adapter.
type Account struct {
	Line           string
	User, Password string
	// Fixed, if not nil, is the contact of an adapter that does not register.
	Fixed *sip.Uri
	// AllowFrom, if not empty, holds the only source addresses that are accepted.
	AllowFrom []netip.Prefix
	// Digest lists the algorithms of the challenge, best first: "MD5", "SHA-256". Nil means MD5. Other algorithms are
	// not accepted.
	Digest []string
	// Endpoint returns the socket of this line. A request for the line on another socket is refused.
	Endpoint func() *endpoint.Endpoint
}

// Binding is where the adapter of a line can be reached now.
type Binding struct {
	Contact sip.Uri
	// Destination is the address that requests are sent to. It is the source of the REGISTER if the Contact is not
	// directly reachable (RFC 3581).
	Destination netip.AddrPort
	Transport   string
	Expires     time.Time
	// Registered is when the present registration began: with a new Generation, or after the previous one expired.
	// Heard is when the adapter last registered or answered OPTIONS. Of a fixed contact Registered is zero, and Heard
	// is zero until the first answer.
	Registered, Heard time.Time
	UserAgent         string
	// Generation grows with each new registration: a different Contact address, Destination or transport, or a
	// different Call-ID (the adapter has restarted).
	Generation uint64
}

// Lifetimes of a binding at our registrar (RFC 3261 section 10.3). An hour is the default of the RFC. Less than a
// minute would load a small adapter for little benefit. More than two minutes is never granted (section 10.2.4 allows
// the registrar to shorten). The reason is that a binding can be lost, for example in a reboot: the line then rings
// again only when its adapter has refreshed.
const (
	minExpires     = 60 * time.Second
	defaultExpires = time.Hour
	maxExpires     = 2 * time.Minute
)
