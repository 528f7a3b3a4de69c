package endpoint

import (
	"fmt"
	"strings"
	"unicode"
	"unicode/utf8"
)

// maxPrintable bounds what a log entry tells of a message.
const maxPrintable = 120

// Printable makes a value that may hold what a peer sent fit for a log and for a terminal: whatever does not print (line ends, escape
// sequences of terminals, changes of the direction of writing) becomes "?", and what is long is cut after 120 characters.
func Printable(v any) string {
	var b strings.Builder
	n := 0
	for _, r := range bounded(fmt.Sprint(v)) {
		if n == maxPrintable {
			b.WriteString("..")
			break
		}
		if r == utf8.RuneError || !unicode.IsPrint(r) {
			r = '?'
		}
		b.WriteRune(r)
		n++
	}
	return b.String()
}

// bounded keeps what can matter to Printable.
func bounded(s string) string { return s[:min(len(s), utf8.UTFMax*(maxPrintable+1))] }
