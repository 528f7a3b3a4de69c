package rehearsal

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"clearback/supervision/keysystem"
)

// newHeldTestLine returns a testLine with a held call, whose port has a habit.
func newHeldTestLine(t *testing.T, name string) *testLine {
	model := parts()
	if name == "flash-info" {
		model.Release = 700 * time.Millisecond // so that the hold stays
	} else {
		model.FlashMin, model.FlashMax, model.OnHook = 0, 0, 200*time.Millisecond // this keeps the tests short
	}
	h := newTestLineOf(t, "at-the-pbx", model).registered(t)
	h.port.ua.ask(func() {
		h.port.habit = habitOr(t, name)
		h.port.habit.busyFor /= 5
		h.port.ua.byeAfter, h.port.ua.byeSilent = h.port.habit.byeAfter, h.port.habit.byeSilent
	})
	require.NoError(t, h.far.dial("555-0101"))
	h.until(t, "rings", h.port.rings)
	h.lineModel.lift(telephoneSet)
	h.until(t, "talk", func() bool { return h.far.is(phoneTalking) && h.port.inCall() })
	h.lineModel.hold(telephoneSet)
	return h
}

func (h *testLine) ended(t *testing.T) {
	h.far.hangUp()
	h.until(t, "the call is gone", func() bool { return !h.port.inCall() })
}

func TestOptionsAreAlwaysAnswered200(t *testing.T) {
	t.Parallel()
	h := newHeldTestLine(t, "always-200")
	require.Equal(t, 200, h.available())
	h.ended(t)
	require.Equal(t, 200, h.available())
	require.False(t, h.port.free(), "and no call rings")
}

func TestAPortIsBusyForAWhileAfterOnHook(t *testing.T) {
	t.Parallel()
	h := newHeldTestLine(t, "late-486")
	h.ended(t)
	h.lineModel.lift(telephoneSet)
	h.lineModel.hangUp(telephoneSet)
	h.until(t, "on hook", func() bool { return !h.lineModel.state().OffHook })
	at := time.Now()
	require.Equal(t, 486, h.available())
	h.until(t, "free", h.port.free)
	require.GreaterOrEqual(t, time.Since(at), 250*time.Millisecond)
}

// RFC 3261 section 11.2: OPTIONS gets the response that an INVITE would get.
func TestACallWaitsBesideACallOnly(t *testing.T) {
	t.Parallel()
	h := newHeldTestLine(t, "call-waiting")
	require.Equal(t, 200, h.available())
	second, err := openPhone("555-0152", h.pbx, nil)
	require.NoError(t, err)
	t.Cleanup(second.close)
	require.NoError(t, second.dial("555-0101"))
	h.until(t, "it waits", func() bool { return second.is(phoneRinging) })
	require.Equal(t, 486, h.available(), "one only")
	require.Equal(t, keysystem.Wink, h.lineModel.state().Lamp, "the line does not ring")
	h.ended(t)
	h.lineModel.lift(telephoneSet)
	h.lineModel.hangUp(telephoneSet)
	h.until(t, "it rings", func() bool { return h.lineModel.state().Lamp == keysystem.Flash })
	second.hangUp()
	h.until(t, "free", h.port.free)
}

func TestAPortThatAnswersNoBye(t *testing.T) {
	t.Parallel()
	h := newHeldTestLine(t, "bye-unanswered")
	h.ended(t)
	h.until(t, "a repeat", func() bool { _, ok := h.tl.find("555-0151", "far end", "repeats BYE"); return ok })
	_, ok := h.tl.find("555-0151", "far end", "gets 200 to BYE")
	require.False(t, ok)
}

func TestAPortDeniesPowerAtTheBye(t *testing.T) {
	t.Parallel()
	h := newHeldTestLine(t, "power-denial")
	h.ended(t)
	h.until(t, "no hold", func() bool { return !h.lineModel.state().Held })
	_, ok := h.tl.find("box-office", "adapter", "sends 200 to BYE")
	require.False(t, ok, "not yet answered")
	h.until(t, "answered", func() bool { _, ok := h.tl.find("box-office", "adapter", "sends 200 to BYE"); return ok })
}

func TestALockedOutPortTakesNoDigitsAndComesBackOnHook(t *testing.T) {
	t.Parallel()
	h := newHeldTestLine(t, "lock-out")
	h.ended(t)
	require.Error(t, h.port.dial("555-0151"), "reorder tone")
	require.True(t, h.lineModel.state().Held)
	h.until(t, "locked out", func() bool { return !h.lineModel.state().Held })
	h.until(t, "on hook and fed again", h.port.free)
	h.lineModel.lift(telephoneSet)
	h.until(t, "seized", func() bool { return h.available() == 486 })
	require.NoError(t, h.port.dial("555-0151"))
	h.until(t, "talk", func() bool { return h.far.is(phoneTalking) })
}

func TestARestartedAdapterKnowsNoCall(t *testing.T) {
	t.Parallel()
	h := newHeldTestLine(t, "reboot")
	h.port.restart()
	require.False(t, h.port.running())
	h.until(t, "back", h.port.running)
	require.False(t, h.lineModel.state().Held)
	h.far.hangUp()
	h.until(t, "481", func() bool { _, ok := h.tl.find("555-0151", "far end", "gets 481 to BYE"); return ok })
}

// In-dialog requests follow a new registration only if a server in between redirects them. Here there is none, so the
// BYE is lost.
func TestAnAdapterMovesToAnotherPort(t *testing.T) {
	t.Parallel()
	h := newHeldTestLine(t, "new-port")
	old := h.port.addr()
	require.NoError(t, h.port.move())
	h.until(t, "registered", func() bool { ok, _ := h.port.bound(); return ok })
	require.NotEqual(t, old, h.port.addr())
	require.True(t, h.port.inCall())
	h.lineModel.lift(telephoneSet)
	h.lineModel.hangUp(telephoneSet)
	h.until(t, "its own BYE comes from there", func() bool { return h.far.is(phoneCleared) })
}

func TestAPortReportsAFlashByInfo(t *testing.T) {
	t.Parallel()
	h := newHeldTestLine(t, "flash-info")
	h.lineModel.energise(true)
	h.until(t, "open for 310 ms", func() bool {
		at, ok := first(h.lineModel.history(), keysystem.CurrentOff)
		return ok && time.Since(at) > 310*time.Millisecond
	})
	h.lineModel.energise(false)
	h.until(t, "told", h.flashed)
	require.True(t, h.lineModel.state().Held)
}

func (h *testLine) flashed() bool {
	_, ok := h.tl.find("box-office", "adapter", "sends INFO")
	return ok
}

func TestAWaitingMessageRingsWhenTheLineIsOnHook(t *testing.T) {
	t.Parallel()
	h := newHeldTestLine(t, "mwi-splash")
	h.pbx.notify(h.port.addr())
	h.until(t, "taken", func() bool { _, ok := h.tl.find("box-office", "adapter", "sends 200 to NOTIFY"); return ok })
	h.ended(t)
	require.NotEqual(t, keysystem.Flash, h.lineModel.state().Lamp)
	h.lineModel.lift(telephoneSet)
	h.lineModel.hangUp(telephoneSet)
	h.until(t, "rings", func() bool { return h.lineModel.state().Lamp == keysystem.Flash })
	h.until(t, "ends", func() bool {
		_, ok := first(h.lineModel.history(), keysystem.RingEnded)
		return ok &&
			h.port.free()
	})
}

func TestAPortLeftOffHookCalls(t *testing.T) {
	t.Parallel()
	h := newTestLine(t, "at-the-pbx").registered(t)
	h.port.ua.ask(func() { h.port.offHookAfter = 200 * time.Millisecond })
	h.lineModel.lift(telephoneSet)
	h.until(t, "calls", func() bool {
		_, ok := h.tl.find("box-office", "adapter",
			"sends INVITE to "+offHookNumber)
		return ok
	})
	h.until(t, "and gives up", func() bool { return !h.portHasCall() })
}
