package relay

import "time"

// NoticeKind says what a [Notice] is about.
type NoticeKind uint8

// The kinds of notices.
const (
	// LinkLost: the connection to the controller ended, or could not be made the first time.
	LinkLost NoticeKind = iota
	// LinkBack: there is a connection again, and every contact on it was put to closed first.
	LinkBack
	// CloseFailing is an alarm: the contact is not known to be closed. It comes at the first failed close, then at a
	// set pace.
	CloseFailing
	// CloseConfirmed ends CloseFailing.
	CloseConfirmed
	// FoundOpen is an alarm: the contact read open although nobody had opened it; it is being closed.
	FoundOpen
	// TimerFailed is an alarm: the controller's own timer did not end an opening in time; it is being closed by
	// command.
	TimerFailed
)

var noticeNames = [...]string{"link lost", "link back", "close failing", "close confirmed", "found open",
	"timer failed"}

// String names the kind in words.
func (k NoticeKind) String() string {
	if int(k) < len(noticeNames) {
		return noticeNames[k]
	}
	return "unknown notice"
}

// Alarm reports whether somebody should look at once.
func (k NoticeKind) Alarm() bool {
	return k == CloseFailing || k == FoundOpen || k == TimerFailed
}

// Notice is what a driver has to say outside of a call, for the log and the alarms.
type Notice struct {
	Kind NoticeKind
	// Controller is the controller's name in the configuration.
	Controller string
	// Contact is the line's name; empty if the notice is about the controller.
	Contact string
	// Err is the cause; nil for LinkBack and CloseConfirmed.
	Err error
	// Since is when this trouble began.
	Since time.Time
}
