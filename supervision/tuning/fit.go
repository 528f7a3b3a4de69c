package tuning

import (
	"math"
	"time"
)

// Constants of the penalised fit. They were chosen with the simulation; testdata/simulation.txt has the results.
const (
	coverage   = 0.99
	confidence = 0.95
	// boundLevel is the level of the fit's own upper bound. It is higher than confidence, so that the bound also holds
	// for cards with the widest spreads that the penalty allows for.
	boundLevel = 0.98
	// credibleMean is the same for the threshold's two-sided interval.
	credibleMean = 0.97
	// penalty is the exponent of the spread that makes wide spreads less likely: a spread of 40 % of the mean counts
	// 2.5 times less than one of 1 %.
	penalty = 0.25
	// errorRate is the assumed share of wrong answers: a wrong key pressed, or a hold that was not held. One such
	// answer among many then widens the fit instead of ruling it out.
	errorRate = 0.01
	// gridStep is the ratio of neighbouring means, as a natural logarithm.
	gridStep = 0.0125
	// narrowest and widest bound the spread as a share of the mean. Release times of relays and timers scatter by a few
	// percent to 15 % with temperature and line voltage (from memory of common practice). Beyond 40 % there is no
	// useful threshold.
	narrowest = 0.01
	widest    = 0.40
	ratios    = 18
)

// model is a penalised probit fit. It holds, for each mean and spread of a normal release time, how well they agree
// with the answers so far. The penalty allows every mean equally (on a logarithmic scale), and spreads from 1 % to 40 %
// of it, with a slight preference for the narrow ones. So the fit exists even if the answers are perfectly separated.
// It is kept as weights on a grid, so that nothing has to converge. It is not for concurrent use.
type model struct {
	normal  table
	low     float64         // logarithm of the lowest mean, in nanoseconds
	means   []float64       // rising by gridStep, nanoseconds
	spreads [ratios]float64 // as shares of the mean
	inverse [ratios]float64 // 1 / spreads
	weights []float64       // of means[i] and spreads[j] at i*ratios+j; they add up to 1
}

// newModel returns a model for thresholds from half the shortest to one and a half times the longest interval.
func newModel(shortest, longest time.Duration) *model {
	m := &model{normal: newTable(), low: math.Log(float64(shortest) / 2)}
	n := int(math.Ceil((math.Log(1.5*float64(longest))-m.low)/gridStep)) + 1
	m.means = make([]float64, n)
	for i := range m.means {
		m.means[i] = math.Exp(m.low + float64(i)*gridStep)
	}
	for j := range m.spreads {
		m.spreads[j] = narrowest * math.Pow(widest/narrowest, float64(j)/(ratios-1))
		m.inverse[j] = 1 / m.spreads[j]
	}
	m.weights = make([]float64, n*ratios)
	total := 0.0
	for i := range m.weights {
		m.weights[i] = math.Pow(m.spreads[i%ratios], -penalty)
		total += m.weights[i]
	}
	for i := range m.weights {
		m.weights[i] /= total
	}
	return m
}

// take adds one answer.
func (m *model) take(open time.Duration, cleared bool) {
	total := 0.0
	for i, mean := range m.means {
		row := m.weights[i*ratios : (i+1)*ratios]
		distance := (float64(open) - mean) / mean
		for j := range row {
			p := errorRate + (1-2*errorRate)*m.normal.phi(distance*m.inverse[j])
			if !cleared {
				p = 1 - p
			}
			row[j] *= p
			total += row[j]
		}
	}
	scale := 1 / total
	for i := range m.weights {
		m.weights[i] *= scale
	}
}

// estimate holds the results of the fit, in nanoseconds.
type estimate struct {
	threshold, spread float64 // weighted means
	low, high         float64 // of the threshold: 95 %
	deviation         float64 // standard deviation of the next release, as far as the fit knows
	bound             float64 // for 99 % of releases
	ratio             float64 // spread as a share of the threshold, weighted mean
}

// half returns half the width of the threshold's confidence interval, as a share of the threshold.
func (e estimate) half() float64 { return (e.high - e.low) / 2 / e.threshold }

func (m *model) estimate() estimate {
	var e estimate
	var square float64
	z := quantile(coverage)
	var shift [ratios]int
	for j, s := range m.spreads {
		shift[j] = int(math.Ceil(math.Log1p(z*s) / gridStep))
	}
	mean := make([]float64, len(m.means))
	upper := make([]float64, len(m.means)+shift[ratios-1]+1)
	for i, v := range m.means {
		for j, w := range m.weights[i*ratios : (i+1)*ratios] {
			mean[i] += w
			upper[i+shift[j]] += w
			e.spread += w * v * m.spreads[j]
			e.ratio += w * m.spreads[j]
		}
		e.threshold += mean[i] * v
		square += mean[i] * v * v
	}
	e.deviation = math.Sqrt(max(square-e.threshold*e.threshold, 0) + e.spread*e.spread)
	tail := (1 - credibleMean) / 2
	e.low, e.high = m.at(mean, tail), m.at(mean, 1-tail)
	e.bound = m.at(upper, boundLevel)
	return e
}

// at returns the value below which the given share of the weights lies.
func (m *model) at(weights []float64, share float64) float64 {
	sum := 0.0
	for i, w := range weights {
		if sum+w >= share {
			inside := 0.0
			if w > 0 {
				inside = (share - sum) / w
			}
			return math.Exp(m.low + (float64(i)+inside-0.5)*gridStep)
		}
		sum += w
	}
	return math.Exp(m.low + float64(len(weights)-1)*gridStep)
}
