// Package alarm decides who is told what, and when.
package alarm

import "time"

// Message is what a person or a program is told.
type Message struct {
	ID      string    `json:"id"`      // stays the same if the message is sent again; letters, digits and hyphens, at most 64 bytes
	At      time.Time `json:"at"`      // when it was decided
	Site    string    `json:"site"`    // `alarms.site` in the file, or the host's name
	Kind    Kind      `json:"kind"`    // text: "begun", "lasts", "ended", "test", "summary"
	Urgent  bool      `json:"urgent"`  // an emergency call, or a loop that is open or unknown
	Subject string    `json:"subject"` // one line, at most 120 bytes, no control characters
	Text    string    `json:"text"`    // plain text, lines at most 76 columns wide where possible
	Alarms  []Alarm   `json:"alarms,omitempty"`
}

// Alarm is one thing that a message tells.
type Alarm struct {
	Key    string    `json:"key"`   // what it is about: stable while it lasts, such as "line/box-office/unreachable"
	Class  Class     `json:"class"` // text
	Line   string    `json:"line,omitempty"`
	Reason string    `json:"reason"` // the word of the incident or trouble
	What   string    `json:"what"`   // a sentence: what was seen
	Do     string    `json:"do"`     // a sentence: what to do
	Since  time.Time `json:"since"`
	Until  time.Time `json:"until,omitzero"` // zero: it lasts
}

// Kind says why a message is sent.
type Kind string

// Class says how serious an alarm is.
type Class string
