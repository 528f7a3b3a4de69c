// Package control is the control interface of a running daemon, and its client. The interface uses HTTP/1.1 (RFC 9112)
// and JSON (RFC 8259) on a Unix socket, which file permissions protect. There is no TCP port for it. Within a version,
// fields may be added, but none is changed or removed. This is all of version 1:
//
//	GET    /v1/daemon                                               200 Daemon, with all lines
//	POST   /v1/reload                                               200 Reload; the file is read again
//	GET    /v1/restart                                              200 Restart
//	POST   /v1/lines/{line}/pulse        {"interval_ms":700}        200 Pulse; without interval_ms: the line's own interval
//	PUT    /v1/lines/{line}/interval     {"interval_ms":700}        204
//	POST   /v1/lines/{line}/trials                                  204; a tuning session begins
//	POST   /v1/lines/{line}/trials/ring                             200 {"call":7} when the near end has answered
//	POST   /v1/lines/{line}/trials/clear {"interval_ms":700,
//	                                      "pulse_dialling_off":true} 200 Trial; interval_ms 0: a catch trial
//	POST   /v1/lines/{line}/trials/keep  TrialAnswer                204
//	DELETE /v1/lines/{line}/trials                                  204; the session ends
//	POST   /v1/lines/{line}/second-server                           200 SecondServerTest when the test has ended
//	PUT    /v1/lines/{line}/second-server {"passed":true}           204; the test ends
//
// The capitalised bodies are the types of that name in this package. Durations are whole milliseconds, or microseconds
// if measured; those of a call's media are as in `calls --json`. Instants are in the form of RFC 3339. A line's name is
// escaped as a path segment. A request body is one JSON object of at most 64 KiB. An unknown field, or anything after
// the object, is an error. Every response has the header Clearback-Api with the version. An error response has the body
//
//	{"error":"no-such-line","text":"what, where, what to do"}
//
// where error is one of the constants Reason... The status is 400 (bad body), 404 (no such line, path or version), 405
// (method not allowed; see Allow), 409 (refused, busy, or a reload that needs a
// restart), 413 (body too long), 422 (the line's policy does not allow the interval, or the configuration file has
// faults), 500 (failed), 503 (the daemon is shutting down) or 504 (the outcome of an interruption did not come in
// time). With curl:
//
//	curl --unix-socket /run/clearback/control http://clearback/v1/daemon
//
// A client that disconnects cancels its trials/ring, and ends its test of the second server. A pulse or a trials/clear
// that has begun is completed.
package control

import (
	"context"
	"errors"
	"time"

	"clearback/supervision/callrecord"
)

// Version is the version of the interface. It is in every path ("/v1/lines"). Within a version, fields may be added,
// but none is changed.
const Version = 1

// Line is the state of a line.
type Line struct {
	Name    string  `json:"name"`
	Service Service `json:"service"`
	// Second is the line's second service, absent if it has none.
	Second  *Service `json:"second,omitempty"`
	Adapter Adapter  `json:"adapter"`
	Calls   []Call   `json:"calls"`
	Loop    string   `json:"loop"` // closed, opening, open, guarding, faulted
	// Fault is why the loop is faulted: loop-open if the contact reads open and does not close. Any other value means
	// that the state of the loop is unknown.
	Fault    string   `json:"fault,omitempty"`
	Contact  Contact  `json:"contact"`
	Interval Interval `json:"interval"`
	Verify   Verify   `json:"verify"`
	// LastClearing is the clearing of the last call, absent if there was none since the start.
	LastClearing *Clearing `json:"last_clearing,omitempty"`
	Incident     *Incident `json:"incident,omitempty"`
	// CallbackUntil is the end of the call-back window after an emergency call.
	CallbackUntil *time.Time `json:"callback_until,omitempty"`
	// NoOpeningUntil is the time until which no clearing opens the loop because there were too many. It is absent if no
	// such pause lasts.
	NoOpeningUntil *time.Time `json:"no_opening_until,omitempty"`
	LifeSafety     bool       `json:"life_safety,omitempty"`
	// Location is the file's note on where the line's telephones are.
	Location string `json:"location,omitempty"`
	Tuning   bool   `json:"tuning,omitempty"`
	// SecondServer is the second server in the adapter, absent if it was never tested.
	SecondServer *SecondServer `json:"second_server,omitempty"`
}

// Service is the line's registration at the service.
type Service struct {
	Registers  bool      `json:"registers"`
	Registered bool      `json:"registered"`
	Until      time.Time `json:"until,omitzero"`
	Problem    string    `json:"problem,omitempty"`
	// Since is when Registered last changed. Heard is when the service last sent anything.
	Since time.Time `json:"since,omitzero"`
	Heard time.Time `json:"heard,omitzero"`
}

// Adapter is the line's binding: the registration of its adapter.
type Adapter struct {
	Bound     bool      `json:"bound"`
	Address   string    `json:"address,omitempty"`
	Until     time.Time `json:"until,omitzero"`
	UserAgent string    `json:"user_agent,omitempty"`
	// Since is when the adapter registered from this address. Heard is when it last registered or answered, also if it
	// is not bound any more.
	Since time.Time `json:"since,omitzero"`
	Heard time.Time `json:"heard,omitzero"`
	// Refused is the last refusal of the line's adapter while it is not bound, absent if there was none in the last
	// hour.
	Refused *Refusal `json:"refused,omitempty"`
}

// Refusal is a registration or a call of an adapter that was not accepted.
type Refusal struct {
	At   time.Time `json:"at"`
	Age  int64     `json:"age_ms"` // by the daemon's own count
	From string    `json:"from"`
	User string    `json:"user,omitempty"`
	Why  string    `json:"why"`
}

// Call is a call of the line.
type Call struct {
	Call      uint64 `json:"call"`
	State     string `json:"state"` // waiting, offered, answered, clearing
	Direction string `json:"direction,omitempty"`
	Number    string `json:"number,omitempty"`
	Emergency bool   `json:"emergency,omitempty"`
	// Media is what has been received so far, absent if the call's media is not relayed.
	Media *callrecord.Media `json:"media,omitempty"`
}

// Contact is the relay contact.
type Contact struct {
	Driver     string `json:"driver"`
	Controller string `json:"controller,omitempty"`
	Kind       string `json:"kind"` // oneshot, watchdog, none
	// Problem is what is wrong with the controller, and Since is when that began.
	Problem string    `json:"problem,omitempty"`
	Since   time.Time `json:"since,omitzero"`
}

// Interval is the interval that the next clearing uses.
type Interval struct {
	Milliseconds int64 `json:"ms"`
	Configured   int64 `json:"configured_ms"`
	// Stayed is the number of holds that stayed and so lengthened the interval.
	Stayed int `json:"stayed"`
}

// Verify is how a clearing is verified.
type Verify struct {
	By      string `json:"by"` // options, sense, none
	Trusted bool   `json:"trusted"`
}

// Clearing is the last far-end clearing.
type Clearing struct {
	Call uint64    `json:"call"`
	At   time.Time `json:"at"`
	// Age is the time since then, in milliseconds. Changes of the clock do not affect it.
	Age     int64  `json:"age_ms"`
	Outcome string `json:"outcome"`
}

// Incident is an incident that lasts.
type Incident struct {
	Reason string    `json:"reason"`
	Rule   string    `json:"rule,omitempty"`
	Since  time.Time `json:"since"`
	// Age is the time since then, in milliseconds. Changes of the clock do not affect it.
	Age    int64  `json:"age_ms"`
	Advice string `json:"advice"`
}

// Daemon is the state of the daemon.
type Daemon struct {
	API     int       `json:"api"`
	Version string    `json:"version"`
	Started time.Time `json:"started"`
	Config  string    `json:"config"`
	// Problems are sentences about what keeps whole sockets from serving: an address that the machine does not have.
	Problems []string `json:"problems,omitempty"`
	Journal  Journal  `json:"journal"`
	Lines    []Line   `json:"lines"`
	Counts   []Count  `json:"counts,omitempty"`
	// Edited says that the configuration file is not the one that was loaded, and what to do. It is absent if the file
	// is the one that was loaded.
	Edited string `json:"edited,omitempty"`
	// Waiting are the lines that the loaded file changes, and that have not been changed yet.
	Waiting []Waiting `json:"waiting,omitempty"`
	// Refused is the last refusal of an adapter that could belong to more than one line, or to none.
	Refused *Refusal `json:"refused,omitempty"`
}

// Reload is the outcome of a reload, by the names of lines and controllers.
type Reload struct {
	Added   []string `json:"added"`
	Changed []string `json:"changed"`
	Removed []string `json:"removed"`
	Kept    []string `json:"kept"`
	// Controllers are those that were added, replaced or removed, or will be.
	Controllers []string `json:"controllers"`
	// Waiting are the lines of the lists above that are changed later.
	Waiting []Waiting `json:"waiting"`
}

// Restart is what a restart now would do to the calls.
type Restart struct {
	// EndsCalls is why the calls would end. It is absent if the next daemon would continue the answered calls.
	EndsCalls string `json:"ends_calls,omitempty"`
}

// Waiting is a line that a reload changes as soon as that cuts nothing.
type Waiting struct {
	// Line is absent if a controller without a line is concerned.
	Line string `json:"line,omitempty"`
	// Change is added, changed, removed, or controller: the line stays as it is, and its controller is replaced. It is
	// contact if that was done, but the contact that the line had before is not known closed.
	Change string `json:"change"`
	// Why is what the change waits for, or what to do.
	Why string `json:"why"`
}

// Count is how often something happened on the network since the start. Within a version, names may be added, but none
// is changed.
type Count struct {
	Name  string `json:"name"`
	Count uint64 `json:"count"`
	// Rejected means that what is counted was blocked or ignored.
	Rejected bool `json:"turned_away,omitempty"`
}

// Journal is the state of the journal.
type Journal struct {
	Path    string    `json:"path,omitempty"`
	Problem string    `json:"problem,omitempty"`
	Since   time.Time `json:"since,omitzero"`
	Dropped uint64    `json:"dropped,omitempty"`
	Queued  int       `json:"queued,omitempty"`
	Written uint64    `json:"written,omitempty"`
}

// Pulse is the outcome of a manual interruption.
type Pulse struct {
	Asked    int64  `json:"asked_ms"`
	Measured int64  `json:"measured_us,omitempty"`
	Hook     string `json:"hook"`               // on, off, unknown
	Refused  string `json:"refused,omitempty"`  // the rule
	Incident string `json:"incident,omitempty"` // the reason
	// DeviceText is what the device or its driver said about an opening that was not made as requested.
	DeviceText string `json:"said,omitempty"`
}

// Trial is the outcome of a trial.
type Trial struct {
	Call     uint64 `json:"call"`
	Asked    int64  `json:"asked_ms"`
	Measured int64  `json:"measured_us,omitempty"`
	Hook     string `json:"hook"`
	By       string `json:"by,omitempty"`
	Why      string `json:"why,omitempty"`
}

// TrialAnswer is what the user answered about a trial, or what was measured. It goes to the journal.
type TrialAnswer struct {
	Trial   Trial  `json:"trial"`
	Session int64  `json:"session"`
	Cleared string `json:"cleared"` // cleared, stayed, unknown
	RangUp  bool   `json:"rang_up"`
}

// Backend does the work for the server. Its methods may be called from any goroutine. An [*Error] that a method returns
// goes to the client unchanged. The contexts of Ring and TestSecondServer end when the client disconnects. Those of
// Pulse and Clear do not. All four end with [Server.Close], which waits for the methods.
type Backend interface {
	Daemon() Daemon
	Reload() (Reload, error)
	Restart() (Restart, error)
	Pulse(ctx context.Context, line string, interval time.Duration) (Pulse, error)
	SetInterval(line string, interval time.Duration) error
	BeginTrials(line string) error
	Ring(ctx context.Context, line string) (call uint64, err error)
	Clear(ctx context.Context, line string, interval time.Duration, pulseDiallingOff bool) (Trial, error)
	SaveTrial(line string, a TrialAnswer) error
	EndTrials(line string) error
	TestSecondServer(ctx context.Context, line string) (SecondServerTest, error)
	SecondServerTested(line string, passed bool) error
}

// Error is an error response.
type Error struct {
	Code   int    `json:"-"`     // HTTP status
	Reason string `json:"error"` // one of the constants below
	Text   string `json:"text"`  // what, where, what to do
}

// The values of [Error.Reason].
const (
	ReasonNoLine  = "no-such-line"
	ReasonBadBody = "bad-request"
	ReasonRefused = "refused"
	ReasonStopped = "stopped"
	ReasonBusy    = "busy"
	ReasonFailed  = "failed"
	// ReasonFaults means that the configuration file has faults. The text has one fault per line.
	ReasonFaults = "faults"
	// ReasonRestart means that the configuration file changes what only a restart can change. The text has one line per
	// key.
	ReasonRestart = "needs-restart"
	// ReasonNoPath means that the version has no such path, or that the path does not have the method.
	ReasonNoPath = "no-such-path"
	// ReasonNoVersion means that the daemon has another version of the interface.
	ReasonNoVersion = "no-such-version"
)

// Error implements error.
func (e *Error) Error() string { return e.Text }

// The errors of connecting to the socket and of creating it.
var (
	// ErrNotRunning means that no daemon accepts connections at the socket.
	ErrNotRunning = errors.New("control: no daemon answers at the control socket")
	// ErrPermission means that this user may not use the socket.
	ErrPermission = errors.New("control: no permission for the control socket")
	// ErrVersion means that another version of the interface answers, or a program other than clearback.
	ErrVersion = errors.New("control: another version answers at the control socket")
	// ErrSocketInUse means that the path is taken: another daemon has its socket there, or it is something else.
	ErrSocketInUse = errors.New("control: the control socket cannot be created")
)
