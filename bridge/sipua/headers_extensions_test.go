package sipua

import (
	"slices"
	"strings"
	"testing"
	"testing/synctest"

	"github.com/emiago/sipgo/sip"

	"clearback/bridge/sipua/uatest"
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
func carries(t testing.TB, m uatest.Message) {
	t.Helper()
	what := strings.Fields(m.Start)[0]
	if what == "SIP/2.0" {
		_, method := m.CSeq()
		what = strings.Fields(m.Start)[1] + " " + method
	}
	for field, want := range mustCarry[what] {
		switch got := len(m.All(field)) > 0; {
		case want == "-" && got:
			t.Errorf("%s must not have %s: %s", what, field, m)
		case want != "-" && !got:
			t.Errorf("%s needs %s: %s", what, field, m)
		}
	}
	for _, field := range []string{"Allow", "Supported", "Unsupported"} {
		var all []string
		for _, v := range m.All(field) {
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
	judge := func(m uatest.Message) uatest.Message {
		t.Helper()
		carries(t, m)
		return m
	}
	service, adapter := h.service, h.adapter
	bad := h.arrive422("Require: replaces, timer, 100rel, nothing-known")
	m := judge(service.ExpectOf("420", "INVITE"))
	is(t, m, "Unsupported", "replaces, nothing-known") // only the unsupported options
	bad.AckFailure(m)
	bad = h.arrive422("Supported: timer", "Session-Expires: 10")
	bad.AckFailure(judge(service.ExpectOf("422", "INVITE")))
	bad = h.arrive422("Content-Type: multipart/mixed;boundary=x")
	service.Expect("100")
	m = judge(service.ExpectOf("415", "INVITE"))
	bad.AckFailure(m)

	// Proxy-Require concerns proxies, not us; a caller who asks for privacy is not named to the adapter (RFC 3325
	// section 9.3)
	far := h.arrive(uatest.Offer("127.0.0.1", farSDP, "sendrecv"), "Supported: timer, 100rel, 199", "Session-Expires: 1800",
		knowsUpdate,
		"Proxy-Require: nothing-known", "P-Asserted-Identity: <sip:5550150@pbx.example>", "Privacy: id")
	inv := judge(adapter.Expect("INVITE"))
	is(t, inv, "Proxy-Require", "")
	is(t, inv, "P-Asserted-Identity", "")
	is(t, inv, "Privacy", "id")
	contains(t, inv.Get("Allow"), "REFER")
	adapter.Respond(inv, 180, "near", "")
	judge(service.Expect("180"))
	adapter.Respond(inv, 200, "near", uatest.Offer("127.0.0.1", nearSDP, "sendrecv"))
	judge(adapter.Expect("ACK"))
	ok := judge(service.Expect("200"))
	lacks(t, ok.Get("Allow"), "REFER") // a service must not refer us
	far.Established(ok).Ack("")
	near := adapter.Called(inv, "near")
	h.machine.saw("2 arrived", "2 ringing", "2 answered")

	far.Request("UPDATE", uatest.Offer("127.0.0.1", farSDP, "sendonly"), "Supported: timer",
		"Session-Expires: 1800;refresher=uac")
	update := judge(adapter.Expect("UPDATE"))
	adapter.Respond(update, 200, "", uatest.Offer("127.0.0.1", nearSDP, "recvonly"))
	judge(service.ExpectOf("200", "UPDATE"))
	far.Request("UPDATE", "", "Supported: timer", "Session-Expires: 1800;refresher=uac", "Require: timer")
	judge(service.ExpectOf("200", "UPDATE"))
	far.Request("OPTIONS", "")
	judge(service.ExpectOf("200", "OPTIONS"))
	far.Request("REFER", "", "Refer-To: <sip:5550151@pbx.example>")
	judge(service.ExpectOf("405", "REFER"))
	far.Request("PUBLISH", "", "Event: presence")
	judge(service.ExpectOf("405", "PUBLISH"))
	far.Request("INFO", "", "Require: timer") // not allowed in INFO
	is(t, judge(service.ExpectOf("420", "INFO")), "Unsupported", "timer")
	near.Request("REFER", "", "Refer-To: <sip:5550151@pbx.example>")
	refer := judge(service.Expect("REFER"))
	service.Respond(refer, 202, "", "")
	judge(adapter.ExpectOf("202", "REFER"))
	far.Request("NOTIFY", "SIP/2.0 100 Trying\r\n", "Event: refer", "Subscription-State: active",
		"Content-Type: message/sipfrag")
	adapter.Respond(judge(adapter.Expect("NOTIFY")), 200, "", "")
	service.ExpectOf("200", "NOTIFY")
	near.Request("INVITE", uatest.Offer("127.0.0.1", nearSDP, "sendonly"))
	adapter.Expect("100")
	inv = judge(service.Expect("INVITE"))
	contains(t, inv.Get("Session-Expires"), "1800") // a re-INVITE also refreshes the session (RFC 4028 section 7.4)
	service.Respond(inv, 200, "", uatest.Offer("127.0.0.1", farSDP, "recvonly"))
	judge(service.Expect("ACK"))
	judge(adapter.ExpectOf("200", "INVITE"))
	near.Ack("")
	near.Request("MESSAGE", "the house is full", "Content-Type: text/plain")
	message := judge(service.Expect("MESSAGE"))
	service.Respond(message, 200, "", "")
	adapter.ExpectOf("200", "MESSAGE")
	near.RequestSeq("INFO", 1, "")
	judge(adapter.ExpectOf("500", "INFO"))
	near.Request("BYE", "")
	judge(adapter.ExpectOf("200", "BYE"))
	bye := judge(service.Expect("BYE"))
	service.Respond(bye, 200, "", "")
	far.Request("MESSAGE", "too late", "Content-Type: text/plain")
	judge(service.ExpectOf("481", "MESSAGE"))
	h.machine.saw("2 near end cleared")

	far = h.arrive(uatest.Offer("127.0.0.1", farSDP, "sendrecv"))
	inv = judge(adapter.Expect("INVITE"))
	adapter.Respond(inv, 180, "near", "")
	service.Expect("180")
	far.Cancel()
	service.ExpectOf("200", "CANCEL")
	far.AckFailure(judge(service.ExpectOf("487", "INVITE")))
	adapter.Respond(judge(adapter.Expect("CANCEL")), 200, "near", "")
	adapter.Respond(inv, 487, "near", "")
	adapter.Expect("ACK")
	h.line.Probe()
	adapter.Respond(judge(adapter.Expect("OPTIONS")), 200, "x", "")
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
				nearest := "<sip:" + h.service.At.String() + ";lr>"
				// we are the called end: Record-Route in its order (section 12.1.1)
				fields := []string{"Contact: <sip:caller@u1.example.test>"}
				for _, r := range append([]string{nearest}, one.routes...) {
					fields = append(fields, "Record-Route: "+r)
				}
				far := h.arrive(uatest.Offer("127.0.0.1", farSDP, "sendrecv"), fields...)
				inv := h.adapter.Expect("INVITE")
				h.adapter.Respond(inv, 200, "near", uatest.Offer("127.0.0.1", nearSDP, "sendrecv"))
				h.adapter.Expect("ACK")
				ok := h.service.Expect("200")
				is(t, ok, "Record-Route", strings.Join(append([]string{nearest}, one.routes...), ", "))
				far.Established(ok)
				far.Routes = nil
				far.Ack("")
				h.adapter.Called(inv, "near").Request("BYE", "")
				h.adapter.ExpectOf("200", "BYE")
				bye := h.service.Expect("BYE")
				if bye.Start != "BYE sip:caller@u1.example.test SIP/2.0" {
					t.Fatal(bye.Start)
				}
				is(t, bye, "Route", strings.Join(append([]string{nearest}, one.routes...), ", "))
				h.service.Respond(bye, 200, "", "")
				h.atRest()

				// we are the calling end: in reverse (section 12.1.2)
				near := h.request("5550150", uatest.Offer("127.0.0.1", nearSDP, "sendrecv"))
				inv = h.service.Expect("INVITE")
				fields = []string{"Contact: <sip:callee@u2.domain.test>"}
				for _, r := range append(slices.Clone(one.routes), nearest) {
					fields = append(fields, "Record-Route: "+r)
				}
				h.service.Respond(inv, 200, "far", uatest.Offer("127.0.0.1", farSDP, "sendrecv"), fields...)
				want := slices.Clone(one.routes)
				slices.Reverse(want)
				want = append([]string{nearest}, want...)
				ack := h.service.Expect("ACK")
				if ack.Start != "ACK sip:callee@u2.domain.test SIP/2.0" {
					t.Fatal(ack.Start)
				}
				is(t, ack, "Route", strings.Join(want, ", "))
				near.Established(h.adapter.Expect("200")).Ack("")
				near.Request("BYE", "")
				h.adapter.ExpectOf("200", "BYE")
				bye = h.service.Expect("BYE")
				is(t, bye, "Route", strings.Join(want, ", "))
				h.service.Respond(bye, 200, "", "")
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
