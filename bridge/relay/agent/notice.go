package agent

import "fmt"

// NoticeKind says what a notice is about.
type NoticeKind uint8

// The notices.
const (
	OutputFailed   NoticeKind = iota // a contact is not known to be closed, or did not do as told
	OutputBack                       // it is closed again
	MasterQuiet                      // the watchdog closed a contact
	ClosedLate                       // a closing was more than 50 ms late
	StoodStill                       // the agent itself did not run for a while
	PeerRefused                      // somebody who is not in the list, or one connection too many
	WatchdogNotFed                   // a thread does not answer, so the watchdogs are not fed
)

// String names the kind.
func (k NoticeKind) String() string {
	names := [...]string{"output failed", "output works again", "master went quiet", "closed late", "stood still",
		"peer refused", "watchdog not fed"}
	if int(k) < len(names) {
		return names[k]
	}
	return fmt.Sprintf("notice %d", k)
}

// Notice is something that an operator should know.
type Notice struct {
	Kind NoticeKind
	// Contact is empty where it is none's.
	Contact string
	Err     error
}
