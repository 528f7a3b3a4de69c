package sipua

import (
	"fmt"
	"testing"
	"testing/synctest"

	"github.com/emiago/sipgo/sip"

	"clearback/bridge/sipua/uatest"
	"clearback/supervision/dialplan"
)

func dialPlan(t *testing.T, o dialplan.Options) func(*Options, *times) {
	t.Helper()
	p, err := dialplan.New(o)
	if err != nil {
		t.Fatal(err)
	}
	return func(o *Options, _ *times) { o.Lines[0].Dial = p }
}

// An ordinary call to a forbidden number does not pass. It is reported with the reason, and counts as a seizure. A call
// to an allowed number passes.
func TestForbiddenDestination(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t, quickDateCheck, dialPlan(t, dialplan.Options{Country: "GB", Prefixes: []string{"9"},
			Deny: []string{"0900*"}}))
		for i, number := range []string{"004930123456", "%2B4930123456", "+49-30-123456", "9004930123456",
			"*67004930123456", "09005550101", "+449005550101"} {
			near := h.dial(number)
			near.AckFailure(h.adapter.ExpectOf("403", "INVITE"))
			h.machine.saw(fmt.Sprint(i+1, " requested"), fmt.Sprint(i+1, " far end cleared: not-allowed"),
				fmt.Sprint(i+1, " adapter leg cleared: confirmed"))
		}
		h.service.ExpectNothing(h.toService)
		h.dial("01632960101")
		h.adapter.Expect("100")
		contains(t, h.service.Expect("INVITE").Start, "sip:01632960101@")
		h.machine.saw("8 requested")
	})
}

// An emergency call passes whatever the dial plan allows.
func TestEmergencyPassesTheDialPlan(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t, quickDateCheck, dialPlan(t, dialplan.Options{Country: "GB", Deny: []string{"*"}}))
		near := h.dial("5550151")
		near.AckFailure(h.adapter.ExpectOf("403", "INVITE"))
		h.machine.saw("1 requested", "1 far end cleared: not-allowed", "1 adapter leg cleared: confirmed")
		h.request("999", uatest.Offer("127.0.0.1", nearSDP, "sendrecv"))
		contains(t, h.service.Expect("INVITE").Start, "sip:999@")
		h.request("*67112", uatest.Offer("127.0.0.1", nearSDP, "sendrecv"))
		contains(t, h.service.Expect("INVITE").Start, "sip:112@")
		for _, hidden := range []string{"sip:141999@127.0.0.1", "sip:*67112@127.0.0.1", "tel:*31%23999",
			"sip:+999@127.0.0.1"} {
			var u sip.Uri
			if err := sip.ParseUri(hidden, &u); err != nil || h.line.mayDial(u) != "" {
				t.Errorf("%s may not be dialled (%v)", hidden, err)
			}
		}
		for _, contains := range []string{"sip:+44999@127.0.0.1", "sip:112*5550151@127.0.0.1", "tel:5550151;rn=112",
			"sip:9112@127.0.0.1"} {
			var u sip.Uri
			if err := sip.ParseUri(contains, &u); err != nil || h.line.mayDial(u) != dialplan.Denied {
				t.Errorf("%s may be dialled (%v)", contains, err)
			}
		}
		h.machine.saw("2 requested (emergency)", "3 requested (emergency)")
	})
}

// Every form of a destination is judged by the part that is passed on.
func TestDialplanJudgesWhatIsSent(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t, quickDateCheck, dialPlan(t, dialplan.Options{Country: "GB"}))
		for uri, want := range map[string]dialplan.Refusal{
			"sip:5550151@127.0.0.1":                        "",
			"sip:5550151;phone-context=+49@127.0.0.1":      dialplan.International,
			"sip://004930123456@127.0.0.1":                 dialplan.International,
			"sips:004930123456:0@127.0.0.1":                dialplan.International,
			"tel:+44-1632-960101":                          "",
			"tel:+49-30-123456":                            dialplan.International,
			"tel:30123456;phone-context=+49":               dialplan.International,
			"callto:004930123456":                          dialplan.International,
			"sip:127.0.0.1":                                "",
			"sip:112@127.0.0.1":                            "",
			"urn:service:sos":                              "",
			"sip:004930123456@127.0.0.1;user=phone?To=999": dialplan.International,
		} {
			var u sip.Uri
			if err := sip.ParseUri(uri, &u); err != nil {
				t.Fatal(uri, err)
			}
			if got := h.line.mayDial(u); got != want {
				t.Errorf("%s: %q, want %q", uri, got, want)
			}
		}
	})
}
