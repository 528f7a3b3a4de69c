package alarm

import "time"

// Kind says what a message is about.
type Kind string

// The kinds.
const (
	KindBegun Kind = "begun" // something began; the message may also tell what has ended since
	KindLasts Kind = "lasts" // what was told before lasts
	KindEnded Kind = "ended" // what was told before has ended
	KindTest  Kind = "test"  // somebody tests a way

	KindSummary Kind = "summary" // what happened in a week; it has no alarms
)

// Class says how serious an alarm is and whom it concerns.
type Class string

// The classes. The first three are urgent.
const (
	ClassEmergency    Class = "emergency"    // an emergency call was not answered
	ClassLoop         Class = "loop"         // a loop is open, or its state is unknown
	ClassDaemon       Class = "daemon"       // the daemon does not answer, or crashes again and again
	ClassAbandoned    Class = "abandoned"    // an emergency call was abandoned by its caller
	ClassLine         Class = "line"         // another incident of a line
	ClassInterval     Class = "interval"     // a line needs a longer interval than the file has
	ClassRegistration Class = "registration" // an adapter or a service is not registered
	ClassController   Class = "controller"   // a controller is lost or answers nonsense
	ClassRecord       Class = "record"       // the journal cannot be written
	ClassWay          Class = "way"          // a way out does not accept alarms
	ClassNetwork      Class = "network"      // this machine does not have an address of the file
	ClassCertificate  Class = "certificate"  // a certificate expires soon
	ClassTest         Class = "test"         // somebody tests a way
)

// Urgent reports whether alarms of the class are told at once, each for itself, also in quiet hours.
func (c Class) Urgent() bool { return c == ClassEmergency || c == ClassLoop || c == ClassDaemon }

// Message is what a person or a program is told.
type Message struct {
	ID      string    `json:"id"`      // stays the same if the message is sent again; letters, digits and hyphens, at most 64 bytes
	At      time.Time `json:"at"`      // when it was decided
	Site    string    `json:"site"`    // `alarms.site` in the file, or the host's name
	Kind    Kind      `json:"kind"`    // text: "begun", "lasts", "ended", "summary" or "test"
	Urgent  bool      `json:"urgent"`  // an emergency call, a loop that is open or unknown, or a dead daemon
	Subject string    `json:"subject"` // one line, at most 120 bytes, no control characters
	Text    string    `json:"text"`    // plain text, lines at most 76 columns wide where possible
	Alarms  []Alarm   `json:"alarms,omitempty"`
	Summary *Week     `json:"summary,omitempty"` // of a message of that kind
}

// Alarm is one thing that a message tells.
type Alarm struct {
	Key    string    `json:"key"`   // what it is about: stable while it lasts, such as "line/box-office/unreachable"
	Class  Class     `json:"class"` // see [Class]
	Line   string    `json:"line,omitempty"`
	Reason string    `json:"reason"` // the word of the incident or trouble
	What   string    `json:"what"`   // a sentence: what was seen
	Do     string    `json:"do"`     // a sentence: what to do
	Since  time.Time `json:"since"`
	Until  time.Time `json:"until,omitzero"` // zero: it lasts
}
