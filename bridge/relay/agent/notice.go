package agent

import "fmt"

// NoticeKind says what a notice is about.
type NoticeKind uint8

const (
	OutputFailed   NoticeKind = iota // a contact is not known to be closed, or did not do as commanded
	OutputBack                       // the contact is closed again
	MasterQuiet                      // the watchdog closed a contact
	ClosedLate                       // a closing was more than 50 ms late
	StoodStill                       // the agent itself did not run for a time
	PeerRefused                      // a machine outside allow_from, or one connection too many
	WatchdogNotFed                   // a thread does not answer, so the watchdogs are not fed
)

// String returns the kind in words.
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
	// Contact is empty if the notice concerns no single contact.
	Contact string
	Err     error
}
