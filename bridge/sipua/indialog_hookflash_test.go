package sipua

import (
	"fmt"
	"testing"
	"testing/synctest"

	"github.com/emiago/sipgo/sip"
)

// A hook flash that the adapter reports is posted, and passed on like every INFO.
func TestFlashReported(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t, quickDateCheck)
		c := h.incoming()
		c.near.Request("INFO", "Signal=16\r\nDuration=300\r\n", "Content-Type: application/dtmf-relay")
		info := h.service.Expect("INFO")
		contains(t, info.Body, "Signal=16")
		h.service.Respond(info, 200, "", "")
		h.adapter.ExpectOf("200", "INFO")
		h.machine.saw("1 flash")
		// a digit is no flash, and the far end has no hook here
		c.near.Request("INFO", "Signal=6\r\n", "Content-Type: application/dtmf-relay")
		h.service.Respond(h.service.Expect("INFO"), 200, "", "")
		h.adapter.ExpectOf("200", "INFO")
		c.far.Request("INFO", "", "Content-Type: application/hook-flash")
		h.adapter.Respond(h.adapter.Expect("INFO"), 200, "", "")
		h.service.ExpectOf("200", "INFO")

		c.far.Request("BYE", "")
		h.service.ExpectOf("200", "BYE")
		h.adapter.Respond(h.adapter.Expect("BYE"), 200, "", "")
		h.machine.saw("1 far end cleared: bye", "1 adapter leg cleared: confirmed")
		// the adapter took the opening that released the hold for a flash, and reports it after the leg is over
		c.near.Request("INFO", "", "Content-Type: application/hook-flash")
		h.adapter.ExpectOf("481", "INFO")
		h.machine.saw("1 flash")
		// a sender with a wrong tag reports nothing
		c.near.Local += "x"
		c.near.Request("INFO", "", "Content-Type: application/hook-flash")
		h.adapter.ExpectOf("481", "INFO")
		if len(h.machine.seen) > 0 {
			t.Fatalf("reported %s", <-h.machine.seen)
		}
	})
}

func TestHookFlashBodies(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		kind, body string
		want       bool
	}{
		{"application/hook-flash", "", true},
		{"Application/Hook-Flash;version=1", "anything", true},
		{"application/dtmf-relay", "Signal=16\r\nDuration=160", true},
		{"application/dtmf-relay", "Duration= 160\r\nsignal = hf\r\n", true},
		{"application/dtmf-relay", "Signal=!\n", true},
		{"application/dtmf", "16", true},
		{"application/dtmf", "flash\r\n", true},
		{"application/dtmf", "Signal=Flash", true},
		{"application/dtmf", "1", false},
		{"application/dtmf-relay", "Signal=1\r\nDuration=16", false},
		{"application/dtmf-relay", "", false},
		{"application/sdp", "Signal=16", false},
		{"", "16", false},
	} {
		m := sip.NewRequest(sip.INFO, sip.Uri{Scheme: "sip", Host: "box.example"})
		if c.kind != "" {
			m.AppendHeader(sip.NewHeader("Content-Type", c.kind))
		}
		m.SetBody([]byte(c.body))
		if got := hookFlash(m); got != c.want {
			t.Errorf("%s", fmt.Sprintf("%s %q: %v, want %v", c.kind, c.body, got, c.want))
		}
	}
}
