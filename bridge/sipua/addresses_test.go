package sipua

import (
	"context"
	"net"
	"net/netip"
	"slices"
	"testing"
	"testing/synctest"
	"time"

	"github.com/emiago/sipgo/sip"

	"clearback/bridge/sipua/uatest"
)

// newTestBedOfAddresses returns a test bed whose service has a name with two addresses. If two is true, the line also
// has a second service.
func newTestBedOfAddresses(t *testing.T, two bool) (h *testBed, second, reserve *uatest.Peer) {
	const host = "127.0.0.4"
	var m memoryNetwork
	reserve = m.newTestPeer(t, "reserve", reserveHost)
	h = newTestBedIn(t, &m, shorter, func(o *Options, times *times) {
		times.silence, times.emergencySilence = 4*sec, 2*sec
		registrar := o.Lines[0].Registrar
		own := netip.AddrPortFrom(netip.MustParseAddr(host), uint16(registrar.Port))
		second = uatest.NewOn(t, "second address", m.network.Listen(own))
		o.Lines[0].ServiceProxy = "pbx.example:" + num(registrar.Port)
		o.lookup = func(_ context.Context, _, name string) ([]netip.Addr, error) {
			if name != "pbx.example" {
				return nil, &net.DNSError{Name: name, IsNotFound: true}
			}
			return []netip.Addr{netip.MustParseAddr("2001:db8::1"), netip.MustParseAddr(registrar.Host), own.Addr()},
				nil
		}
		if two {
			o.Lines[0].Second = &ServiceAccount{User: secondUser, Secret: secondSecret,
				Registrar: sip.Uri{Scheme: "sip", Host: reserveHost, Port: int(reserve.At.Port())}}
		}
	})
	return h, second, reserve
}

// All addresses of one service are one attempt (by RFC 3263 section 4.3 the next one is tried only after a failure).
// The next address is tried after the first has refused, or has not answered in time, but not if it has sent 100 and
// nothing else. The call then stays at the address that accepted it.
func TestEmergencyAddresses(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		first       []int // the first address's responses, sent at once
		after       time.Duration
		tried, late bool
	}{
		"refuses":          {first: []int{100, 503}, tried: true},
		"refuses, ringing": {first: []int{180, 480}, tried: true},
		"says nothing":     {after: 4 * sec, tried: true, late: true},
		"says 100 only":    {first: []int{100}},
		"rings":            {first: []int{180}},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			synctest.Test(t, func(t *testing.T) {
				h, second, _ := newTestBedOfAddresses(t, false)
				near := h.ask(h.adapter, "sip:999@"+h.toAdapter.String())
				h.adapter.Expect("100")
				inv := h.service.Expect("INVITE")
				for _, code := range c.first {
					h.service.Respond(inv, code, "first", "")
				}
				at, began := h.service, time.Now()
				if c.tried {
					if at = second; len(c.first) > 0 {
						h.service.Expect("ACK")
					}
					lost := inv
					inv = second.Expect("INVITE")
					if took := time.Since(began); took != c.after {
						t.Errorf("tried after %v", took)
					}
					if c.late {
						h.service.Respond(lost, 200, "late", far())
						// it may overtake the ACK, since the name is looked up for each
						if m := h.service.Next(); m.Is("BYE") {
							h.service.Respond(m, 200, "", "")
							h.service.Expect("ACK")
						} else {
							h.service.Respond(h.service.Expect("BYE"), 200, "", "")
						}
					}
				} else {
					<-time.After(20 * sec)
					second.ExpectNone()
				}
				at.Respond(inv, 200, "far", far())
				at.Expect("ACK")
				near.Established(h.adapter.ExpectAfter("180", "200")).Ack("")
				h.machine.saw("1 requested (emergency)", "1 answered")
				near.Request("BYE", "")
				h.adapter.Expect("200")
				at.Respond(at.Expect("BYE"), 200, "", "")
				h.machine.saw("1 near end cleared")
				h.atRest()
			})
		})
	}
}

// After every address has refused, the call goes to the line's other service, and the answer of each is reported.
// Without another service the adapter gets the last refusal. An ordinary call is tried at one address only.
func TestEmergencyAddressesRefuse(t *testing.T) {
	t.Parallel()
	for _, two := range []bool{true, false} {
		synctest.Test(t, func(t *testing.T) {
			h, second, reserve := newTestBedOfAddresses(t, two)
			near := h.ask(h.adapter, "sip:999@"+h.toAdapter.String())
			h.adapter.Expect("100")
			h.service.Respond(h.service.Expect("INVITE"), 503, "first", "")
			h.service.Expect("ACK")
			second.Respond(second.Expect("INVITE"), 480, "second", "")
			second.Expect("ACK")
			h.machine.saw("1 requested (emergency)")
			told := []string{"1 attempt ended: 503 none", "1 attempt ended: 480 none"}
			if two {
				reserve.Respond(reserve.Expect("INVITE"), 486, "reserve", "")
				reserve.Expect("ACK")
				told = append(told, "1 attempt ended: 486 none second")
				near.AckFailure(h.adapter.Expect("486"))
			} else {
				near.AckFailure(h.adapter.Expect("480"))
			}
			h.machine.saw("1 far end cleared: bye", "1 adapter leg cleared: confirmed")
			if got := h.machine.attemptEvents(); !slices.Equal(got, told) {
				t.Errorf("told %q, want %q", got, told)
			}
			h.atRest()
			if two {
				return
			}
			ordinary := h.request("5550150", uatest.Offer("127.0.0.1", nearSDP, "sendrecv"))
			h.service.Respond(h.service.Expect("INVITE"), 503, "first", "")
			h.service.Expect("ACK")
			ordinary.AckFailure(h.adapter.Expect("503"))
			second.ExpectNone()
		})
	}
}

// The second address redirects the call to a host of its own. That host is called, and not the address again (RFC 3261
// section 8.1.3.4).
func TestEmergencyAddressRedirects(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		var m memoryNetwork
		at := func(host string) *uatest.Peer {
			return uatest.NewOn(t, host, m.network.Listen(netip.AddrPortFrom(netip.MustParseAddr(host), 5060)))
		}
		first, second, place := at("127.0.0.5"), at("127.0.0.6"), at("127.0.0.7")
		h := newTestBedIn(t, &m, shorter, func(o *Options, _ *times) {
			o.Lines[0].Registrar = sip.Uri{Scheme: "sip", Host: "pbx.example"}
			o.Lines[0].ServiceAllow = []netip.Prefix{netip.MustParsePrefix("127.0.0.0/24")}
			o.lookup = func(context.Context, string, string) ([]netip.Addr, error) {
				return []netip.Addr{first.At.Addr(), second.At.Addr()}, nil
			}
		})
		near := h.ask(h.adapter, "sip:999@"+h.toAdapter.String())
		h.adapter.Expect("100")
		first.Respond(first.Expect("INVITE"), 503, "first", "")
		first.Expect("ACK")
		second.Respond(second.Expect("INVITE"), 302, "second", "", "Contact: <sip:999@127.0.0.7:5060>")
		second.Expect("ACK")
		place.Respond(place.Expect("INVITE"), 200, "place", far())
		place.Expect("ACK")
		near.Established(h.adapter.Expect("200")).Ack("")
		h.machine.saw("1 requested (emergency)", "1 answered")
		near.Request("BYE", "")
		h.adapter.Expect("200")
		place.Respond(place.Expect("BYE"), 200, "", "")
		h.machine.saw("1 near end cleared")
	})
}

// Without a proxy only the INVITE goes to one of the service's addresses. What follows goes to the Contact of the
// answer (RFC 3261 section 12.2.1.1).
func TestRequestsAfterTheAnswerGoToItsContact(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h, second, _ := newTestBedOfAddresses(t, false)
		s := h.line.accounts[0]
		s.Proxy, s.Registrar.Host = "", "pbx.example"
		near := h.ask(h.adapter, "sip:999@"+h.toAdapter.String())
		h.adapter.ExpectOf("100", "INVITE")
		h.service.Respond(h.service.Expect("INVITE"), 503, "full", "")
		h.service.Expect("ACK")
		second.Respond(second.Expect("INVITE"), 200, "psap", far(), h.service.ContactAs("psap"))
		h.service.Expect("ACK")
		near.Established(h.adapter.Expect("200")).Ack("")
		near.Request("BYE", "")
		h.adapter.ExpectOf("200", "BYE")
		h.service.Respond(h.service.Expect("BYE"), 200, "", "")
		h.machine.saw("1 requested (emergency)", "1 answered", "1 near end cleared")
		h.atRest()
	})
}
