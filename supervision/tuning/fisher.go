package tuning

import "math"

// atLeast returns the hypergeometric probability that at least got of the drawn ones are marked, if total of all are
// marked.
func atLeast(got, drawn, total, all int) float64 {
	sum := 0.0
	for k := got; k <= min(drawn, total); k++ {
		sum += math.Exp(logChoose(total, k) + logChoose(all-total, drawn-k) - logChoose(all, drawn))
	}
	return sum
}

// logChoose returns the logarithm of the binomial coefficient n over k.
func logChoose(n, k int) float64 {
	if k < 0 || k > n {
		return math.Inf(-1)
	}
	return logFactorial(n) - logFactorial(k) - logFactorial(n-k)
}

func logFactorial(n int) float64 {
	v, _ := math.Lgamma(float64(n) + 1)
	return v
}
