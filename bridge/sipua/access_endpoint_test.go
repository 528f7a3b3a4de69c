package sipua

import (
	"context"
	"fmt"
	"net"
	"net/netip"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"clearback/supervision"
)

// say sends a request of one party. more are header lines after those that every request has.
func (r *fuzzBed) say(who byte, from netip.AddrPort, method, user, id, toTag string, more ...string) {
	lines := append([]string{method + " sip:" + user + "@192.0.2.1 SIP/2.0", "Via: SIP/2.0/UDP " +
		fuzzParties[who].String() + ";branch=z9hG4bK" + id,
		"To: <sip:" + user + "@192.0.2.1>" + toTag, "CSeq: 9 " + method, "Max-Forwards: 70", "Contact: <sip:port@" +
			fuzzParties[who].String() + ">", "Content-Length: 0"}, more...)
	if len(more) == 0 {
		lines = append(lines, "From: <sip:port@192.0.2.1>;tag="+id, "Call-ID: "+id)
	}
	r.net.Send(from, r.to[who], []byte(strings.Join(append(lines, "", ""), "\r\n")))
}

// got returns the first lines of the packets that reached a party since the last call.
func (r *fuzzBed) got(who byte) (all []string) {
	synctest.Wait()
	for _, p := range r.ends[who].Waiting() {
		line, _, _ := strings.Cut(string(p.Data), "\r\n")
		all = append(all, line)
	}
	return all
}

// strayByes sends 8,750 BYEs without a dialog from the adapter's address and some from the service's. It returns how
// many were sent, and how many got 481.
func (r *fuzzBed) strayByes(round int) (sent, refused int) {
	for i := range 17500 / 2 {
		for _, who := range []byte("as")[:1+max(0, 1-i%7)] {
			r.say(who, fuzzParties[who], "BYE", "port", fmt.Sprintf("none-%d-%d", round, i), ";tag=none")
			sent++
		}
		if i%100 == 0 {
			synctest.Wait()
		}
	}
	for _, who := range []byte("as") {
		for _, line := range r.got(who) {
			if strings.HasPrefix(line, "SIP/2.0 481") {
				refused++
			}
		}
	}
	return sent, refused
}

// 17,500 BYEs without a dialog from the adapter's address, and some from the service's, leave nothing behind. During
// the flood an emergency call passes, and the far end's BYE is accepted and the adapter's leg cleared.
func TestFloodOfByes(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		r := newFuzzBed(t)
		<-time.After(time.Minute) // everything left of the call's setup has expired
		r.got('a')
		r.got('s')
		sent, refused := 0, 0
		flood := func(round int) {
			some, none := r.strayByes(round)
			sent, refused = sent+some, refused+none
		}
		flood(1)
		if n := r.agent.Counts().Endpoint; n.Servers != 0 || n.Overloaded != 0 {
			t.Errorf("left behind: %+v", n)
		}
		r.say('a', fuzzParties['a'], "INVITE", "999", "help", "")
		if all := r.got('s'); len(all) != 1 || !strings.HasPrefix(all[0], "INVITE sip:999@") {
			t.Errorf("the emergency call was not passed on: %q", all)
		}
		if all := r.got('a'); len(all) != 1 || !strings.HasPrefix(all[0], "SIP/2.0 100") {
			t.Errorf("the emergency caller got %q", all)
		}
		flood(2)
		far := r.places['s']
		r.say('s', fuzzParties['s'], "BYE", serviceUser, "bye", ";tag="+far["{own}"],
			"From: <sip:f@192.0.2.2>;tag="+far["{peer}"], "Call-ID: "+far["{id}"])
		if all := r.got('s'); len(all) == 0 || all[len(all)-1] != "SIP/2.0 200 OK" {
			t.Errorf("the far end's BYE was answered %q", all)
		}
		r.ledger.mu.Lock()
		cleared := r.ledger.cleared
		r.ledger.mu.Unlock()
		if !cleared {
			t.Error("the far end's clearing was not posted")
		}
		r.agent.Line("box-office").ClearAdapterLeg(1)
		if all := r.got('a'); len(all) == 0 || !strings.HasPrefix(all[0], "BYE ") {
			t.Errorf("the adapter was not cleared: %q", all)
		}
		if refused != sent || sent < 17500 {
			t.Errorf("%d of %d got 481", refused, sent)
		}
		for _, c := range r.agent.up() {
			c.post(c.abandon) // nothing else ends an emergency call
		}
		r.close(t)
	})
}

// While the limit for the service's address is used up, a BYE of the far end is still accepted, and so are the
// service's other requests. BYEs with a call's tags from wrong sources, however many, leave room for the right one.
func TestByeUnderOverload(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		r := newFuzzBed(t)
		far := r.places['s']
		bye := func(id, tag string) {
			r.say('s', fuzzParties['s'], "BYE", serviceUser, id, ";tag="+far["{own}"],
				"From: <sip:f@192.0.2.2>;tag="+tag, "Call-ID: "+far["{id}"])
		}
		for i := range 5000 { // more than 4,096, the limit for one address
			if bye(fmt.Sprint("wrong-", i), "guessed"); i%10 == 0 {
				synctest.Wait()
			}
		}
		r.got('s')
		r.say('s', fuzzParties['s'], "OPTIONS", serviceUser, "full", "")
		if all := r.got('s'); len(all) != 1 || strings.HasPrefix(all[0], "SIP/2.0 503") {
			t.Fatalf("the service got %q", all)
		}
		bye("right", far["{peer}"])
		if all := r.got('s'); len(all) != 1 || all[0] != "SIP/2.0 200 OK" {
			t.Errorf("the far end's BYE was answered %q", all)
		}
		r.close(t)
	})
}

// A CANCEL of a ringing call is accepted from the service and from its other addresses, as configured or as looked up.
// It is accepted from no other address, even if all of its header fields are right.
func TestCancelFromElsewhere(t *testing.T) {
	t.Parallel()
	third, configured, resolved := netip.MustParseAddrPort("192.0.2.99:5060"),
		netip.MustParseAddrPort("192.0.2.3:5060"), netip.MustParseAddrPort("192.0.2.4:6060")
	for at, ends := range map[netip.AddrPort]bool{
		third: false, fuzzParties['a']: false, netip.AddrPortFrom(fuzzParties['s'].Addr(), 5999): true,
		configured: true, resolved: true,
	} {
		synctest.Test(t, func(t *testing.T) {
			r := newFuzzBed(t, func(o *Options, _ *times) {
				l := &o.Lines[0]
				l.ServiceAllow = []netip.Prefix{netip.MustParsePrefix("192.0.2.2/31")} // 192.0.2.2 and 192.0.2.3
				l.ServiceProxy = "pbx.millrace.example:5060"
				o.lookup = func(_ context.Context, _, host string) ([]netip.Addr, error) {
					if host != "pbx.millrace.example" {
						return nil, &net.DNSError{Name: host, IsNotFound: true}
					}
					return []netip.Addr{fuzzParties['s'].Addr(), resolved.Addr()}, nil
				}
			})
			r.say('a', fuzzParties['a'], "INVITE", "999", "help", "") // so that the name is looked up
			r.got('s')
			r.say('s', fuzzParties['s'], "INVITE", serviceUser, "rings", "")
			if all := r.got('a'); !strings.HasPrefix(all[len(all)-1], "INVITE ") {
				t.Fatalf("no call was offered: %q", all)
			}
			r.got('s')
			r.say('s', at, "CANCEL", serviceUser, "rings", "")
			<-time.After(100 * time.Millisecond)
			if told := slices.Contains(r.got('s'), "SIP/2.0 487 Request Terminated"); told != ends {
				t.Errorf("a CANCEL from %s: the INVITE was ended: %v", at, told)
			}
			if over := r.cleared(3); over != ends {
				t.Errorf("a CANCEL from %s: the call is over: %v", at, over)
			}
			for _, one := range r.agent.up() {
				one.post(one.abandon)
			}
			r.close(t)
		})
	}
}

// cleared reports whether a clearing by the call's far end was posted.
func (r *fuzzBed) cleared(id supervision.CallID) bool {
	c, over := r.agent.call(id), false
	return c == nil || c.runInMailbox(func() { over = c.farCleared }) && over
}

// The endpoint gets the adapters' bindings and the existing dialogs, but nothing before the agent is complete.
func TestBoundAddressesAndDialogsForEndpoint(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		r := newFuzzBed(t)
		adapter, service := r.agent.Line("box-office").adapter, r.agent.Line("box-office").service
		if all := adapter.boundAddresses(); len(all) != 1 || all[0] != fuzzParties['a'] {
			t.Errorf("bound at %v", all)
		}
		if all := service.boundAddresses(); len(all) != 0 {
			t.Errorf("the service's socket has adapters bound at %v", all)
		}
		if a, x := fuzzParties['a'].Addr(), fuzzParties['x'].Addr(); !adapter.sameSide(a, a) ||
			adapter.sameSide(a, x) || service.sameSide(a, a) {
			t.Error("sameSide confuses the two sides")
		}
		early := &socket{a: &Agent{opened: make(chan struct{})}}
		early.lines.Store(&servedLines{adapters: true})
		if early.boundAddresses() != nil || early.sameSide(netip.Addr{}, netip.Addr{}) || early.answersStray(nil) {
			t.Error("the socket answered before the agent was complete")
		}
		r.close(t)
	})
}
