package sipua

import (
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"go.uber.org/zap/zaptest/observer"

	"clearback/bridge/sipua/uatest"
	"clearback/supervision/dialplan"
)

// redirect answers an INVITE at the service with a 3xx and expects its ACK.
func (h *testBed) redirect(inv uatest.Message, code int, contacts ...string) {
	h.t.Helper()
	var extra []string
	for _, c := range contacts {
		if c != "" {
			extra = append(extra, "Contact: "+c)
		}
	}
	h.service.Respond(inv, code, "moved", "", extra...)
	h.service.Expect("ACK")
}

// invitedTo expects an INVITE for a number at the service.
func (h *testBed) invitedTo(number string) uatest.Message {
	h.t.Helper()
	inv := h.service.Expect("INVITE")
	if want := "INVITE sip:" + number + "@" + h.service.At.String(); !strings.HasPrefix(inv.Start, want+" ") &&
		!strings.HasPrefix(inv.Start, want+";") {
		h.t.Fatalf("got %s, want %s", inv.Start, want)
	}
	return inv
}

// A redirection by the service is followed at the service (RFC 3261 section 8.1.3.4), in the same call with a new
// transaction.
func TestRedirectionFollowed(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t, dialPlan(t, dialplan.Options{Country: "GB", Deny: []string{"0900*"}}))
		near := h.request("5550150", uatest.Offer("127.0.0.1", nearSDP, "sendrecv"))
		first := h.invitedTo("5550150")
		h.service.Respond(first, 181, "fwd", "")
		h.adapter.Expect("181")
		h.redirect(first, 302, "<sip:5550151@other.example>")
		inv := h.invitedTo("5550151")
		n, _ := first.CSeq()
		if m, _ := inv.CSeq(); m != n+1 || inv.Get("Call-ID") != first.Get("Call-ID") ||
			inv.Get("From") != first.Get("From") || inv.Get("Via") == first.Get("Via") {
			t.Fatalf("after %s came %s", first, inv)
		}
		h.service.Respond(inv, 180, "far", "")
		h.adapter.Expect("180")
		h.service.Respond(inv, 200, "far", uatest.Offer("127.0.0.1", farSDP, "sendrecv"))
		h.service.Expect("ACK")
		d := near.Early(h.adapter.Expect("200"))
		d.Ack("")
		h.hangUp(d, "1 requested", "1 answered")
	})
}

// Who was told nothing but that it rings goes on in the dialog that it knows, although the place that the call is
// redirected to uses the same tag as the one before. Its answer in one dialog would be contradicted by that of another
// place, so after a session description that dialog is over: nothing more comes in it, what is sent in it gets 481, and
// a BYE in the new one ends the call.
func TestDialogsOfARedirectedCall(t *testing.T) {
	t.Parallel()
	tag := func(m uatest.Message) string { _, tag, _ := strings.Cut(m.Get("To"), ";tag="); return tag }
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		near := h.request("5550150", uatest.Offer("127.0.0.1", nearSDP, "sendrecv"))
		first := h.invitedTo("5550150")
		h.service.Respond(first, 181, "same", "")
		told := h.adapter.Expect("181")
		h.redirect(first, 302, "<sip:5550151@other.example>")
		h.service.Respond(h.invitedTo("5550151"), 180, "same", "")
		if m := h.adapter.Expect("180"); tag(m) != tag(told) {
			t.Fatalf("180 in another dialog: %s", m)
		}
		near.Cancel()
		h.adapter.ExpectOf("200", "CANCEL")
		near.AckFailure(h.adapter.ExpectOf("487", "INVITE"))
	})
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		near := h.request("5550150", uatest.Offer("127.0.0.1", nearSDP, "sendrecv"), "Supported: 100rel")
		first := h.invitedTo("5550150")
		h.service.RespondReliably(first, 183, "first", uatest.Offer("127.0.0.1", farSDP, "sendrecv"), 1)
		told := h.adapter.Expect("183")
		h.redirect(first, 302, "<sip:5550151@other.example>")
		h.service.Respond(h.invitedTo("5550151"), 180, "second", "")
		now := h.adapter.Expect("180")
		if tag(now) == tag(told) {
			t.Fatalf("180 in the dialog that has an answer: %s", now)
		}
		synctest.Wait()
		repeats := h.adapter.Repeats.Load()
		<-time.After(testTimeout)
		if n := h.adapter.Repeats.Load(); n != repeats {
			t.Fatalf("%d repeats of a response of the place before", n-repeats)
		}
		near.Early(told).Request("INFO", "")
		h.adapter.ExpectOf("481", "INFO")
		near.Early(now).Request("BYE", "")
		h.adapter.ExpectOf("200", "BYE")
		near.AckFailure(h.adapter.ExpectOf("487", "INVITE"))
		h.machine.saw("1 requested", "1 near end cleared")
	})
}

// A service that redirects a call has been heard. The time for its first response is over, and does not end the call at
// its new destination.
func TestRedirectionEndsTheSilence(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t, shorter)
		near := h.request("5550150", uatest.Offer("127.0.0.1", nearSDP, "sendrecv"))
		h.redirect(h.invitedTo("5550150"), 302, "<sip:5550151@other.example>")
		inv := h.invitedTo("5550151")
		h.adapter.ExpectSilence(250 * time.Millisecond) // that time is 200 ms here
		h.service.Respond(inv, 200, "far", far())
		h.service.Expect("ACK")
		near.Established(h.adapter.Expect("200")).Ack("")
		h.hangUp(near, "1 requested", "1 answered")
	})
}

// Contacts are tried by descending q, each once, and the next one after a failure. If all fail, the failure passes.
func TestRedirectionToSeveral(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		near := h.request("5550150", uatest.Offer("127.0.0.1", nearSDP, "sendrecv"))
		h.redirect(h.invitedTo("5550150"), 300, "<sip:5550152@pbx.example>;q=0.2, <tel:5550151>;q=0.7",
			"<mailto:house@millrace.example>")
		inv := h.invitedTo("5550151")
		h.service.Respond(inv, 486, "busy", "")
		h.service.Expect("ACK")
		inv = h.invitedTo("5550152")
		h.service.Respond(inv, 480, "away", "")
		h.service.Expect("ACK")
		near.AckFailure(h.adapter.ExpectOf("480", "INVITE"))
		h.machine.saw("1 requested", "1 far end cleared: bye", "1 adapter leg cleared: confirmed")
		h.done()
	})
}

// A call is redirected three times at most.
func TestRedirectionLimit(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		near := h.request("5550150", uatest.Offer("127.0.0.1", nearSDP, "sendrecv"))
		for i := range 4 {
			h.redirect(h.invitedTo("555015"+num(i)), 302, "<sip:555015"+num(i+1)+"@pbx.example>")
		}
		m := h.adapter.ExpectOf("302", "INVITE")
		if got, want := uatest.URI(m.Get("Contact")), "sip:5550154@"+h.toAdapter.String(); got != want {
			t.Fatalf("Contact %s, want %s: the adapter calls through us", got, want)
		}
		near.AckFailure(m)
		h.machine.saw("1 requested", "1 far end cleared: bye", "1 adapter leg cleared: confirmed")
		h.done()
	})
}

// A 3xx passes if it is not followed: for a loop, a forbidden number, an emergency number (which the adapter must call
// as such), a Contact without a number, and a request for a proxy.
func TestRedirectionPassed(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		var logs *observer.ObservedLogs
		h := newVirtualTestBed(t, observed(&logs), dialPlan(t, dialplan.Options{Country: "GB",
			Deny: []string{"0900*"}}))
		for i, c := range []struct {
			code     int
			contact  string
			contacts int
		}{
			{302, "<sip:5550150@" + h.service.At.String() + ">", 1},
			{301, "<sip:0900555@pbx.example>", 1},
			{302, "<sip:999@pbx.example>", 1},
			{302, "<mailto:house@millrace.example>", 0},
			{302, "", 0},
			{305, "<sip:5550151@pbx.example>", 1},
			{380, "<sip:5550151@pbx.example>", 1},
		} {
			near := h.request("5550150", uatest.Offer("127.0.0.1", nearSDP, "sendrecv"))
			h.redirect(h.invitedTo("5550150"), c.code, c.contact)
			m := h.adapter.ExpectOf(num(c.code), "INVITE")
			if got := m.All("Contact"); len(got) != c.contacts || len(got) > 0 &&
				!strings.Contains(got[0], h.toAdapter.String()) {
				t.Fatalf("%v: Contact %q", c, got)
			}
			near.AckFailure(m)
			n := num(i + 1)
			h.machine.saw(n+" requested", n+" far end cleared: bye", n+" adapter leg cleared: confirmed")
		}
		// forbidden, an emergency number, no number at all
		if n := logs.FilterMessageSnippet("a redirection is not followed").Len(); n != 3 {
			t.Errorf("%d lines in the log", n)
		}
		h.done()
	})
}

// The same number at another host: the service distributes its calls. The call goes there through the service.
func TestRedirectionToAnotherPlace(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		near := h.request("5550150", uatest.Offer("127.0.0.1", nearSDP, "sendrecv"))
		h.redirect(h.invitedTo("5550150"), 302, "<sip:5550150@gate-2.pbx.example>")
		inv := h.service.Expect("INVITE")
		contains(t, inv.Start, "sip:5550150@gate-2.pbx.example ")
		h.redirect(inv, 302, "<sip:5550150@gate-2.pbx.example>") // a loop
		near.AckFailure(h.adapter.ExpectOf("302", "INVITE"))
		h.machine.saw("1 requested", "1 far end cleared: bye", "1 adapter leg cleared: confirmed")
		h.done()
	})
}

// An emergency call follows a redirection, even to a number that the line may not dial.
func TestEmergencyRedirected(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t, dialPlan(t, dialplan.Options{Country: "GB", Deny: []string{"0900*"}}))
		near := h.request("999", uatest.Offer("127.0.0.1", nearSDP, "sendrecv"))
		h.redirect(h.invitedTo("999"), 380, "<sip:0900555@pbx.example>")
		h.redirect(h.invitedTo("0900555"), 302, "<sip:999@centre.example>")
		inv := h.service.Expect("INVITE")
		contains(t, inv.Start, "sip:999@centre.example ")
		h.service.Respond(inv, 200, "far", uatest.Offer("127.0.0.1", farSDP, "sendrecv"))
		h.service.Expect("ACK")
		d := near.Early(h.adapter.Expect("200"))
		d.Ack("")
		h.hangUp(d, "1 requested (emergency)", "1 answered")
	})
}

// The caller gives up after a redirection. The ringing INVITE is cancelled.
func TestRedirectionCancelled(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		near := h.request("5550150", uatest.Offer("127.0.0.1", nearSDP, "sendrecv"))
		h.redirect(h.invitedTo("5550150"), 302, "<sip:5550151@pbx.example>")
		inv := h.invitedTo("5550151")
		h.service.Respond(inv, 180, "far", "")
		h.adapter.Expect("180")
		near.Cancel()
		h.adapter.ExpectOf("200", "CANCEL")
		near.AckFailure(h.adapter.ExpectOf("487", "INVITE"))
		cancel := h.service.Expect("CANCEL")
		contains(t, cancel.Start, "5550151")
		h.service.Respond(cancel, 200, "far", "")
		h.service.Respond(inv, 487, "far", "")
		h.service.Expect("ACK")
		h.machine.saw("1 requested", "1 near end cleared")
		h.done()
	})
}

// The adapter has forwarding set. The service is redirected to the number if the line may dial it.
func TestAdapterRedirects(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t, dialPlan(t, dialplan.Options{Country: "GB", Deny: []string{"0900*"}}))
		for i, c := range []struct {
			code     int
			contact  string
			want     int
			forwards string
		}{
			{302, "<sip:5550160@" + h.toAdapter.String() + ">", 302, "5550160"},
			{301, "<sip:5550160@192.0.2.9>", 302, "5550160"},
			{300, "<sip:0900555@192.0.2.9>;q=1, <sip:5550161@192.0.2.9>;q=0.5", 302, "5550161"},
			{302, "<sip:0900555@192.0.2.9>", 480, ""},
			{302, "<sip:999@192.0.2.9>", 480, ""},
			{302, "<sip:192.0.2.9>", 480, ""},
			{305, "<sip:5550160@192.0.2.9>", 480, ""},
			{380, "<sip:5550160@192.0.2.9>", 480, ""},
		} {
			far := h.arrive(uatest.Offer("127.0.0.1", farSDP, "sendrecv"))
			inv := h.adapter.Expect("INVITE")
			h.adapter.Respond(inv, c.code, "near", "", "Contact: "+c.contact)
			h.adapter.Expect("ACK")
			m := h.service.ExpectOf(num(c.want), "INVITE")
			want := ""
			if c.forwards != "" {
				want = "sip:" + c.forwards + "@" + h.service.At.String()
			}
			if got := m.All("Contact"); uatest.URI(m.Get("Contact")) != want || len(got) > 1 {
				t.Fatalf("%v: Contact %q, want %s", c, got, want)
			}
			far.AckFailure(m)
			n := num(i + 1)
			h.machine.saw(n+" arrived", n+" near end cleared")
		}
		h.done()
	})
}
