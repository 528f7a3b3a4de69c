package sipua

import (
	"slices"
	"strings"
	"testing"
	"testing/synctest"

	"github.com/emiago/sipgo/sip"
)

// The header fields that our requests and responses must carry: RFC 3261 section 20, tables 2 and 3 (from memory), with
// the columns that later standards added for UPDATE (RFC 3311 section 7) and REFER (RFC 3515 section 2.2).
//
// m: must be present; m*: should be present; -: must not be present.
var mustCarry = map[string]map[string]string{
	"INVITE": {"Contact": "m", "Supported": "m*", "Allow": "m*", "Max-Forwards": "m", "Unsupported": "-",
		"Accept-Encoding": "-"},
	"200 INVITE": {"Contact": "m", "Supported": "m*", "Allow": "m*", "Max-Forwards": "-"},
	"ACK":        {"Contact": "-", "Allow": "-", "Supported": "-", "Require": "-", "Max-Forwards": "m"},
	"BYE":        {"Contact": "-", "Allow": "-", "Require": "-", "Max-Forwards": "m"},
	"CANCEL":     {"Contact": "-", "Allow": "-", "Require": "-", "Max-Forwards": "m"},
	"UPDATE":     {"Contact": "m", "Supported": "m*", "Allow": "m*", "Max-Forwards": "m"},
	"200 UPDATE": {"Contact": "m", "Supported": "m*", "Allow": "m*"},
	"REFER":      {"Contact": "m", "Refer-To": "m", "Max-Forwards": "m"},
	"202 REFER":  {"Contact": "m"},
	"NOTIFY":     {"Contact": "m", "Event": "m", "Subscription-State": "m"},
	"OPTIONS":    {"Accept": "m*", "Max-Forwards": "m"},
	"200 OPTIONS": {"Accept": "m*", "Accept-Encoding": "m*", "Accept-Language": "m*", "Allow": "m*",
		"Supported": "m*"},
	"405 REFER":    {"Allow": "m"},
	"405 PUBLISH":  {"Allow": "m"},
	"415 INVITE":   {"Accept": "m"},
	"420 INVITE":   {"Unsupported": "m"},
	"422 INVITE":   {"Min-SE": "m"},
	"500 INFO":     {"Contact": "-"},
	"200 BYE":      {"Contact": "-"},
	"487 INVITE":   {"Contact": "-", "Require": "-"},
	"180 INVITE":   {"Contact": "m*", "Allow": "m*", "Require": "-"},
	"INFO":         {"Max-Forwards": "m"},
	"481 MESSAGE":  {"Contact": "-"},
	"405 REGISTER": {"Allow": "m"},
}

// carries checks a message against the table.
func carries(t testing.TB, m message) {
	t.Helper()
	what := strings.Fields(m.start)[0]
	if what == "SIP/2.0" {
		_, method := m.cseq()
		what = strings.Fields(m.start)[1] + " " + method
	}
	for field, want := range mustCarry[what] {
		switch got := len(m.all(field)) > 0; {
		case want == "-" && got:
			t.Errorf("%s must not have %s: %s", what, field, m)
		case want != "-" && !got:
			t.Errorf("%s needs %s: %s", what, field, m)
		}
	}
	for _, field := range []string{"Allow", "Supported", "Unsupported"} {
		var all []string
		for _, v := range m.all(field) {
			for _, one := range strings.Split(v, ",") {
				all = append(all, strings.TrimSpace(one))
			}
		}
		if slices.Sort(all); len(slices.Compact(slices.Clone(all))) != len(all) {
			t.Errorf("%s says %s twice: %s", what, field, m)
		}
	}
}

func TestHeaderFieldsOfEachMessage(t *testing.T) {
	t.Parallel()
	h := newTestBed(t, relaying)
	judge := func(m message) message {
		t.Helper()
		carries(t, m)
		return m
	}
	service, adapter := h.service, h.adapter
	bad := h.arrive422("Require: replaces, timer, 100rel, nothing-known")
	m := judge(service.expectOf("420", "INVITE"))
	is(t, m, "Unsupported", "replaces, nothing-known") // only the unsupported options
	bad.nack(m)
	bad = h.arrive422("Supported: timer", "Session-Expires: 10")
	bad.nack(judge(service.expectOf("422", "INVITE")))
	bad = h.arrive422("Content-Type: multipart/mixed;boundary=x")
	service.expect("100")
	m = judge(service.expectOf("415", "INVITE"))
	bad.nack(m)

	// Proxy-Require concerns proxies, not us; a caller who asks for privacy is not named to the adapter (RFC 3325
	// section 9.3)
	far := h.arrive(offer("127.0.0.1", farSDP, "sendrecv"), "Supported: timer, 100rel, 199", "Session-Expires: 1800",
		knowsUpdate,
		"Proxy-Require: nothing-known", "P-Asserted-Identity: <sip:5550150@pbx.example>", "Privacy: id")
	inv := judge(adapter.expect("INVITE"))
	is(t, inv, "Proxy-Require", "")
	is(t, inv, "P-Asserted-Identity", "")
	is(t, inv, "Privacy", "id")
	contains(t, inv.get("Allow"), "REFER")
	adapter.respond(inv, 180, "near", "")
	judge(service.expect("180"))
	adapter.respond(inv, 200, "near", offer("127.0.0.1", nearSDP, "sendrecv"))
	judge(adapter.expect("ACK"))
	ok := judge(service.expect("200"))
	lacks(t, ok.get("Allow"), "REFER") // a service must not refer us
	far.established(ok).ack("")
	near := adapter.called(inv, "near")
	h.machine.saw("2 arrived", "2 ringing", "2 answered")

	far.request("UPDATE", offer("127.0.0.1", farSDP, "sendonly"), "Supported: timer",
		"Session-Expires: 1800;refresher=uac")
	update := judge(adapter.expect("UPDATE"))
	adapter.respond(update, 200, "", offer("127.0.0.1", nearSDP, "recvonly"))
	judge(service.expectOf("200", "UPDATE"))
	far.request("UPDATE", "", "Supported: timer", "Session-Expires: 1800;refresher=uac", "Require: timer")
	judge(service.expectOf("200", "UPDATE"))
	far.request("OPTIONS", "")
	judge(service.expectOf("200", "OPTIONS"))
	far.request("REFER", "", "Refer-To: <sip:5550151@pbx.example>")
	judge(service.expectOf("405", "REFER"))
	far.request("PUBLISH", "", "Event: presence")
	judge(service.expectOf("405", "PUBLISH"))
	far.request("INFO", "", "Require: timer") // not allowed in INFO
	is(t, judge(service.expectOf("420", "INFO")), "Unsupported", "timer")
	near.request("REFER", "", "Refer-To: <sip:5550151@pbx.example>")
	refer := judge(service.expect("REFER"))
	service.respond(refer, 202, "", "")
	judge(adapter.expectOf("202", "REFER"))
	far.request("NOTIFY", "SIP/2.0 100 Trying\r\n", "Event: refer", "Subscription-State: active",
		"Content-Type: message/sipfrag")
	adapter.respond(judge(adapter.expect("NOTIFY")), 200, "", "")
	service.expectOf("200", "NOTIFY")
	near.request("INVITE", offer("127.0.0.1", nearSDP, "sendonly"))
	adapter.expect("100")
	inv = judge(service.expect("INVITE"))
	contains(t, inv.get("Session-Expires"), "1800") // a re-INVITE also refreshes the session (RFC 4028 section 7.4)
	service.respond(inv, 200, "", offer("127.0.0.1", farSDP, "recvonly"))
	judge(service.expect("ACK"))
	judge(adapter.expectOf("200", "INVITE"))
	near.ack("")
	near.request("MESSAGE", "the house is full", "Content-Type: text/plain")
	message := judge(service.expect("MESSAGE"))
	service.respond(message, 200, "", "")
	adapter.expectOf("200", "MESSAGE")
	near.requestSeq("INFO", 1, "")
	judge(adapter.expectOf("500", "INFO"))
	near.request("BYE", "")
	judge(adapter.expectOf("200", "BYE"))
	bye := judge(service.expect("BYE"))
	service.respond(bye, 200, "", "")
	far.request("MESSAGE", "too late", "Content-Type: text/plain")
	judge(service.expectOf("481", "MESSAGE"))
	h.machine.saw("2 near end cleared")

	far = h.arrive(offer("127.0.0.1", farSDP, "sendrecv"))
	inv = judge(adapter.expect("INVITE"))
	adapter.respond(inv, 180, "near", "")
	service.expect("180")
	far.cancel()
	service.expectOf("200", "CANCEL")
	far.nack(judge(service.expectOf("487", "INVITE")))
	adapter.respond(judge(adapter.expect("CANCEL")), 200, "near", "")
	adapter.respond(inv, 487, "near", "")
	adapter.expect("ACK")
	h.line.Probe()
	adapter.respond(judge(adapter.expect("OPTIONS")), 200, "x", "")
	h.atRest()
}

// The route sets of RFC 3261 section 16.12.1 (from memory) as seen by both ends: with loose routers only (16.12.1.1),
// and with a strict router among them (16.12.1.2). Each end formats its requests as the section shows, and sends them
// to the first route.
func TestRouteSetsOfRFC3261(t *testing.T) {
	t.Parallel()
	for name, one := range map[string]struct{ routes []string }{
		"16.12.1.1": {[]string{"<sip:p2.domain.test;lr>", "<sip:p1.example.test;lr>"}},
		"16.12.1.2": {[]string{"<sip:p4.domain.test;lr>", "<sip:p3.middle.test>", "<sip:p2.example.test;lr>",
			"<sip:p1.example.test;lr>"}},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				h := newVirtualTestBed(t, func(o *Options, _ *times) { o.Lines[0].ServiceProxy = "" })
				nearest := "<sip:" + h.service.at.String() + ";lr>"
				// we are the called end: Record-Route in its order (section 12.1.1)
				fields := []string{"Contact: <sip:caller@u1.example.test>"}
				for _, r := range append([]string{nearest}, one.routes...) {
					fields = append(fields, "Record-Route: "+r)
				}
				far := h.arrive(offer("127.0.0.1", farSDP, "sendrecv"), fields...)
				inv := h.adapter.expect("INVITE")
				h.adapter.respond(inv, 200, "near", offer("127.0.0.1", nearSDP, "sendrecv"))
				h.adapter.expect("ACK")
				ok := h.service.expect("200")
				is(t, ok, "Record-Route", strings.Join(append([]string{nearest}, one.routes...), ", "))
				far.established(ok)
				far.routes = nil
				far.ack("")
				h.adapter.called(inv, "near").request("BYE", "")
				h.adapter.expectOf("200", "BYE")
				bye := h.service.expect("BYE")
				if bye.start != "BYE sip:caller@u1.example.test SIP/2.0" {
					t.Fatal(bye.start)
				}
				is(t, bye, "Route", strings.Join(append([]string{nearest}, one.routes...), ", "))
				h.service.respond(bye, 200, "", "")
				h.atRest()

				// we are the calling end: in reverse (section 12.1.2)
				near := h.request("5550150", offer("127.0.0.1", nearSDP, "sendrecv"))
				inv = h.service.expect("INVITE")
				fields = []string{"Contact: <sip:callee@u2.domain.test>"}
				for _, r := range append(slices.Clone(one.routes), nearest) {
					fields = append(fields, "Record-Route: "+r)
				}
				h.service.respond(inv, 200, "far", offer("127.0.0.1", farSDP, "sendrecv"), fields...)
				want := slices.Clone(one.routes)
				slices.Reverse(want)
				want = append([]string{nearest}, want...)
				ack := h.service.expect("ACK")
				if ack.start != "ACK sip:callee@u2.domain.test SIP/2.0" {
					t.Fatal(ack.start)
				}
				is(t, ack, "Route", strings.Join(want, ", "))
				near.established(h.adapter.expect("200")).ack("")
				near.request("BYE", "")
				h.adapter.expectOf("200", "BYE")
				bye = h.service.expect("BYE")
				is(t, bye, "Route", strings.Join(want, ", "))
				h.service.respond(bye, 200, "", "")
				h.machine.saw("1 arrived", "1 answered", "1 near end cleared", "2 requested", "2 answered",
					"2 near end cleared")
				h.done()
			})
		})
	}
}

// Max-Forwards of a new call counts down, from at most 70 (RFC 3261 sections 8.1.1.6 and 16.6), so that a call that is
// forwarded in circles ends. A request that changes a call always starts with 70: it cannot be part of such a circle.
func TestMaxForwardsCountsDown(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		h.arrive(far())
		h.agent.call(1).runInMailbox(func() {
			x := h.agent.call(1).first
			for _, c := range []struct {
				initial  bool
				in, want uint32
			}{
				{true, 70, 69}, {true, 2, 1}, {true, 1, 0}, {true, 0, 70}, {true, 71, 70}, {true, 255, 70},
				{false, 5, 70},
			} {
				*x.r.MaxForwards() = sip.MaxForwardsHeader(c.in)
				x.initial = c.initial
				x.prepare()
				if got := x.req.MaxForwards().Val(); got != c.want {
					t.Errorf("%+v: %d", c, got)
				}
			}
			x.initial = true
			x.r.RemoveHeader("Max-Forwards")
			x.prepare()
			if got := x.req.MaxForwards().Val(); got != 70 {
				t.Errorf("without a value: %d", got)
			}
		})
	})
}
