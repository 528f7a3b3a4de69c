package sipua

import (
	"strings"

	"github.com/emiago/sipgo/sip"

	"clearback/bridge/media"
	"clearback/bridge/sipua/endpoint"
	"clearback/supervision"
)

// handleHookFlash posts a hook flash that the adapter reports by INFO. It counts even when the call's leg is over: an
// opening that the adapter took for a flash may end after its BYE was answered.
func (l *leg) handleHookFlash(r *endpoint.Request) {
	if l.side == media.AdapterSide && r.Method == sip.INFO && hookFlash(r.Request) {
		l.c.event(supervision.Event{Kind: supervision.FlashReported})
	}
}

// flashInMedia posts a hook flash that the adapter sent as a telephone event (RFC 4733). The relay calls it from its
// own goroutine.
func (c *call) flashInMedia() { c.event(supervision.Event{Kind: supervision.FlashReported}) }

// hookFlash reports whether an INFO carries a hook flash. No standard defines one. By common practice it is a body of
// type application/hook-flash, or a digit body whose signal is event 16 (flash in RFC 2833 section 3.10), "!" or a name
// for it.
func hookFlash(m sip.Message) bool {
	kind, _, _ := strings.Cut(first(m, "Content-Type"), ";")
	body := string(m.Body())
	switch strings.ToLower(strings.TrimSpace(kind)) {
	case "application/hook-flash":
		return true
	case "application/dtmf":
		return flashSignal(body) || flashSignal(signal(body))
	case "application/dtmf-relay":
		return flashSignal(signal(body))
	}
	return false
}

// signal returns the value of the line "Signal=".
func signal(body string) string {
	for line := range strings.Lines(body) {
		if name, value, ok := strings.Cut(line, "="); ok && strings.EqualFold(strings.TrimSpace(name), "signal") {
			return value
		}
	}
	return ""
}

func flashSignal(s string) bool {
	switch strings.ToLower(strings.TrimSpace(s)) {
	case "16", "!", "flash", "hf", "hookflash", "hook-flash":
		return true
	}
	return false
}
