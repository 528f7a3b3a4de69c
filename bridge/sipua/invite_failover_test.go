package sipua

import (
	"cmp"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/emiago/sipgo/sip"
	"github.com/icholy/digest"
	"github.com/stretchr/testify/require"

	"clearback/bridge/sipua/endpoint"
	"clearback/bridge/sipua/registration"
	"clearback/bridge/sipua/uatest"
)

const (
	secondUser   = "5550101"
	secondSecret = "gaslight"
	reserveHost  = "127.0.0.2"
)

// newVirtualTestBedOfTwo returns a virtual test bed whose line has a second service.
func newVirtualTestBedOfTwo(t testing.TB, settings ...setting) (*testBed, *uatest.Peer) {
	t.Helper()
	var m memoryNetwork
	reserve := m.newTestPeer(t, "reserve", reserveHost)
	with := func(o *Options, times *times) {
		shorter(o, times)
		times.emergencySilence, times.recoveryProbe, times.silenceAfterLoss = 100*time.Millisecond, 30*time.Millisecond,
			100*time.Millisecond
		o.Lines[0].Second = &ServiceAccount{
			Registrar: sip.Uri{Scheme: "sip", Host: reserveHost, Port: int(reserve.At.Port())}, User: secondUser,
			Secret: secondSecret,
		}
	}
	return newTestBedIn(t, &m, append([]setting{with}, settings...)...), reserve
}

func near() string { return uatest.Offer("127.0.0.1", nearSDP, "sendrecv") }
func far() string  { return uatest.Offer("127.0.0.1", farSDP, "sendrecv") }

// The first service sends nothing. The call goes to the second one, with that account and its credentials, and stays
// there. If the first one answers late, its call is cleared (RFC 3261 section 9.1). Further calls go to the second one
// until a message from the first comes.
func TestSecondServiceTakesOver(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h, reserve := newVirtualTestBedOfTwo(t)
		d := h.request("5550150", near())
		lost := h.service.Expect("INVITE")
		inv := reserve.Expect("INVITE")
		is(t, inv, "Call-ID", lost.Get("Call-ID")) // the call record has this Call-ID
		contains(t, inv.Start, "sip:5550150@"+reserve.At.String())
		contains(t, inv.Get("From"), "<sip:"+secondUser+"@"+reserve.At.String()+">")
		contains(t, inv.Get("Contact"), "<sip:"+secondUser+"@")
		reserve.Respond(inv, 401, "far", "",
			`WWW-Authenticate: Digest realm="reserve.example", nonce="n1", qop="auth", algorithm=MD5`)
		reserve.Expect("ACK")
		inv = reserve.Expect("INVITE")
		credentialsOf(t, inv, "Authorization", "INVITE", secondUser, secondSecret)
		reserve.Respond(inv, 200, "far", far())
		reserve.Expect("ACK")
		d.Established(h.adapter.Expect("200")).Ack("")
		h.machine.saw("1 requested", "1 answered")
		h.service.Respond(lost, 200, "late", far())
		for _, want := range []string{"ACK", "BYE"} {
			m := h.service.Next()
			for m.Is("OPTIONS") { // checks whether the first service is back
				m = h.service.Next()
			}
			if !m.Is(want) {
				t.Fatalf("want %s, got %s", want, m)
			}
		}
		h.service.Respond(lost, 200, "late", far(), "Subject: repeated")
		h.service.Expect("ACK") // and no second BYE
		h.service.ExpectNothing(h.toService)
		far := reserve.Called(inv, "far")
		far.Request("BYE", "")
		reserve.ExpectOf("200", "BYE")
		h.adapter.Respond(h.adapter.Expect("BYE"), 200, "", "")
		h.machine.saw("1 far end cleared: bye", "1 adapter leg cleared: confirmed")
		h.atRest()
		if n := h.agent.Counts().Failovers; n != 1 {
			t.Fatalf("%d calls failed over", n)
		}
	})
}

// However often a service is lost and returns, only one probe at a time checks whether it is back.
func TestOneProbeOfALostService(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h, _ := newVirtualTestBedOfTwo(t, func(_ *Options, times *times) { times.probe = time.Minute })
		first := h.line.accounts[0]
		for range 3 {
			first.noteNoResponse()
			first.noteResponse()
		}
		first.noteNoResponse()
		h.service.Expect("OPTIONS")
		h.service.ExpectSilence(100 * time.Millisecond) // three times as long as other probes would need
		first.noteResponse()
		first.noteNoResponse()
		h.service.ExpectSilence(100 * time.Millisecond)
	})
}

// A lost service gets OPTIONS until it answers, and is then used again. Meanwhile no call waits for it.
func TestFailback(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h, reserve := newVirtualTestBedOfTwo(t)
		end := func(p *uatest.Peer, m uatest.Message) {
			p.Respond(m, 486, "far", "")
			p.Expect("ACK")
			h.adapter.Expect("486")
			h.atRest()
		}
		h.request("5550150", near())
		h.service.Expect("INVITE")
		end(reserve, reserve.Expect("INVITE"))
		ask := h.service.Expect("OPTIONS")
		is(t, ask, "Accept", "application/sdp") // RFC 3261 section 11.1
		is(t, ask, "Max-Forwards", "70")
		is(t, ask, "CSeq", "1 OPTIONS")
		contains(t, ask.Get("Contact"), h.toService.String())
		h.request("5550151", near())
		end(reserve, reserve.Expect("INVITE")) // no call goes to the first one; its next message is a probe
		h.service.Respond(ask, 503, "x", "")   // it is there, but cannot serve
		ask = h.service.Expect("OPTIONS")
		h.service.Respond(ask, 404, "x", "")
		eventually(t, "the first service", func() bool { return !h.line.accounts[0].lost() })
		h.request("5550152", near())
		for {
			m := h.service.Next()
			if !m.Is("OPTIONS") {
				contains(t, m.Start, "INVITE sip:5550152@")
				end(h.service, m)
				return
			}
		}
	})
}

// A 503 means that the service cannot serve (RFC 3263 section 4.3). Other failures come from the far end. After ringing
// an ordinary call no longer fails over. An emergency call does so after any failure, and if the services are silent it
// is soon tried at both.
func TestResponsesThatCauseFailover(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		for _, c := range []struct {
			number   string
			early    int
			code     int
			switched bool
		}{
			{"5550150", 0, 503, true}, {"5550150", 100, 503, true}, {"5550150", 180, 503, false},
			{"5550150", 0, 486, false}, {"5550150", 0, 500, false}, {"5550150", 0, 404, false},
			{"999", 0, 404, true}, {"999", 0, 603, true}, {"999", 183, 503, true},
		} {
			h, reserve := newVirtualTestBedOfTwo(t, quickDateCheck)
			if c.number == "999" {
				h.adapter.Call("sip:999@"+h.toAdapter.String(), "<sip:"+adapterUser+"@"+h.toAdapter.String()+">",
					h.toAdapter, near())
				h.adapter.Expect("100")
			} else {
				h.request(c.number, near())
			}
			inv := h.service.Expect("INVITE")
			if c.early > 0 {
				h.service.Respond(inv, c.early, "far", strings.Repeat(uatest.Offer("127.0.0.1", farSDP+10, "sendrecv"),
					c.early/183))
			}
			early := ""
			if c.early > 100 {
				early = h.adapter.Expect(num(c.early)).Get("To")
			}
			h.service.Respond(inv, c.code, "far", "")
			h.service.Expect("ACK")
			if !c.switched {
				h.adapter.Expect(num(c.code))
				if n := h.agent.Counts().Failovers; n != 0 {
					t.Fatalf("%+v: the call failed over", c)
				}
				continue
			}
			inv = reserve.Expect("INVITE")
			reserve.Respond(inv, 200, "far", far())
			reserve.Expect("ACK")
			ok := h.adapter.Expect("200")
			if port(ok.Body) != num(farSDP) || early != "" && ok.Get("To") != early {
				t.Fatalf("%+v: answered %s", c, ok)
			}
		}
	})
}

func TestEmergencyCallTriesBoth(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h, reserve := newVirtualTestBedOfTwo(t, quickDateCheck)
		h.adapter.Call("sip:999@"+h.toAdapter.String(), "<sip:"+adapterUser+"@"+h.toAdapter.String()+">", h.toAdapter,
			near())
		h.service.Expect("INVITE")
		reserve.Expect("INVITE")
		h.adapter.Expect("100")
		h.adapter.Expect("503") // so that it uses its own second server
		h.machine.saw("1 requested (emergency)", "1 far end cleared: service-lost", "1 adapter leg cleared: confirmed")
	})
}

// Both accounts register, each with a token of its own. Calls arrive through either account. A call goes out through
// the second while the first is not registered.
func TestBothServicesRegister(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h, reserve := newVirtualTestBedOfTwo(t, quickDateCheck, func(o *Options, _ *times) {
			l := &o.Lines[0]
			l.Register, l.Expires, l.Second.Register, l.Second.Expires = true, 600e9, true, 600e9
		})
		first, second := h.service.Expect("REGISTER"), reserve.Expect("REGISTER")
		word := func(m uatest.Message) string { w, _, _ := strings.Cut(uatest.URI(m.Get("Contact")), "@"); return w }
		if word(first) == word(second) || strings.Contains(second.String(), serviceUser) {
			t.Fatalf("told %s and %s", first, second)
		}
		reserve.Respond(second, 200, "reg", "", "Contact: "+second.Get("Contact")+";expires=600")
		eventually(t, "the second registration", func() bool { return h.line.Status().Second.Registered })
		if h.line.Status().Service.Registered {
			t.Fatal("the first account is not registered")
		}
		h.request("5550150", near())
		inv := reserve.Expect("INVITE")
		reserve.Respond(inv, 486, "far", "")
		reserve.Expect("ACK")
		h.adapter.Expect("486")
		h.machine.saw("1 requested", "1 far end cleared: bye", "1 adapter leg cleared: confirmed")
		d := reserve.Call(uatest.URI(second.Get("Contact")), "<sip:5550151@reserve.example>", h.toService, far())
		reserve.Expect("100")
		inv = h.adapter.Expect("INVITE")
		h.adapter.Respond(inv, 200, "near", near())
		h.adapter.Expect("ACK")
		d.Established(reserve.Expect("200")).Ack("")
		h.machine.saw("2 arrived", "2 answered")
		h.adapter.Called(inv, "near").Request("BYE", "")
		h.adapter.Expect("200")
		reserve.Respond(reserve.Expect("BYE"), 200, "", "")
		h.service.Respond(first, 200, "reg", "", "Contact: "+first.Get("Contact")+";expires=600")
	})
}

// credentialsOf checks a digest response (RFC 7616 section 3.4.1).
func credentialsOf(t testing.TB, m uatest.Message, header, method, user, password string) {
	t.Helper()
	c, err := digest.ParseCredentials(m.Get(header))
	if err != nil {
		t.Fatalf("%s: %v in %s", header, err, m)
	}
	want, err := digest.Digest(&digest.Challenge{Realm: c.Realm, Nonce: c.Nonce, Algorithm: c.Algorithm,
		QOP: []string{"auth"}},
		digest.Options{Method: method, URI: c.URI, Username: user, Password: password, Count: c.Nc, Cnonce: c.Cnonce})
	if err != nil || c.Username != user || c.Response != want.Response {
		t.Fatalf("wrong answer to the challenge (%v): %s", err, m)
	}
}

// Services that answer come before lost ones. A service at which the line is not registered is used only for emergency
// calls, and last.
func TestOrderOfServices(t *testing.T) {
	t.Parallel()
	l := &Line{a: &Agent{epoch: time.Now()}}
	strange := &account{line: l, client: &serviceClient{Client: registration.NewClient(registration.ClientOptions{})}}
	lost, serves := &account{line: l}, &account{line: l}
	lost.down.Store(true)
	l.accounts = []*account{strange, lost, serves}
	if got := l.choose(false); !slices.Equal(got, []*account{serves, lost}) {
		t.Error("wrong order for an ordinary call")
	}
	if got := l.choose(true); !slices.Equal(got, []*account{serves, lost, strange}) {
		t.Error("wrong order for an emergency call")
	}
	l.retry() // of the accounts that register
}

// A granted registration shows that the service is back. A registration that has not expired during the silence does
// not, nor does a refusal.
func TestRegistrationShowsThatTheServiceIsBack(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		s := h.line.accounts[0]
		<-time.After(time.Second)
		if s.noteResponse(); !s.messageSince(time.Now()) || s.messageSince(time.Now().Add(1)) {
			t.Error("a message came just now")
		}
		for now, back := range map[registration.Status]bool{{}: false, {Registered: true, Silent: true}: false,
			{Silent: true}: false, {Registered: true}: true} {
			s.noteNoResponse()
			s.registrationChanged(now)
			if s.lost() == back {
				t.Errorf("%+v: lost %t", now, s.lost())
			}
		}
	})
}

// The first service sends 100 only after its time limit, while the second one has the call. Then the second one
// refuses. The call stays at the first, which may still answer it.
func TestEmergencyCallStaysAtLateService(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h, reserve := newVirtualTestBedOfTwo(t, func(_ *Options, t *times) { t.recoveryProbe = time.Hour })
		near := h.ask(h.adapter, "sip:999@"+h.toAdapter.String())
		h.adapter.Expect("100")
		inv := h.service.Expect("INVITE")
		second := reserve.Expect("INVITE") // after 100 ms
		reserve.Respond(second, 100, "", "")
		h.service.ExpectSilence(150 * time.Millisecond) // past the time limit of 200 ms
		h.service.Respond(inv, 100, "", "")
		h.service.ExpectNothing(h.toService)
		reserve.Respond(second, 480, "reserve", "")
		reserve.Expect("ACK")
		h.service.ExpectSilence(150 * time.Millisecond) // no CANCEL
		h.service.Respond(inv, 200, "far", far())
		h.service.Expect("ACK")
		near.Established(h.adapter.Expect("200")).Ack("")
		h.machine.saw("1 requested (emergency)")
		h.hangUp(near, "1 answered")
	})
}

// An abandoned attempt that rang has rung, whatever it sends later. Its reliable responses are no longer repeated. The
// caller's first dialog stays for the next service; the others end.
func TestDialogsOfAnAbandonedAttempt(t *testing.T) {
	t.Parallel()
	one := still()
	x := one.first
	for _, code := range []int{180, 100} {
		x.lateResponse(endpoint.Response{Response: sip.NewResponse(code, "")})
	}
	require.True(t, x.rang)
	again := still().first
	again.lateResponse(endpoint.Response{Response: sip.NewResponse(100, "")})
	require.True(t, again.heard)
	require.False(t, again.rang)
	kept, left, parallel := one.legs[0].dialog, &dialog{}, &dialog{}
	pair(&dialog{}, left)
	for _, d := range []*dialog{kept, left} {
		d.provisionals = &reliableProvisionals{}
	}
	repeating := left.provisionals
	one.legs[0].early, one.legs[1].early = []*dialog{kept, left, parallel}, []*dialog{kept.other, left.other}
	for _, described := range []*dialog{left.other, kept} {
		x.lastDescribed = described
		x.forget(one.legs[1])
		require.Equal(t, described != left.other, x.lastDescribed == described, "forgotten with its dialog")
	}
	require.True(t, repeating.ended)
	require.True(t, left.over)
	require.True(t, left.other.over)
	require.False(t, kept.over, "the next service's responses come in this dialog")
	require.Nil(t, kept.provisionals)
	require.Equal(t, []*dialog{parallel}, one.legs[0].early, "only the dialog of the other attempt remains")
	old := one.legs[1]
	old.s, old.out, old.early = &socket{}, x, nil
	x.giveUp(x.inviteAttempt)
	require.Equal(t, legOver, old.state, "so that a request on its way is refused")
	require.Nil(t, old.out)
}

// A service that was given up gets a CANCEL once it answers, and serves the next call. The call itself is not tried a
// second time at any service.
func TestLateServiceIsCancelled(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h, reserve := newVirtualTestBedOfTwo(t, func(_ *Options, t *times) { t.recoveryProbe = time.Hour })
		d := h.request("5550150", near())
		lost, inv := h.service.Expect("INVITE"), reserve.Expect("INVITE")
		require.True(t, h.line.accounts[0].lost())
		h.service.Respond(lost, 100, "", "")
		cancel := h.service.Expect("CANCEL")
		synctest.Wait()
		require.False(t, h.line.accounts[0].lost())
		h.service.Respond(cancel, 200, "late", "")
		h.service.Respond(lost, 487, "late", "")
		h.service.Expect("ACK")
		reserve.Respond(inv, 503, "far", "")
		reserve.Expect("ACK")
		d.AckFailure(h.adapter.Expect("503"))
		h.machine.saw("1 requested", "1 far end cleared: bye", "1 adapter leg cleared: confirmed")
		h.done()
		reserve.ExpectNothing(h.toService)
		require.EqualValues(t, 1, h.agent.Counts().Failovers)
	})
}

func registeringAtServices(o *Options, _ *times) {
	o.Lines[0].Register, o.Lines[0].Expires = true, 10*time.Minute
}

// A call that finds no service makes the line register at once, so that the next call has a chance.
func TestCallWithoutServiceRegistersAtOnce(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t, registeringAtServices)
		h.service.Respond(h.service.Expect("REGISTER"), 500, "reg", "")
		synctest.Wait()
		began := time.Now()
		h.withPassword(h.adapter, "sip:5550150@"+h.toAdapter.String()).AckFailure(h.adapter.Expect("503"))
		h.service.Expect("REGISTER")
		require.Zero(t, time.Since(began))
	})
}

// When a lost service answers OPTIONS, the line registers there at once. If the service is lost again, it gets OPTIONS
// again.
func TestServiceThatIsBackIsRegisteredAtOnce(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h, _ := newVirtualTestBedOfTwo(t, registeringAtServices)
		h.service.Expect("REGISTER")
		ask := h.service.Expect("OPTIONS") // there was no answer for 64*T1
		h.service.Respond(ask, 200, "x", "")
		began := time.Now()
		again := h.service.Expect("REGISTER")
		require.Zero(t, time.Since(began))
		h.service.Respond(again, 200, "reg", "", "Contact: "+again.Get("Contact")+";expires=600")
		synctest.Wait()
		require.False(t, h.line.accounts[0].lost())
		h.line.accounts[0].noteNoResponse()
		h.service.Expect("OPTIONS")
		require.Equal(t, 30*time.Millisecond, time.Since(began))
	})
}

// A request outside a call names the account (RFC 3261 section 8.1.1) and goes to the proxy, if there is one.
func TestRequestOutsideACall(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		s := newVirtualTestBed(t).line.accounts[0]
		for _, c := range []struct{ proxy, transport, dest string }{
			{"", "", s.Registrar.HostPort()}, {"192.0.2.1:5070", "tcp", "192.0.2.1:5070"},
		} {
			s.Proxy = c.proxy
			if c.transport != "" {
				s.Registrar.UriParams.Add("transport", c.transport)
			}
			r := s.build(sip.OPTIONS, standaloneRequest{callID: "id", tag: "own", seq: 7})
			aor := "<sip:" + serviceUser + "@" + s.Registrar.HostPort() + ">"
			for name, want := range map[string]string{"From": aor + ";tag=own", "To": aor, "Call-ID": "id",
				"CSeq": "7 OPTIONS", "Max-Forwards": "70"} {
				require.Equal(t, want, header(r, name), name)
			}
			require.Contains(t, header(r, "Contact"), "<sip:"+s.token+"@")
			require.Equal(t, c.dest, r.Destination())
			require.Equal(t, strings.ToUpper(cmp.Or(c.transport, "udp")), r.Transport())
		}
	})
}

// Neither an adapter that does not answer nor a cancelled call without a final response shows that the service is lost.
func TestSilenceThatIsNotTheServices(t *testing.T) {
	t.Parallel()
	for _, cancelled := range []bool{false, true} {
		synctest.Test(t, func(t *testing.T) {
			h := newVirtualTestBed(t, quickDateCheck)
			if cancelled {
				n := h.request("5550150", near())
				h.service.Respond(h.service.Expect("INVITE"), 100, "", "")
				n.Cancel()
				h.adapter.ExpectOf("200", "CANCEL")
				n.AckFailure(h.adapter.ExpectOf("487", "INVITE"))
				h.service.Respond(h.service.Expect("CANCEL"), 200, "", "")
			} else {
				far := h.arrive(far())
				h.adapter.Expect("INVITE")
				far.AckFailure(h.service.ExpectOf("408", "INVITE"))
			}
			h.atRest()
			require.Zero(t, h.agent.counts.silences.Load(), "cancelled %t", cancelled)
			require.False(t, h.line.accounts[0].lost(), "cancelled %t", cancelled)
		})
	}
}
