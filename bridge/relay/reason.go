package relay

import (
	"errors"
	"strings"

	"clearback/supervision/sanitize"
)

// maxReason is the longest text taken from a device, in characters. The limit is our own: two lines of a terminal.
const maxReason = 200

// Reason returns, as one line of plain text, why an opening was not made. If an error in the chain has a method
// Reason() string, that method returns the device's own words, and Reason returns those. Otherwise it returns the whole
// error.
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

// PlainText turns a device's text into one line of bounded length without control characters.
func PlainText(s string) string {
	return sanitize.Text(strings.Join(strings.Fields(s), " "), maxReason)
}
