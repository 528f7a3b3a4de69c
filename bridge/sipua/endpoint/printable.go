package endpoint

import (
	"fmt"

	"clearback/supervision/sanitize"
)

// maxPrintable bounds what a log entry tells of a message, in characters, with the two dots for what was cut.
const maxPrintable = 122

// Printable makes a value that may hold what a peer sent fit for a log and for a terminal: see [sanitize.Text].
func Printable(v any) string { return sanitize.Text(fmt.Sprint(v), maxPrintable) }
