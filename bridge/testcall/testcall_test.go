package testcall

import (
	"context"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"clearback/bridge/sipua"
	"clearback/supervision"
	"clearback/supervision/callrecord"
)

// A whole session with all parts of a clearing: a trial that is too short, a catch trial and a trial that clears the
// hold.
func TestSession(t *testing.T) {
	t.Parallel()
	h := newTestBed(t)
	h.set(func(b *testAdapter) { b.release = 150 * time.Millisecond })
	for i, c := range []struct {
		interval time.Duration
		pulse    bool
		hook     supervision.Hook
	}{
		{100 * time.Millisecond, true, supervision.HookOff},
		{0, false, supervision.HookOff},
		{300 * time.Millisecond, false, supervision.HookOn},
	} {
		call, err := h.session.Ring(t.Context())
		require.NoError(t, err)
		require.EqualValues(t, i+1, call)
		h.adapter.awaitRequest("ACK")
		late := lateness(t)
		r, err := h.session.Clear(t.Context(), c.interval, c.pulse)
		require.NoError(t, err)
		measured := r.Measured
		r.Measured = 0
		require.Equal(t, Result{Call: call, Asked: c.interval, Hook: c.hook, By: supervision.VerificationProbe}, r)
		if c.interval == 0 {
			require.Zero(t, measured)
		} else {
			h.requireMeasured(c.interval, measured, late())
		}
		h.adapter.awaitRequest("BYE")
	}
	require.Equal(t, []time.Duration{100 * time.Millisecond, 300 * time.Millisecond}, h.adapter.open())
	h.adapter.dial("5550151", h.toAdapter())
	require.Eventually(t, func() bool { h.notes.mu.Lock(); defer h.notes.mu.Unlock(); return len(h.notes.all) == 4 },
		testTimeout, time.Millisecond)
	for i, n := range h.notes.all {
		require.Equal(t, i < 3, n.Test, "note %d", i)
		require.Equal(t, map[bool]string{true: "clearback trial", false: ""}[i < 3], n.Party.Name)
	}
}

// A catch trial shows that a hold clears because of the adapter itself.
func TestAdapterClearsByItself(t *testing.T) {
	t.Parallel()
	h := newTestBed(t)
	h.set(func(b *testAdapter) { b.clearsItself = true })
	_, err := h.session.Ring(t.Context())
	require.NoError(t, err)
	r, err := h.session.Clear(t.Context(), 0, false)
	require.NoError(t, err)
	require.Equal(t, supervision.HookOn, r.Hook)
	require.Empty(t, h.adapter.open())
}

// If a line's probe cannot be trusted, only the user can say whether the hold cleared.
func TestUntrustedProbe(t *testing.T) {
	t.Parallel()
	h := newTestBed(t, func(p *supervision.Policy, _ *sipua.LineOptions) { p.ProbeTrusted = false })
	_, err := h.session.Ring(t.Context())
	require.NoError(t, err)
	late := lateness(t)
	r, err := h.session.Clear(t.Context(), 300*time.Millisecond, false)
	require.NoError(t, err)
	require.Equal(t, supervision.HookUnknown, r.Hook)
	require.Equal(t, supervision.VerificationNone, r.By)
	require.Empty(t, r.Why)
	h.requireMeasured(300*time.Millisecond, r.Measured, late())
}

// If a trial is refused, the call stays up.
func TestRefused(t *testing.T) {
	t.Parallel()
	h := newTestBed(t)
	_, err := h.session.Ring(t.Context())
	require.NoError(t, err)
	_, err = h.session.Clear(t.Context(), 100*time.Millisecond, false)
	require.ErrorIs(t, err, ErrRefused)
	require.ErrorContains(t, err, "outside the policy of the line")
	require.Empty(t, h.adapter.open())
	r, err := h.session.Clear(t.Context(), 100*time.Millisecond, true)
	require.NoError(t, err)
	require.Equal(t, supervision.HookOff, r.Hook)
}

func TestLifeSafety(t *testing.T) {
	t.Parallel()
	h := newTestBed(t, func(p *supervision.Policy, _ *sipua.LineOptions) { p.LifeSafety = true })
	_, err := h.session.Ring(t.Context())
	require.NoError(t, err)
	_, err = h.session.Clear(t.Context(), 0, false)
	require.ErrorIs(t, err, ErrRefused)
	require.ErrorContains(t, err, "life_safety")
}

func TestNotAnswered(t *testing.T) {
	t.Parallel()
	h := newTestBed(t)
	h.set(func(b *testAdapter) { b.answer = 486 })
	_, err := h.session.Ring(t.Context())
	require.ErrorIs(t, err, ErrNotAnswered)
	require.ErrorContains(t, err, "busy")

	h.set(func(b *testAdapter) { b.answer = 0 })
	ctx, cancel := context.WithCancel(t.Context())
	rang := make(chan error, 1) // one result
	go func() {
		_, err := h.session.Ring(ctx)
		rang <- err
	}()
	h.adapter.awaitRequest("INVITE")
	h.adapter.awaitRequest("INVITE")
	cancel()
	err = <-rang
	require.ErrorIs(t, err, ErrNotAnswered)
	require.ErrorIs(t, err, context.Canceled)
	h.adapter.awaitRequest("CANCEL")

	// the session continues
	h.set(func(b *testAdapter) { b.answer = 200 })
	_, err = h.session.Ring(t.Context())
	require.NoError(t, err)
	_, err = h.session.Ring(t.Context())
	require.ErrorContains(t, err, "a call is up")
}

// If the near end hangs up first, there is no result, and the next call can follow. This also holds if the service uses
// only TCP.
func TestNearEndHangsUpFirst(t *testing.T) {
	for _, tcp := range []bool{false, true} {
		t.Run(map[bool]string{false: "UDP", true: "TCP"}[tcp], func(t *testing.T) {
			t.Parallel()
			checkNearEndHangsUp(t, newTestBed(t, func(_ *supervision.Policy, o *sipua.LineOptions) {
				o.ServiceSocket.UDP, o.ServiceSocket.TCP = !tcp, tcp
			}))
		})
	}
}

func checkNearEndHangsUp(t *testing.T, h *testBed) {
	t.Helper()
	call, err := h.session.Ring(t.Context())
	require.NoError(t, err)
	h.adapter.awaitRequest("ACK")
	h.adapter.request("BYE", 1, "")
	ctx, cancel := context.WithTimeout(t.Context(), testTimeout)
	defer cancel()
	require.NoError(t, h.session.await(ctx, func() bool { return h.session.call.state == over }),
		"the far end was cleared")
	_, err = h.session.Clear(t.Context(), 300*time.Millisecond, false)
	require.ErrorIs(t, err, ErrNearEndHungUp)
	require.Empty(t, h.adapter.open())
	_, err = h.session.Clear(t.Context(), 300*time.Millisecond, false)
	require.ErrorIs(t, err, ErrNearEndHungUp)
	next, err := h.session.Ring(t.Context())
	require.NoError(t, err)
	require.Equal(t, call+1, next)
}

// The near end hangs up after the trial was set and before the far end hangs up.
func TestNearEndHangsUpBeforeTheClearing(t *testing.T) {
	t.Parallel()
	h := newTestBed(t)
	_, err := h.session.Ring(t.Context())
	require.NoError(t, err)
	h.adapter.awaitRequest("ACK")
	defer h.line.Follow(func(e callrecord.Entry) {
		if e.Event.Kind == supervision.TrialSet {
			h.adapter.request("BYE", 1, "")
		}
	})()
	ctx, cancel := context.WithTimeout(t.Context(), testTimeout)
	defer cancel()
	_, err = h.session.Clear(ctx, 300*time.Millisecond, false)
	require.ErrorIs(t, err, ErrNearEndHungUp)
	require.Empty(t, h.adapter.open())
}

// A call from the adapter stops the session for good, whenever it comes.
func TestAdapterCallStopsSession(t *testing.T) {
	for _, c := range []struct{ number, says string }{{"5550151", "was not sent on"}, {"999", "was sent on"}} {
		for _, when := range []string{"before", "ringing", "talking", "opening"} {
			t.Run(c.number+" "+when, func(t *testing.T) {
				t.Parallel()
				h := newTestBed(t)
				ended := make(chan error, 1) // one result
				switch when {
				case "before":
					h.adapter.dial(c.number, h.toAdapter())
					ctx, cancel := context.WithTimeout(t.Context(), testTimeout)
					defer cancel()
					require.NoError(t, h.session.await(ctx, func() bool { return h.session.stopped != nil }))
					_, err := h.session.Ring(t.Context())
					ended <- err
				case "ringing":
					h.set(func(b *testAdapter) { b.answer = 0 })
					go func() { _, err := h.session.Ring(t.Context()); ended <- err }()
					h.adapter.awaitRequest("INVITE")
					h.adapter.dial(c.number, h.toAdapter())
				case "talking":
					_, err := h.session.Ring(t.Context())
					require.NoError(t, err)
					h.adapter.dial(c.number, h.toAdapter())
					ctx, cancel := context.WithTimeout(t.Context(), testTimeout)
					defer cancel()
					require.NoError(t, h.session.await(ctx, func() bool { return h.session.stopped != nil }))
					_, err = h.session.Clear(t.Context(), 300*time.Millisecond, false)
					ended <- err
				case "opening":
					_, err := h.session.Ring(t.Context())
					require.NoError(t, err)
					go func() {
						r, err := h.session.Clear(t.Context(), 400*time.Millisecond, false)
						if err == nil { // the line learns of the call before the session does
							assert.NotEmpty(t, r.Why)
							assert.NoError(t, h.session.await(t.Context(),
								func() bool { return h.session.stopped != nil }))
							_, err = h.session.Ring(t.Context())
						}
						ended <- err
					}()
					require.Eventually(t, h.contact.Open, testTimeout, time.Millisecond)
					h.adapter.dial(c.number, h.toAdapter())
				}
				err := <-ended
				require.ErrorIs(t, err, ErrStopped)
				require.ErrorContains(t, err, c.number)
				require.ErrorContains(t, err, c.says)
				_, err = h.session.Ring(t.Context())
				require.ErrorIs(t, err, ErrStopped, "for good")
				if when == "talking" { // End must not open the loop while the near end is dialling (SAFETY.md S93)
					told := make(chan supervision.Effect, 100) // more than there will be
					stop := h.line.Follow(func(e callrecord.Entry) {
						if e.Effect.Kind == supervision.OpenLoop || e.Effect.Report == supervision.ReportCancelled ||
							e.Effect.Report == supervision.ReportSuppressed {
							told <- e.Effect
						}
					})
					defer stop()
					require.NoError(t, h.session.End())
					require.Equal(t, supervision.ReportCancelled, (<-told).Report)
				}
				if when == "opening" {
					require.Eventually(t, func() bool { return !h.contact.Open() }, 300*time.Millisecond,
						time.Millisecond, "the seizure closes the loop")
				} else {
					require.Empty(t, h.adapter.open())
				}
			})
		}
	}
}

// The result says why a trial cannot be verified.
func TestUnverifiedTrials(t *testing.T) {
	for name, c := range map[string]struct {
		set  func(h *testBed)
		flow func(p *supervision.Policy, o *sipua.LineOptions)
		says string
	}{
		"controller": {set: func(h *testBed) { h.contact.Script(unreachable) }, says: "The relay board did not answer"},
		"faulted": {set: func(h *testBed) {
			h.contact.Script(silent)
			h.contact.FailClose(errFake, errFake,
				errFake)
		}, says: "The relay board did not answer"},
		"refused": {set: func(h *testBed) { h.contact.Script(refused) },
			says: "The board refused the command to open"},
		"no contact": {set: func(h *testBed) { h.contact.Script(none) }, says: "The line has no contact"},
		"flash": {set: func(h *testBed) { h.set(func(b *testAdapter) { b.ignoresBye = true }) },
			says: "for a hook flash, so nothing was opened",
			flow: func(p *supervision.Policy, _ *sipua.LineOptions) {
				p.FlashMax = 300 * time.Millisecond
				p.Interval = 400 * time.Millisecond
			}},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			var changes []func(*supervision.Policy, *sipua.LineOptions)
			if c.flow != nil {
				changes = append(changes, c.flow)
			}
			h := newTestBed(t, changes...)
			c.set(h)
			call, err := h.session.Ring(t.Context())
			require.NoError(t, err)
			r, err := h.session.Clear(t.Context(), 300*time.Millisecond, false)
			require.NoError(t, err)
			require.Contains(t, r.Why, c.says)
			r.Why = ""
			require.Equal(t, Result{Call: call, Asked: 300 * time.Millisecond}, r)
		})
	}
}

// If a call is up, the end of a session is an ordinary clearing of that call. Afterwards the adapter's calls are
// allowed again.
func TestEnd(t *testing.T) {
	t.Parallel()
	h := newTestBed(t)
	_, err := h.session.Ring(t.Context())
	require.NoError(t, err)
	require.NoError(t, h.session.End())
	require.NoError(t, h.session.End())
	h.adapter.awaitRequest("BYE")
	require.Eventually(t, func() bool { return len(h.adapter.open()) == 1 }, testTimeout, time.Millisecond)
	require.Equal(t, policy().Interval, h.adapter.open()[0])
	_, err = h.session.Ring(t.Context())
	require.ErrorIs(t, err, ErrStopped)
	_, err = h.session.Clear(t.Context(), 0, false)
	require.ErrorIs(t, err, ErrStopped)
	h.adapter.dial("5550151", h.toAdapter())
	require.Contains(t, h.adapter.awaitResponse(1, "INVITE").Start, "100")
	h.session.adapterCalled("5550151", false) // too late to have an effect
}

// The end of a session is an ordinary clearing also if a trial was set and cancelled before the clearing. A catch
// trial, for example, would otherwise leave the line held.
func TestEndAfterATrialWasSet(t *testing.T) {
	t.Parallel()
	h := newTestBed(t)
	h.set(func(b *testAdapter) { b.release = 200 * time.Millisecond })
	_, err := h.session.Ring(t.Context())
	require.NoError(t, err)
	h.adapter.awaitRequest("ACK")
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	defer h.line.Follow(func(e callrecord.Entry) {
		if e.Event.Kind == supervision.TrialSet {
			cancel()
		}
	})()
	_, err = h.session.Clear(ctx, 0, false)
	require.ErrorIs(t, err, context.Canceled)
	require.NoError(t, h.session.End())
	require.Eventually(t, func() bool { return len(h.adapter.open()) == 1 }, testTimeout, time.Millisecond)
	require.Equal(t, policy().Interval, h.adapter.open()[0])
}

// The token in the line's contact is a secret of the process.
func TestContactTokenIsNotLogged(t *testing.T) {
	t.Parallel()
	h := newTestBed(t, func(_ *supervision.Policy, o *sipua.LineOptions) { o.Register, o.Expires = true, time.Hour })
	h.set(func(b *testAdapter) { b.answer = 486 })
	_, err := h.session.Ring(t.Context())
	require.ErrorIs(t, err, ErrNotAnswered)
	contact, _, _ := h.agent.Line("box-office").Inbound()
	require.NotEqual(t, "5550100", contact.User)
	require.NotContains(t, err.Error(), contact.User)
	require.NotEmpty(t, h.logged.All())
	for _, e := range h.logged.All() {
		require.NotContains(t, e.Message, contact.User)
		for _, f := range e.Context {
			require.NotContains(t, f.String, contact.User)
		}
	}
}
