package sipua

import (
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"
)

// stalling returns a test bed whose process can stall. A virtual clock cannot be stopped, so only the clock that
// detects a stall is advanced. Packets sent after that count as waiting since before.
func stalling(t *testing.T, settings ...setting) (h *testBed, stall func(time.Duration)) {
	began, missed := time.Now(), &atomic.Int64{}
	clocks := func(o *Options, _ *times) {
		o.clocks = func() (wall, boot time.Duration) {
			boot = time.Hour + time.Since(began) + time.Duration(missed.Load())
			return 800_000*time.Hour + boot, boot
		}
	}
	return newVirtualTestBed(t, append(settings, clocks)...), func(d time.Duration) {
		<-time.After(time.Millisecond) // every packet that has come is read
		missed.Add(int64(d))
	}
}

// What the far end sent during a stall of the process is old when it is read (SAFETY.md S11, S97). This applies to its
// BYE, and to its CANCEL, since the near end may have answered meanwhile. Then the CANCEL is a clearing like any other.
func TestOldClearing(t *testing.T) {
	t.Parallel()
	t.Run("BYE", func(t *testing.T) {
		t.Parallel()
		synctest.Test(t, func(t *testing.T) {
			h, stall := stalling(t)
			c := h.incoming()
			stall(5 * time.Second)
			c.far.Request("BYE", "")
			h.service.ExpectOf("200", "BYE")
			h.cleared("bye 5s late")
		})
	})
	t.Run("CANCEL", func(t *testing.T) {
		t.Parallel()
		for _, late := range []time.Duration{0, 5 * time.Second} {
			synctest.Test(t, func(t *testing.T) {
				h, stall := stalling(t)
				far := h.arrive(far())
				inv := h.adapter.Expect("INVITE")
				h.adapter.Respond(inv, 180, "near", "")
				h.service.Expect("180")
				stall(late)
				far.Cancel()
				h.service.ExpectOf("200", "CANCEL")
				far.AckFailure(h.service.Expect("487"))
				h.adapter.Expect("CANCEL")
				h.adapter.Respond(inv, 200, "near", near()) // it crosses our CANCEL
				h.adapter.Expect("ACK")
				text := "1 far end cleared: bye"
				if late > 0 {
					text += " 5s late"
				}
				h.machine.saw("1 arrived", "1 ringing", text, "1 answered")
				h.adapter.Respond(h.adapter.Expect("BYE"), 200, "", "")
				h.machine.saw("1 adapter leg cleared: confirmed")
				h.atRest()
			})
		}
	})
}

// An answer that was read late says nothing about the present. A 481 to a method that the service accepted before ends
// a call at once, but after a stall the service is asked again. It is also asked again after such an answer to a check.
func TestOldAnswers(t *testing.T) {
	t.Parallel()
	for name, stalled := range map[string]bool{"old": true, "new": false} {
		t.Run("to what was passed on, "+name, func(t *testing.T) {
			t.Parallel()
			synctest.Test(t, func(t *testing.T) {
				h, stall := stalling(t)
				c := h.incoming()
				info := func(code int) {
					c.near.Request("INFO", "Signal=5\r\n", "Content-Type: application/dtmf-relay")
					m := h.service.Expect("INFO")
					if code == 481 && stalled {
						stall(5 * time.Second)
					}
					h.service.Respond(m, code, "", "")
				}
				info(200)
				h.adapter.ExpectOf("200", "INFO")
				info(481)
				h.adapter.ExpectOf("491", "INFO")
				h.askedAnew(c, stalled)
			})
		})
		for _, code := range []int{481, 408} {
			t.Run("to a question, "+name+" "+num(code), func(t *testing.T) {
				t.Parallel()
				synctest.Test(t, func(t *testing.T) {
					h, stall := stalling(t, inShort)
					c := h.incoming()
					m, _ := h.questioned("OPTIONS")
					h.service.Respond(m, 200, "", "")
					m, _ = h.questioned("OPTIONS")
					if stalled {
						stall(5 * time.Second)
					}
					h.service.Respond(m, code, "", "")
					if code == 408 {
						m, _ = h.questioned("INVITE")
						h.service.Respond(m, code, "", "")
						h.service.Expect("ACK")
					}
					h.askedAnew(c, stalled)
				})
			})
		}
	}
}

// askedAnew handles the check that follows an old answer, or the end of the call that follows a new one.
func (h *testBed) askedAnew(c callPair, stalled bool) {
	h.t.Helper()
	if !stalled {
		h.vanished(0)
		h.cleared("service-lost")
		return
	}
	m, after := h.questioned("OPTIONS")
	if after > 0 {
		h.t.Fatalf("asked after %v", after)
	}
	h.service.Respond(m, 200, "", "")
	h.hangUp(c.near)
}

// A session that was not refreshed during a stall does not end for that. The far end is checked, and the session starts
// again. After its next expiry it ends.
func TestSessionDoesNotEndInAStall(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h, stall := stalling(t, timed(90, time.Millisecond))
		h.answered("Session-Expires: 90;refresher=uas", "Require: timer")
		began := time.Now()
		stall(5 * time.Second)
		m, _ := h.questioned("OPTIONS")
		if took := time.Since(began); took < 60*time.Millisecond || took > 91*time.Millisecond {
			t.Errorf("asked after %v", took)
		}
		h.service.Respond(m, 200, "", "")
		h.expired()
	})
}

// An adapter's answer may be unread because of a stall. So the adapter is asked again before it counts as lost.
func TestAdapterIsAskedAgainAfterAStall(t *testing.T) {
	t.Parallel()
	for _, stalled := range []bool{true, false} {
		synctest.Test(t, func(t *testing.T) {
			h, stall := stalling(t)
			c := h.incoming()
			c.far.Request("INFO", "Signal=5\r\n", "Content-Type: application/dtmf-relay")
			h.adapter.Expect("INFO")
			h.service.ExpectOf("491", "INFO")
			h.adapter.Expect("OPTIONS")
			if stalled {
				stall(time.Minute)
				h.adapter.Respond(h.adapter.Expect("OPTIONS"), 200, "", "")
				h.hangUp(c.near)
				return
			}
			h.machine.saw("1 adapter lost")
			h.adapter.Respond(h.adapter.Expect("BYE"), 200, "", "")
			h.service.Respond(h.service.Expect("BYE"), 200, "", "")
			h.atRest()
		})
	}
}

// The silence of a far end counts from the end of a stall, during which nothing was read (SAFETY.md S97).
func TestSilenceCountsFromTheEndOfAStall(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		began := time.Now()
		h, stall := stalling(t, inShort, func(o *Options, _ *times) {
			o.reception = heardFor(began, 20*time.Second)
			o.Lines[0].ActOnMediaLost = true
		})
		h.incoming()
		h.keepsSaying(200, 300*time.Second)
		stall(5 * time.Second)
		h.keepsSaying(200, 299*time.Second) // without the stall 5 min of silence would end at 320 s
		h.machine.none()
		h.vanished(200)
		h.machine.saw("1 far end silent")
		h.cleared("media-lost")
	})
}

// none checks that no event has come.
func (d *machineStandIn) none() {
	d.t.Helper()
	if synctest.Wait(); len(d.seen) > 0 {
		d.t.Fatalf("event %s", <-d.seen)
	}
}
