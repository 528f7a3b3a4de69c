package sipua

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"unicode"

	"clearback/bridge/sipua/uatest"
)

// Reason passes in both directions, in CANCEL, BYE and responses (RFC 3326; the causes are those of Q.850). Invalid
// reasons do not pass.
func TestReasonPasses(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t, shorter)
		elsewhere := `SIP;cause=200;text="Call completed elsewhere"`
		far := h.arrive(uatest.Offer("127.0.0.1", farSDP, "sendrecv"))
		inv := h.adapter.Expect("INVITE")
		h.adapter.Respond(inv, 180, "near", "")
		h.service.Expect("180")
		i := slices.Index(far.Invite, "Max-Forwards: 70")
		far.Invite[i] += "\r\nReason: " + elsewhere
		far.Cancel()
		h.service.ExpectOf("200", "CANCEL")
		h.service.ExpectOf("487", "INVITE")
		cancel := h.adapter.Expect("CANCEL")
		is(t, cancel, "Reason", elsewhere)
		h.adapter.Respond(cancel, 200, "near", "")
		h.adapter.Respond(inv, 487, "near", "")
		h.adapter.Expect("ACK")
		h.machine.saw("1 arrived", "1 ringing", "1 far end cleared: bye", "1 adapter leg cleared: confirmed")
		h.atRest()

		near := h.request("5550150", uatest.Offer("127.0.0.1", nearSDP, "sendrecv"))
		inv = h.service.Expect("INVITE")
		h.service.Respond(inv, 486, "far", "", "Reason: Q.850;cause=17", "Reason: nonsense")
		h.service.Expect("ACK")
		m := h.adapter.Expect("486")
		is(t, m, "Reason", "Q.850;cause=17")
		near.AckFailure(m)
		h.atRest()

		for _, fromFar := range []bool{true, false} {
			h := newVirtualTestBed(t, shorter)
			c := h.outgoing()
			from, there, back := c.near, h.service, h.adapter
			if fromFar {
				from, there, back = c.far, h.adapter, h.service
			}
			from.Request("BYE", "", `Reason: Q.850 ;cause=16;text="Normal, call; clearing", SIP;cause=200`,
				"Reason: Q.850;cause=300", "X-Own: 1")
			back.ExpectOf("200", "BYE")
			bye := there.Expect("BYE")
			is(t, bye, "Reason", `Q.850;cause=16;text="Normal, call; clearing", SIP;cause=200`)
			lacks(t, bye.String(), "X-Own")
			there.Respond(bye, 200, "", "")
			h.atRest()
		}
	})
}

func TestReasonsAreRead(t *testing.T) {
	t.Parallel()
	for in, want := range map[string]string{
		"SIP;cause=200":                         "SIP;cause=200",
		"Q.850;cause=127":                       "Q.850;cause=127",
		"Q.850;cause=0":                         "",
		"Q.850;cause=128":                       "",
		"SIP;cause=99":                          "",
		"SIP;cause=700":                         "",
		"preemption;cause=999":                  "preemption;cause=999",
		"preemption;cause=1000":                 "",
		"preemption;cause=18446744073709551615": "",
		"SIP":                                   "",
		";cause=16":                             "",
		"two words;cause=16":                    "",
		"SIP;cause=-1":                          "",
		"preemption;cause=1;text=UA":            `preemption;cause=1;text="UA"`,
		`Q.850;text="a \" b\r";cause=16`:        `Q.850;cause=16;text="a  br"`,
		"Q.850;cause=16;text=\"" + strings.Repeat("x", 200) + `"`: `Q.850;cause=16;text="` +
			strings.Repeat("x", maxPhrase) + `"`,
	} {
		if got := readReason(in); got != want {
			t.Errorf("%q: %q, want %q", in, got, want)
		}
	}
}

// The far end's INVITE cannot make ours grow without bound, and text from outside never becomes a header field.
func TestPassedHeadersAreBounded(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		extra := []string{
			"Alert-Info: <urn:alert:source:internal>\r\n ;info=bell",
			"Diversion: <sip:5550160@pbx.example>;reason=no-answer;counter=1",
			"Diversion: <sip:5550161@pbx.example;n=" + strings.Repeat("z", 600) + ">",
			"History-Info: <sip:5550160@pbx.example>;index=1", "Call-Info: <https://pbx.example/" +
				strings.Repeat("x", 600) + ">;purpose=icon",
			"P-Asserted-Identity: \"Bo\" <sip:5550150@pbx.example>", "Subject: tick\u0085ets",
		}
		for i := range 40 {
			extra = append(extra, fmt.Sprintf("History-Info: <sip:5550161@pbx.example;n=%s>;index=1.%d",
				strings.Repeat("y", 100), i))
		}
		far := h.service.Call("sip:"+serviceUser+"@"+h.toService.String(),
			`"`+strings.Repeat("Bo ", 300)+`\"" <sip:`+strings.Repeat("5", 400)+`@pbx.example>`,
			h.toService, uatest.Offer("127.0.0.1", farSDP, "sendrecv"), extra...)
		h.service.Expect("100")
		inv := h.adapter.Expect("INVITE")
		is(t, inv, "Alert-Info", "<urn:alert:source:internal> ;info=bell")
		is(t, inv, "Diversion", "<sip:5550160@pbx.example>;reason=no-answer;counter=1")
		is(t, inv, "Call-Info", "")
		is(t, inv, "Subject", "")
		is(t, inv, "P-Asserted-Identity", `"Bo" <sip:5550150@pbx.example>`)
		if all := inv.All("History-Info"); len(all) < 2 || all[0] != "<sip:5550160@pbx.example>;index=1" {
			t.Fatalf("History-Info: %q", all)
		}
		if n := len(inv.String()) - len(inv.Body); n > 3500 {
			t.Fatalf("our INVITE has a head of %d octets", n)
		}
		if from := inv.Get("From"); len(from) > 350 || strings.Count(from, `"`) != 2 {
			t.Fatalf("From: %s", from)
		}
		far.Cancel()
		h.service.ExpectOf("200", "CANCEL")
		far.AckFailure(h.service.ExpectOf("487", "INVITE"))
		h.adapter.Respond(inv, 487, "near", "")
		h.adapter.Expect("ACK")

		// none of these header fields passes in the other direction (RFC 5806, RFC 7044, RFC 3325: they need a trusted
		// sender)
		near := h.request("5550150", uatest.Offer("127.0.0.1", nearSDP, "sendrecv"), "Diversion: <sip:5550160@pbx.example>",
			"History-Info: <sip:5550160@pbx.example>;index=1",
			"Alert-Info: <urn:alert:source:internal>", "Call-Info: <https://millrace.example/>",
			"P-Asserted-Identity: <sip:boss@millrace.example>")
		inv = h.service.Expect("INVITE")
		for _, field := range []string{"Diversion", "History-Info", "Alert-Info", "Call-Info", "P-Asserted-Identity"} {
			is(t, inv, field, "")
		}
		h.service.Respond(inv, 486, "far", "", "P-Asserted-Identity: <sip:5550150@pbx.example>")
		h.service.Expect("ACK")
		m := h.adapter.Expect("486")
		is(t, m, "P-Asserted-Identity", "<sip:5550150@pbx.example>")
		near.AckFailure(m)
		h.atRest()
	})
}

func TestDisplayNames(t *testing.T) {
	t.Parallel()
	for in, want := range map[string]string{
		`Bo Tree`: `Bo Tree`, `Bo \" Tree`: `Bo \" Tree`, `Bo\\`: `Bo\\`, `Bo\`: `Bo`, `Bo" <sip:x@y>`: `Bo <sip:x@y>`,
		"Bo\r\nEvil: yes":       "BoEvil: yes",
		strings.Repeat("ü", 60): strings.Repeat("ü", 40), strings.Repeat("x", 79) + `\"`: strings.Repeat("x", 79),
	} {
		if got := quotedName(in); got != want {
			t.Errorf("%q: %q, want %q", in, got, want)
		}
	}
}

// Text from a stranger is reduced to one line, stays the same when it is passed again, and keeps its quotes balanced.
func FuzzPassing(f *testing.F) {
	for _, v := range []string{"Bo Tree", `Bo \" Tree\`, "Q.850;cause=16;text=\"x\"", "SIP ; cause = 200",
		"a\r\nEvil: yes", "\xff\u0085", `SIP;cause=200;text="a;b,c"`} {
		f.Add(v)
	}
	f.Fuzz(func(t *testing.T, v string) {
		reason, name := readReason(v), quotedName(v)
		if again := readReason(reason); again != reason {
			t.Errorf("%q is rewritten as %q, and that as %q", v, reason, again)
		}
		quotes := strings.NewReplacer(`\\`, "", `\"`, "").Replace(name)
		if strings.Contains(quotes, `"`) || strings.HasSuffix(quotes, `\`) {
			t.Errorf("%q is shown as %q", v, name)
		}
		for _, out := range []string{reason, name} {
			if strings.ContainsFunc(out, unicode.IsControl) || len(out) > 3*maxPhrase {
				t.Errorf("%q becomes %q", v, out)
			}
		}
		if out, ok := cleanValue(v); ok && strings.ContainsFunc(out, unicode.IsControl) {
			t.Errorf("%q passes as %q", v, out)
		}
	})
}
