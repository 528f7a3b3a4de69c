package endpoint

import (
	"fmt"

	"clearback/supervision/sanitize"
)

// maxPrintable bounds what a log entry quotes of a message, in characters, including the two dots that mark a cut.
const maxPrintable = 122

// Printable makes a value that may hold what a peer sent safe for a log and a terminal: see [sanitize.Text].
func Printable(v any) string { return sanitize.Text(fmt.Sprint(v), maxPrintable) }
