package tuning

import (
	"bufio"
	"fmt"
	"math"
	"os/exec"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"clearback/bridge/programtest"
)

// NIST/SEMATECH e-Handbook of Statistical Methods, section 7.2.6.3: for 43 wafers, 90 % of them at 99 % confidence, the
// factor is 1.8740 by the non-central t distribution; for 6 wafers it is 4.4111.
func TestFactorOfTheHandbook(t *testing.T) {
	k, err := ToleranceFactor(43, 0.90, 0.99)
	require.NoError(t, err)
	assert.InDelta(t, 1.8740, k, 0.00005)
	k, err = ToleranceFactor(6, 0.90, 0.99)
	require.NoError(t, err)
	assert.InDelta(t, 4.4111, k, 0.00005)
	// The approximation by normal quantiles in the same section is close for 43 wafers: 1.8752.
	a := 1 - math.Pow(quantile(0.99), 2)/(2*42)
	b := math.Pow(quantile(0.90), 2) - math.Pow(quantile(0.99), 2)/43
	assert.InDelta(t, 1.8752, (quantile(0.90)+math.Sqrt(math.Pow(quantile(0.90), 2)-a*b))/a, 0.00005)
}

// One-sided factors for 99 % of a normal population at 95 % confidence, from memory of the published tables.
func TestFactorsOfTheTables(t *testing.T) {
	for n, want := range map[int]float64{2: 37.094, 3: 10.553, 4: 7.042, 5: 5.741, 6: 5.062, 8: 4.354, 10: 3.981,
		15: 3.520, 20: 3.295, 25: 3.158, 30: 3.064} {
		k, err := ToleranceFactor(n, 0.99, 0.95)
		require.NoError(t, err)
		assert.InDelta(t, want, k, 0.0006, "n = %d", n)
	}
}

// The definition itself, without a beta function: the probability that a normal variable is at most t times an
// independent root of chi-square over its degrees of freedom, less delta. It is computed by the trapezoidal rule.
func TestNonCentralAgainstItsDefinition(t *testing.T) {
	if testing.Short() {
		t.Skip("pure computation")
	}
	t.Parallel()
	for _, nu := range []float64{1, 2, 4, 9, 24, 99, 999} {
		for _, delta := range []float64{0, 0.5, 3.3, 11.6, 73.6} {
			for _, ratio := range []float64{0.5, 0.9, 1.1, 1.6, 4} {
				x := ratio*delta + 0.3
				want := 0.0
				const begin, end, step = -32.0, 4.0, 1.0 / 256
				constant, _ := math.Lgamma(nu / 2)
				for u := begin; u <= end; u += step { // over the logarithm of the root
					root := math.Exp(u)
					density := math.Exp(math.Ln2 + nu/2*math.Log(nu/2) - constant + nu*u - nu*root*root/2)
					want += phi(x*root-delta) * density * step
				}
				assert.InDelta(t, want, nonCentral(x, nu, delta), 1e-9, "t %v nu %v delta %v", x, nu, delta)
			}
		}
	}
}

// SciPy (Debian's python3-scipy) is an independent implementation.
func TestFactorsAgainstSciPy(t *testing.T) {
	t.Parallel()
	out, err := exec.Command("/usr/bin/python3", "-c", `
try:
    from scipy.stats import nct, norm
except ImportError:
    raise SystemExit("missing")
from math import sqrt
for p in (0.9, 0.95, 0.99, 0.999):
    for conf in (0.5, 0.9, 0.95, 0.99):
        for n in (2, 3, 5, 8, 13, 25, 60, 200):
            print(n, p, conf, nct.ppf(conf, n - 1, norm.ppf(p) * sqrt(n)) / sqrt(n))
`).Output()
	if err != nil {
		t.Log(err)
		programtest.Missing(t, "SciPy", "python3-scipy")
	}
	lines, judged := bufio.NewScanner(strings.NewReader(string(out))), 0
	for lines.Scan() {
		var n int
		var p, conf, want float64
		_, err := fmt.Sscan(lines.Text(), &n, &p, &conf, &want)
		require.NoError(t, err, lines.Text())
		if math.IsNaN(want) || math.IsInf(want, 0) {
			continue // SciPy has no result here
		}
		k, err := ToleranceFactor(n, p, conf)
		require.NoError(t, err)
		assert.InEpsilon(t, want, k, 1e-6, "n %d coverage %v confidence %v", n, p, conf)
		judged++
	}
	assert.GreaterOrEqual(t, judged, 120)
}

func TestFactorRefusesWhatItCannotDo(t *testing.T) {
	for _, c := range []struct {
		n                    int
		coverage, confidence float64
	}{{1, .99, .95}, {1001, .99, .95}, {10, .4, .95}, {10, 1, .95}, {10, .99, .3}, {10, .99, 1},
		{10, math.NaN(), .95}} {
		_, err := ToleranceFactor(c.n, c.coverage, c.confidence)
		assert.Error(t, err, "%v", c)
	}
}

// Ten releases with mean 400 ms and standard deviation 10 ms (by hand: ten values at 400 +- 9.4868): 400 + 3.981 * 10.
func TestUpperBound(t *testing.T) {
	var sample []time.Duration
	for i := range 10 {
		sample = append(sample, 400*ms+time.Duration(2*(i%2)-1)*9486833)
	}
	b, err := UpperBound(sample, 0.99, 0.95)
	require.NoError(t, err)
	assert.InDelta(t, float64(439810*time.Microsecond), float64(b), float64(20*time.Microsecond))
	_, err = UpperBound(sample[:1], 0.99, 0.95)
	assert.Error(t, err)
}

// The table that fits use must agree with the function.
func TestTableOfTheNormalDistribution(t *testing.T) {
	table := newTable()
	for z := -9.0; z <= 9; z += 0.0137 {
		assert.InDelta(t, phi(z), table.phi(z), 1e-5, "%v", z)
	}
	assert.InDelta(t, 0.975, phi(1.959964), 1e-6) // any table of the normal distribution
	assert.InDelta(t, 2.326348, quantile(0.99), 1e-6)
}

// Fisher's own example, the lady tasting tea: all four cups right by chance in 1 of 70; three or more in 17 of 70.
func TestFisher(t *testing.T) {
	assert.InDelta(t, 1.0/70, atLeast(4, 4, 4, 8), 1e-12)
	assert.InDelta(t, 17.0/70, atLeast(3, 4, 4, 8), 1e-12)
}
