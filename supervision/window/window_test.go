package window

import (
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// exact is a line without errors, with a card that releases a hold at once. Only the bounds of adapter and policy
// remain.
func exact() Line {
	l := Defaults()
	l.Release, l.Operate, l.ReleaseTime, l.Bounce, l.Timing = Band{}, Band{}, Band{}, Band{}, Band{}
	return l
}

func measured(l Line, release time.Duration) Line {
	l.Release = Band{release, release}
	return l
}

func only(t *testing.T, r Result) Span {
	t.Helper()
	require.Len(t, r.Spans, 1, r.Empty)
	return r.Spans[0]
}

// RFC 5098: pktcSigEndPntConfigMinHookFlash 300 ms and MaxHookFlash 800 ms by default; each settable from 20 to 1,550
// ms.
func TestFlashWindowOfRFC5098(t *testing.T) {
	l := Defaults()
	l.FlashMin, l.FlashMax = 300*ms, 800*ms
	s := only(t, Of(l, WorstCase))
	// 800 + 50 (steps of the adapter) + 25 (controller) + 7 (relay: opens after 10 ms, closes after 3) + 5 (bounce) =
	// 887, and longer.
	require.Equal(t, Edge{888 * ms, FlashEnds}, s.From)
	require.Equal(t, Edge{1400 * ms, DialWindow}, s.To)

	l.FlashMin, l.FlashMax = 20*ms, 1550*ms
	r := Of(l, WorstCase)
	require.Empty(t, r.Spans, "lead 600 ms and 1,600 ms are more than 2 s")
	require.Contains(t, r.Empty, "hook flash ends at 1637ms")
	require.Contains(t, r.Empty, "the 2 s after the BYE ends at 1.4s")
	require.Contains(t, r.Empty, "lead (shorten it)")
	require.Contains(t, r.Empty, "flash_max (switch flash detection off")
	require.Zero(t, r.Recommended)
	require.Zero(t, r.Clip(time.Second))
	require.False(t, r.Allows(1650*ms))
	require.Contains(t, r.Why(time.Second), "empty, because")

	// If the lead is short, a length above 1,600 ms is possible, outside every flash window.
	l.Lead, l.OnHookRecognition = 100*ms, 2*time.Second
	s = only(t, Of(l, WorstCase))
	require.Equal(t, Edge{1638 * ms, FlashEnds}, s.From)
	require.Equal(t, Edge{1900 * ms, DialWindow}, s.To)
}

// British Telecom's note of 1987 on the disconnect clear time of UK digital local exchanges: 0 to 1,000 ms in steps of
// 100 ms, 800 ms is the normal setting. Lengths that key systems recognise: 50 and 350 to 450 ms (common practice).
func TestUKDisconnectClearTime(t *testing.T) {
	require.Equal(t, 800*ms, Of(Defaults(), WorstCase).Recommended)
	for release, shortest := range map[time.Duration]int{50 * ms: 3, 350 * ms: 4, 450 * ms: 5} {
		r := Of(measured(Defaults(), release), WorstCase)
		for setting := 0; setting <= 10; setting++ {
			require.Equal(t, setting >= shortest, r.Allows(time.Duration(setting)*100*ms), "%v %d", release, setting)
		}
		require.Equal(t, 800*ms, r.Recommended)
	}
}

// RFC 5098: a dial pulse's break lasts 45 to 75 ms by default and can be set from 20 to 200 ms.
func TestDialPulses(t *testing.T) {
	require.Equal(t, 200*ms, Defaults().PulseMax, "unknown, the widest setting")
	l := measured(Defaults(), 20*ms)
	l.Floor = 0
	require.Equal(t, Edge{248 * ms, DialPulse}, only(t, Of(l, WorstCase)).From) // 200 + 10 + 37
	l.PulseMax = 75 * ms
	require.Equal(t, Edge{123 * ms, DialPulse}, only(t, Of(l, WorstCase)).From) // 75 + 10 + 37
	l.PulseDialling = false
	require.Equal(t, Edge{58 * ms, CardRelease}, only(t, Of(l, WorstCase)).From) // 20 + 37
	// On every line, the policy's floor of 250 ms is above the widest setting.
	l = measured(Defaults(), 20*ms)
	require.Equal(t, Edge{250 * ms, Floor}, only(t, Of(l, WorstCase)).From)
}

// What an opening means to an adapter, by its length. The table is our own, from the flash windows of North American
// practice (300 to 1,000 ms), those of European recalls (50 to 130 ms), and dial pulses of up to 100 ms. Only lengths
// that the adapter takes for on hook are possible.
func TestMeaningByLength(t *testing.T) {
	american, european := exact(), exact()
	american.FlashMin, american.FlashMax, american.PulseMax, american.Lead = 300*ms, 1000*ms, 100*ms, 300*ms
	european.FlashMin, european.FlashMax, european.PulseMax, european.Lead = 50*ms, 130*ms, 100*ms, 300*ms
	for _, c := range []struct {
		from, to           int
		american, european bool // on hook
	}{
		{0, 20, false, false},      // noise, bounce
		{20, 100, false, false},    // a dial pulse
		{100, 180, false, false},   // undefined; a recall up to 130 ms, and the adapter's steps
		{181, 249, false, false},   // undefined; on hook, except for the policy's floor
		{250, 1000, false, true},   // a hook flash; on hook
		{1001, 1050, false, true},  // within the adapter's steps
		{1051, 1500, true, true},   // on hook, with some margin
		{1501, 1600, true, true},   // on hook
		{1601, 1700, false, false}, // longer than the on-hook recognition, 1.6 s
	} {
		for v := c.from; v <= c.to; v++ {
			require.Equal(t, c.american, Of(american, WorstCase).Allows(time.Duration(v)*ms), "American, %d ms", v)
			require.Equal(t, c.european, Of(european, WorstCase).Allows(time.Duration(v)*ms), "European, %d ms", v)
		}
	}
}

// 600 to 900 ms lie outside a European recall of 70 to 130 ms. 1,100 to 1,500 ms lie outside a North American window of
// up to 1,000 ms (derived from common practice).
func TestAboveTheFlashWindow(t *testing.T) {
	l := measured(Defaults(), 450*ms)
	l.FlashMin, l.FlashMax = 70*ms, 130*ms
	require.Equal(t, 800*ms, Of(l, WorstCase).Recommended)
	for v := 600; v <= 900; v++ {
		require.True(t, Of(l, WorstCase).Allows(time.Duration(v)*ms))
	}
	l.FlashMin, l.FlashMax, l.Lead = 300*ms, 1000*ms, 500*ms
	r := Of(l, WorstCase)
	for v := 250; v <= 2000; v++ {
		if v >= 1100 && v <= 1500 {
			require.True(t, r.Allows(time.Duration(v)*ms), v)
		} else if v <= 1050 || v > 1500 {
			require.False(t, r.Allows(time.Duration(v)*ms), v)
		}
	}
	require.Equal(t, 1190*ms, r.Recommended)
	require.Equal(t, 102*ms, r.Below)
	require.Equal(t, 310*ms, r.Above)
}

func TestBelowTheFlashWindow(t *testing.T) {
	l := measured(Defaults(), 50*ms)
	l.FlashMin, l.FlashMax, l.Lead = 500*ms, 1000*ms, 500*ms
	r := Of(l, WorstCase)
	require.Equal(t, []Span{{Edge{250 * ms, Floor}, Edge{412 * ms, FlashBegins}},
		{Edge{1088 * ms, FlashEnds}, Edge{1500 * ms, DialWindow}}}, r.Spans)
	require.Equal(t, 1190*ms, r.Recommended, "above the flash window, where both are possible")
	require.Equal(t, 1088*ms, r.Clip(413*ms))
	require.Equal(t, 1500*ms, r.Clip(2*time.Second))
	require.Equal(t, 250*ms, r.Clip(0))
	require.Contains(t, r.Why(700*ms), "700ms lies between 412ms and 1088ms: the adapter could take")
	require.Contains(t, r.Why(200*ms), "200ms is shorter than the shortest possible, 250ms: no interruption is shorter")
	require.Contains(t, r.Why(1501*ms), "longer than the longest possible, 1.5s: lead and interval")
	require.Empty(t, r.Why(300*ms))
	l.Lead = 1200 * ms
	r = Of(l, WorstCase)
	require.Equal(t, Edge{412 * ms, FlashBegins}, only(t, r).To)
	require.Equal(t, 370*ms, r.Recommended, "as near to 800 ms as a quarter of the span leaves")
	l.Release = Band{500 * ms, 500 * ms}
	r = Of(l, WorstCase)
	require.Contains(t, r.Empty,
		"nor is there room below the flash window, since the line card's release time, with the errors of relay and controller, ends at 537ms and what the adapter may take for a hook flash begins at 412ms")
}

func TestEachCeiling(t *testing.T) {
	for reason, change := range map[Reason]func(*Line){
		DialWindow:  func(l *Line) { l.Lead = 1100 * ms },
		Recognition: func(l *Line) { l.OnHookRecognition = 900 * ms },
		Ceiling:     func(l *Line) { l.Ceiling = 900 * ms },
		LongestOpen: func(l *Line) { l.LongestOpen = 937 * ms },
	} {
		l := Defaults()
		change(&l)
		require.Equal(t, Edge{900 * ms, reason}, only(t, Of(l, WorstCase)).To)
		require.Contains(t, Of(l, WorstCase).Why(901*ms), reason.Text())
		l.Release.Max = time.Second
		require.Contains(t, Of(l, WorstCase).Empty, reason.Change())
		require.Contains(t, Of(l, WorstCase).Empty, "card_release (`clearback tune` measures it)")
	}
}

// The arithmetic of both methods. In the worst case, limits are added. With root-sum-square, the squares of the
// half-widths are added, around the sum of the middles (the common tolerance stack-up, NIST/SEMATECH e-Handbook section
// 2.5.5, propagation of error).
func TestMethods(t *testing.T) {
	l := Defaults()
	l.Release, l.Lead, l.Floor = Band{300 * ms, 500 * ms}, 0, 0
	require.Equal(t, 538*ms, only(t, Of(l, WorstCase)).From.At) // 500 + 10 - 3 + 5 + 25 = 537
	half := math.Sqrt(100*100 + 3.5*3.5 + 3.5*3.5 + 2*2 + 25*25)
	require.Equal(t, time.Duration(403+half+1)*ms, only(t, Of(l, RootSumSquare)).From.At) // 400 + 3 and 103.3
	l.LongestOpen = time.Second
	require.Equal(t, 963*ms, only(t, Of(l, WorstCase)).To.At) // 1000 - 25 - 7 - 5
	half = math.Sqrt(3.5*3.5 + 3.5*3.5 + 2*2 + 25*25)
	require.Equal(t, time.Duration(1000-3-half)*ms, only(t, Of(l, RootSumSquare)).To.At)
}

func TestSteps(t *testing.T) {
	require.Equal(t, []time.Duration{940 * ms, 1100 * ms, 1300 * ms}, Steps(Defaults(), 800*ms))
	require.Equal(t, []time.Duration{638 * ms, 910 * ms, 1300 * ms}, Steps(Defaults(), 250*ms),
		"an interval outside of the window")
	require.Equal(t, []time.Duration{1300 * ms}, Steps(Defaults(), 1150*ms))
	require.Nil(t, Steps(Defaults(), 1200*ms), "no room")
	require.Nil(t, Steps(Defaults(), 5*time.Second))
	require.Nil(t, Steps(Line{}, 800*ms))
	l := measured(Defaults(), 50*ms)
	l.FlashMin, l.FlashMax, l.Lead = 500*ms, 1000*ms, 500*ms
	require.Equal(t, []time.Duration{1088 * ms, 1230 * ms, 1400 * ms}, Steps(l, 300*ms), "past the flash window")
	l.Lead = 860 * ms // the upper span is 1,088 to 1,140 ms, but the command needs 100 ms of it
	require.Equal(t, []time.Duration{350 * ms, 410 * ms}, Steps(l, 300*ms))
}

func TestLines(t *testing.T) {
	require.Equal(t, []string{
		"Possible (worst case): 638ms to 1.4s",
		"  from 638ms: the line card must have released the hold before the loop closes again, even if relay and controller shorten the opening (card-release).",
		"  to 1.4s: lead and interval together last at most 2 s after the BYE to the adapter, since somebody may lift and dial by then (dial-window).",
		"Recommended: 800ms; 162ms above the shortest, 600ms below the longest.",
		"  ..........................======R========================........................",
		"  |                   |                   |                   |                   |",
		"  0                   0.5                 1                   1.5                 2 s",
		"  = possible  R recommended  . not possible",
	}, Of(Defaults(), WorstCase).Lines())
	l := Defaults()
	l.FlashMin, l.FlashMax = 300*ms, 800*ms
	text := strings.Join(Of(l, RootSumSquare).Lines(), "\n")
	require.Contains(t, text, "Possible (root sum square): 879ms to 1.4s") // 850 + 3 + sqrt(2*3.5^2 + 2^2 + 25^2) = 878.6
	require.Contains(t, text, "Not from 222ms to 878ms: the adapter could take that for a hook flash.")
	require.Contains(t, text, ".fffff")
	l.Lead = 1900 * ms
	require.Equal(t, []string{"Possible lengths (worst case): " + Of(l, WorstCase).Empty + "."},
		Of(l, WorstCase).Lines())
}

func TestReasons(t *testing.T) {
	seen := map[string]bool{}
	for r := NoReason; r <= LongestOpen; r++ {
		require.NotEmpty(t, r.Text())
		require.NotEmpty(t, r.Change())
		require.NotEmpty(t, reasons[r].at)
		require.False(t, seen[r.String()])
		seen[r.String()] = true
	}
	require.Len(t, reasons, int(LongestOpen)+1)
	require.Equal(t, "none", Reason(200).String())
	require.Equal(t, "worst case root sum square", fmt.Sprint(WorstCase, " ", RootSumSquare))
}

func BenchmarkOf(b *testing.B) {
	l := Defaults()
	l.FlashMin, l.FlashMax = 300*ms, 800*ms
	for b.Loop() {
		Of(l, RootSumSquare)
	}
}

func BenchmarkSteps(b *testing.B) {
	for b.Loop() {
		Steps(Defaults(), 800*ms)
	}
}

// A window must be ready within a millisecond; it takes a few microseconds.
func TestFast(t *testing.T) {
	if testing.Short() {
		t.Skip("measures speed")
	}
	l := Defaults()
	l.FlashMin, l.FlashMax = 500*ms, 800*ms
	best := time.Hour
	for range 20 {
		start := time.Now()
		Of(l, WorstCase)
		Steps(l, 300*ms)
		best = min(best, time.Since(start))
	}
	require.Less(t, best, time.Millisecond)
}

// drawn returns any line, valid or not.
func drawn(t *rapid.T) Line {
	d := func(name string, low, high int) time.Duration {
		return time.Duration(rapid.IntRange(low*1000, high*1000).Draw(t, name)) * time.Microsecond
	}
	band := func(name string, high int) Band {
		b := Band{Min: d(name+" min", 0, high)}
		b.Max = b.Min + d(name+" width", 0, high)
		return b
	}
	l := Line{
		// rapid prefers small numbers, so subtract them where a large value leaves room.
		Release: band("release", 700), OnHookRecognition: 2*time.Second - d("recognition", 0, 1750),
		Operate: band("operate", 20), ReleaseTime: band("release time", 20), Bounce: band("bounce", 10),
		Timing: Band{-d("early", 0, 100), d("late", 0, 100)}, PulseDialling: rapid.Bool().Draw(t, "pulses"),
		PulseMax: d("pulse", 20, 200),
		Floor:    d("floor", 0, 300), Ceiling: 3*time.Second - d("ceiling", 0, 3000),
		LongestOpen: 3*time.Second - d("longest", 0, 3000), Lead: d("lead", 0, 1750),
	}
	if rapid.Bool().Draw(t, "flash") {
		l.FlashMin = d("flash min", 20, 1550)
		l.FlashMax = l.FlashMin + d("flash width", 0, 800)
	}
	return l
}

// sound is a simple reference: it checks one length against every constraint, with every error at its limit.
func sound(l Line, v time.Duration) bool {
	short := v + l.Timing.Min + l.ReleaseTime.Min - l.Operate.Max - l.Bounce.Max
	long := v + l.Timing.Max + l.ReleaseTime.Max - l.Operate.Min + l.Bounce.Max
	flash := l.FlashMax > 0 && short <= l.FlashMax+50*ms && long >= l.FlashMin-50*ms
	pulse := l.PulseDialling && short <= l.PulseMax+10*ms
	return v > 0 && short > l.Release.Max && !flash && !pulse && v >= l.Floor && v <= l.Ceiling &&
		long <= l.LongestOpen &&
		v+l.Lead <= 2*time.Second && v <= l.OnHookRecognition
}

// The window allows exactly those milliseconds that satisfy each constraint by itself.
func TestWindowAgainstItsConstraints(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		l := drawn(t)
		r, wide := Of(l, WorstCase), Of(l, RootSumSquare)
		any := false
		for v := time.Duration(0); v <= 2100*ms; v += ms {
			if r.Allows(v) != sound(l, v) {
				t.Fatalf("%v: %v, %+v", v, r.Allows(v), r)
			}
			if r.Allows(v) && !wide.Allows(v) {
				t.Fatalf("%v is possible in the worst case but not by squares", v)
			}
			if (r.Why(v) == "") != r.Allows(v) {
				t.Fatalf("%v: %q", v, r.Why(v))
			}
			if c := r.Clip(v); r.Empty == "" && !r.Allows(c) || r.Allows(v) && c != v {
				t.Fatalf("clip %v: %v", v, c)
			}
			any = any || r.Allows(v)
		}
		if any != (r.Empty == "") || !any && len(r.Spans) != 0 {
			t.Fatalf("empty: %q", r.Empty)
		}
		for _, r := range []Result{r, wide} {
			if (r.Recommended != 0) != (r.Empty == "") || r.Empty == "" && (!r.Allows(r.Recommended) ||
				!r.Allows(r.Recommended-r.Below) || r.Allows(r.Recommended-r.Below-ms) ||
				!r.Allows(r.Recommended+r.Above) || r.Allows(r.Recommended+r.Above+ms)) {
				t.Fatalf("recommended %+v", r)
			}
			for i, s := range r.Spans {
				if s.From.At%ms != 0 || s.To.At%ms != 0 || s.From.At > s.To.At || i > 0 &&
					s.From.At <= r.Spans[i-1].To.At+ms {
					t.Fatalf("spans %+v", r.Spans)
				}
			}
			if len(r.Lines()) == 0 {
				t.Fatal("no lines")
			}
		}
	})
}

func TestStepsAreInTheWindow(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		l := drawn(t)
		last := time.Duration(rapid.IntRange(1, 3000).Draw(t, "interval")) * ms
		steps := Steps(l, last)
		if len(steps) > 3 {
			t.Fatal(steps)
		}
		for _, s := range steps {
			if s < last+50*ms || !sound(l, s) || l.Lead+s > 1900*ms {
				t.Fatalf("%v after %v", s, last)
			}
			last = s
		}
	})
}

// No line makes Of fail, not even an impossible one.
func FuzzOf(f *testing.F) {
	f.Add(int64(0), int64(0), int64(0), int64(0))
	f.Add(int64(math.MaxInt64), int64(math.MinInt64), int64(math.MaxInt64), int64(math.MinInt64))
	f.Add(int64(600*ms), int64(300*ms), int64(800*ms), int64(600*ms))
	f.Fuzz(func(t *testing.T, a, b, c, d int64) {
		x := [...]time.Duration{time.Duration(a), time.Duration(b), time.Duration(c), time.Duration(d)}
		l := Defaults()
		l.Release, l.FlashMin, l.FlashMax, l.Lead = Band{x[0], x[1]}, x[1], x[2], x[3]
		l.Timing, l.LongestOpen, l.Ceiling = Band{x[3], x[2]}, x[0], x[1]
		for _, m := range []Method{WorstCase, RootSumSquare} {
			r := Of(l, m)
			if (r.Empty == "") != (len(r.Spans) > 0) || len(r.Lines()) == 0 {
				t.Fatalf("%+v", r)
			}
		}
		Steps(l, x[0])
	})
}
