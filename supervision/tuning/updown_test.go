package tuning

import (
	"math"
	"time"
)

// upDown is the up-and-down method (Dixon and Mood 1948, from memory), the other candidate. After the same ascent the
// interval decreases by one step after a hold that cleared and increases by one step after a hold that stayed. The step
// is 5 % of the interval that cleared first.
type upDown struct {
	step   time.Duration
	next   time.Duration
	trials []Trial // from the first that cleared on
}

func (u *upDown) begin(cleared time.Duration) {
	u.step = max(roundUp(cleared/20), step)
	u.next = cleared
}

func (u *upDown) take(cleared bool) {
	t := Trial{Interval: u.next, Answer: Stayed}
	if cleared {
		t.Answer = Cleared
		u.next -= u.step
	} else {
		u.next += u.step
	}
	u.trials = append(u.trials, t)
}

// toleranceFactors holds, for a sample of each size from 2 on, the one-sided tolerance factor for 99 % of a normal
// distribution at 95 % confidence, from the quantile of the non-central t distribution (computed with SciPy 1.10,
// nct.ppf). The published tables agree: 7.042 for 4, 3.981 for 10 (from memory).
var toleranceFactors = [mostTried + 1]float64{2: 37.093581, 10.552730, 7.042363, 5.741085, 5.061989, 4.641720,
	4.353856, 4.143022, 3.981118, 3.852336, 3.747085, 3.659196, 3.584512, 3.520127, 3.463942, 3.414402, 3.370332,
	3.330821, 3.295157, 3.262769, 3.233200, 3.206072, 3.181077, 3.157955}

// estimate returns mean and bound in ms; ok is false while one of the two answers is missing. The spread is 1.62 steps
// times (M + 0.029), where M is the variance of the rarer answer's steps, or 0.53 steps if M is below 0.3. The bound is
// the tolerance bound of a sample of the same size as the number of rarer answers.
func (u *upDown) estimate() (mean, bound float64, ok bool) {
	var cleared, stayed []float64
	for _, t := range u.trials {
		if t.Answer == Cleared {
			cleared = append(cleared, float64(t.Interval)/1e6)
		} else {
			stayed = append(stayed, float64(t.Interval)/1e6)
		}
	}
	rarer, shift := stayed, 0.5
	if len(cleared) < len(stayed) {
		rarer, shift = cleared, -0.5
	}
	if len(rarer) == 0 {
		return 0, 0, false
	}
	width := float64(u.step) / 1e6
	n := float64(len(rarer))
	sum, squares := 0.0, 0.0
	for _, v := range rarer {
		i := (v - rarer[0]) / width
		sum += i
		squares += i * i
	}
	mean = rarer[0] + width*(sum/n+shift)
	spread := 0.53 * width
	if m := (n*squares - sum*sum) / (n * n); m >= 0.3 {
		spread = 1.62 * width * (m + 0.029)
	}
	bound = math.Inf(1)
	if len(rarer) >= 2 {
		bound = mean + toleranceFactors[len(rarer)]*spread
	}
	return mean, bound, true
}
