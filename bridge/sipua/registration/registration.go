package registration

import (
	"net/netip"
	"time"

	"github.com/emiago/sipgo/sip"

	"clearback/bridge/sipua/endpoint"
)

// Account is a line as the adapter shows itself.
type Account struct {
	Line           string
	User, Password string
	// Fixed, if not nil, is where the adapter is reached without registering.
	Fixed *sip.Uri
	// AllowFrom, if not empty, are the only source addresses taken.
	AllowFrom []netip.Prefix
	// Digest are the algorithms of the challenge, best first: "MD5", "SHA-256". Nil: MD5. No other is taken.
	Digest []string
	// Endpoint is the socket of this line; a request for it on another one is refused.
	Endpoint func() *endpoint.Endpoint
}

// Binding is where the adapter of a line is reached now.
type Binding struct {
	Contact sip.Uri
	// Destination is the address requests go to (the source of the REGISTER where that is nearer than the Contact, RFC
	// 3581).
	Destination netip.AddrPort
	Transport   string
	Expires     time.Time
	UserAgent   string
	// Generation grows each time the adapter registers anew: another Contact address or Destination, or another Call-ID
	// (it restarted).
	Generation uint64
}

// Lifetimes of a binding at our registrar (RFC 3261 section 10.3): an hour is its default; less than a minute would
// cost a small adapter more than it gives; more than two is never given (section 10.2.4: the registrar may shorten),
// because bindings are in memory only: after a restart of the daemon a line rings again when its adapter has refreshed.
const (
	minExpires     = 60 * time.Second
	defaultExpires = time.Hour
	maxExpires     = 2 * time.Minute
)
