// Package control is the control of a running daemon: HTTP/1.1 (RFC 9112) and JSON (RFC 8259) on a Unix socket with
// file permissions, and its client. There is no TCP port for it. Within a version fields are only added. This is the
// whole of it, version 1:
//
//	GET    /v1/daemon                                               200 Daemon, with all lines
//	POST   /v1/lines/{line}/pulse        {"interval_ms":700}        200 Pulse; without interval_ms: the line's own interval
//	PUT    /v1/lines/{line}/interval     {"interval_ms":700}        204
//	POST   /v1/lines/{line}/trials                                  204; a tuning session begins
//	POST   /v1/lines/{line}/trials/ring                             200 {"call":7} when the near end has answered
//	POST   /v1/lines/{line}/trials/clear {"interval_ms":700,
//	                                      "pulse_dialling_off":true} 200 Trial; interval_ms 0: a catch trial
//	POST   /v1/lines/{line}/trials/keep  TrialAnswer                204
//	DELETE /v1/lines/{line}/trials                                  204; the session ends
//
// The capitalised bodies are the types of that name here. Lengths are whole milliseconds (measured ones microseconds),
// instants RFC 3339, a line's name is escaped as a path segment. A body is one JSON object of at most 64 KiB; a field
// that is not known, or anything after the object, is an error. Every answer has the header Clearback-Api with the
// version. Whatever is no success is
//
//	{"error":"no-such-line","text":"what, where, what to do"}
//
// with the words of the constants Reason... and the status 400 (the body), 404 (no such line, path or version), 405
// (another method; Allow says which), 409 (refused or busy), 413 (too long), 422 (an interval that the line's policy
// does not allow), 500 (failed), 503 (the daemon ends) or 504 (nothing was heard of an interruption). With curl:
//
//	curl --unix-socket /run/clearback/control http://clearback/v1/daemon
//
// A client that goes away withdraws its trials/ring; a pulse or a trials/clear that has begun goes on to its end.
package control

import (
	"context"
	"errors"
	"time"
)

// Version of the documented shape; it is in every path ("/v1/lines"). A field may be added within a version, none
// changes.
const Version = 1

// Line is what a line is doing now.
type Line struct {
	Name    string  `json:"name"`
	Service Service `json:"service"`
	// Second is the line's second service, absent if it has none.
	Second  *Service `json:"second,omitempty"`
	Adapter Adapter  `json:"adapter"`
	Calls   []Call   `json:"calls"`
	Loop    string   `json:"loop"` // closed, opening, open, guarding, faulted
	// Fault is why the loop is faulted: loop-open if the contact reads open and does not close, else nobody knows where
	// it is.
	Fault    string   `json:"fault,omitempty"`
	Contact  Contact  `json:"contact"`
	Interval Interval `json:"interval"`
	Verify   Verify   `json:"verify"`
	// LastClearing is that of the last call, absent if there was none since the start.
	LastClearing *Clearing `json:"last_clearing,omitempty"`
	Incident     *Incident `json:"incident,omitempty"`
	// CallbackUntil is the end of the call-back window after an emergency call.
	CallbackUntil *time.Time `json:"callback_until,omitempty"`
	// NoOpeningUntil is the end of the time in which no clearing opens the loop, since there were too many; absent:
	// they do.
	NoOpeningUntil *time.Time `json:"no_opening_until,omitempty"`
	LifeSafety     bool       `json:"life_safety,omitempty"`
	// Location is the file's note on where the line's telephones are.
	Location string `json:"location,omitempty"`
	Tuning   bool   `json:"tuning,omitempty"`
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
	Call uint64    `json:"call"`
	At   time.Time `json:"at"`
	// Age is how long ago it was, in milliseconds, whatever was done to the clock since.
	Age     int64  `json:"age_ms"`
	Outcome string `json:"outcome"`
}

// Incident that lasts.
type Incident struct {
	Reason string    `json:"reason"`
	Rule   string    `json:"rule,omitempty"`
	Since  time.Time `json:"since"`
	// Age is how long it lasts, in milliseconds, whatever was done to the clock since.
	Age    int64  `json:"age_ms"`
	Advice string `json:"advice"`
}

// Daemon is what the daemon says of itself.
type Daemon struct {
	API     int       `json:"api"`
	Version string    `json:"version"`
	Started time.Time `json:"started"`
	Config  string    `json:"config"`
	Journal Journal   `json:"journal"`
	Lines   []Line    `json:"lines"`
	Counts  []Count   `json:"counts,omitempty"`
}

// Count is how often something happened on the network since the start. A name stays within a version; names are added.
type Count struct {
	Name  string `json:"name"`
	Count uint64 `json:"count"`
	// Rejected: what was not let in, or not heard.
	Rejected bool `json:"turned_away,omitempty"`
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
	// DeviceText is what the device, or its driver, said of an opening that was not made as asked.
	DeviceText string `json:"said,omitempty"`
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

// Backend is what the server serves. Its methods may be called from any goroutine; an error that is an [*Error] goes to
// the client as it is. The context of Ring ends when the client goes away; those of Pulse and Clear do not. All end
// with [Server.Close], which waits for the methods.
type Backend interface {
	Daemon() Daemon
	Pulse(ctx context.Context, line string, interval time.Duration) (Pulse, error)
	SetInterval(line string, interval time.Duration) error
	BeginTrials(line string) error
	Ring(ctx context.Context, line string) (call uint64, err error)
	Clear(ctx context.Context, line string, interval time.Duration, pulseDiallingOff bool) (Trial, error)
	SaveTrial(line string, a TrialAnswer) error
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
	// ReasonNoPath: the version has no such path, or the path no such method.
	ReasonNoPath = "no-such-path"
	// ReasonNoVersion: the daemon speaks another version.
	ReasonNoVersion = "no-such-version"
)

// Error implements error.
func (e *Error) Error() string { return e.Text }

// What keeps a client from being served, and a server from serving.
var (
	// ErrNotRunning: nobody answers at the socket.
	ErrNotRunning = errors.New("status: no daemon answers at the control socket")
	// ErrPermission: the socket is there, and not for this user.
	ErrPermission = errors.New("status: no permission for the control socket")
	// ErrVersion: who answers is a daemon of another version of the interface, or none at all.
	ErrVersion = errors.New("status: another version answers at the control socket")
	// ErrSocketInUse: the path is not ours to take: another daemon answers there, or it is no socket.
	ErrSocketInUse = errors.New("status: the control socket cannot be made")
)
