package tuning

import "math"

// atLeast is the hypergeometric probability that, of total marked among all, at least got are among the drawn ones.
func atLeast(got, drawn, total, all int) float64 {
	sum := 0.0
	for k := got; k <= min(drawn, total); k++ {
		sum += math.Exp(logChoose(total, k) + logChoose(all-total, drawn-k) - logChoose(all, drawn))
	}
	return sum
}

// logChoose is the logarithm of n over k.
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
