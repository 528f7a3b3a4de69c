// Package status is the control of a running daemon: HTTP and JSON on a Unix socket with file permissions, and its client. There is no
// TCP port for it.
package status

import (
	"context"
	"errors"
	"time"

	"go.uber.org/zap"
)

// Version of the documented shape; it is in every path ("/v1/lines"). A field may be added within a version, none changes.
const Version = 1

// Line is what a line is doing now.
type Line struct {
	Name     string   `json:"name"`
	Service  Service  `json:"service"`
	Adapter  Adapter  `json:"adapter"`
	Calls    []Call   `json:"calls"`
	Loop     string   `json:"loop"` // closed, opening, open, guarding, faulted
	Contact  Contact  `json:"contact"`
	Interval Interval `json:"interval"`
	Verify   Verify   `json:"verify"`
	// LastClearing is that of the last call, absent if there was none since the start.
	LastClearing *Clearing `json:"last_clearing,omitempty"`
	Incident     *Incident `json:"incident,omitempty"`
	// CallbackUntil is the end of the call-back window after an emergency call.
	CallbackUntil *time.Time `json:"callback_until,omitempty"`
	LifeSafety    bool       `json:"life_safety,omitempty"`
	Tuning        bool       `json:"tuning,omitempty"`
}

// Service is the line's registration at the service.
type Service struct {
	Registers  bool      `json:"registers"`
	Registered bool      `json:"registered"`
	Until      time.Time `json:"until,omitzero"`
	Problem    string    `json:"problem,omitempty"`
}

// Adapter is the line's binding.
type Adapter struct {
	Bound     bool      `json:"bound"`
	Address   string    `json:"address,omitempty"`
	Until     time.Time `json:"until,omitzero"`
	UserAgent string    `json:"user_agent,omitempty"`
}

// Call is a call of the line.
type Call struct {
	Call      uint64 `json:"call"`
	State     string `json:"state"` // waiting, offered, answered, clearing
	Direction string `json:"direction,omitempty"`
	Number    string `json:"number,omitempty"`
	Emergency bool   `json:"emergency,omitempty"`
}

// Contact is the relay contact.
type Contact struct {
	Driver     string `json:"driver"`
	Controller string `json:"controller,omitempty"`
	Kind       string `json:"kind"` // oneshot, watchdog, none
	Problem    string `json:"problem,omitempty"`
}

// Interval is what the next clearing uses.
type Interval struct {
	Milliseconds int64 `json:"ms"`
	Configured   int64 `json:"configured_ms"`
	// Stayed counts the holds that stayed and made it longer.
	Stayed int `json:"stayed"`
}

// Verify says how a clearing is verified.
type Verify struct {
	By      string `json:"by"` // options, sense, none
	Trusted bool   `json:"trusted"`
}

// Clearing is the last far-end clearing.
type Clearing struct {
	Call    uint64    `json:"call"`
	At      time.Time `json:"at"`
	Outcome string    `json:"outcome"`
}

// Incident that lasts.
type Incident struct {
	Reason string    `json:"reason"`
	Rule   string    `json:"rule,omitempty"`
	Since  time.Time `json:"since"`
	Advice string    `json:"advice"`
}

// Daemon is what the daemon says of itself.
type Daemon struct {
	API     int       `json:"api"`
	Version string    `json:"version"`
	Started time.Time `json:"started"`
	Config  string    `json:"config"`
	Journal Journal   `json:"journal"`
	Lines   []Line    `json:"lines"`
}

// Journal is the journal's health.
type Journal struct {
	Path    string    `json:"path,omitempty"`
	Problem string    `json:"problem,omitempty"`
	Since   time.Time `json:"since,omitzero"`
	Dropped uint64    `json:"dropped,omitempty"`
	Queued  int       `json:"queued,omitempty"`
}

// Pulse is what became of an interruption by hand.
type Pulse struct {
	Asked    int64  `json:"asked_ms"`
	Measured int64  `json:"measured_us,omitempty"`
	Hook     string `json:"hook"`               // on, off, unknown
	Refused  string `json:"refused,omitempty"`  // the rule
	Incident string `json:"incident,omitempty"` // the reason
}

// Trial is what became of a trial.
type Trial struct {
	Call     uint64 `json:"call"`
	Asked    int64  `json:"asked_ms"`
	Measured int64  `json:"measured_us,omitempty"`
	Hook     string `json:"hook"`
	By       string `json:"by,omitempty"`
	Why      string `json:"why,omitempty"`
}

// TrialAnswer is what the user said about a trial, or what was seen; it goes to the journal.
type TrialAnswer struct {
	Trial   Trial  `json:"trial"`
	Session int64  `json:"session"`
	Cleared string `json:"cleared"` // cleared, stayed, unknown
	RangUp  bool   `json:"rang_up"`
}

// House is what the server serves. Its methods may be called from any goroutine; an error that is an [*Error] goes to the client as it is.
type House interface {
	Daemon() Daemon
	Pulse(ctx context.Context, line string, interval time.Duration) (Pulse, error)
	SetInterval(line string, interval time.Duration) error
	BeginTrials(line string) error
	Ring(ctx context.Context, line string) (call uint64, err error)
	Clear(ctx context.Context, line string, interval time.Duration, pulseDiallingOff bool) (Trial, error)
	KeepTrial(line string, a TrialAnswer) error
	EndTrials(line string) error
}

// Error is an answer that is no success.
type Error struct {
	Code   int    `json:"-"`     // HTTP status
	Reason string `json:"error"` // a word, of the constants below
	Text   string `json:"text"`  // what, where, what to do
}

// The words of [Error.Reason].
const (
	ReasonNoLine  = "no-such-line"
	ReasonBadBody = "bad-request"
	ReasonRefused = "refused"
	ReasonStopped = "stopped"
	ReasonBusy    = "busy"
	ReasonFailed  = "failed"
)

// Error implements error.
func (e *Error) Error() string { return e.Text }

// ErrNotRunning: nobody answers at the socket.
var ErrNotRunning = errors.New("status: no daemon answers at the control socket")

// Options of [Listen].
type Options struct {
	Path  string // of the Unix socket
	Group string // that may use it besides the owner; "": the process's own
	House House
	// Logger may be nil.
	Logger *zap.Logger
}

// Server serves the control socket.
type Server struct{}

// Listen makes the socket, 0660, and serves it. A socket that a dead daemon left behind is replaced; one that answers is an error.
func Listen(o Options) (*Server, error) { return &Server{}, nil }

// Close ends the requests under way, waits for them, and removes the socket.
func (s *Server) Close() error { return nil }

// Client is the other end. Its methods return [*Error] where the server said no, and an error that is [ErrNotRunning] where nobody answers.
type Client struct{}

// NewClient connects with the first request.
func NewClient(path string) *Client { return &Client{} }

// Daemon asks for everything.
func (c *Client) Daemon(ctx context.Context) (Daemon, error) { return Daemon{}, ErrNotRunning }

// Pulse asks for one interruption by hand (0: the line's own interval) and waits for what became of it.
func (c *Client) Pulse(ctx context.Context, line string, interval time.Duration) (Pulse, error) {
	return Pulse{}, ErrNotRunning
}

// SetInterval changes the interval in use; the configuration file is the caller's business.
func (c *Client) SetInterval(ctx context.Context, line string, interval time.Duration) error {
	return ErrNotRunning
}

// BeginTrials begins a tuning session on the line. It ends with EndTrials, or when the client's connection has been silent for 15 minutes.
func (c *Client) BeginTrials(ctx context.Context, line string) error { return ErrNotRunning }

// Ring calls the line and returns when the near end answered.
func (c *Client) Ring(ctx context.Context, line string) (call uint64, err error) {
	return 0, ErrNotRunning
}

// Clear clears the trial's call with the interval (0: a catch trial).
func (c *Client) Clear(ctx context.Context, line string, interval time.Duration, pulseDiallingOff bool) (Trial, error) {
	return Trial{}, ErrNotRunning
}

// KeepTrial puts a trial into the journal.
func (c *Client) KeepTrial(ctx context.Context, line string, a TrialAnswer) error {
	return ErrNotRunning
}

// EndTrials ends the session.
func (c *Client) EndTrials(ctx context.Context, line string) error { return ErrNotRunning }
