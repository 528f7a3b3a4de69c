package media_test

import (
	"flag"
	"fmt"
	"net/netip"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"clearback/bridge/media"
	"clearback/bridge/programtest"
)

// leastShare is the required share of the packets a second that a C relay passes which checks nothing.
const leastShare = 0.4

var (
	yardRounds = flag.Int("yard.rounds", 3, "rounds of the comparison with the C relay")
	yardSpan   = flag.Duration("yard.span", 200*time.Millisecond,
		"length of the measurements of each relay in a round of the comparison with the C relay")
	yardStreams = flag.Int("yard.streams", 16, "streams in the comparison with the C relay")
)

// figures are the results of one measurement.
type figures struct{ sent, received, pps, p50, p99 float64 }

// slicesARound is the number of measurements flat out in a round. Other programs on the machine take processors from a
// relay and from its loader, and never give any. So the quickest of many short measurements is compared.
const slicesARound = 4

// TestShareOfYardstick measures our relay and the C relays of testdata alternately in the same run, and compares the
// quickest measurements.
func TestShareOfYardstick(t *testing.T) {
	if raceDetector {
		t.Skip("speed under the race detector says nothing")
	}
	if testing.Short() {
		t.Skip("takes some seconds")
	}
	dir := t.TempDir()
	loader, yard := compile(t, dir, "loader"), compile(t, dir, "yardstick")
	contenders := []struct {
		name  string
		start starter
	}{
		{"bare", func(_ *testing.T, n int) ([]string, func()) { return slices.Repeat([]string{"0:0"}, n), func() {} }},
		{"C, one a call", func(t *testing.T, n int) ([]string, func()) { return startYardstick(t, yard, n, "one") }},
		{"C, many a call", func(t *testing.T, n int) ([]string, func()) { return startYardstick(t, yard, n, "many") }},
		{"ours", startOurs},
	}
	flat, paced := make([][]figures, len(contenders)), make([][]figures, len(contenders))
	for range *yardRounds {
		for i, c := range contenders {
			paced[i] = append(paced[i], measure(t, c.start, loader, *yardSpan, 20*time.Millisecond))
		}
		for range slicesARound {
			for i, c := range contenders[1:] {
				flat[i+1] = append(flat[i+1], measure(t, c.start, loader, *yardSpan/slicesARound, 0))
			}
		}
	}
	bare := median(paced[0])
	for i, c := range contenders {
		p := median(paced[i])
		if i == 0 {
			t.Logf("%-15s paced: p50 %5.1f us, p99 %6.1f us", c.name, p.p50, p.p99)
			continue
		}
		t.Logf("%-15s flat out: %7.0f packets/s, quickest %7.0f; paced: adds p50 %5.1f us, p99 %6.1f us", c.name,
			median(flat[i]).pps, quickest(flat[i]), p.p50-bare.p50, p.p99-bare.p99)
	}
	one, many, ours := quickest(flat[1]), quickest(flat[2]), quickest(flat[3])
	t.Logf("share of the C relay's packets a second: %.2f (one a call), %.2f (many a call)", ours/one, ours/many)
	require.GreaterOrEqual(t, ours/max(one, many), leastShare, "share of the faster C relay's packets a second")
	require.Equal(t, median(paced[3]).sent, median(paced[3]).received, "our relay lost packets at the rate of speech")
}

// quickest returns the most packets a second.
func quickest(all []figures) (pps float64) {
	for _, f := range all {
		pps = max(pps, f.pps)
	}
	return pps
}

// median returns the median of each figure.
func median(all []figures) figures {
	of := func(pick func(figures) float64) float64 {
		var v []float64
		for _, f := range all {
			v = append(v, pick(f))
		}
		slices.Sort(v)
		return v[len(v)/2]
	}
	return figures{
		of(func(f figures) float64 { return f.sent }), of(func(f figures) float64 { return f.received }),
		of(func(f figures) float64 { return f.pps }),
		of(func(f figures) float64 { return f.p50 }), of(func(f figures) float64 { return f.p99 }),
	}
}

// compile builds a program of testdata, or skips the test if there is no compiler.
func compile(t *testing.T, dir, name string) string {
	t.Helper()
	gcc := programtest.Need(t, "gcc", "gcc")
	program := filepath.Join(dir, name)
	out, err := exec.Command(gcc, "-O2", "-Wall", "-pthread", filepath.Join("testdata", name+".c"), "-o",
		program).CombinedOutput()
	require.NoError(t, err, "%s", out)
	return program
}

func startYardstick(t *testing.T, program string, streams int, how string) ([]string, func()) {
	t.Helper()
	p := programtest.StartWithInput(t, exec.Command(program, fmt.Sprint(streams), how))
	p.Await(t, "ready", time.Minute)
	text, _, _ := strings.Cut(p.Output(), "ready\n")
	pairs := strings.Split(strings.TrimSuffix(strings.ReplaceAll(text, " ", ":"), "\n"), "\n")
	require.Len(t, pairs, streams)
	return pairs, func() {
		require.NoError(t, p.Input.Close()) // the yardstick ends when its input is closed
		require.NoError(t, p.Err())
	}
}

func startOurs(t *testing.T, streams int) ([]string, func()) {
	t.Helper()
	local := netip.MustParseAddr("127.0.0.1")
	r, err := media.New(media.Options{AdapterAddr: local, ServiceAddr: local, PortLow: 20000, PortHigh: 29999,
		From: []netip.Prefix{netip.PrefixFrom(local, 32)}})
	require.NoError(t, err)
	var pairs []string
	for range streams {
		s, err := r.NewSession()
		require.NoError(t, err)
		s.Describe(media.AdapterSide, described())
		pairs = append(pairs, fmt.Sprintf("%d:%d", s.Local(media.AdapterSide).Port(),
			s.Local(media.ServiceSide).Port()))
	}
	return pairs, func() { require.NoError(t, r.Close()) }
}

// starter starts a relay and returns its port pairs in the loader's form.
type starter func(t *testing.T, streams int) (pairs []string, stop func())

// measure loads a new relay, because a relay that has learnt its sources would not accept another loader.
func measure(t *testing.T, start starter, program string, span, period time.Duration) figures {
	t.Helper()
	pairs, stop := start(t, *yardStreams)
	defer stop()
	args := append([]string{fmt.Sprint(span.Milliseconds()), fmt.Sprint(period.Microseconds())}, pairs...)
	out, err := exec.Command(program, args...).CombinedOutput()
	require.NoError(t, err, "%s", out)
	var f figures
	_, err = fmt.Sscan(string(out), &f.sent, &f.received, &f.pps, &f.p50, &f.p99)
	require.NoError(t, err, "%s", out)
	return f
}
