package sipua

import (
	"testing"
	"testing/synctest"
	"time"

	"clearback/bridge/sipua/uatest"
)

// A call's dialogs are removed 64*T1 after its end. After a transfer they stay until the new call would have stopped
// ringing.
func TestEndedDialogsAreRemoved(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		for _, transferred := range []bool{false, true} {
			h := newVirtualTestBed(t, func(_ *Options, t *times) { t.final, t.ringing = 2*time.Second, time.Minute })
			c := h.incoming()
			keep := 2 * time.Second
			if transferred {
				keep = time.Minute
				h.service.Respond(h.refer(c.near, "Refer-To: <sip:5550151@pbx.example>"), 202, "", "")
				h.adapter.ExpectOf("202", "REFER")
			}
			h.hangUp(c.near)
			synctest.Wait()
			known := func() int {
				h.agent.mu.Lock()
				defer h.agent.mu.Unlock()
				return len(h.agent.dialogs)
			}
			<-time.After(keep - time.Second)
			if known() == 0 {
				t.Fatal("the dialog was removed too early")
			}
			<-time.After(time.Second)
			synctest.Wait()
			if n := known(); n != 0 {
				t.Fatalf("%d dialogs are still known", n)
			}
		}
	})
}

// Max-Forwards is decremented, so that a call in a loop ends (RFC 3261 section 16.6). A value above 70 is ignored.
func TestMaxForwardsIsDecremented(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		for in, want := range map[string]string{"Max-Forwards: 1": "0", "Max-Forwards: 70": "69",
			"Max-Forwards: 71": "70", "X-None: 1": "70"} {
			d := h.service.Call("sip:nobody@"+h.toService.String(), "<sip:5550150@pbx.example>", h.toService, far())
			d.AckFailure(h.service.Expect("404"))
			lines := append([]string{}, d.Invite...)
			lines[0], lines[1] = "INVITE sip:"+serviceUser+"@"+h.toService.String()+" SIP/2.0", h.service.Via()
			for i, line := range lines {
				switch line {
				case "Max-Forwards: 70":
					lines[i] = in
				case "Call-ID: " + d.CallID:
					lines[i] = "Call-ID: " + h.service.NewID()
				}
			}
			h.service.Send(h.toService, lines...)
			h.service.Expect("100")
			inv := h.adapter.Expect("INVITE")
			is(t, inv, "Max-Forwards", want)
			h.adapter.Respond(inv, 486, "near", "")
			h.adapter.Expect("ACK")
			h.service.Expect("486")
		}
	})
}

// No answer of a service to a cancelled call causes another INVITE, not even a challenge.
func TestChallengeCrossesCancel(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		n := h.request("5550150", near())
		inv := h.service.Expect("INVITE")
		h.service.Respond(inv, 100, "", "")
		n.Cancel()
		h.adapter.ExpectOf("200", "CANCEL")
		n.AckFailure(h.adapter.ExpectOf("487", "INVITE"))
		h.service.Respond(h.service.Expect("CANCEL"), 200, "", "")
		h.service.Respond(inv, 401, "far", "",
			`WWW-Authenticate: Digest realm="pbx.example", nonce="n1", qop="auth", algorithm=MD5`)
		h.service.Expect("ACK")
		h.machine.saw("1 requested", "1 near end cleared")
		h.done()
	})
}

// A service declares each nonce stale. Two challenges are answered. The next one counts as a failure. An interval that
// is too small (RFC 4028 section 7.3) is raised besides, whenever the service says so.
func TestEndlessStaleNonce(t *testing.T) {
	t.Parallel()
	for name, codes := range map[string][]int{"challenges": {401, 401, 401}, "422 first": {422, 401, 401, 401},
		"422 twice": {401, 422, 422, 401, 401}} {
		synctest.Test(t, func(t *testing.T) {
			h := newVirtualTestBed(t, timed(90, time.Second))
			n := h.request("5550150", near())
			for i, code := range codes {
				inv := h.service.Expect("INVITE")
				if seq, _ := inv.CSeq(); seq != i+1 {
					t.Fatalf("%s: CSeq %d", name, seq)
				}
				h.service.Respond(inv, code, "far", "", "Min-SE: "+num(100+i),
					`WWW-Authenticate: Digest realm="pbx.example", nonce="`+num(i)+
						`", qop="auth", algorithm=MD5, stale=true`)
				h.service.Expect("ACK")
			}
			n.AckFailure(h.adapter.ExpectOf("403", "INVITE"))
			h.machine.saw("1 requested", "1 far end cleared: bye", "1 adapter leg cleared: confirmed")
			h.done()
		})
	}
}

// Each provisional response except 100 restarts Timer C (RFC 3261 section 16.6).
func TestProvisionalRestartsTimerC(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t, shorter) // Timer C is 300 ms
		d := h.arrive(far())
		inv := h.adapter.Expect("INVITE")
		began := time.Now()
		for _, code := range []int{180, 182} {
			<-time.After(200 * time.Millisecond)
			h.adapter.Respond(inv, code, "near", "")
			h.service.Expect(num(code))
		}
		<-time.After(200 * time.Millisecond)
		h.adapter.Respond(inv, 100, "", "")
		cancel := h.adapter.Expect("CANCEL")
		if took := time.Since(began); took != 700*time.Millisecond {
			t.Fatalf("CANCEL after %v", took)
		}
		h.adapter.Respond(cancel, 200, "near", "")
		h.adapter.Respond(inv, 487, "near", "")
		h.adapter.Expect("ACK")
		d.AckFailure(h.service.ExpectOf("408", "INVITE"))
		h.machine.saw("1 arrived", "1 ringing", "1 near end cleared")
		h.done()
	})
}

// In an emergency call, too, everything but the first answer has a limit: an unanswered re-INVITE ends with Timer C.
func TestReinviteInEmergencyCall(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t, shorter)
		n := h.request("999", near())
		inv := h.service.Expect("INVITE")
		h.service.Respond(inv, 180, "psap", "")
		h.adapter.Expect("180")
		<-time.After(time.Second)
		h.service.Respond(inv, 200, "psap", far())
		h.service.Expect("ACK")
		n.Established(h.adapter.Expect("200")).Ack("")
		n.Request("INVITE", uatest.Offer("127.0.0.1", nearSDP, "sendonly"))
		h.adapter.Expect("100")
		change := h.service.Expect("INVITE")
		h.service.Respond(change, 180, "", "")
		h.adapter.Expect("180")
		n.AckFailure(h.adapter.ExpectOf("491", "INVITE"))
		h.service.Respond(h.service.Expect("CANCEL"), 200, "", "")
		h.service.Respond(change, 487, "", "")
		h.service.Expect("ACK")
		h.hangUp(n, "1 requested (emergency)", "1 answered")
	})
}

// CSeq numbers in a call increase (RFC 3261 section 12.2.1.1), with or without challenges. The ACK has the number of
// its INVITE.
func TestCSeqNumbers(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		n := h.request("5550150", near())
		inv := h.service.Expect("INVITE")
		h.service.Respond(inv, 407, "far", "",
			`Proxy-Authenticate: Digest realm="pbx.example", nonce="n1", qop="auth", algorithm=MD5`)
		h.service.Expect("ACK")
		inv = h.service.Expect("INVITE")
		h.service.Respond(inv, 200, "far", far())
		is(t, h.service.Expect("ACK"), "CSeq", "2 ACK")
		n.Established(h.adapter.Expect("200")).Ack("")
		n.Request("INFO", "")
		info := h.service.Expect("INFO")
		is(t, info, "CSeq", "3 INFO")
		h.service.Respond(info, 407, "", "",
			`Proxy-Authenticate: Digest realm="pbx.example", nonce="n2", qop="auth", algorithm=MD5`)
		info = h.service.Expect("INFO")
		is(t, info, "CSeq", "4 INFO")
		h.service.Respond(info, 100, "", "") // not a final response
		h.service.Respond(info, 180, "", "")
		h.service.Respond(info, 200, "", "")
		h.adapter.ExpectOf("200", "INFO")
		h.service.Called(inv, "far").Request("INFO", "")
		info = h.adapter.Expect("INFO")
		is(t, info, "CSeq", "2 INFO")
		h.adapter.Respond(info, 200, "", "")
		h.service.ExpectOf("200", "INFO")
		n.Request("BYE", "")
		h.adapter.ExpectOf("200", "BYE")
		bye := h.service.Expect("BYE")
		is(t, bye, "CSeq", "5 BYE")
		is(t, bye, "Max-Forwards", "70")
		h.service.Respond(bye, 200, "", "")
		h.machine.saw("1 requested", "1 answered", "1 near end cleared")
		h.done()
	})
}

// A service that was recently silent gets less time, so that the adapter's second server serves soon. This does not
// apply to emergency calls.
func TestSilentServiceTimeout(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t, shorter, func(_ *Options, t *times) { t.silenceAfterLoss = 50 * time.Millisecond })
		for _, c := range []struct {
			number string
			wait   time.Duration
		}{{"5550150", 200 * time.Millisecond}, {"5550150", 50 * time.Millisecond}, {"999", 200 * time.Millisecond},
			{"5550150", 50 * time.Millisecond}} {
			n := h.request(c.number, near())
			h.service.Expect("INVITE")
			began := time.Now()
			n.AckFailure(h.adapter.ExpectOf("503", "INVITE"))
			if took := time.Since(began); took != c.wait {
				t.Fatalf("503 to %s after %v", c.number, took)
			}
		}
	})
}

// After an INVITE was abandoned for another service, its service either sends nothing and stays lost, or sends a
// response and is back.
func TestAttemptReplacedByAnotherService(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		for _, answers := range []bool{false, true} {
			h, reserve := newVirtualTestBedOfTwo(t, func(_ *Options, t *times) { t.recoveryProbe = time.Hour })
			n := h.request("5550150", near())
			lost := h.service.Expect("INVITE")
			inv := reserve.Expect("INVITE")
			reserve.Respond(inv, 486, "far", "")
			reserve.Expect("ACK")
			n.AckFailure(h.adapter.Expect("486"))
			first := h.line.accounts[0]
			if !first.lost() {
				t.Fatal("the first service is not lost")
			}
			if answers {
				h.service.Respond(lost, 404, "late", "")
				h.service.Expect("ACK")
			}
			<-time.After(5 * time.Second)
			synctest.Wait()
			if first.lost() == answers {
				t.Fatalf("answers %v, lost %v", answers, first.lost())
			}
			h.atRest()
			h.service.ExpectNothing(h.toService)
			<-time.After(time.Minute) // more than 64*T1
			synctest.Wait()
			h.agent.mu.Lock()
			known := len(h.agent.dialogs)
			h.agent.mu.Unlock()
			if known != 0 {
				t.Fatalf("%d dialogs are still known", known)
			}
		}
	})
}

// A service that was given up because the other one answered sends a 200 nevertheless. The BYE that it gets has the
// next CSeq after that of its PRACK (RFC 3261 section 12.2.1.1). Then its dialog no longer exists.
func TestLateAnswerAfterPrack(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h, reserve := newVirtualTestBedOfTwo(t)
		n := h.request("999", near())
		first, second := h.service.Expect("INVITE"), reserve.Expect("INVITE")
		reserve.RespondReliably(second, 183, "second", uatest.Offer("127.0.0.1", farSDP, "sendrecv"), 1)
		h.adapter.Expect("183")
		prack := reserve.Expect("PRACK")
		reserve.Respond(prack, 200, "", "")
		h.service.Respond(first, 200, "first", uatest.Offer("127.0.0.1", farSDP, "sendrecv"))
		h.service.Expect("ACK")
		ok := h.adapter.ExpectOf("200", "INVITE")
		c := h.agent.call(1)
		reserve.Respond(reserve.Expect("CANCEL"), 200, "second", "")
		reserve.Respond(second, 200, "second", "")
		reserve.Expect("ACK")
		bye := reserve.Expect("BYE")
		seq, _ := bye.CSeq()
		if before, _ := prack.CSeq(); seq != before+1 {
			t.Fatalf("BYE has number %d after PRACK with %d", seq, before)
		}
		reserve.Respond(bye, 200, "", "")
		reserve.Called(second, "second").Request("INFO", "")
		reserve.ExpectOf("481", "INFO")
		d := n.Early(ok)
		d.Ack("")
		d.Request("BYE", "")
		h.adapter.ExpectOf("200", "BYE")
		h.service.Respond(h.service.Expect("BYE"), 200, "", "")
		h.atRest()
		<-time.After(h.agent.times.final)
		synctest.Wait()
		if n := len(h.agent.dialogs); n > 0 {
			t.Fatalf("%d dialogs are still known", n)
		}
		if c.ends.timer.Stop() {
			t.Fatal("a timer keeps the ended call in memory")
		}
	})
}
