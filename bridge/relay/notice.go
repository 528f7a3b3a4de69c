package relay

import "time"

// NoticeKind says what a [Notice] is about.
type NoticeKind uint8

const (
	// LinkLost means that the connection to the controller ended, or that the first attempt to connect failed.
	LinkLost NoticeKind = iota
	// LinkBack means that the connection is back. Every contact on it was closed first.
	LinkBack
	// CloseFailing is an alarm: the contact may be open. It is sent at the first failed close, then every
	// [ReportEvery].
	CloseFailing
	// CloseConfirmed ends CloseFailing.
	CloseConfirmed
	// FoundOpen is an alarm: the contact reads open without an opening by the daemon. The driver is closing it.
	FoundOpen
	// TimerFailed is an alarm: the controller's own timer did not end an opening in time. The driver is closing the
	// contact by command.
	TimerFailed
)

var noticeNames = [...]string{"link lost", "link back", "close failing", "close confirmed", "found open",
	"timer failed"}

// String returns the kind in words.
func (k NoticeKind) String() string {
	if int(k) < len(noticeNames) {
		return noticeNames[k]
	}
	return "unknown notice"
}

// Alarm reports whether somebody should act at once.
func (k NoticeKind) Alarm() bool {
	return k == CloseFailing || k == FoundOpen || k == TimerFailed
}

// Notice is a driver's report for the log and the alarms, outside of any call's result.
type Notice struct {
	Kind NoticeKind
	// Controller is the controller's name in the configuration.
	Controller string
	// Contact is the line's name; empty if the notice is about the controller.
	Contact string
	// Err is the cause; nil for LinkBack and CloseConfirmed.
	Err error
	// Since is when the trouble began.
	Since time.Time
}
