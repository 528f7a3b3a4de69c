package relay

import (
	"errors"
	"strings"

	"clearback/supervision/sanitize"
)

// maxReason bounds what a device's words take, in characters: our own number, two lines of a terminal.
const maxReason = 200

// Reason returns in one plain line why an opening was not made: the device's own words where it said some, else the
// whole error. An error with a method Reason() string holds them.
func Reason(err error) string {
	if err == nil {
		return ""
	}
	text := err.Error()
	if said := (interface{ Reason() string })(nil); errors.As(err, &said) {
		text = said.Reason()
	}
	return PlainText(text)
}

// PlainText makes one bounded line of a device's words, with nothing in it that a terminal would act on.
func PlainText(s string) string {
	return sanitize.Text(strings.Join(strings.Fields(s), " "), maxReason)
}
