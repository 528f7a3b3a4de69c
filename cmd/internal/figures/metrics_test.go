//go:build linux

package figures

import (
	"io"
	"net/http"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// scrape scrapes the daemon once, and returns the numbers and how long that took.
func (h *testBed) scrape() (text string, took time.Duration) {
	began := time.Now()
	res, err := http.Get("http://" + h.metricsAt().String() + "/metrics")
	if err != nil {
		h.t.Errorf("scrape: %v", err)
		return "", 0
	}
	defer res.Body.Close()
	all, err := io.ReadAll(res.Body)
	if err != nil || res.StatusCode != http.StatusOK {
		h.t.Errorf("scrape: %v, %v: %s", err, res.Status, all)
	}
	return string(all), time.Since(began)
}

// TestScrape measures a scrape of a daemon with 100 lines in calls, each of which has cleared before. Limits: 10 ms at
// p50 (on a slow machine: see atMostAsFast), 200 kB.
func TestScrape(t *testing.T) {
	skipUnlessFigures(t)
	const lines = 100
	h := newTestBedOf(t, testBedSetup{lines: lines, media: true, journal: true, metrics: true})
	h.callsUp(lines)
	for line := range lines {
		h.clear(line)
	}
	h.allClosed()
	h.callsUp(lines)
	w := newWatch(t, h.pid(), h.talk.pid())
	var took, bare samples
	size := 0
	for range count(100, 20) {
		bare = append(bare, bareStart(t))
		<-time.After(100 * time.Millisecond)
		text, one := h.scrape()
		took, size = append(took, one), max(size, len(text))
		require.Equal(t, lines, strings.Count(text, "\nclearback_calls_total{"), "a call of each line has ended")
	}
	v := w.verdict()
	v.add(figure{name: "scrape with 100 lines relaying, p50", value: ms(took.quantile(50)), unit: "ms",
		baseline: baseline{bareStarts, ms(bare.quantile(50))}, bound: atMostAsFast(10)})
	// The relayed media takes its share of the processor, so p95 shows the machine more than the scrape.
	v.add(figure{name: "scrape with 100 lines relaying, p95", value: ms(took.quantile(95)), unit: "ms"})
	v.add(figure{name: "size of that scrape", value: float64(size) / 1000, unit: "kB", bound: atMost(200), always: true})
	t.Logf("scrape %v", took)
}

// TestScrapes measures the time from the far end's BYE to the open command while the daemon is scraped every 100 ms,
// beside one that serves no metrics, call by call in turn. Limit: 1.05 times at p50.
func TestScrapes(t *testing.T) {
	skipUnlessFigures(t)
	const lines = 40
	var beds [2]*testBed
	for i, metrics := range []bool{false, true} {
		beds[i] = newTestBedOf(t, testBedSetup{lines: lines, journal: true, metrics: metrics})
		beds[i].callsUp(lines)
	}
	ended := make(chan struct{}) // closed when the measurement has ended
	var scraping sync.WaitGroup
	scraping.Go(func() {
		every := time.NewTicker(100 * time.Millisecond)
		defer every.Stop()
		for {
			select {
			case <-ended:
				return
			case <-every.C:
				beds[1].scrape()
			}
		}
	})
	w := newWatch(t, beds[0].pid(), beds[1].pid())
	byes := clearInTurn(beds, lines, nil)
	close(ended)
	scraping.Wait()
	v := w.verdict()
	t.Logf("BYE to open command: no metrics %v; scraped every 100 ms %v", byes[0], byes[1])
	v.add(figure{name: "BYE to open command, scraped every 100 ms, p50", value: ms(byes[1].quantile(50)), unit: "ms",
		baseline: baseline{"no metrics", ms(byes[0].quantile(50))}, bound: atMostTimes(1.05)})
}
