package tuning

import (
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"clearback/supervision/window"
)

// answer simulates card and user: it returns the result of hold number i with that opening.
type answer func(i int, interval time.Duration, catch bool) Trial

// above simulates a card with exactly the given release time.
func above(release time.Duration) answer {
	return func(_ int, interval time.Duration, catch bool) Trial {
		if !catch && interval > release {
			return Trial{Answer: Cleared}
		}
		return Trial{Answer: Stayed}
	}
}

func always(a Answer) answer {
	return func(int, time.Duration, bool) Trial { return Trial{Answer: a} }
}

func plan(seed uint64) Plan {
	return Plan{Window: window.Defaults(), Random: rand.New(rand.NewPCG(seed, 0))}
}

func run(t require.TestingT, p Plan, a answer, earlier ...Trial) (*Session, Result) {
	s, err := NewSession(p, earlier)
	require.NoError(t, err)
	for i := len(earlier); i < 200; i++ {
		interval, catch, done := s.Next()
		if done {
			return s, s.Result()
		}
		trial := a(i, interval, catch)
		trial.Interval = interval
		s.Take(trial)
	}
	t.Errorf("the session does not end")
	t.FailNow()
	return nil, Result{}
}

func TestSharpThreshold(t *testing.T) {
	for seed := range uint64(20) {
		_, r := run(t, plan(seed), above(413*ms))
		assert.Equal(t, Found, r.Verdict, r.Text)
		assert.InDelta(t, 413, float64(r.Threshold)/1e6, 15)
		assert.Less(t, r.ThresholdLow, 413*ms)
		assert.Greater(t, r.ThresholdHigh, 413*ms)
		assert.GreaterOrEqual(t, r.Bound, 413*ms)
		assert.GreaterOrEqual(t, r.Recommended, r.Bound)
		assert.GreaterOrEqual(t, r.Recommended, r.LongestStayed*3/2)
		assert.LessOrEqual(t, r.Recommended, 660*ms, r.Text)
		assert.GreaterOrEqual(t, r.Confirmed, 2)
		assert.LessOrEqual(t, r.Holds, 22)
		assert.Zero(t, r.Recommended%(10*ms))
		catches, confirmed := 0, 0
		for _, v := range r.Trials {
			if v.Interval == 0 {
				catches++
			}
			if v.Answer == Cleared && v.Interval >= r.Bound && v.Interval >= r.LongestStayed*3/2 &&
				v.Interval <= r.Recommended {
				confirmed++
			}
		}
		assert.Equal(t, 2, catches)
		assert.Equal(t, confirmed, r.Confirmed)
	}
}

// The first intervals rise by a quarter each; the list omits the catch trials.
func TestAscent(t *testing.T) {
	_, r := run(t, plan(1), always(Stayed))
	var tried []time.Duration
	for _, v := range r.Trials {
		if v.Interval > 0 {
			tried = append(tried, v.Interval)
		}
	}
	assert.Equal(t, []time.Duration{250 * ms, 320 * ms, 400 * ms, 500 * ms, 630 * ms, 790 * ms, 990 * ms, 1240 * ms,
		1400 * ms, 1400 * ms, 1400 * ms}, tried)
}

// noFigures checks that the result has no figures.
func noFigures(t *testing.T, r Result) {
	t.Helper()
	assert.Zero(t, r.Threshold)
	assert.Zero(t, r.Spread)
	assert.Zero(t, r.ThresholdLow)
	assert.Zero(t, r.ThresholdHigh)
	assert.Zero(t, r.Bound)
	assert.Zero(t, r.Recommended)
	assert.Zero(t, r.Confirmed)
	assert.NotEmpty(t, r.Text)
}

func TestNoneCleared(t *testing.T) {
	_, r := run(t, plan(1), always(Stayed))
	assert.Equal(t, NoneCleared, r.Verdict)
	noFigures(t, r)
	assert.Equal(t, 1400*ms, r.LongestStayed)
	assert.Equal(t, "None of 11 holds cleared, not even at 1.4s, the longest interval tried. Either the contact does not open the loop (check that it moves, and that it is in the pair between adapter and line card), "+
		"or this card does not release a hold when the loop opens.", r.Text)
}

func TestAllCleared(t *testing.T) {
	_, r := run(t, plan(1), above(50*ms))
	assert.Equal(t, AllCleared, r.Verdict)
	noFigures(t, r)
	assert.LessOrEqual(t, r.Holds, 8)
	assert.Equal(t, "All of 6 holds cleared, even at 250ms, the shortest interval tried. The card's release time is shorter than that, so the trials give no figure for it."+
		" The recommendation of the line's window, 800ms, is well above that.", r.Text)
	assert.Equal(t, 800*ms, r.Window.Recommended)
}

// A catch trial in which the hold cleared is repeated at once; two of three decide.
func TestCatchTrialThatCleared(t *testing.T) {
	_, r := run(t, plan(1), always(Cleared))
	assert.Equal(t, AdapterClears, r.Verdict)
	noFigures(t, r)
	assert.LessOrEqual(t, r.Holds, 6)
	assert.Contains(t, r.Text, "2 holds cleared although the loop was not opened. Either the adapter itself interrupts")

	caught := 0
	_, r = run(t, plan(1), func(i int, interval time.Duration, catch bool) Trial {
		if catch {
			caught++
			if caught == 1 {
				return Trial{Answer: Cleared}
			}
		}
		return above(413*ms)(i, interval, catch)
	})
	assert.Equal(t, Contradictory, r.Verdict)
	noFigures(t, r)
	assert.Equal(t, 3, caught)
	assert.Contains(t, r.Text, "One hold cleared although the loop was not opened, and two stayed")
}

// Holds that clear at short intervals and stay at long ones have no threshold.
func TestContradictory(t *testing.T) {
	for seed := range uint64(10) {
		_, r := run(t, plan(seed), func(_ int, interval time.Duration, catch bool) Trial {
			if !catch && interval > 250*ms && interval < 420*ms {
				return Trial{Answer: Cleared}
			}
			return Trial{Answer: Stayed}
		})
		assert.NotEqual(t, Found, r.Verdict, r.Text)
		assert.Zero(t, r.Recommended)
	}
	earlier := []Trial{{Answer: Stayed}}
	for range 5 {
		earlier = append(earlier, Trial{Interval: 900 * ms, Answer: Stayed}, Trial{Interval: 300 * ms, Answer: Cleared})
	}
	_, r := run(t, plan(1), always(Stayed), earlier...)
	assert.Equal(t, Contradictory, r.Verdict)
	noFigures(t, r)
	assert.Equal(t, "Holds stayed at intervals up to 900ms and cleared at shorter ones, more often than chance explains, so there is no threshold. Make sure that every call is really on hold before its trial, that nobody else touches the line, and that the contact opens each time; then begin again.",
		r.Text)
}

// Random answers are not taken for a threshold.
func TestRandomAnswersGiveNoThreshold(t *testing.T) {
	found := 0
	for seed := range uint64(100) {
		coin := rand.New(rand.NewPCG(seed, 7))
		_, r := run(t, plan(seed), func(_ int, _ time.Duration, catch bool) Trial {
			if !catch && coin.IntN(2) == 0 {
				return Trial{Answer: Cleared}
			}
			return Trial{Answer: Stayed}
		})
		if r.Verdict == Found {
			found++
		}
	}
	assert.LessOrEqual(t, found, 20)
}

func TestOnlyUnknownAnswers(t *testing.T) {
	_, r := run(t, plan(1), always(Unknown))
	assert.Equal(t, TooFew, r.Verdict)
	noFigures(t, r)
	assert.Equal(t, 5, r.Holds)
	assert.Contains(t, r.Text, "Of 5 holds, 0 cleared and 0 stayed, and 5 gave no answer: too few")
}

// Every third answer is unknown. Each uses up a hold and has no other effect.
func TestUnknownAnswersCountForNothing(t *testing.T) {
	_, r := run(t, plan(3), func(i int, interval time.Duration, catch bool) Trial {
		if i%3 == 2 {
			return Trial{}
		}
		return above(413*ms)(i, interval, catch)
	})
	assert.Equal(t, Found, r.Verdict, r.Text)
	assert.InDelta(t, 413, float64(r.Threshold)/1e6, 20)
	s, err := NewSession(plan(3), r.Trials)
	require.NoError(t, err)
	var told []Trial
	for _, v := range r.Trials {
		if v.Answer != Unknown {
			told = append(told, v)
		}
	}
	only, err := NewSession(plan(3), told)
	require.NoError(t, err)
	assert.Equal(t, only.Result().Bound, s.Result().Bound)
}

func TestTooFewHolds(t *testing.T) {
	p := plan(1)
	p.MaxHolds = 7
	_, r := run(t, p, above(413*ms))
	assert.Equal(t, TooFew, r.Verdict)
	noFigures(t, r)
	assert.Equal(t, 7, r.Holds)
	assert.Contains(t, r.Text, "too few for an estimate")
}

// 1.5 times a card of 1.2 s does not fit below 1.4 s (2 s less the lead of 600 ms).
func TestNoRoom(t *testing.T) {
	_, r := run(t, plan(1), above(1200*ms))
	assert.Equal(t, NoRoom, r.Verdict, r.Text)
	assert.Zero(t, r.Recommended)
	assert.InDelta(t, 1200, float64(r.Threshold)/1e6, 60)
	assert.Contains(t, r.Text, "is longer than the longest possible, 1.4s: lead and interval together last at most 2 s")
	assert.Contains(t, r.Text, "To make room, change lead (shorten it).")
}

// The length that is needed lies in the adapter's flash window (300 to 800 ms, the defaults of RFC 5098), so the
// recommendation is above the window.
func TestFlashWindowRaisesTheRecommendation(t *testing.T) {
	p := plan(1)
	p.Window.FlashMin, p.Window.FlashMax = 300*ms, 800*ms
	_, r := run(t, p, above(413*ms))
	assert.Equal(t, Found, r.Verdict, r.Text)
	assert.Greater(t, r.Recommended, 850*ms)
	assert.True(t, r.Window.Allows(r.Recommended))
	assert.GreaterOrEqual(t, r.Confirmed, 2)
	assert.Contains(t, r.Text, "hence 890ms, the next length that the line's window allows.")
}

func TestLineRingsUp(t *testing.T) {
	rings := func(from time.Duration) answer {
		return func(i int, interval time.Duration, catch bool) Trial {
			v := above(413*ms)(i, interval, catch)
			v.RangUp = !catch && interval >= from
			return v
		}
	}
	_, r := run(t, plan(1), rings(500*ms))
	assert.Equal(t, RingsUp, r.Verdict, r.Text)
	assert.Zero(t, r.Recommended)
	assert.Equal(t, 500*ms, r.RangUpFrom)
	assert.Contains(t, r.Text, "the line rang after the opening in")
	assert.Contains(t, r.Text, "from 500ms on")

	once := 0
	_, r = run(t, plan(1), func(i int, interval time.Duration, catch bool) Trial {
		v := above(413*ms)(i, interval, catch)
		if interval >= 500*ms && once == 0 {
			once, v.RangUp = 1, true
		}
		return v
	})
	assert.Equal(t, Found, r.Verdict, r.Text)
	assert.Contains(t, r.Text, "The line rang after the opening in 1 trial, from 500ms on.")
}

// A wrong answer at a long interval is not ignored: the recommendation is 1.5 times that interval, or there is none.
func TestSingleOutlier(t *testing.T) {
	earlier := []Trial{{Interval: 800 * ms, Answer: Stayed}}
	_, r := run(t, plan(1), above(413*ms), earlier...)
	assert.Equal(t, 800*ms, r.LongestStayed)
	assert.Equal(t, Found, r.Verdict, r.Text)
	assert.Equal(t, 1200*ms, r.Recommended)
}

// The contact opens for 30 ms less than requested. The fit uses the measured length; the recommendation is a requested
// one.
func TestMeasuredOpenings(t *testing.T) {
	_, r := run(t, plan(1), func(_ int, interval time.Duration, catch bool) Trial {
		v := Trial{Answer: Stayed, Measured: interval - 30*ms}
		if catch {
			return Trial{Answer: Stayed}
		}
		if v.Measured > 413*ms {
			v.Answer = Cleared
		}
		return v
	})
	assert.Equal(t, Found, r.Verdict, r.Text)
	assert.InDelta(t, 413, float64(r.Threshold)/1e6, 15)
	assert.GreaterOrEqual(t, r.Recommended, r.Bound+30*ms)
	assert.GreaterOrEqual(t, r.LongestStayed, 413*ms) // the requested length

	// After few trials the bound is far above 1.5 times the interval that failed.
	earlier := []Trial{{Answer: Stayed}}
	for range 4 {
		earlier = append(earlier, Trial{Interval: 340 * ms, Measured: 310 * ms, Answer: Stayed},
			Trial{Interval: 520 * ms, Measured: 510 * ms, Answer: Cleared})
	}
	s, err := NewSession(plan(1), earlier)
	require.NoError(t, err)
	r = s.Result()
	require.Equal(t, Found, r.Verdict, r.Text)
	require.Greater(t, r.Bound, 520*ms)
	assert.Equal(t, roundUp(r.Bound+30*ms), r.Recommended)
}

// An interrupted session continues with the same trials as if it had not been interrupted, given the same random
// source. The card's release time varies with the number of the hold.
func TestResume(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		seed := rapid.Uint64().Draw(t, "seed")
		release := rapid.IntRange(200, 1500).Draw(t, "release")
		scattering := func(i int, interval time.Duration, catch bool) Trial {
			return above(time.Duration(release*(90+7*i%20)/100)*ms)(i, interval, catch)
		}
		_, whole := run(t, plan(seed), scattering)
		cut := rapid.IntRange(0, len(whole.Trials)).Draw(t, "cut")
		_, resumed := run(t, plan(seed), scattering, whole.Trials[:cut]...)
		assert.Equal(t, whole, resumed)
	})
}

func TestPlanIsChecked(t *testing.T) {
	for name, c := range map[string]struct {
		change func(*Plan)
		want   string
	}{
		"short": {func(p *Plan) { p.Shortest = 249 * ms },
			"shortest trial 249ms: below 250ms the adapter can read a break as dial pulses"},
		"very": {func(p *Plan) { p.Shortest, p.PulseDiallingOff = 19*ms, true },
			"shortest trial 19ms: at least 20ms"},
		"long": {func(p *Plan) { p.Longest = 1401 * ms },
			"longest trial 1.401s: at most 1.4s, since lead and interval"},
		"crossed": {func(p *Plan) { p.Shortest, p.Longest = 600*ms, 500*ms },
			"longest trial 500ms is shorter than the shortest, 600ms"},
		"holds":     {func(p *Plan) { p.MaxHolds = 101 }, "101 holds: allowed are 1 to 100"},
		"negative":  {func(p *Plan) { p.MaxHolds = -1 }, "-1 holds: allowed are 1 to 100"},
		"no source": {func(p *Plan) { p.Random = nil }, "no random source"},
		"no window": {func(p *Plan) { p.Window.Lead = 1900 * ms },
			"no interval can be tried: the line's window is empty, because"},
	} {
		p := plan(1)
		c.change(&p)
		_, err := NewSession(p, nil)
		assert.ErrorContains(t, err, c.want, name)
	}
	p := plan(1)
	p.Shortest, p.PulseDiallingOff = 40*ms, true
	_, r := run(t, p, above(52*ms))
	assert.Equal(t, Found, r.Verdict, r.Text)
	assert.Equal(t, 250*ms, r.Recommended) // the policy's floor
}

func TestNextIsStableUntilTake(t *testing.T) {
	s, err := NewSession(plan(5), nil)
	require.NoError(t, err)
	for i := range 12 {
		a, ac, ad := s.Next()
		b, bc, bd := s.Next()
		assert.Equal(t, []any{a, ac, ad}, []any{b, bc, bd})
		v := above(413*ms)(i, a, ac)
		v.Interval = a
		s.Take(v)
	}
}

// The properties of a session that hold for any answers.
func TestAnyAnswers(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := Plan{Window: window.Defaults(), Random: rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 0))}
		p.PulseDiallingOff = rapid.Bool().Draw(t, "pulse dialling off")
		low := 250
		if p.PulseDiallingOff {
			low = 20
		}
		p.Shortest = time.Duration(rapid.IntRange(low, 900).Draw(t, "shortest"))*ms +
			time.Duration(rapid.IntRange(0, 999).Draw(t, "us"))*time.Microsecond
		if rapid.Bool().Draw(t, "flash") {
			p.Window.FlashMin = time.Duration(rapid.IntRange(0, 500).Draw(t, "flash min")) * ms
			p.Window.FlashMax = p.Window.FlashMin + time.Duration(rapid.IntRange(1, 700).Draw(t, "flash"))*ms
		}
		p.Window.Lead = time.Duration(rapid.IntRange(50, 700).Draw(t, "lead")) * ms
		_, w, err := p.complete()
		if err != nil {
			t.Skip(err)
		}
		top := w.Spans[len(w.Spans)-1].To.At
		p.Longest = p.Shortest + time.Duration(rapid.Int64Range(0, int64(top-p.Shortest)).Draw(t, "longest"))
		p.MaxHolds = rapid.IntRange(1, 40).Draw(t, "holds")
		release := time.Duration(rapid.IntRange(20, 1600).Draw(t, "release")) * ms
		honest := rapid.IntRange(0, 100).Draw(t, "honest")
		s, r := run(t, p, func(_ int, interval time.Duration, catch bool) Trial {
			if !catch {
				require.GreaterOrEqual(t, interval, p.Shortest)
				require.LessOrEqual(t, interval, p.Longest)
			} else {
				require.Zero(t, interval)
			}
			v := Trial{Answer: Stayed}
			if !catch && interval > release {
				v.Answer = Cleared
			}
			if rapid.IntRange(0, 99).Draw(t, "mood") >= honest {
				v.Answer = Answer(rapid.IntRange(0, 2).Draw(t, "answer"))
				v.RangUp = rapid.Bool().Draw(t, "rang up")
			}
			return v
		})
		require.LessOrEqual(t, r.Holds, p.MaxHolds)
		require.Len(t, r.Trials, r.Holds)
		require.NotEmpty(t, r.Text)
		require.Equal(t, r.Recommended > 0, r.Verdict == Found)
		require.Equal(t, r, s.Result())
		if r.Recommended == 0 {
			return
		}
		require.True(t, r.Window.Allows(r.Recommended), "%v not in %v", r.Recommended, r.Window.Spans)
		require.GreaterOrEqual(t, 2*r.Recommended, 3*r.LongestStayed)
		require.GreaterOrEqual(t, r.Recommended, r.Bound)
	})
}

// At most 50 ms for 25 trials, including the fit of each.
func BenchmarkResult(b *testing.B) {
	_, r := run(b, plan(1), above(413*ms))
	for len(r.Trials) < 25 {
		r.Trials = append(r.Trials, Trial{Interval: 500 * ms, Answer: Cleared})
	}
	for b.Loop() {
		s, err := NewSession(plan(1), r.Trials)
		if err != nil {
			b.Fatal(err)
		}
		s.Result()
	}
	if each := b.Elapsed() / time.Duration(b.N); each > 50*ms {
		b.Errorf("%v", each)
	}
}
