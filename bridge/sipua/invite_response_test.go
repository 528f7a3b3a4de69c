package sipua

import (
	"context"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/emiago/sipgo/sip"
	"github.com/stretchr/testify/require"

	"clearback/bridge/media"
	"clearback/bridge/sipua/endpoint/endpointtest"
	"clearback/bridge/sipua/uatest"
)

// said are header fields of a response that pass to the adapter. Some of them pass to the service too.
var said = []string{
	"Retry-After: 30", `Warning: 399 pbx.example "house full"`, "Error-Info: <sip:full@pbx.example>", "Privacy: none",
	"Alert-Info: <urn:alert:source:internal>", "P-Early-Media: sendrecv",
	"History-Info: <sip:5550151@pbx.example>;index=1",
	"P-Asserted-Identity: <sip:5550151@pbx.example>", "Reason: Q.850;cause=17", "X-Own: 1",
}

// passed fails unless a response has exactly those of the fields in said that pass to its side.
func passed(t testing.TB, m uatest.Message, side media.Side) {
	t.Helper()
	for _, h := range said {
		name, want, _ := strings.Cut(h, ": ")
		switch name {
		case "Alert-Info", "P-Early-Media", "History-Info", "P-Asserted-Identity":
			if side == media.ServiceSide {
				want = ""
			}
		case "X-Own":
			want = ""
		}
		is(t, m, name, want)
	}
}

// The header fields that pass in responses: RFC 3261 table 2, RFC 3326, RFC 5009 (P-Early-Media) and RFC 7044
// (History-Info), from memory. Fields that need a trusted sender pass only to the adapter (RFC 3325).
func TestHeaderFieldsPassedInResponses(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		near := h.request("5550150", uatest.Offer("127.0.0.1", nearSDP, "sendrecv"))
		inv := h.service.Expect("INVITE")
		h.service.Respond(inv, 183, "far", uatest.Offer("127.0.0.1", farSDP, "sendrecv"), said...)
		m := h.adapter.Expect("183")
		passed(t, m, media.AdapterSide)
		contains(t, m.Start, "Said service")
		contains(t, m.Get("Contact"), h.toAdapter.String())
		contains(t, m.Get("Allow"), "INVITE")
		is(t, m, "Content-Type", "application/sdp")
		h.service.Respond(inv, 486, "far", "", said...)
		h.service.Expect("ACK")
		m = h.adapter.Expect("486")
		passed(t, m, media.AdapterSide)
		is(t, m, "Contact", "")
		is(t, m, "Allow", "")
		near.AckFailure(m)
		h.atRest()

		far := h.arrive(uatest.Offer("127.0.0.1", farSDP, "sendrecv"))
		inv = h.adapter.Expect("INVITE")
		h.adapter.Respond(inv, 183, "near", uatest.Offer("127.0.0.1", nearSDP, "sendrecv"), said...)
		m = h.service.Expect("183")
		passed(t, m, media.ServiceSide)
		contains(t, m.Get("Contact"), h.toService.String())
		h.adapter.Respond(inv, 486, "near", "", said...)
		h.adapter.Expect("ACK")
		m = h.service.Expect("486")
		passed(t, m, media.ServiceSide)
		far.AckFailure(m)
		h.atRest()

		// A re-INVITE, and its refusal.
		c := h.incomingAgain()
		for _, from := range []*uatest.Dialog{c.far, c.near} {
			there, side := h.adapter, media.ServiceSide
			if from == c.near {
				there, side = h.service, media.AdapterSide
			}
			for code, phrase := range map[int]string{200: "200", 488: "488"} {
				from.Request("INVITE", uatest.Offer("127.0.0.1", farSDP, "sendonly"))
				inv := there.Expect("INVITE")
				body := ""
				if code == 200 {
					body = uatest.Offer("127.0.0.1", nearSDP, "recvonly")
				}
				there.Respond(inv, code, "", body, said...)
				there.Expect("ACK")
				m := from.P.ExpectOf(phrase, "INVITE")
				passed(t, m, side)
				if code == 200 {
					from.Ack("")
				} else {
					from.AckFailure(m)
				}
			}
		}
		c.near.Request("BYE", "")
		h.adapter.ExpectOf("200", "BYE")
		h.service.Respond(h.service.Expect("BYE"), 200, "", "")
		h.atRest()
	})
}

// incomingAgain is incoming without a check of the events.
func (h *testBed) incomingAgain() callPair {
	h.t.Helper()
	far := h.arrive(uatest.Offer("127.0.0.1", farSDP, "sendrecv"))
	inv := h.adapter.Expect("INVITE")
	h.adapter.Respond(inv, 200, "near", uatest.Offer("127.0.0.1", nearSDP, "sendrecv"))
	h.adapter.Expect("ACK")
	far.Established(h.service.Expect("200")).Ack("")
	return callPair{far: far, near: h.adapter.Called(inv, "near")}
}

// A 200 is retransmitted after T1 and then at doubling intervals up to T2. A reliable provisional response is
// retransmitted at doubling intervals. Both stop after the ACK or PRACK, or after 64*T1 (RFC 3261 section 13.3.1.4, RFC
// 3262 section 3).
func TestResponseRetransmission(t *testing.T) {
	t.Parallel()
	for code, want := range map[string][]time.Duration{
		"200": {0, 20, 60, 140, 220, 300, 380},
		"183": {0, 20, 60, 140, 300},
	} {
		synctest.Test(t, func(t *testing.T) {
			var mu sync.Mutex
			var sent []time.Duration
			var began time.Time
			m := &memoryNetwork{}
			m.network.Lose = func(p endpointtest.Packet) bool {
				mu.Lock()
				defer mu.Unlock()
				if text := string(p.Data); strings.HasPrefix(text, "SIP/2.0 "+code) &&
					strings.Contains(text, "Contact: <sip:"+adapterUser) {
					if sent == nil {
						began = p.At
					}
					sent = append(sent, p.At.Sub(began)/time.Millisecond)
				}
				return false
			}
			h := newTestBedIn(t, m, shorter, func(_ *Options, t *times) { t.ringing = time.Minute })
			h.request("5550150", uatest.Offer("127.0.0.1", nearSDP, "sendrecv"), "Supported: 100rel")
			inv := h.service.Expect("INVITE")
			if code == "200" {
				h.service.Respond(inv, 200, "far", uatest.Offer("127.0.0.1", farSDP, "sendrecv"))
				h.service.Expect("ACK")
				h.adapter.Expect("200")
			} else {
				h.service.RespondReliably(inv, 183, "far", uatest.Offer("127.0.0.1", farSDP, "sendrecv"), 1)
				h.adapter.Expect("183")
			}
			<-time.After(390 * time.Millisecond) // 64*T1 is 400 ms here
			synctest.Wait()
			mu.Lock()
			got := sent
			mu.Unlock()
			require.Equal(t, want, got)
		})
	}
}

// A request that cannot be sent counts as unanswered (RFC 3261 section 8.1.3.1). A re-INVITE fails with 408, and the
// call continues. A refresh fails, and the call ends with its session.
func TestUnsentRequestCountsAsUnanswered(t *testing.T) {
	t.Parallel()
	transport := func(h *testBed, name string) {
		one := h.agent.call(1)
		one.runInMailbox(func() { one.legs[media.ServiceSide].transport = name })
	}
	const unserved = "SCTP"
	synctest.Test(t, func(t *testing.T) {
		for _, method := range []string{"INVITE", "UPDATE", "REFER"} {
			h := newVirtualTestBed(t)
			c := h.incoming()
			transport(h, unserved)
			body := uatest.Offer("127.0.0.1", nearSDP, "sendonly")
			if method == "REFER" {
				body = ""
			}
			c.near.Request(method, body, "Refer-To: <sip:5550151@pbx.example>")
			m := h.adapter.ExpectOf("491", method)
			if method == "INVITE" {
				c.near.AckFailure(m)
			}
			one := h.agent.call(1)
			one.runInMailbox(func() {
				require.Empty(t, one.legs[media.ServiceSide].referrals)
				require.Nil(t, one.legs[media.ServiceSide].out)
			})
			transport(h, "UDP")
			c.near.Request("BYE", "")
			h.adapter.ExpectOf("200", "BYE")
			for m = h.service.Next(); !m.Is("BYE"); m = h.service.Next() {
				if m.Is("OPTIONS") { // the check whether the service answers at all
					h.service.Respond(m, 200, "", "")
				}
			}
			h.service.Respond(m, 200, "", "")
			h.machine.saw("1 near end cleared")
			h.atRest()
		}
		// Our own refreshes, by UPDATE and by INVITE.
		for _, allow := range []string{knowsUpdate, "Allow: INVITE, ACK, BYE, CANCEL"} {
			h := newVirtualTestBed(t, timed(1800, time.Millisecond))
			h.answered("Session-Expires: 1800;refresher=uac", "Require: timer", allow)
			transport(h, unserved)
			began := time.Now()
			h.machine.saw("1 far end cleared: session-expired")
			require.InDelta(t, 1800-32, time.Since(began).Milliseconds(), 10,
				"32 s before the session ends (RFC 4028 section 10)")
			h.adapter.Respond(h.adapter.Expect("BYE"), 200, "", "")
			h.machine.saw("1 adapter leg cleared: confirmed")
			h.atRest()
		}
	})
}

// The wait for a call's mailbox ends when the agent has ended.
func TestMailboxWaitEndsWithTheAgent(t *testing.T) {
	t.Parallel()
	one := still()
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	one.a.ctx = ctx
	ran := false
	require.False(t, one.runInMailbox(func() { ran = true }))
	require.False(t, ran)
	one.awaitNear(time.Now().Add(time.Hour))
	clearInTurn([]*call{one, one}, false, time.Now().Add(time.Hour))
	require.Empty(t, one.line.o.Events.(*recorder).seen)
}

// A 200 without a session description uses the earlier one of its fork. If that can no longer be passed on, neither can
// the 200.
func TestAnswerWithoutDescriptionAfterEarlyAnswer(t *testing.T) {
	t.Parallel()
	bad, ok := sip.NewResponse(183, ""), sip.NewResponse(200, "OK")
	bad.AppendHeader(sip.NewHeader("Content-Type", "multipart/mixed"))
	bad.SetBody([]byte("no description"))
	one := still()
	one.path.relay = true
	x := one.first
	x.to.lastDescription = bad
	for _, since := range []*dialog{{}, nil} { // another fork's, or that of an attempt that has failed
		x.lastDescribed = since
		body, err := x.showAnswer(ok)
		require.Error(t, err)
		require.Nil(t, body)
	}
	x.lastDescribed = x.to.dialog // no other fork's was shown since
	_, err := x.showAnswer(ok)
	require.NoError(t, err)
}

// If the INVITE cannot be sent to a service, the call goes at once to the line's other service. There it can be
// cancelled.
func TestFailoverWhenInviteCannotBeSent(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		for _, number := range []string{"5550150", "999"} {
			h, reserve := newVirtualTestBedOfTwo(t)
			h.line.accounts[0].Registrar.UriParams.Add("transport", "sctp")
			d := h.request(number, near())
			began := time.Now()
			inv := reserve.Expect("INVITE")
			require.Zero(t, time.Since(began))
			require.EqualValues(t, 1, h.agent.Counts().Silences)
			require.EqualValues(t, 1, h.agent.Counts().Failovers)
			reserve.Respond(inv, 180, "far", "")
			h.adapter.Expect("180")
			d.Cancel()
			h.adapter.ExpectOf("200", "CANCEL")
			d.AckFailure(h.adapter.ExpectOf("487", "INVITE"))
			reserve.Respond(reserve.Expect("CANCEL"), 200, "far", "")
			reserve.Respond(inv, 487, "far", "")
			reserve.Expect("ACK")
			h.atRest()
		}
	})
}

// A transfer is refused and not sent if its own call ends meanwhile.
func TestTransferToAnEndedCall(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		c := h.incoming()
		d := h.request("5550151", near())
		inv := h.service.Expect("INVITE")
		h.service.Respond(inv, 200, "far2", far())
		h.service.Expect("ACK")
		d.Established(h.adapter.Expect("200")).Ack("")
		h.machine.saw("2 requested", "2 answered")
		release := make(chan struct{}) // closed when the other call may be examined
		h.agent.call(2).post(func() { <-release })
		_, to, _ := strings.Cut(d.Remote, ";tag=")
		_, from, _ := strings.Cut(d.Local, ";tag=")
		c.near.Request("REFER", "",
			"Refer-To: <"+d.Target+"?Replaces="+d.CallID+"%3Bto-tag%3D"+to+"%3Bfrom-tag%3D"+from+">")
		synctest.Wait()
		c.far.Request("BYE", "")
		h.service.ExpectOf("200", "BYE")
		bye := h.adapter.Expect("BYE")
		close(release)
		contains(t, h.adapter.ExpectOf("491", "REFER").Start, "Request Pending")
		h.adapter.Respond(bye, 200, "", "")
		h.machine.saw("1 far end cleared: bye", "1 adapter leg cleared: confirmed")
		h.service.ExpectNothing(h.toService)
		h.hangUpOf(d)
	})
}

// hangUpOf is hangUp for a call other than the first.
func (h *testBed) hangUpOf(near *uatest.Dialog) {
	h.t.Helper()
	near.Request("BYE", "")
	h.adapter.ExpectOf("200", "BYE")
	h.service.Respond(h.service.Expect("BYE"), 200, "", "")
	h.machine.saw("2 near end cleared")
	h.done()
}

// If a re-INVITE of ours is not answered, the call ends with its session, 32 s before the expiry (RFC 4028 section 10).
func TestRefreshUnanswered(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t, timed(1800, 2*time.Millisecond))
		h.answered("Session-Expires: 1800;refresher=uac", "Require: timer", "Allow: INVITE, ACK, BYE, CANCEL")
		began := time.Now()
		h.service.Expect("INVITE")
		h.machine.saw("1 far end cleared: session-expired")
		require.InDelta(t, 2*(1800-32), time.Since(began).Milliseconds(), 10)
		h.adapter.Respond(h.adapter.Expect("BYE"), 200, "", "")
		h.machine.saw("1 adapter leg cleared: confirmed")
		for !h.service.Next().Is("BYE") { // after the refresh and the requests of the check
		}
	})
}

// The header fields that pass in requests inside a call and in their responses: RFC 6086 (Info-Package), RFC 6665
// (Event), RFC 3261 table 3 and RFC 3326, from memory.
func TestHeaderFieldsPassedInDialog(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		c := h.incoming()
		for _, from := range []*uatest.Dialog{c.far, c.near} {
			there := h.adapter
			if from == c.near {
				there = h.service
			}
			from.Request("INFO", "x", "Content-Type: text/plain", "Content-Language: en", "Info-Package: x-tickets",
				"Event: presence",
				"Subscription-State: active", "Subject: tickets", "Reason: Q.850;cause=16", "X-Own: 1")
			info := there.Expect("INFO")
			for name, want := range map[string]string{
				"Content-Type": "text/plain", "Content-Language": "en", "Info-Package": "x-tickets",
				"Event":              "presence",
				"Subscription-State": "active", "Subject": "tickets", "Reason": "Q.850;cause=16", "X-Own": "",
			} {
				is(t, info, name, want)
			}
			there.Respond(info, 486, "", "y", append([]string{"Content-Type: text/plain"}, said...)...)
			m := from.P.ExpectOf("486", "INFO")
			passed(t, m, media.ServiceSide) // in responses inside a call, both sides get the service's set
			contains(t, m.Start, "Said "+there.Name)
			is(t, m, "Content-Type", "text/plain")
			require.Equal(t, "y", m.Body)
		}
		h.hangUp(c.near)
	})
}

// Any final response of class 2 answers a call (RFC 3261 section 7.2) and sets up its dialog, so it has a Contact
// (section 12.1.1).
func TestAny2xxAnswers(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		n := h.request("5550150", near())
		inv := h.service.Expect("INVITE")
		h.service.Respond(inv, 299, "far", far())
		h.service.Expect("ACK")
		m := h.adapter.Expect("299")
		require.Equal(t, far(), m.Body)
		require.Contains(t, m.Get("Contact"), h.toAdapter.String())
		n.Established(m).Ack("")
		h.hangUp(n, "1 requested", "1 answered")
	})
}

// The ACK of our re-INVITE has its credentials (RFC 3261 section 22.1). Every retransmitted 200 gets the ACK again,
// without another refresh.
func TestRefreshIsAcknowledged(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t, timed(1800, time.Millisecond))
		c, _ := h.answered("Session-Expires: 1800;refresher=uac", "Require: timer", "Allow: INVITE, ACK, BYE, CANCEL")
		inv := h.service.Expect("INVITE")
		for i, challenge := range []string{"401 WWW-Authenticate: ", "407 Proxy-Authenticate: "} {
			code, header, _ := strings.Cut(challenge, " ")
			if i == 1 { // the next refresh
				inv = h.service.Expect("INVITE")
			}
			h.service.Respond(inv, atoi(code), "", "",
				header+`Digest realm="pbx.example", nonce="n`+code+`", algorithm=MD5, qop="auth"`)
			h.service.Expect("ACK")
			inv = h.service.Expect("INVITE")
			moved := "Contact: <sip:moved" + code + "@" + h.service.At.String() + ">"
			timer := []string{"Session-Expires: 1800;refresher=uac", "Require: timer", moved}
			h.service.Respond(inv, 200, "", far(), timer...)
			ack := h.service.Expect("ACK")
			contains(t, ack.Start, "sip:moved"+code+"@")
			name := map[string]string{"401": "Authorization", "407": "Proxy-Authorization"}[code]
			is(t, ack, name, inv.Get(name))
			require.NotEmpty(t, ack.Get(name))
			h.service.Respond(inv, 200, "", far(), append(timer, "Subject: repeated")...)
			again := h.service.Expect("ACK")
			is(t, again, "CSeq", ack.Get("CSeq"))
		}
		h.hangUp(c.near)
	})
}

// After a transfer the call's dialog stays known for as long as the new call may ring.
func TestTransferOutlivesItsCall(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t, shorter, func(_ *Options, t *times) { t.ringing = time.Second })
		c := h.incoming()
		refer := h.refer(c.near, "Refer-To: <sip:5550151@pbx.example>")
		h.service.Respond(refer, 202, "", "")
		h.adapter.ExpectOf("202", "REFER")
		c.near.Request("BYE", "")
		h.adapter.ExpectOf("200", "BYE")
		h.service.Respond(h.service.Expect("BYE"), 200, "", "")
		h.machine.saw("1 near end cleared")
		for _, want := range []string{"200", "481"} {
			<-time.After(600 * time.Millisecond)
			c.far.Request("NOTIFY", "SIP/2.0 180 Ringing\r\n",
				"Event: refer", "Subscription-State: active", "Content-Type: message/sipfrag")
			h.service.ExpectOf(want, "NOTIFY")
		}
		h.done()
	})
}

// RAck names the RSeq and the CSeq number in decimal (RFC 3262 section 7.2).
func TestRAckIsDecimal(t *testing.T) {
	t.Parallel()
	l := still().legs[0]
	require.Equal(t, "120 119 INVITE", l.prack(l.dialog, 120, 119).GetHeader("RAck").Value())
}
