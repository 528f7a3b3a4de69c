package endpoint

import (
	"reflect"
	"testing"
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
