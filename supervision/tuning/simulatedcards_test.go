package tuning

import (
	"math"
	"math/rand/v2"
	"time"
)

// card is a simulated line card.
type card struct {
	release func(hold int) float64 // ms
	// mean and upper are the true values in ms: the mean of releases, and the value that 99 % do not exceed. For a
	// drifting card, mean is that of hold 12, and upper that of hold 25, the last.
	mean, upper float64
}

func (c card) clears(hold int, interval time.Duration) bool {
	return c.release(hold) < float64(interval)/1e6
}

// shapes of releases. Means are 280 to 650 ms: 350 to 450 ms are common settings of key systems, and relay cards are
// said to take up to 600 ms (common practice, from memory). Spreads are 2 to 15 % of the mean, as many from 2 to 4 % as
// from 4 to 8 %.
var shapes = []struct {
	name, text string
	card       func(mean, spread float64, r *rand.Rand) card
}{
	{"normal", "what the fit takes them to be", normalCard},
	{"skewed", "lognormal with a skewness of 2.3, the long tail upwards", skewedCard},
	{"two-mode", "four in five around one length, one in five a quarter longer", twoModeCard},
	{"drifting", "normal, the mean rising by 10 % over 25 holds", driftingCard},
}

func anyMean(r *rand.Rand) float64   { return 280 + 370*r.Float64() }
func anySpread(r *rand.Rand) float64 { return 0.02 * math.Pow(7.5, r.Float64()) }

func normalCard(mean, spread float64, r *rand.Rand) card {
	return card{func(int) float64 { return mean * (1 + spread*r.NormFloat64()) }, mean,
		mean * (1 + quantile(0.99)*spread)}
}

func skewedCard(mean, spread float64, r *rand.Rand) card {
	const sigma = 0.6
	middle := math.Exp(sigma * sigma / 2)
	deviation := middle * math.Sqrt(math.Expm1(sigma*sigma))
	at := func(z float64) float64 { return mean * (1 + spread*(math.Exp(sigma*z)-middle)/deviation) }
	return card{func(int) float64 { return at(r.NormFloat64()) }, mean, at(quantile(0.99))}
}

func twoModeCard(mean, spread float64, r *rand.Rand) card {
	const share, apart = 0.2, 0.25
	low := mean / (1 + share*apart)
	high := low * (1 + apart)
	release := func(int) float64 {
		at := low
		if r.Float64() < share {
			at = high
		}
		return at * (1 + spread/2*r.NormFloat64())
	}
	from, to := low, 3*high
	for range 60 {
		v := (from + to) / 2
		if (1-share)*phi((v/low-1)/(spread/2))+share*phi((v/high-1)/(spread/2)) < 0.99 {
			from = v
		} else {
			to = v
		}
	}
	return card{release, mean, to}
}

func driftingCard(mean, spread float64, r *rand.Rand) card {
	at := func(hold int) float64 { return mean * (1 + 0.1*float64(hold)/25) }
	return card{func(hold int) float64 { return at(hold) * (1 + spread*r.NormFloat64()) }, at(12),
		at(25) * (1 + quantile(0.99)*spread)}
}
