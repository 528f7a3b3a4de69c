package tuning

import (
	"fmt"
	"math"
	"time"
)

const (
	smallestSample = 2
	largestSample  = 1000
)

// ToleranceFactor returns the factor k of a one-sided tolerance bound. For a sample of n from a normal distribution,
// the mean of the sample plus k of its standard deviations is, with the given confidence, at least the given quantile
// (coverage) of the distribution. k is the quantile at confidence of the non-central t distribution with n-1 degrees of
// freedom and non-centrality z*sqrt(n), divided by sqrt(n), where z is the normal quantile at coverage (NIST/SEMATECH
// e-Handbook of Statistical Methods, section 7.2.6.3). n is 2 to 1,000; coverage and confidence are 0.5 to 0.9999. It
// takes a few milliseconds at most.
func ToleranceFactor(n int, coverage, confidence float64) (float64, error) {
	if n < smallestSample || n > largestSample {
		return 0, fmt.Errorf("tolerance factor for a sample of %d: %d to %d are possible", n, smallestSample,
			largestSample)
	}
	for _, p := range [...]float64{coverage, confidence} {
		if !(p >= 0.5 && p <= 0.9999) {
			return 0, fmt.Errorf("tolerance factor for coverage %v at confidence %v: 0.5 to 0.9999 are possible",
				coverage, confidence)
		}
	}
	root := math.Sqrt(float64(n))
	t := nonCentralQuantile(confidence, float64(n-1), quantile(coverage)*root)
	return t / root, nil
}

// nonCentralQuantile inverts [nonCentral] by bisection, for p of at least 0.5 and delta of at least 0.
func nonCentralQuantile(p, nu, delta float64) float64 {
	low, high := 0.0, delta+1
	for nonCentral(high, nu, delta) < p && high < 1e12 {
		low, high = high, 2*high
	}
	for range 200 {
		middle := (low + high) / 2
		if middle == low || middle == high {
			break
		}
		if nonCentral(middle, nu, delta) < p {
			low = middle
		} else {
			high = middle
		}
	}
	return high
}

// nonCentral is the distribution function of the non-central t distribution, for t of at least 0, nu degrees of freedom
// and a non-centrality delta of at least 0. It is the mixture of incomplete beta functions of Lenth's algorithm AS 243
// (Applied Statistics 38, 1989). The sum starts at its largest term, as in Benton and Krishnamoorthy (Computational
// Statistics and Data Analysis 43, 2003), so that a large delta does not underflow. From memory of both.
func nonCentral(t, nu, delta float64) float64 {
	if t <= 0 {
		return phi(-delta)
	}
	whole := nu + t*t
	x, rest := t*t/whole, nu/whole
	mean := delta * delta / 2
	middle := math.Floor(mean)
	term := func(j float64) (sum, weight float64) {
		p, q := mixture(j, mean, delta)
		return p*beta(x, rest, j+0.5, nu/2) + q*beta(x, rest, j+1, nu/2), p + q
	}
	total := 0.0
	for j := middle; ; j++ {
		sum, weight := term(j)
		total += sum
		if weight < 1e-17 && j > middle {
			break
		}
	}
	for j := middle - 1; j >= 0; j-- {
		sum, weight := term(j)
		total += sum
		if weight < 1e-17 {
			break
		}
	}
	return min(phi(-delta)+total/2, 1)
}

// mixture returns the weights of the two beta functions of term j: a Poisson probability, and the same half a step
// further.
func mixture(j, mean, delta float64) (p, q float64) {
	if mean == 0 {
		if j == 0 {
			return 1, 0
		}
		return 0, 0
	}
	whole, _ := math.Lgamma(j + 1)
	half, _ := math.Lgamma(j + 1.5)
	common := j*math.Log(mean) - mean
	return math.Exp(common - whole), delta / math.Sqrt2 * math.Exp(common-half)
}

// beta is the regularised incomplete beta function at x, where rest is 1-x. It uses the continued fraction of
// Abramowitz and Stegun 26.5.8, evaluated by Lentz's method.
func beta(x, rest, a, b float64) float64 {
	switch {
	case x <= 0:
		return 0
	case rest <= 0:
		return 1
	case x > (a+1)/(a+b+2):
		return 1 - beta(rest, x, b, a)
	}
	whole, _ := math.Lgamma(a + b)
	left, _ := math.Lgamma(a)
	right, _ := math.Lgamma(b)
	front := math.Exp(whole-left-right+a*math.Log(x)+b*math.Log(rest)) / a
	const tiny = 1e-300
	kept := func(v float64) float64 {
		if math.Abs(v) < tiny {
			return tiny
		}
		return v
	}
	c := 1.0
	d := 1 / kept(1-(a+b)*x/(a+1))
	fraction := d
	for i := 1; i <= 10_000; i++ {
		m := float64(i)
		even := m * (b - m) * x / ((a + 2*m - 1) * (a + 2*m))
		d = 1 / kept(1+even*d)
		c = kept(1 + even/c)
		fraction *= d * c
		odd := -(a + m) * (a + b + m) * x / ((a + 2*m) * (a + 2*m + 1))
		d = 1 / kept(1+odd*d)
		c = kept(1 + odd/c)
		fraction *= d * c
		if math.Abs(d*c-1) < 1e-15 {
			break
		}
	}
	return front * fraction
}

// UpperBound returns the one-sided upper tolerance bound of a sample of measured release times. If releases are normal,
// the given coverage of them does not exceed the bound, with the given confidence. The errors are those of
// [ToleranceFactor].
func UpperBound(sample []time.Duration, coverage, confidence float64) (time.Duration, error) {
	k, err := ToleranceFactor(len(sample), coverage, confidence)
	if err != nil {
		return 0, err
	}
	mean, deviation := moments(sample)
	return time.Duration(math.Ceil(mean + k*deviation)), nil
}

// moments returns the mean of a sample and its standard deviation, in nanoseconds.
func moments(sample []time.Duration) (mean, deviation float64) {
	n := float64(len(sample))
	for _, v := range sample {
		mean += float64(v) / n
	}
	if len(sample) < 2 {
		return mean, 0
	}
	for _, v := range sample {
		deviation += (float64(v) - mean) * (float64(v) - mean)
	}
	return mean, math.Sqrt(deviation / (n - 1))
}
