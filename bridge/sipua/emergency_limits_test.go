package sipua

import (
	"fmt"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"clearback/bridge/sipua/uatest"
)

// A flood of requests from the adapter's address, forged ones included, uses up the limit for that address. Emergency
// calls and ordinary calls from that address still pass.
func TestEmergencyCallUnderOverload(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		r := newFuzzBed(t)
		at, to := fuzzParties['a'], r.to['a']
		send := func(method, user, id string) {
			r.net.Send(at, to, []byte(strings.Join([]string{method + " sip:" + user + "@192.0.2.1 SIP/2.0",
				"Via: SIP/2.0/UDP " + at.String() + ";branch=z9hG4bK" + id,
				"From: <sip:port@192.0.2.1>;tag=" + id, "To: <sip:" + user + "@192.0.2.1>", "Call-ID: " + id,
				"CSeq: 1 " + method, "Max-Forwards: 70",
				"Contact: <sip:port@" + at.String() + ">", "Content-Length: 0", "", ""}, "\r\n")))
		}
		for i := range 5000 { // more than 4,096, the limit for one address
			if send("OPTIONS", "port", fmt.Sprint("fill-", i)); i%100 == 0 {
				synctest.Wait()
			}
		}
		synctest.Wait()
		r.ends['a'].Waiting()
		r.ends['s'].Waiting()
		send("INVITE", "5550150", "ordinary")
		synctest.Wait()
		if all := r.ends['s'].Waiting(); len(all) == 0 || !strings.HasPrefix(string(all[0].Data),
			"INVITE sip:5550150@") {
			t.Fatalf("the ordinary call was not passed on: %q", all)
		}
		if n := r.agent.Counts().Endpoint; n.Servers != 4096+1 && n.Servers != 4096 || n.Overloaded != 0 {
			t.Errorf("the limit was not reached, or a request was refused: %+v", n)
		}
		send("INVITE", "999", "help")
		synctest.Wait()
		all := r.ends['s'].Waiting()
		if len(all) == 0 || !strings.HasPrefix(string(all[0].Data), "INVITE sip:999@") {
			t.Fatalf("the emergency call was not passed on: %q", all)
		}
		for _, c := range r.agent.up() {
			c.post(c.abandon) // nothing else ends an emergency call
		}
		r.close(t)
	})
}

// The time that an emergency call takes to pass is reported once, when it has been sent to the service, and no other
// call is.
func TestEmergencyPassed(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		var took []time.Duration
		h := newVirtualTestBed(t, func(o *Options, _ *times) {
			o.EmergencyPassed = func(d time.Duration) { took = append(took, d) }
		})
		h.request("5550151", uatest.Offer("127.0.0.1", nearSDP, "sendrecv"))
		contains(t, h.service.Expect("INVITE").Start, "sip:5550151@")
		synctest.Wait()
		if len(took) > 0 {
			t.Errorf("an ordinary call was reported: %v", took)
		}
		h.request("999", uatest.Offer("127.0.0.1", nearSDP, "sendrecv"))
		contains(t, h.service.Expect("INVITE").Start, "sip:999@")
		synctest.Wait()
		if len(took) != 1 || took[0] < 0 || took[0] > time.Second {
			t.Errorf("reported %v", took)
		}
	})
}
