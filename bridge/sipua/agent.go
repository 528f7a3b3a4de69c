// Package sipua is the inline SIP user agent: for each line a registrar and outbound server towards the adapter and a
// user agent towards the service, two legs a call (a B2BUA, RFC 7092). It reports what happened as events and carries
// out effects; it decides nothing about the loop.
package sipua

import (
	"context"
	"net/netip"
	"time"

	"github.com/emiago/sipgo/sip"
	"go.uber.org/zap"

	"clearback/bridge/media"
	"clearback/bridge/sipua/registration"
	"clearback/supervision"
)

// Events takes what happened on a line, in order. Post never blocks and never drops.
type Events interface {
	Post(ev supervision.Event)
}

// Socket is where one side of one or more lines listens. Lines with equal Sockets share one.
type Socket struct {
	Listen    netip.AddrPort
	UDP, TCP  bool
	Advertise string
}

// LineOptions of one line.
type LineOptions struct {
	Name                       string
	AdapterSocket              Socket
	AdapterUser, AdapterSecret string
	AdapterFixed               *sip.Uri // reached without registering
	AdapterAllow               []netip.Prefix

	ServiceSocket            Socket
	Registrar                sip.Uri // its host is the domain of the address of record
	ServiceUser, ServiceAuth string
	ServiceSecret            string
	ServiceProxy             string // "host:port", "" resolves Registrar
	Register                 bool
	Expires                  time.Duration

	// Relay: RTP passes through this process; otherwise the SDP passes and RTP goes directly.
	Relay  bool
	Events Events
}

// Options of [Start].
type Options struct {
	Lines   []LineOptions
	Realm   string
	Numbers *supervision.Numbers
	// Media may be nil if no line relays.
	Media  *media.Relay
	Logger *zap.Logger
}

// Agent serves all lines.
type Agent struct{}

// Start opens the sockets and begins to register.
func Start(o Options) (*Agent, error) { return &Agent{}, nil }

// Line returns the line of that name, nil if there is none.
func (a *Agent) Line(name string) *Line { return nil }

// Drain refuses new ordinary calls with 503; emergency calls still pass.
func (a *Agent) Drain() {}

// ClearOrdinary clears every call that is no emergency call on both sides, with EvidenceShutdown.
func (a *Agent) ClearOrdinary() {}

// AwaitEmergency returns when no emergency call is up, or ctx ended.
func (a *Agent) AwaitEmergency(ctx context.Context) {}

// Close ends what is left, un-registers, closes the sockets and waits for all goroutines.
func (a *Agent) Close() error { return nil }

// Line carries out effects. Its methods do not block and may be called from any goroutine.
type Line struct{}

// Offer sends an arrived call to the adapter.
func (l *Line) Offer(call supervision.CallID) {}

// Refuse answers an arrived call that was never offered.
func (l *Line) Refuse(call supervision.CallID, code int) {}

// ClearAdapterLeg ends the call towards the adapter; AdapterLegCleared is posted with the outcome.
func (l *Line) ClearAdapterLeg(call supervision.CallID) {}

// ClearFarEnd ends the call towards the far end.
func (l *Line) ClearFarEnd(call supervision.CallID) {}

// Probe asks the adapter by OPTIONS (RFC 3261 section 11.2); ProbeAnswered is posted.
func (l *Line) Probe() {}

// Status of a line, for people.
type Status struct {
	Binding     registration.Binding
	Bound       bool
	Service     registration.Status
	ServiceAddr netip.AddrPort // our socket towards the service, real port
	AdapterAddr netip.AddrPort // our socket towards the adapter, real port
	Calls       int
}

// Status returns the present state.
func (l *Line) Status() Status { return Status{} }

// Ask sends OPTIONS to the adapter and returns the status code, for `check --live`.
func (l *Line) Ask(ctx context.Context) (code int, userAgent string, err error) { return 0, "", nil }
