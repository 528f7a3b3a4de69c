//go:build linux

package figures

import "testing"

// TestSaving measures what it costs to save the state of each call in memory, as under the service unit, beside a
// daemon that saves no calls, call by call in turn: the time from the far end's BYE to the open command, and that from
// the adapter's 200 to its arrival at the far end. Limits: 1.05 times at p50; 10 ms more at p99.
func TestSaving(t *testing.T) {
	skipUnlessFigures(t)
	const lines = 40
	var beds [2]*testBed
	for i, control := range []string{"none", socketInMemory(t)} {
		beds[i] = newTestBedOf(t, testBedSetup{lines: lines, journal: true, control: control})
		beds[i].callsUp(lines)
		beds[i].x.ways()
	}
	w := newWatch(t, beds[0].pid(), beds[1].pid())
	byes := clearInTurn(beds, lines, nil)
	var ways [2]samples
	for i, h := range beds {
		ways[i] = h.x.ways()
	}
	v := w.verdict()
	t.Logf("BYE to open command: not saved %v; saved %v", byes[0], byes[1])
	t.Logf("the adapter's 200 to the far end: not saved %v; saved %v", ways[0], ways[1])
	v.add(figure{name: "BYE to open command, calls saved, p50", value: ms(byes[1].quantile(50)), unit: "ms",
		baseline: baseline{"not saved", ms(byes[0].quantile(50))}, bound: atMostTimes(1.05)})
	v.add(figure{name: "the way of the adapter's 200, calls saved, p99", value: ms(ways[1].quantile(99)), unit: "ms",
		baseline: baseline{"not saved", ms(ways[0].quantile(99))}, bound: atMostMore(10)})
}
