package sipua

import (
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"clearback/bridge/sipua/uatest"
)

// askedByInvite sets up a call with direct media and returns our first re-INVITE. The service supports neither UPDATE
// nor OPTIONS.
func askedByInvite(t *testing.T) (h *testBed, c callPair, invite uatest.Message) {
	h = newVirtualTestBed(t, inShort)
	c, _ = h.answered("Allow: INVITE, ACK, BYE, CANCEL")
	m, _ := h.questioned("OPTIONS")
	h.service.Respond(m, 405, "", "")
	invite, _ = h.questioned("INVITE")
	return h, c, invite
}

// mediaAt returns a description with the media at that port.
func mediaAt(port int) string { return uatest.Offer("127.0.0.1", port, "sendrecv") }

// The answer to a re-INVITE that offered nothing new names another address. Media goes directly, so the adapter is
// offered that address. If the adapter moves in return, the service gets a re-INVITE (RFC 3264 section 8.3.1: either
// side may move in any answer). Then it ends, whatever the two answer.
func TestAnswerToRefreshMovesMedia(t *testing.T) {
	t.Parallel()
	for name, moves := range map[string]int{"service moves": 1, "both move": 2, "both move again and again": 3} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			synctest.Test(t, func(t *testing.T) {
				h, c, invite := askedByInvite(t)
				h.service.Respond(invite, 200, "", mediaAt(farSDP+2))
				h.service.Expect("ACK")
				invite = h.adapter.Expect("INVITE")
				contains(t, invite.Body, "m=audio "+num(farSDP+2)+" ")
				if moves == 1 {
					h.adapter.Respond(invite, 200, "", mediaAt(nearSDP))
					h.adapter.Expect("ACK")
				} else {
					h.adapter.Respond(invite, 200, "", mediaAt(nearSDP+2))
					h.adapter.Expect("ACK")
					invite = h.service.Expect("INVITE")
					contains(t, invite.Body, "m=audio "+num(nearSDP+2)+" ")
					h.service.Respond(invite, 200, "", mediaAt(farSDP+2*moves-2))
					h.service.Expect("ACK")
				}
				h.adapter.ExpectNothing(h.toAdapter)
				h.hangUp(c.near)
			})
		})
	}
}

// An answer with only another origin, or fewer formats, moves nothing, and the adapter gets no re-INVITE.
func TestAnswerToRefreshMovesNothing(t *testing.T) {
	t.Parallel()
	for name, answer := range map[string]string{
		"the same": far(), "another version": strings.Replace(far(), "o=", "o=- 7", 1),
		"other formats": strings.Replace(far(), " 0 101", " 101", 1), "none": "",
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			synctest.Test(t, func(t *testing.T) {
				h, c, invite := askedByInvite(t)
				h.service.Respond(invite, 200, "", answer)
				h.service.Expect("ACK")
				h.adapter.ExpectNothing(h.toAdapter)
				h.hangUp(c.near)
			})
		})
	}
}

// An adapter that refuses the new address keeps its call. An adapter with a re-INVITE of its own in progress is asked
// again (RFC 3261 section 14.1), but not for ever. An adapter that no longer knows the call is lost.
func TestAdapterDoesNotFollow(t *testing.T) {
	t.Parallel()
	for name, codes := range map[string][]int{
		"refuses": {488}, "busy once": {491, 200}, "always busy": {491, 491, 491, 491, 491}, "knows no call": {481},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			synctest.Test(t, func(t *testing.T) {
				h, c, invite := askedByInvite(t)
				h.service.Respond(invite, 200, "", mediaAt(farSDP+2))
				h.service.Expect("ACK")
				for _, code := range codes {
					body := ""
					if code == 200 {
						body = near()
					}
					h.adapter.Respond(h.adapter.Expect("INVITE"), code, "", body)
					h.adapter.Expect("ACK")
				}
				if codes[0] == 481 {
					h.machine.saw("1 adapter lost")
					h.adapter.Respond(h.adapter.Expect("BYE"), 481, "", "")
					h.service.Respond(h.service.Expect("BYE"), 200, "", "")
					h.atRest()
					return
				}
				<-time.After(short(30 * time.Second)) // longer than any wait for another attempt
				h.adapter.ExpectNothing(h.toAdapter)
				h.hangUp(c.near)
			})
		})
	}
}

// The re-INVITE for moved media waits while the adapter's session is being refreshed.
func TestMovedMediaWaits(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t, inShort)
		near := h.request("5550150", near(), "Supported: timer", "Session-Expires: 90;refresher=uas", knowsUpdate)
		invite := h.service.Expect("INVITE")
		h.service.Respond(invite, 200, "far", far(), "Allow: INVITE, ACK, BYE, CANCEL")
		h.service.Expect("ACK")
		near.Established(h.adapter.Expect("200")).Ack("")
		h.machine.saw("1 requested", "1 answered")
		timer := []string{"Session-Expires: 90;refresher=uac", "Require: timer"}
		m, _ := h.questioned("OPTIONS")
		h.service.Respond(m, 405, "", "")
		m, _ = h.questioned("INVITE")
		h.service.Respond(m, 200, "", far())
		h.service.Expect("ACK")
		for range 2 { // 45 and 90 s after the answer (RFC 4028 section 7.2)
			h.adapter.Respond(h.adapter.Expect("UPDATE"), 200, "", "", timer...)
		}
		m, _ = h.questioned("INVITE") // after 130 s
		update := h.adapter.Expect("UPDATE")
		h.service.Respond(m, 200, "", mediaAt(farSDP+2))
		h.service.ExpectAfter("OPTIONS", "ACK") // outside the call, to check the service itself
		h.adapter.ExpectNothing(h.toAdapter)
		h.adapter.Respond(update, 200, "", "", timer...)
		h.adapter.Respond(h.adapter.Expect("INVITE"), 200, "", mediaAt(nearSDP), timer...)
		h.adapter.Expect("ACK")
		h.hangUp(near)
	})
}
