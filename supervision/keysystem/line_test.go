package keysystem

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

const ms = time.Millisecond

// testBed drives a line and records the changes.
type testBed struct {
	t    *testing.T
	l    *Line
	now  time.Duration
	next time.Duration
	seen []Change
}

func newTestBed(t *testing.T, o Options) *testBed {
	l, err := New(o)
	require.NoError(t, err)
	return &testBed{t: t, l: l}
}

func (b *testBed) did(c []Change, next time.Duration) {
	b.seen = append(b.seen, c...)
	b.next = next
}

func (b *testBed) wait(d time.Duration) {
	b.now += d
	b.did(b.l.Step(b.now))
}

func (b *testBed) coil(on bool)      { b.did(b.l.SetCoil(b.now, on)) }
func (b *testBed) lift(set string)   { b.did(b.l.Lift(b.now, set)) }
func (b *testBed) hangUp(set string) { b.did(b.l.HangUp(b.now, set)) }
func (b *testBed) hold(set string)   { b.did(b.l.Hold(b.now, set)) }
func (b *testBed) ringing(on bool)   { b.did(b.l.SetRinging(b.now, on)) }
func (b *testBed) battery(on bool)   { b.did(b.l.SetBattery(b.now, on)) }
func (b *testBed) pulse(d ...float64) { // open, closed, open ... in milliseconds
	for i, v := range d {
		b.coil(i%2 == 0)
		b.wait(time.Duration(v * float64(ms)))
	}
	b.coil(false)
}

// changes returns the changes since the last call, one on each line, and clears the record.
func (b *testBed) changes() string {
	var s []string
	for _, c := range b.seen {
		s = append(s, fmt.Sprintf("%v %v", c.At, c))
	}
	b.seen = nil
	return strings.Join(s, "\n")
}

func (b *testBed) has(k Kind) bool {
	return slices.ContainsFunc(b.seen, func(c Change) bool { return c.Kind == k })
}

// heldLine returns a line on hold, with an empty record of changes. The time is 1 s.
func heldLine(t *testing.T, o Options) *testBed {
	b := newTestBed(t, o)
	b.lift("desk")
	b.wait(500 * ms)
	b.hold("desk")
	b.wait(500 * ms)
	require.Equal(t, State{Current: true, Held: true, ContactClosed: true, OffHook: true, Lamp: Wink}, b.l.State())
	b.changes()
	return b
}

// The hold key opens the A lead before the pair; a hang-up opens the pair before the A lead. The card begins a hold
// when the A lead opens while current flows. Source: US patents 4,311,880 and 4,674,118 (abstracts), common practice.
func TestHoldBeginsByTheOrderOfTheContacts(t *testing.T) {
	b := newTestBed(t, Options{})
	b.lift("desk")
	b.wait(100 * ms)
	require.Equal(t, "0s loop current on\n0s lamp steady\n40ms port sees off hook", b.changes())
	b.hold("desk")
	require.Equal(t, "100ms hold begins\n100ms lamp winking", b.changes(), "current never stops")
	b.lift("desk")
	require.Equal(t, "100ms hold taken back\n100ms lamp steady", b.changes())
	b.hangUp("desk")
	b.wait(2 * time.Second)
	require.Equal(t, "100ms loop current off\n100ms lamp dark\n1.1s port sees on hook", b.changes(), "no hold")
}

func TestHoldNeedsTheLastALead(t *testing.T) {
	b := newTestBed(t, Options{})
	b.lift("desk")
	b.lift("counter")
	b.hold("desk")
	require.False(t, b.l.State().Held, "another set is still on the line")
	b.hold("counter")
	require.True(t, b.l.State().Held)
}

func TestHoldNeedsCurrent(t *testing.T) {
	b := newTestBed(t, Options{})
	b.lift("desk")
	b.wait(100 * ms)
	b.battery(false)
	b.hold("desk")
	require.False(t, b.l.State().Held)
	require.Equal(t, Dark, b.l.State().Lamp)
}

// The release times are the two settings of electronic key systems (common practice). An opening as long as the release
// time releases the hold, and one that is a millisecond shorter does not.
func TestHoldIsReleasedAfterTheReleaseTime(t *testing.T) {
	for _, release := range []time.Duration{50 * ms, 350 * ms, 450 * ms} {
		t.Run(release.String(), func(t *testing.T) {
			b := heldLine(t, Options{Release: release})
			b.coil(true)
			b.wait(release - ms)
			b.coil(false)
			require.True(t, b.l.State().Held)
			require.True(t, b.l.State().Current, "the bridge carries current again")
			b.wait(time.Second)
			require.True(t, b.l.State().Held)
			b.changes()

			b.coil(true)
			b.wait(release)
			b.coil(false)
			require.Equal(t, []bool{false, false}, []bool{b.l.State().Held, b.l.State().Current})
			require.Contains(t, b.changes(), fmt.Sprintf("%v hold lets go", b.now))
		})
	}
}

// 800 ms is the normal setting of a digital exchange's disconnect clear (British Telecom's note of 1987). It is longer
// than every release time in common practice, up to 600 ms for relay-type cards (from memory).
func TestAnInterruptionOf800msClearsEveryCard(t *testing.T) {
	for _, release := range []time.Duration{50 * ms, 350 * ms, 450 * ms, 600 * ms} {
		b := heldLine(t, Options{Release: release, FlashMin: 300 * ms, FlashMax: 800 * ms, Move: 5 * ms,
			Bounce: 3 * ms})
		b.pulse(800)
		b.wait(300 * ms)
		require.False(t, b.l.State().Held, "%v", release)
		require.False(t, b.has(PortFlash), "a hold that went lets no current come back")
		require.True(t, b.has(PortOnHook))
		require.Equal(t, Dark, b.l.State().Lamp)
	}
}

// The flash window of 300 to 800 ms is the default of RFC 5098's hook flash objects. The current returns only if the
// hold stayed.
func TestABreakInTheFlashWindowIsAFlashWhenTheHoldStays(t *testing.T) {
	o := Options{Release: 450 * ms, FlashMin: 300 * ms, FlashMax: 800 * ms}
	for _, c := range []struct {
		pulse float64
		want  string
	}{
		{299, "1s contact opens\n1s loop current off\n1.299s contact closes\n1.299s loop current on"},
		{400, "1s contact opens\n1s loop current off\n1.4s contact closes\n1.4s loop current on\n1.4s port sees a flash of 400ms"},
		{500, "1s contact opens\n1s loop current off\n1.45s hold lets go\n1.45s lamp dark\n1.5s contact closes\n2s port sees on hook"},
	} {
		b := heldLine(t, o)
		b.pulse(c.pulse)
		b.wait(2 * time.Second)
		require.Equal(t, c.want, b.changes(), "%v ms", c.pulse)
	}
	b := heldLine(t, Options{Release: 450 * ms})
	b.pulse(400)
	require.False(t, b.has(PortFlash), "flash detection is off")
}

// A break longer than the flash window and shorter than the recognition of on hook is neither.
func TestBreakBetweenFlashAndOnHook(t *testing.T) {
	b := heldLine(t, Options{Release: 5 * time.Second, FlashMin: 300 * ms, FlashMax: 800 * ms, OnHook: time.Second})
	b.pulse(900)
	b.wait(3 * time.Second)
	require.False(t, b.has(PortFlash) || b.has(PortOnHook), b.changes())
	b.pulse(1001, 100)
	require.True(t, b.has(PortOnHook))
	require.True(t, b.has(PortSeized), "the bridge seizes the line anew")
}

// The release time counts uninterrupted absence of current: a bouncing contact starts it again.
func TestBounceRestartsTheReleaseTime(t *testing.T) {
	b := heldLine(t, Options{Release: 50 * ms, Move: 6 * ms, Bounce: 6 * ms})
	b.coil(true)
	b.wait(200 * ms)
	require.Equal(t, strings.Join([]string{
		"1.006s contact opens", "1.006s loop current off",
		"1.008s contact closes", "1.008s loop current on",
		"1.01s contact opens", "1.01s loop current off",
		"1.06s hold lets go", "1.06s lamp dark"}, "\n"), b.changes())
}

func TestCoilReversedBeforeTheContactMoves(t *testing.T) {
	b := heldLine(t, Options{Move: 6 * ms, Bounce: 3 * ms})
	b.coil(true)
	b.wait(5 * ms)
	b.coil(false)
	b.wait(time.Second)
	require.Empty(t, b.changes())
}

// Lamp signals and the interrupter's rates: common practice.
func TestLampCadences(t *testing.T) {
	perMinute := func(l Lamp) float64 { on, off := l.Cadence(); return float64(time.Minute) / float64(on+off) }
	require.InDelta(t, 60, perMinute(Flash), 0)
	require.InDelta(t, 120, perMinute(Wink), 0)
	on, off := Wink.Cadence()
	require.InDelta(t, 0.06, float64(off)/float64(on+off), 1e-9)
	for _, l := range []Lamp{Dark, Steady} {
		on, off = l.Cadence()
		require.Zero(t, on+off)
	}
}

// The lamp keeps flashing in the pauses of the ringing, and for some seconds after the caller has given up (common
// practice: 2 to 9 s).
func TestRingingFlashesUntilAnsweredOrGivenUp(t *testing.T) {
	b := newTestBed(t, Options{RingUp: 5 * time.Second})
	b.ringing(true)
	require.Equal(t, "0s ringing begins\n0s lamp flashing", b.changes())
	b.wait(20 * time.Second)
	require.Empty(t, b.changes())
	b.ringing(false)
	b.wait(6 * time.Second)
	require.Equal(t, "20s ringing ends\n25s lamp dark", b.changes())

	b.ringing(true)
	b.lift("desk")
	b.wait(time.Second)
	require.Equal(t, "26s ringing begins\n26s lamp flashing\n26s loop current on\n26s lamp steady\n26.04s port sees off hook",
		b.changes())
	b.ringing(false)
	b.hangUp("desk")
	require.Equal(t, Dark, b.l.State().Lamp, "answered calls ring no more")
}

func TestAnOpenContactKeepsTheRingingAway(t *testing.T) {
	b := newTestBed(t, Options{RingUp: time.Second})
	b.coil(true)
	b.ringing(true)
	require.Equal(t, Dark, b.l.State().Lamp)
	b.coil(false)
	require.Equal(t, Flash, b.l.State().Lamp)
}

func TestAPortThatInterruptsByItselfClearsTheHoldToo(t *testing.T) {
	b := heldLine(t, Options{})
	b.battery(false)
	b.wait(400 * ms)
	b.battery(true)
	require.False(t, b.l.State().Held)
}

// A port that has locked a line out feeds it too little current for a hold. It still detects when the bridge is gone
// (common practice: permanent signal treatment).
func TestALockedOutPortHoldsNothingAndSeesTheLineOnHook(t *testing.T) {
	b := heldLine(t, Options{})
	b.did(b.l.SetLockOut(b.now, true))
	b.wait(2 * time.Second)
	require.Equal(t, "1s loop current off\n1.35s hold lets go\n1.35s lamp dark\n2.35s port sees on hook", b.changes())

	b = newTestBed(t, Options{})
	b.lift("desk")
	b.wait(time.Second)
	b.did(b.l.SetLockOut(b.now, true))
	b.wait(time.Minute)
	require.True(t, b.l.State().OffHook, "a handset that lies beside its telephone")
	b.hangUp("desk")
	b.wait(time.Second)
	require.False(t, b.l.State().OffHook)
}

// A port that restarts detects the state of the line anew.
func TestPortRestart(t *testing.T) {
	b := heldLine(t, Options{})
	b.battery(false)
	b.wait(200 * ms)
	b.did(b.l.ResetPort(b.now))
	require.False(t, b.l.State().OffHook)
	b.battery(true)
	b.wait(50 * ms)
	require.Equal(t, "1s loop current off\n1.2s loop current on\n1.24s port sees off hook", b.changes(),
		"the hold is still there")
	b.battery(false)
	b.wait(400 * ms)
	b.did(b.l.ResetPort(b.now))
	b.battery(true)
	b.wait(2 * time.Second)
	require.False(t, b.has(PortSeized) || b.has(PortOnHook),
		"nothing bridges the pair, and nothing changed for the port")
}

func TestAWeldedContactFollowsItsCoilOnlyWhenItIsFree(t *testing.T) {
	b := heldLine(t, Options{Move: 5 * ms})
	b.did(b.l.SetWelded(b.now, true))
	b.coil(true)
	b.wait(time.Second)
	require.Empty(t, b.changes())
	require.True(t, b.l.State().Held)
	b.did(b.l.SetWelded(b.now, false))
	b.wait(time.Second)
	require.True(t, b.has(ContactOpened))
	require.False(t, b.l.State().Held)
	b.did(b.l.SetWelded(b.now, true))
	b.coil(false)
	b.wait(time.Second)
	require.False(t, b.l.State().ContactClosed, "welded open")
}

// Each hold takes its own release time from Options.Releases.
func TestReleaseTimesVaryFromHoldToHold(t *testing.T) {
	all := []time.Duration{100 * ms, 700 * ms}
	b := heldLine(t, Options{Releases: func() time.Duration {
		next := all[0]
		all = all[1:]
		return next
	}})
	b.pulse(101)
	require.False(t, b.l.State().Held)
	b.lift("desk")
	b.wait(time.Second)
	b.hold("desk")
	b.wait(time.Second)
	b.pulse(699)
	require.True(t, b.l.State().Held)
	b.coil(true)
	b.wait(700 * ms)
	require.False(t, b.l.State().Held)
	require.Empty(t, all)
}

// The port cannot detect a set that goes off hook behind an open contact until the contact closes.
func TestASeizureBehindAnOpenContactIsSeenAfterIt(t *testing.T) {
	b := newTestBed(t, Options{})
	b.coil(true)
	b.lift("desk")
	b.wait(time.Second)
	require.False(t, b.has(PortSeized))
	b.coil(false)
	b.wait(40 * ms)
	require.True(t, b.has(PortSeized))
}

func TestOptionsOutOfBounds(t *testing.T) {
	for _, o := range []Options{
		{Release: -ms}, {RingUp: time.Hour}, {FlashMin: 300 * ms}, {FlashMin: 800 * ms, FlashMax: 300 * ms},
		{FlashMin: 300 * ms, FlashMax: 1100 * ms}, {OnHook: 700 * ms, FlashMin: 300 * ms, FlashMax: 800 * ms},
	} {
		_, err := New(o)
		require.ErrorContains(t, err, "loop: ", "%+v", o)
	}
}

// However the calls to Step are distributed, the same changes happen at the same times, and the laws of the circuit
// hold at every time.
func TestResultDoesNotDependOnSteps(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		o := Options{Release: 350 * ms, FlashMin: 300 * ms, FlashMax: 800 * ms, Move: 5 * ms, Bounce: 3 * ms,
			RingUp: 2 * time.Second}
		coarse, err := New(o)
		require.NoError(t, err)
		fine, err := New(o)
		require.NoError(t, err)
		var now time.Duration
		var a, b []Change
		next := Never
		for range rapid.IntRange(1, 40).Draw(t, "steps") {
			to := now + time.Duration(rapid.IntRange(0, 1200).Draw(t, "ms"))*ms
			for next <= to {
				var c []Change
				at := next
				c, next = fine.Step(at)
				require.NotEmpty(t, c, "a deadline at %v without a change", at)
				require.Greater(t, next, at)
				b = append(b, c...)
				checkCircuit(t, fine)
			}
			now = to
			act := action(t)
			c, _ := act(coarse, now)
			a = append(a, c...)
			c, next = act(fine, now)
			b = append(b, c...)
			checkCircuit(t, fine)
		}
		require.Equal(t, a, b)
	})
}

func action(t *rapid.T) func(l *Line, now time.Duration) ([]Change, time.Duration) {
	name := rapid.SampledFrom([]string{"desk", "counter"}).Draw(t, "set")
	on := rapid.Bool().Draw(t, "on")
	return func() func(l *Line, now time.Duration) ([]Change, time.Duration) {
		switch rapid.IntRange(0, 7).Draw(t, "action") {
		case 0:
			return func(l *Line, now time.Duration) ([]Change, time.Duration) { return l.Lift(now, name) }
		case 1:
			return func(l *Line, now time.Duration) ([]Change, time.Duration) { return l.HangUp(now, name) }
		case 2:
			return func(l *Line, now time.Duration) ([]Change, time.Duration) { return l.Hold(now, name) }
		case 3:
			return func(l *Line, now time.Duration) ([]Change, time.Duration) { return l.SetBattery(now, on) }
		case 4:
			return func(l *Line, now time.Duration) ([]Change, time.Duration) { return l.SetRinging(now, on) }
		case 5:
			return func(l *Line, now time.Duration) ([]Change, time.Duration) { return l.SetLockOut(now, on) }
		case 6:
			return func(l *Line, now time.Duration) ([]Change, time.Duration) { return l.SetWelded(now, on) }
		default:
			return func(l *Line, now time.Duration) ([]Change, time.Duration) { return l.SetCoil(now, on) }
		}
	}()
}

func checkCircuit(t require.TestingT, l *Line) {
	s := l.State()
	require.False(t, s.Current && !s.ContactClosed, "current through an open contact")
	require.False(t, s.Held && s.Lamp != Wink, "held, lamp %v", s.Lamp)
	require.False(t, s.Held && l.aLead, "held while a set is on the line")
}
