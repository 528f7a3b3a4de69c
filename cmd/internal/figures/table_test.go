//go:build linux

package figures

import (
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
	"sync"
	"testing"
	"text/tabwriter"

	"github.com/stretchr/testify/require"
)

// figure is a row of the table.
type figure struct {
	name     string
	value    float64
	unit     string
	baseline baseline
	bound    bound
	// always means that the bound applies on a busy machine too.
	always bool
}

// baseline is what a value is compared with: the same figure of something else, or of an earlier time, in the same run.
// The zero value means that there is none.
type baseline struct {
	name  string
	value float64
}

// bound is the bound of a figure. The zero value means that there is none.
type bound struct {
	text string
	met  func(value, baseline float64) bool // false for a NaN
}

// atMost bounds the value itself.
func atMost(n float64) bound {
	return bound{"at most " + decimal(n), func(value, _ float64) bool { return value <= n }}
}

// atMostTimes bounds the ratio of value to baseline from above.
func atMostTimes(n float64) bound {
	return bound{"at most " + decimal(n) + " times", func(value, base float64) bool { return value/base <= n }}
}

// nominalStart is how long the program takes to print its version, in ms, on a machine as fast as the one for which the
// bounds of times were chosen. There, the bare proxy of TestCallsSaved passed 4,800 calls a second; where it passes
// 2,300, the program takes 35 ms.
const nominalStart = 20

// atMostAsFast bounds a time in ms. The baseline is [bareStart]: on a slower machine the bound is as much longer.
func atMostAsFast(n float64) bound {
	times := n / nominalStart
	return bound{fmt.Sprintf("at most %s, or %s times", decimal(n), decimal(times)),
		func(value, base float64) bool { return value <= n || value/base <= times }}
}

// atLeastTimes bounds the ratio of value to baseline from below.
func atLeastTimes(n float64) bound {
	return bound{"at least " + decimal(n) + " times", func(value, base float64) bool { return value/base >= n }}
}

// atMostMore bounds the difference of value and baseline.
func atMostMore(n float64) bound {
	return bound{"at most " + decimal(n) + " more", func(value, base float64) bool { return value-base <= n }}
}

// decimal writes a number with three digits or more, without zeros at its end.
func decimal(n float64) string {
	digits := 0
	if size := math.Abs(n); size < 1 {
		digits = 3
	} else if size < 100 {
		digits = 2 - int(math.Log10(size))
	}
	s := strconv.FormatFloat(n, 'f', digits, 64)
	if digits > 0 {
		s = strings.TrimRight(strings.TrimRight(s, "0"), ".")
	}
	return s
}

// results are the figures of this run. TestMain prints them.
var results table

// table collects figures. Its methods are safe for concurrent use.
type table struct {
	mu   sync.Mutex
	rows []string
}

func (t *table) add(row string) {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.rows = append(t.rows, row)
}

// print writes the table, if there are any figures.
func (t *table) print(to io.Writer) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if len(t.rows) == 0 {
		return
	}
	w := tabwriter.NewWriter(to, 0, 0, 2, ' ', 0)
	fmt.Fprintf(w, "\nfigure\tvalue\tbaseline\tratio\tbound\tmet\n%s\n", strings.Join(t.rows, "\n"))
	_ = w.Flush() // nobody reads it
}

// verdict compares figures with their bounds and adds them to a table.
type verdict struct {
	t     testing.TB
	table *table
	quiet bool
	how   string // how busy the machine was
}

// add adds a figure to the table, and fails the test if its bound is not met. On a machine that is not quiet it fails
// the test only if the bound always applies.
func (v *verdict) add(f figure) {
	v.t.Helper()
	met, report := "yes", v.t.Logf
	switch {
	case f.bound.met == nil:
		met = "-"
	case f.bound.met(f.value, f.baseline.value):
	case v.quiet || f.always:
		met, report = "NO", v.t.Errorf
	default:
		met = "no, but not applied: " + v.how
	}
	row := f.row(met)
	v.table.add(row)
	report("%s", strings.ReplaceAll(row, "\t", " | "))
}

// addBoth adds the median and the longest of times, in ms, beside those of the baseline if it has any.
func (v *verdict) addBoth(name string, times samples, baseName string, base samples, b bound) {
	v.t.Helper()
	for _, percent := range []int{50, 100} {
		f := figure{name: name + map[int]string{50: ", p50", 100: ", longest"}[percent], value: ms(times.quantile(percent)),
			unit: "ms", bound: b}
		if base != nil {
			f.baseline = baseline{baseName, ms(base.quantile(percent))}
		}
		v.add(f)
	}
}

// row returns the figure's cells, separated by tabs.
func (f *figure) row(met string) string {
	with := func(n float64, unit string) string { return strings.TrimSpace(decimal(n) + " " + unit) }
	base, ratio, limit := "-", "-", "-"
	if f.baseline.name != "" {
		base = f.baseline.name + " " + with(f.baseline.value, f.unit)
		if f.baseline.value != 0 {
			ratio = decimal(f.value / f.baseline.value)
		}
	}
	if f.bound.met != nil {
		limit = f.bound.text
	}
	return strings.Join([]string{f.name, with(f.value, f.unit), base, ratio, limit, met}, "\t")
}

// failing is a testing.TB that records whether the test failed.
type failing struct {
	testing.TB
	failed bool
}

func (f *failing) Logf(string, ...any)   {}
func (f *failing) Errorf(string, ...any) { f.failed = true }

// A bound that is not met fails the test. On a busy machine only those that always apply do so. A value at its bound
// meets it, and one that is no number never does.
func TestBounds(t *testing.T) {
	nan := math.NaN()
	for _, x := range []struct {
		bound       bound
		value, base float64
		met         bool
	}{
		{atMost(3), 3, 0, true}, {atMost(3), 3.01, 0, false}, {atMost(0), 1, 0, false}, {atMost(3), nan, 0, false},
		{atMostTimes(3), 6, 2, true}, {atMostTimes(3), 6.01, 2, false}, {atMostTimes(3), 6, 0, false},
		{atMostTimes(3), 0, 0, false},
		{atLeastTimes(0.4), 40, 100, true}, {atLeastTimes(0.4), 39, 100, false}, {atLeastTimes(0.4), 0, 0, false},
		{atMostMore(20), 21, 1, true}, {atMostMore(20), 22, 1, false}, {atMostMore(20), -5, 1, true},
		{atMostMore(20), nan, 1, false},
		{atMostAsFast(100), 100, 1, true}, {atMostAsFast(100), 150, 30, true}, {atMostAsFast(100), 151, 30, false},
		{atMostAsFast(100), 101, 0, false}, {atMostAsFast(100), nan, 1, false},
		{bound{}, nan, nan, true},
	} {
		for _, quiet := range []bool{true, false} {
			for _, always := range []bool{true, false} {
				f := &failing{TB: t}
				v := &verdict{t: f, table: &table{}, quiet: quiet}
				v.add(figure{value: x.value, baseline: baseline{"before", x.base}, bound: x.bound, always: always})
				require.Equal(t, !x.met && (quiet || always), f.failed, "%v of %v, %s; quiet %t, always %t", x.value,
					x.base, x.bound.text, quiet, always)
			}
		}
	}
}

func TestTable(t *testing.T) {
	all := &table{}
	var out strings.Builder
	all.print(&out)
	require.Empty(t, out.String(), "no figures")
	v := &verdict{t: &failing{TB: t}, table: all, how: "busy"}
	v.add(figure{name: "BYE to open, p50", value: 0.6121, unit: "ms", baseline: baseline{"bare path", 0.2},
		bound: atMostTimes(3)})
	v.add(figure{name: "audio lost", value: 0.1, unit: "%", baseline: baseline{"bare relay", 0}, bound: atMostMore(0.25)})
	v.add(figure{name: "calls a second", value: 3142.4})
	v.add(figure{name: "memory", value: 60.26, unit: "MB", bound: atMost(60), always: true})
	all.print(&out)
	require.Equal(t, `
figure            value     baseline          ratio  bound              met
BYE to open, p50  0.612 ms  bare path 0.2 ms  3.06   at most 3 times    no, but not applied: busy
audio lost        0.1 %     bare relay 0 %    -      at most 0.25 more  yes
calls a second    3142      -                 -      -                  -
memory            60.3 MB   -                 -      at most 60         NO
`, out.String())
}
