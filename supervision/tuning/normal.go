package tuning

import "math"

// phi is the distribution function of the standard normal distribution.
func phi(z float64) float64 { return math.Erfc(-z/math.Sqrt2) / 2 }

// quantile is the inverse of phi, for 0 < p < 1.
func quantile(p float64) float64 { return math.Sqrt2 * math.Erfinv(2*p-1) }

const (
	tableEnd  = 8  // beyond it phi is 0 or 1 to 15 places
	tableFine = 64 // entries per unit: linear interpolation is accurate to 1e-5
)

// table holds phi for many arguments, since a fit needs it a hundred thousand times.
type table []float64

func newTable() table {
	t := make(table, 2*tableEnd*tableFine+2)
	for i := range t {
		t[i] = phi(float64(i)/tableFine - tableEnd)
	}
	return t
}

func (t table) phi(z float64) float64 {
	x := (z + tableEnd) * tableFine
	switch {
	case x <= 0:
		return 0
	case x >= 2*tableEnd*tableFine:
		return 1
	}
	i := int(x)
	f := x - float64(i)
	return t[i] + f*(t[i+1]-t[i])
}
