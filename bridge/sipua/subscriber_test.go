package sipua

import (
	"fmt"
	"testing"
	"testing/synctest"
	"time"

	"clearback/bridge/sipua/uatest"
)

// A service ends each subscription as soon as it began. It is asked at growing intervals, and not every second for ever
// (RFC 6665 section 4.1.3 lets a subscriber retry at once; slowing down is our own choice).
func TestSubscriptionsThatEndAtOnce(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		var asked []time.Duration
		began, seen := time.Now(), map[string]bool{}
		r := newFuzzBed(t, func(o *Options, _ *times) { o.Lines[0].MessageWaiting = MessagesSubscribe })
		service, to := fuzzParties['s'], r.to['s']
		answer := func(req uatest.Message, n int) {
			say := func(lines ...string) {
				r.net.Send(service, to, []byte(uatest.Text(lines, "")))
			}
			say(append(req.Response(200, "OK", "mwi"), "Expires: 3600", "Contact: <sip:mwi@"+service.String()+">")...)
			say("NOTIFY "+uatest.URI(req.Get("Contact"))+" SIP/2.0", fmt.Sprintf("Via: SIP/2.0/UDP %s;branch=z9hG4bKend%d",
				service, n), "From: "+req.Get("To")+";tag=mwi", "To: "+req.Get("From"),
				"Call-ID: "+req.Get("Call-ID"), "CSeq: 1 NOTIFY", "Max-Forwards: 70",
				"Contact: <sip:mwi@"+service.String()+">", "Event: message-summary",
				"Subscription-State: terminated;reason=timeout")
		}
		for time.Since(began) < 3*time.Hour {
			for _, p := range r.ends['s'].Waiting() {
				if m := uatest.Parse(string(p.Data), p.From); m.Is("SUBSCRIBE") && m.Get("Expires") != "0" &&
					!seen[m.Get("Call-ID")] {
					seen[m.Get("Call-ID")] = true
					asked = append(asked, time.Since(began))
					answer(m, len(asked))
				}
			}
			<-time.After(100 * time.Millisecond)
		}
		if n := len(asked); n < 3 || n > 30 {
			t.Errorf("asked %d times in 3 h: %v", n, asked)
		}
		for i := 2; i < len(asked); i++ { // the first retry comes at once
			if pause := asked[i] - asked[i-1]; pause < 30*time.Second {
				t.Errorf("asked again after %v", pause)
			}
		}
		r.close(t)
	})
}
