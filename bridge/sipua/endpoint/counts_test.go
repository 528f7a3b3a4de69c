package endpoint

import (
	"reflect"
	"testing"

	"github.com/stretchr/testify/require"
)

// Plus adds all fields, including fields that are added to Counts later.
func TestCountsPlus(t *testing.T) {
	var a, b Counts
	for i := range reflect.TypeFor[Counts]().NumField() {
		for _, one := range []struct {
			c *Counts
			n int
		}{{&a, i + 1}, {&b, 100}} {
			if f := reflect.ValueOf(one.c).Elem().Field(i); f.CanInt() {
				f.SetInt(int64(one.n))
			} else {
				f.SetUint(uint64(one.n))
			}
		}
	}
	sum := reflect.ValueOf(a.Plus(b))
	for i := range sum.NumField() {
		got := sum.Field(i)
		if got.CanInt() && got.Int() != int64(i+101) || got.CanUint() && got.Uint() != uint64(i+101) {
			t.Errorf("%s is %v", sum.Type().Field(i).Name, got)
		}
	}
}

// Dropped is the sum of what was discarded before it reached a transaction, and of nothing else.
func TestDroppedIsASum(t *testing.T) {
	var e Endpoint
	n := &e.n
	n.noSIP.Store(1)
	n.refused.Store(20)
	n.limited.Store(300)
	n.malformed.Store(4000)
	n.oversized.Store(50000)
	n.unmatched.Store(600000)
	n.strays.Store(600000)
	n.overloaded.Store(600000)
	require.EqualValues(t, 54321, e.Dropped())
}
