package sipua

import (
	"testing"
	"testing/synctest"
	"time"
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
				h.service.respond(h.refer(c.near, "Refer-To: <sip:5550151@pbx.example>"), 202, "", "")
				h.adapter.expectOf("202", "REFER")
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
			d := h.service.call("sip:nobody@"+h.toService.String(), "<sip:5550150@pbx.example>", h.toService, far())
			d.nack(h.service.expect("404"))
			lines := append([]string{}, d.invite...)
			lines[0], lines[1] = "INVITE sip:"+serviceUser+"@"+h.toService.String()+" SIP/2.0", h.service.via()
			for i, line := range lines {
				switch line {
				case "Max-Forwards: 70":
					lines[i] = in
				case "Call-ID: " + d.id:
					lines[i] = "Call-ID: " + h.service.id()
				}
			}
			h.service.send(h.toService, lines...)
			h.service.expect("100")
			inv := h.adapter.expect("INVITE")
			is(t, inv, "Max-Forwards", want)
			h.adapter.respond(inv, 486, "near", "")
			h.adapter.expect("ACK")
			h.service.expect("486")
		}
	})
}

// No answer of a service to a cancelled call causes another INVITE, not even a challenge.
func TestChallengeCrossesCancel(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		n := h.request("5550150", near())
		inv := h.service.expect("INVITE")
		h.service.respond(inv, 100, "", "")
		n.cancel()
		h.adapter.expectOf("200", "CANCEL")
		n.nack(h.adapter.expectOf("487", "INVITE"))
		h.service.respond(h.service.expect("CANCEL"), 200, "", "")
		h.service.respond(inv, 401, "far", "",
			`WWW-Authenticate: Digest realm="pbx.example", nonce="n1", qop="auth", algorithm=MD5`)
		h.service.expect("ACK")
		h.machine.saw("1 requested", "1 near end cleared")
		h.done()
	})
}

// A service declares each nonce stale. Two challenges are answered. The next one counts as a failure.
func TestEndlessStaleNonce(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		n := h.request("5550150", near())
		for i := range 3 {
			inv := h.service.expect("INVITE")
			if seq, _ := inv.cseq(); seq != i+1 {
				t.Fatalf("CSeq %d", seq)
			}
			h.service.respond(inv, 401, "far", "",
				`WWW-Authenticate: Digest realm="pbx.example", nonce="`+num(i)+`", qop="auth", algorithm=MD5, stale=true`)
			h.service.expect("ACK")
		}
		n.nack(h.adapter.expectOf("403", "INVITE"))
		h.machine.saw("1 requested", "1 far end cleared: bye", "1 adapter leg cleared: confirmed")
		h.done()
	})
}

// Each provisional response except 100 restarts Timer C (RFC 3261 section 16.6).
func TestProvisionalRestartsTimerC(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t, shorter) // Timer C is 300 ms
		d := h.arrive(far())
		inv := h.adapter.expect("INVITE")
		began := time.Now()
		for _, code := range []int{180, 182} {
			<-time.After(200 * time.Millisecond)
			h.adapter.respond(inv, code, "near", "")
			h.service.expect(num(code))
		}
		<-time.After(200 * time.Millisecond)
		h.adapter.respond(inv, 100, "", "")
		cancel := h.adapter.expect("CANCEL")
		if took := time.Since(began); took != 700*time.Millisecond {
			t.Fatalf("CANCEL after %v", took)
		}
		h.adapter.respond(cancel, 200, "near", "")
		h.adapter.respond(inv, 487, "near", "")
		h.adapter.expect("ACK")
		d.nack(h.service.expectOf("408", "INVITE"))
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
		inv := h.service.expect("INVITE")
		h.service.respond(inv, 180, "psap", "")
		h.adapter.expect("180")
		<-time.After(time.Second)
		h.service.respond(inv, 200, "psap", far())
		h.service.expect("ACK")
		n.established(h.adapter.expect("200")).ack("")
		n.request("INVITE", offer("127.0.0.1", nearSDP, "sendonly"))
		h.adapter.expect("100")
		change := h.service.expect("INVITE")
		h.service.respond(change, 180, "", "")
		h.adapter.expect("180")
		n.nack(h.adapter.expectOf("408", "INVITE"))
		h.service.respond(h.service.expect("CANCEL"), 200, "", "")
		h.service.respond(change, 487, "", "")
		h.service.expect("ACK")
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
		inv := h.service.expect("INVITE")
		h.service.respond(inv, 407, "far", "",
			`Proxy-Authenticate: Digest realm="pbx.example", nonce="n1", qop="auth", algorithm=MD5`)
		h.service.expect("ACK")
		inv = h.service.expect("INVITE")
		h.service.respond(inv, 200, "far", far())
		is(t, h.service.expect("ACK"), "CSeq", "2 ACK")
		n.established(h.adapter.expect("200")).ack("")
		n.request("INFO", "")
		info := h.service.expect("INFO")
		is(t, info, "CSeq", "3 INFO")
		h.service.respond(info, 407, "", "",
			`Proxy-Authenticate: Digest realm="pbx.example", nonce="n2", qop="auth", algorithm=MD5`)
		info = h.service.expect("INFO")
		is(t, info, "CSeq", "4 INFO")
		h.service.respond(info, 100, "", "") // not a final response
		h.service.respond(info, 180, "", "")
		h.service.respond(info, 200, "", "")
		h.adapter.expectOf("200", "INFO")
		h.service.called(inv, "far").request("INFO", "")
		info = h.adapter.expect("INFO")
		is(t, info, "CSeq", "2 INFO")
		h.adapter.respond(info, 200, "", "")
		h.service.expectOf("200", "INFO")
		n.request("BYE", "")
		h.adapter.expectOf("200", "BYE")
		bye := h.service.expect("BYE")
		is(t, bye, "CSeq", "5 BYE")
		is(t, bye, "Max-Forwards", "70")
		h.service.respond(bye, 200, "", "")
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
			h.service.expect("INVITE")
			began := time.Now()
			n.nack(h.adapter.expectOf("503", "INVITE"))
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
			lost := h.service.expect("INVITE")
			inv := reserve.expect("INVITE")
			reserve.respond(inv, 486, "far", "")
			reserve.expect("ACK")
			n.nack(h.adapter.expect("486"))
			first := h.line.accounts[0]
			if !first.lost() {
				t.Fatal("the first service is not lost")
			}
			if answers {
				h.service.respond(lost, 404, "late", "")
				h.service.expect("ACK")
			}
			<-time.After(5 * time.Second)
			synctest.Wait()
			if first.lost() == answers {
				t.Fatalf("answers %v, lost %v", answers, first.lost())
			}
			h.atRest()
			h.service.nothing(h.toService)
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
		first, second := h.service.expect("INVITE"), reserve.expect("INVITE")
		reserve.reliably(second, 183, "second", offer("127.0.0.1", farSDP, "sendrecv"), 1)
		h.adapter.expect("183")
		prack := reserve.expect("PRACK")
		reserve.respond(prack, 200, "", "")
		h.service.respond(first, 200, "first", offer("127.0.0.1", farSDP, "sendrecv"))
		h.service.expect("ACK")
		ok := h.adapter.expectOf("200", "INVITE")
		c := h.agent.call(1)
		reserve.respond(reserve.expect("CANCEL"), 200, "second", "")
		reserve.respond(second, 200, "second", "")
		reserve.expect("ACK")
		bye := reserve.expect("BYE")
		seq, _ := bye.cseq()
		if before, _ := prack.cseq(); seq != before+1 {
			t.Fatalf("BYE has number %d after PRACK with %d", seq, before)
		}
		reserve.respond(bye, 200, "", "")
		reserve.called(second, "second").request("INFO", "")
		reserve.expectOf("481", "INFO")
		d := n.early(ok)
		d.ack("")
		d.request("BYE", "")
		h.adapter.expectOf("200", "BYE")
		h.service.respond(h.service.expect("BYE"), 200, "", "")
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
