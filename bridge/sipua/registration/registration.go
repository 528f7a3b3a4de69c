// Package registration knows who may speak for a line and where it is reached: the registrar and digest towards the
// adapter, and the registration of each line at the service.
package registration

import (
	"context"
	"net/netip"
	"time"

	"github.com/emiago/sipgo/sip"
	"go.uber.org/zap"

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
	// Endpoint is the socket of this line; a request for it on another one is refused.
	Endpoint func() *endpoint.Endpoint
}

// Binding is where the adapter of a line is reached now.
type Binding struct {
	Contact sip.Uri
	// Destination is the address requests go to (the source of the REGISTER where that is nearer than the Contact, RFC 3581).
	Destination netip.AddrPort
	Transport   string
	Expires     time.Time
	UserAgent   string
	// Generation grows each time the adapter registers anew: another Contact address, or another Call-ID (it restarted).
	Generation uint64
}

// Registrar authenticates adapters and keeps their bindings. Safe for concurrent use.
type Registrar struct{}

// RegistrarOptions of [NewRegistrar].
type RegistrarOptions struct {
	Accounts []Account
	Realm    string
	Logger   *zap.Logger
	// Renewed, if not nil, is called after Generation of a line's binding changed. It must not block.
	Renewed func(line string, b Binding)
}

// NewRegistrar returns a registrar without bindings, except the fixed ones.
func NewRegistrar(o RegistrarOptions) *Registrar { return &Registrar{} }

// Register answers a REGISTER, whatever it is.
func (r *Registrar) Register(req *endpoint.Request) {}

// Authenticate tells which line a request outside a dialog comes from. If it cannot, it has answered (401, 403) and returns false.
func (r *Registrar) Authenticate(req *endpoint.Request) (line string, ok bool) { return "", false }

// Binding returns where the adapter of a line is reached; false: nowhere now.
func (r *Registrar) Binding(line string) (Binding, bool) { return Binding{}, false }

// Status of a registration at the service.
type Status struct {
	Registered bool
	// Since and Until: when the state was reached and when the registration ends.
	Since, Until time.Time
	// Problem in words, "" if none.
	Problem string
}

// ClientOptions of [NewClient].
type ClientOptions struct {
	Line     string
	Endpoint *endpoint.Endpoint
	// Registrar is the service's registrar; AOR the address of record; Contact ours.
	Registrar, AOR     sip.Uri
	AuthUser, Password string
	Contact            sip.ContactHeader
	// Destination is where requests go (outbound proxy or the registrar's resolved address), "host:port"; "" resolves Registrar.
	Destination string
	Expires     time.Duration
	Logger      *zap.Logger
	// Changed, if not nil, is called when Registered changes. It must not block.
	Changed func(Status)
}

// Client keeps one line registered at the service, for ever.
type Client struct{}

// NewClient checks nothing and sends nothing.
func NewClient(o ClientOptions) *Client { return &Client{} }

// Run registers, refreshes and retries until ctx ends, then un-registers (for at most a second).
func (c *Client) Run(ctx context.Context) {}

// Status returns the present state.
func (c *Client) Status() Status { return Status{} }

// Authorize adds the credentials for the challenge in res (401 or 407) to req, which is about to be sent anew:
// it raises the CSeq number and drops the old Via. It fails if there is no challenge that we can answer, or if the
// same credentials were already refused (stale=true excepted).
func Authorize(req *sip.Request, res *sip.Response, user, password string) error { return nil }
