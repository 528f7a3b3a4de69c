package tuning

import (
	"flag"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"clearback/supervision/window"
)

// go test ./supervision/tuning -run Simulation -simulate -timeout 1h writes testdata/simulation.txt.
var simulate = flag.Bool("simulate", false, "simulate 10,000 cards of each shape and write testdata/simulation.txt")

const (
	simulationFile = "testdata/simulation.txt"
	mostTried      = 25
)

// settings returns the settings of a simulation. The file begins with them, so that it is checked against the present
// ones.
func settings() string {
	return fmt.Sprintf("coverage %v confidence %v credible %v mean %v penalty %v slip %v ratios %v-%v/%d rungs %v fewest %d narrow %v confirmations %d offset %v scattered %v",
		coverage, confidence, boundLevel, credibleMean, penalty, errorRate, narrowest, widest, ratios, ascentRatio,
		minAnswers, narrowInterval, confirmations, offset, maxRelativeSpread)
}

// shown runs a whole session with a simulated card.
func shown(t testing.TB, c card, r *rand.Rand) Result {
	_, result := run(t, Plan{Window: window.Defaults(), Random: r},
		func(i int, interval time.Duration, catch bool) Trial {
			if !catch && c.clears(i, interval) {
				return Trial{Answer: Cleared}
			}
			return Trial{Answer: Stayed}
		})
	return result
}

// tally counts the results of whole sessions.
type tally struct {
	cards, estimated, recommended int
	holds                         []float64
	bias, room                    []float64 // of the mean and of the bound, as shares of the truth
	meanIn, boundOK, intervalOK   int
	verdicts                      map[Verdict]int
}

func (y *tally) take(c card, r Result) {
	if y.verdicts == nil {
		y.verdicts = map[Verdict]int{}
	}
	y.cards++
	y.verdicts[r.Verdict]++
	y.holds = append(y.holds, float64(r.Holds))
	in := func(d time.Duration) float64 { return float64(d) / 1e6 }
	if r.Threshold > 0 {
		y.estimated++
		y.bias = append(y.bias, in(r.Threshold)/c.mean-1)
		y.room = append(y.room, in(r.Bound)/c.upper-1)
		if in(r.ThresholdLow) <= c.mean && c.mean <= in(r.ThresholdHigh) {
			y.meanIn++
		}
		if in(r.Bound) >= c.upper {
			y.boundOK++
		}
	}
	if r.Recommended > 0 {
		y.recommended++
		if in(r.Recommended) >= c.upper {
			y.intervalOK++
		}
	}
}

func at(values []float64, share float64) float64 {
	if len(values) == 0 {
		return math.NaN()
	}
	s := slices.Sorted(slices.Values(values))
	return s[min(int(share*float64(len(s))), len(s)-1)]
}

func mean(values []float64) float64 {
	sum := 0.0
	for _, v := range values {
		sum += v
	}
	return sum / float64(len(values))
}

func percent(n, of int) float64 { return 100 * float64(n) / float64(of) }

const tallyHead = "cards      estimate  interval  holds p50 p90   bias    mean in   bound    interval   bound over\n" +
	"           %         %                        %       interval  covers   covers     truth, p50\n"

func (y *tally) String() string {
	return fmt.Sprintf("%-10d %-9.1f %-9.1f %5.0f %7.0f   %+5.1f   %5.1f %%   %5.1f %%  %5.1f %%    %+5.1f %%", y.cards,
		percent(y.estimated, y.cards), percent(y.recommended, y.cards),
		at(y.holds, 0.5), at(y.holds, 0.9), 100*mean(y.bias), percent(y.meanIn, y.estimated),
		percent(y.boundOK, y.estimated), percent(y.intervalOK, y.recommended), 100*at(y.room, 0.5))
}

// The stated coverage holds for normal releases: for at least 95 % of cards, less twice the simulation's own error,
// bound and interval are at least as long as 99 % of releases take. For the other shapes the coverage is only printed.
func TestSimulatedCoverage(t *testing.T) {
	if testing.Short() {
		t.Skip("pure computation")
	}
	t.Parallel()
	for i, s := range shapes {
		r := rand.New(rand.NewPCG(uint64(i), 4))
		cards := 40
		if s.name == "normal" {
			cards = 150
		}
		var y tally
		for range cards {
			c := s.card(anyMean(r), anySpread(r), r)
			y.take(c, shown(t, c, r))
		}
		t.Logf("%s\n%s%v", s.name, tallyHead, &y)
		if s.name != "normal" {
			continue
		}
		margin := 200 * math.Sqrt(0.95*0.05/float64(cards))
		assert.GreaterOrEqual(t, percent(y.boundOK, y.estimated), 95-margin)
		assert.GreaterOrEqual(t, percent(y.intervalOK, y.recommended), 95-margin)
		assert.GreaterOrEqual(t, percent(y.meanIn, y.estimated), 95-margin)
		assert.GreaterOrEqual(t, percent(y.recommended, y.cards), 90.0)
		assert.Less(t, math.Abs(mean(y.bias)), 0.02)
		assert.LessOrEqual(t, at(y.holds, 0.5), 22.0)
	}
}

// The results in the file belong to the package's present settings.
func TestSimulationFileMatchesSettings(t *testing.T) {
	if *simulate {
		require.NoError(t, os.WriteFile(simulationFile, []byte(simulation(t, 10_000)), 0o644))
	}
	text, err := os.ReadFile(simulationFile)
	require.NoError(t, err)
	first, _, _ := strings.Cut(string(text), "\n")
	assert.Equal(t, settings(), first, "run: go test ./supervision/tuning -run Simulation -simulate -timeout 1h")
}

// The reasons for the fit, from the 10,000 cards in the file. For the same half-width of the threshold, it needs fewer
// holds when few are made, and no more when many are. Only its bound has the stated coverage.
func TestFitAgainstUpDownMethod(t *testing.T) {
	text, err := os.ReadFile(simulationFile)
	require.NoError(t, err)
	rows := map[string][]float64{}
	for line := range strings.Lines(string(text)) {
		f := strings.Fields(strings.ReplaceAll(line, ",", " "))
		if len(f) != 13 || f[0] != "normal" || f[1] != "fit" && f[1] != "up-and-down" {
			continue
		}
		for _, v := range f[2:] {
			n, err := strconv.ParseFloat(v, 64)
			require.NoError(t, err, line)
			rows[f[1]] = append(rows[f[1]], n)
		}
	}
	fit, upDown := rows["fit"], rows["up-and-down"]
	require.Len(t, fit, 11)
	require.Len(t, upDown, 11)
	assert.Less(t, fit[0], upDown[0], "15 %%")
	assert.Less(t, fit[1], upDown[1], "10 %%")
	assert.LessOrEqual(t, fit[2], upDown[2], "7.5 %%")
	const at15, at25 = 7, 9
	assert.GreaterOrEqual(t, fit[at15], 95.0)
	assert.GreaterOrEqual(t, fit[at25], 95.0)
	assert.Less(t, upDown[at15], 95.0)
	assert.Less(t, upDown[at25], 95.0)
}

// Simulates a few cards in the same way as the file.
func TestSimulationOfBothMethods(t *testing.T) {
	if testing.Short() {
		t.Skip("pure computation")
	}
	t.Parallel()
	p := compare(t, normalCard, 50, rand.New(rand.NewPCG(9, 9)))
	assert.GreaterOrEqual(t, p.fit.coverage(25), 88.0)
	assert.Greater(t, p.fit.coverage(25), p.upDown.coverage(25))
	for _, c := range []*methodRun{&p.fit, &p.upDown, &p.upDownFitted} {
		assert.Less(t, c.half(25), 0.1)
		assert.Greater(t, c.half(25), 0.01)
		assert.LessOrEqual(t, c.needed(0.15), 12)
	}
}

// By hand: seven holds from 400 ms, step 20 ms: cleared 400, 420, 420; stayed 380, 400, 400, 400, so the cleared ones
// are rarer. Their steps are 0, 1, 1: mean 2/3, so 400 + 20 * (2/3 - 1/2) = 403.3. M is (3*2 - 4) / 9 = 0.222, below
// 0.3: the spread is 0.53 * 20 = 10.6, and the factor for three is 10.553.
func TestUpDown(t *testing.T) {
	var u upDown
	u.begin(400 * ms)
	require.Equal(t, 20*ms, u.step)
	for _, cleared := range []bool{true, false, false, true, false, true, false} {
		u.take(cleared)
	}
	var at []int
	for _, v := range u.trials {
		at = append(at, int(v.Interval/ms))
	}
	require.Equal(t, []int{400, 380, 400, 420, 400, 420, 400}, at)
	mean, bound, ok := u.estimate()
	require.True(t, ok)
	assert.InDelta(t, 403.333, mean, 0.001)
	assert.InDelta(t, 403.333+10.55273*10.6, bound, 0.001)
}

// simulation returns the text of the file.
func simulation(t testing.TB, cards int) string {
	var b strings.Builder
	fmt.Fprintf(&b, "%s\n\nWritten by: go test ./supervision/tuning -run Simulation -simulate -timeout 1h\n",
		settings())
	fmt.Fprintf(&b, "%d cards of each shape; their means are 280 to 650 ms, their spreads 2 to 15 %% of the mean.\n",
		cards)
	b.WriteString("\nWhole sessions as the user makes them: catch trials, confirmation, at most 25 holds\n")
	b.WriteString("Estimate: sessions with a threshold; interval: with a recommendation; bias: of the threshold. The last columns are shares of those\n" +
		"with an estimate or a recommendation: the mean lies in its 95 % interval; bound and recommendation are no less than what 99 % of releases take.\n\n")
	head := strings.Split(strings.TrimSuffix(tallyHead, "\n"), "\n")
	for _, h := range head {
		fmt.Fprintf(&b, "%-16s %s\n", "", h)
	}
	for i, s := range shapes {
		r := rand.New(rand.NewPCG(uint64(i), 1))
		var y tally
		for range cards {
			c := s.card(anyMean(r), anySpread(r), r)
			y.take(c, shown(t, c, r))
		}
		fmt.Fprintf(&b, "%-16s %v\n", s.name, &y)
	}
	for i, spread := range []float64{0.02, 0.05, 0.10, 0.15, 0.20} {
		r := rand.New(rand.NewPCG(uint64(i), 2))
		var y tally
		for range cards / 4 {
			c := normalCard(anyMean(r), spread, r)
			y.take(c, shown(t, c, r))
		}
		fmt.Fprintf(&b, "%-16s %v\n", fmt.Sprintf("normal, %.0f %%", 100*spread), &y)
	}
	b.WriteString("\nThe two methods, hold by hold, without catch trials and confirmation\n")
	b.WriteString("Holds needed until 95 % of cards' thresholds are that close to the truth, and the rest at 15 and 25 holds.\n" +
		"up-and-down: steps of 5 %, the estimate of Dixon and Mood. The same, fitted: the fit of the trials of up-and-down.\n\n")
	fmt.Fprintf(&b, "%-10s %-20s %-27s %-17s %-17s %s\n", "", "", "holds needed for half-width", "bias %",
		"half-width %", "bound covers %, over truth % (p50)")
	fmt.Fprintf(&b, "%-10s %-20s %-8s %-8s %-9s %-8s %-8s %-8s %-8s %-17s %s\n", "", "", "15 %", "10 %", "7.5 %", "15",
		"25", "15", "25", "15", "25")
	for i, s := range shapes {
		b.WriteString(compare(t, s.card, cards, rand.New(rand.NewPCG(uint64(i), 3))).table(s.name))
	}
	for _, s := range shapes {
		fmt.Fprintf(&b, "\n%-10s %s", s.name, s.text)
	}
	b.WriteString("\n")
	return b.String()
}
