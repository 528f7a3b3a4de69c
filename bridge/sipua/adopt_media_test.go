package sipua

import (
	"encoding/json"
	"net"
	"net/netip"
	"strings"
	"testing"
	"time"

	"clearback/bridge/media"
	"clearback/bridge/sipua/uatest"
	"clearback/supervision"
)

// Relayed media goes on after a kill: on the same ports, to where it went before, even to a side that sends nothing and
// whose session description names a private address. The adapter's sound from its address shows that it has the leg.
func TestMediaOutlivesAKill(t *testing.T) {
	t.Parallel()
	r := newRestartableRelay(t)
	adapter, far := mediaSocketAt(t, "127.0.0.1"), mediaSocketAt(t, "127.0.0.1")
	at := func(e mediaSocket) netip.AddrPort { return e.LocalAddr().(*net.UDPAddr).AddrPort() }
	d := r.arrive(uatest.Offer("10.20.30.40", 4000, "sendrecv")) // behind an address translator
	inv := r.adapter.Expect("INVITE")
	toAdapter := netip.AddrPortFrom(r.toAdapter.Addr(), uint16(atoi(port(inv.Body))))
	r.adapter.Respond(inv, 200, "near", uatest.Offer("127.0.0.1", int(at(adapter).Port()), "sendrecv"))
	r.adapter.Expect("ACK")
	ok := r.service.Expect("200")
	d.Established(ok).Ack("")
	r.machine.saw("1 arrived", "1 answered")
	toService := netip.AddrPortFrom(r.toService.Addr(), uint16(atoi(port(ok.Body))))
	relayed := func(from, to mediaSocket, by netip.AddrPort, seq int) {
		t.Helper()
		want := string(from.talks(by, 0, 7, seq, 1))
		b := make([]byte, 2048)
		for {
			if err := to.SetReadDeadline(time.Now().Add(testTimeout)); err != nil {
				t.Fatal(err)
			}
			n, source, err := to.ReadFromUDPAddrPort(b)
			if err != nil {
				t.Fatal(err)
			}
			if string(b[:n]) == want {
				other := map[netip.AddrPort]netip.AddrPort{toAdapter: toService, toService: toAdapter}[by]
				if source != other {
					t.Fatalf("from %v, want %v", source, other)
				}
				return
			}
		}
	}
	far.talks(toService, 0, 8, 1, 1)
	eventually(t, "the far end's source is learnt", func() (learnt bool) {
		c := r.agent.call(1)
		c.runInMailbox(func() {
			learnt = c.path.streams[0].session.Saved()[media.ServiceSide].RTP == at(far)
		})
		return learnt
	})
	relayed(adapter, far, toAdapter, 1)
	c := r.agent.call(1)
	c.runInMailbox(func() {}) // whatever happens in a call next saves it
	eventually(t, "the source is saved", func() bool { return containsText(r.states.all()[1], at(far).String()) })

	r.kill()
	r.start()
	r.machine.saw("1 adopted")
	relayed(adapter, far, toAdapter, 100)
	r.machine.saw("1 adapter leg heard")
	relayed(far, adapter, toService, 100)
	r.agent.call(1).runInMailbox(func() {
		for side, at := range r.agent.call(1).path.streams[0].sides {
			if at.clear || at.clocks != nil || at.events == (media.PayloadTypes{}) {
				t.Errorf("side %d: clear %t, clock rates %v, events %v", side, at.clear, at.clocks, at.events)
			}
		}
	})
	r.asksAdapter(0, 0)
	r.service.Respond(r.service.Expect("OPTIONS"), 200, "", "")
}

// Sound from elsewhere does not show that the adapter has the leg.
func TestSoundFromElsewhere(t *testing.T) {
	t.Parallel()
	r := newRestartableRelay(t)
	r.incoming()
	adapter := mediaSocketAt(t, "127.0.0.1")
	r.kill()
	r.start()
	r.machine.saw("1 adopted")
	var to netip.AddrPort
	var session *media.Session
	r.agent.call(1).runInMailbox(func() {
		session = r.agent.call(1).path.streams[0].session
		to = session.Local(media.AdapterSide)
	})
	adapter.talks(to, 0, 7, 1, 20)
	eventually(t, "it is relayed", func() bool { return !session.LastHeard(media.AdapterSide).IsZero() })
	c, heard := r.agent.call(1), false
	c.runInMailbox(func() { c.noteResumedSound(); heard = c.adoption.heard })
	if heard {
		t.Fatal("the adapter's leg counts as heard")
	}
}

// A port that somebody else has taken meanwhile.
func TestPortTakenAfterKill(t *testing.T) {
	t.Parallel()
	r := newRestartableRelay(t)
	r.incoming()
	var at netip.AddrPort
	r.agent.call(1).runInMailbox(func() { at = r.agent.call(1).path.streams[0].session.Local(media.ServiceSide) })
	r.kill()
	taken, err := net.ListenUDP("udp4", net.UDPAddrFromAddrPort(at))
	if err != nil {
		t.Fatal(err)
	}
	defer taken.Close()
	r.start()
	r.onlyClears("1 adopted")
}

// An old state that was not removed names the ports of a call that is up. The later call keeps them.
func TestStaleStateTakesNoPorts(t *testing.T) {
	t.Parallel()
	r := newRestartableRelay(t)
	r.incoming()
	r.kill()
	state := string(r.states.calls[1])
	var s savedCall
	if err := json.Unmarshal([]byte(state), &s); err != nil {
		t.Fatal(err)
	}
	old := state
	for _, l := range s.Legs {
		old = strings.ReplaceAll(old, l.CallID, "old-"+l.CallID)
	}
	r.states.calls = map[supervision.CallID][]byte{1: []byte(old),
		2: []byte(strings.Replace(state, `"Call":1,`, `"Call":2,`, 1))}
	r.start()
	r.machine.saw("2 adopted")
	for _, p := range []*uatest.Peer{r.adapter, r.service} {
		bye := p.ExpectAfter("OPTIONS", "BYE")
		contains(t, bye.Get("Call-ID"), "old-")
	}
}

// An emergency call that rang with early media, relayed: the 200 after the restart completes it.
func TestEarlyMediaOutlivesAKill(t *testing.T) {
	t.Parallel()
	r := newRestartableRelay(t)
	caller := r.ask(r.adapter, "sip:999@"+r.toAdapter.String())
	r.adapter.ExpectOf("100", "INVITE")
	inv := r.service.Expect("INVITE")
	r.service.Respond(inv, 183, "psap", far())
	r.adapter.Expect("183")
	r.machine.saw("1 requested (emergency)")
	eventually(t, "the early dialog is saved", func() bool {
		var s savedCall
		return json.Unmarshal(r.states.all()[1], &s) == nil && s.Invite != nil && s.Invite.Rang && s.Sent[0].ID != 0
	})
	r.kill()
	before := r.service.Repeats.Load() // the first process may have repeated it too
	r.start()
	r.machine.saw("1 requested (emergency)")
	eventually(t, "the INVITE is repeated", func() bool { return r.service.Repeats.Load() > before })
	r.service.Respond(inv, 200, "psap", far())
	r.service.Expect("ACK")
	ok := r.adapter.Next()
	for !ok.Is("200") { // a 183, and a 100 if the answer is not read within 200 ms (RFC 3261 section 17.2.1)
		ok = r.adapter.Next()
	}
	caller.Established(ok).Ack("")
	r.machine.saw("1 answered")
}

// An emergency call goes on whatever has become of its media: on its own ports where the file names other ones now, and
// without its sound where somebody else has the ports or the line relays no more. A re-INVITE brings the sound back.
func TestEmergencyCallOutlivesItsMedia(t *testing.T) {
	t.Parallel()
	elsewhere, err := media.New(media.Options{AdapterAddr: netip.MustParseAddr("127.0.0.2"),
		ServiceAddr: netip.MustParseAddr("127.0.0.2"), PortLow: 30000, PortHigh: 39999})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := elsewhere.Close(); err != nil {
			t.Error(err)
		}
	})
	for name, edit := range map[string]setting{
		"other address and ports": func(o *Options, _ *times) { o.Media = elsewhere },
		"ports taken":             func(*Options, *times) {},
		"no relay":                func(o *Options, _ *times) { o.Media, o.Lines[0].Relay = nil, false },
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			r := newRestartableRelay(t)
			call := r.testBed.emergency()
			var at netip.AddrPort
			r.agent.call(1).runInMailbox(func() {
				at = r.agent.call(1).path.streams[0].session.Local(media.ServiceSide)
			})
			r.kill()
			if name == "ports taken" {
				taken, err := net.ListenUDP("udp4", net.UDPAddrFromAddrPort(at))
				if err != nil {
					t.Fatal(err)
				}
				defer taken.Close()
			}
			r.start(edit)
			r.machine.saw("1 adopted (emergency)")
			if name != "other address and ports" {
				r.machine.saw("1 sound missing")
			}
			r.adapter.Respond(r.adapter.Expect("OPTIONS"), 200, "", "")
			r.service.Respond(r.service.Expect("OPTIONS"), 200, "", "")
			call.near.Request("INVITE", near()+"m=video "+num(nearSDP+2)+" RTP/AVP 96\r\n")
			inv := r.service.Expect("INVITE")
			switch sound := port(inv.Body); name {
			case "other address and ports":
				contains(t, inv.Body, "c=IN IP4 127.0.0.1")
				contains(t, inv.Body[strings.Index(inv.Body, "m=video"):], "c=IN IP4 127.0.0.2") // a new stream
				is(t, inv, "Content-Type", "application/sdp")
				if sound != num(int(at.Port())) {
					t.Fatalf("port %s, want %v", sound, at)
				}
			case "ports taken":
				if n := atoi(sound); n == int(at.Port()) || n < 20000 || n > 29999 {
					t.Fatalf("port %s", sound)
				}
			default:
				contains(t, inv.Body, "m=audio "+num(nearSDP))
			}
			r.service.Respond(inv, 200, "", far()+"m=video 0 RTP/AVP 96\r\n")
			r.service.Expect("ACK")
			r.adapter.Expect("200")
			call.near.Ack("")
			r.hangUp(call.near)
		})
	}
}
