//go:build linux

package figures

import (
	"fmt"
	"os"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// The load is our own figure: many times that of a busy site.
const (
	loadLines = 100
	loadRate  = 20 // calls that begin in a second; as many end
	// growthAfter is the time after which growth is measured. Until then the first transactions are still there: each
	// lasts 32 s (RFC 3261 section 17, 64*T1).
	growthAfter = 2 * time.Minute
)

// TestLoad: a hundred lines with media, 20 calls a second set up and cleared, every fourth by the near end, the others
// by the far end, which opens the loop. Every call comes through, every BYE is answered and passed on, every loop opens
// that should and no other, every packet arrives, and the daemon is no larger at the end than it was.
//
//	go test ./cmd/internal/figures -figures -run 'TestLoad$' -soak 10m -timeout 20m -v
func TestLoad(t *testing.T) {
	skipUnlessFigures(t)
	length := span(*soak, 20*time.Second, 4*time.Second)
	h := newTestBedOf(t, testBedSetup{lines: loadLines, media: true, journal: true})
	idle := h.goroutines()
	l := &load{testBed: h, long: length >= growthAfter}
	h.talk.counts(t)
	w := newWatch(t, h.pid(), h.talk.pid())
	began, spent := time.Now(), cpuTime(t, h.pid())
	l.run(length)
	took := time.Since(began)
	v := w.verdict()
	sent, received := h.talk.counts(t)
	strays := 0
	for line := range loadLines {
		_, _, strange := h.talk.of(t, line)
		strays += strange
	}
	b := h.x.byes
	t.Logf("%d calls in %v, %.1f a second, %d at a time at most; %d BYEs of far ends, %d of near ends, all passed on; BYE to open command %v",
		l.calls, took.Round(time.Second),
		float64(l.calls)/took.Seconds(), l.most, b.farSent, b.nearSent, l.opened)
	t.Logf("media: %d packets sent, %d came; the daemon took %.0f %% of one processor", sent, received,
		100*float64(cpuTime(t, h.pid())-spent)/float64(took))
	l.growth(v)
	require.Equal(t, l.calls, h.x.n, "calls that came through, of those begun")
	require.Equal(t, l.calls, h.x.rang, "calls that came to adapters")
	require.Equal(t, l.calls, b.farSent+b.nearSent, "BYEs sent")
	require.Equal(t, b.farSent, b.farAnswered, "far ends' BYEs answered")
	require.Equal(t, b.nearSent, b.nearAnswered, "near ends' BYEs answered")
	require.Equal(t, b.farSent, b.nearGot, "adapters that got BYE after a far end's clearing")
	require.Equal(t, b.nearSent, b.farGot, "far ends that got BYE after a near end's clearing")
	require.Len(t, l.opened, b.farSent, "loops opened")
	require.Zero(t, strays, "packets of unknown senders")
	v.add(figure{name: "media packets lost of a million, 20 calls/s", value: 1e6 * float64(sent-received) / float64(sent),
		bound: atMost(100)})
	if l.long {
		settle(40) // the last transactions end
	}
	after := h.goroutines()
	t.Logf("goroutines by the daemon's own trace: idle at first %d, after the load %d", idle, after)
	if l.long {
		require.LessOrEqual(t, after, idle+8, "goroutines left behind")
	}
}

type load struct {
	*testBed
	long   bool // long enough to measure growth
	calls  int
	most   int
	opened samples
	trail  []footprint // one a second
}

// run begins and ends calls at the rate. At the end it clears all calls.
func (l *load) run(length time.Duration) {
	every := time.NewTicker(time.Second / loadRate)
	defer every.Stop()
	second := time.NewTicker(time.Second)
	defer second.Stop()
	end := time.After(length)
	var free, up []int // lines without a call; lines with a call, the oldest call first
	for i := range loadLines {
		free = append(free, i)
	}
	coming := 0 // calls begun that are not up yet
	ended := 0
	began := time.Now()
	for over := false; !over || coming > 0 || len(up) > 0; {
		select {
		case <-end:
			over = true
		case line := <-l.through:
			coming--
			up = append(up, line)
			l.most = max(l.most, len(up))
		case <-second.C:
			l.trail = append(l.trail, footprintOf(l.t, l.pid()))
		case <-every.C:
			// After a call, the line's loop opens and its guard time passes. Its next call comes after those of all
			// other lines.
			for !over && len(free) > 0 && l.calls < int(time.Since(began)*loadRate/time.Second) {
				l.x.call(free[0])
				free = free[1:]
				l.calls++
				coming++
			}
			if len(up) > 0 && (over || len(up) > loadLines*8/10) {
				line := up[0]
				up = up[1:]
				ended++
				l.end(line, ended%4 == 0)
				free = append(free, line)
			}
		case <-time.After(testTimeout):
			l.t.Fatalf("nothing happens; %d calls on their way, %d up: %s", coming, len(up), l.log())
		}
	}
	l.allClosed()
	<-second.C
}

// end clears a line's call. It stops the call's media just before, so that every missing packet is a lost one.
func (l *load) end(line int, byNear bool) {
	l.talk.silence(line)
	<-time.After(5 * time.Millisecond)
	if byNear {
		l.x.nearHangsUp(line)
		return
	}
	at := l.x.hangUp(line)
	l.opened = append(l.opened, l.openedAt(line).Sub(at))
}

// growth prints the daemon's use of the machine in the course of the load. After a long load it applies the limits.
func (l *load) growth(v *verdict) {
	n := len(l.trail)
	require.NotZero(l.t, n)
	for i := range 5 {
		l.t.Logf("after %3d s: %v", i*(n-1)/4, l.trail[i*(n-1)/4])
	}
	if !l.long {
		return
	}
	part := func(from, to int) (f footprint) { // the smallest value of a part: the real need
		f = l.trail[from]
		for _, x := range l.trail[from:to] {
			f = footprint{min(f.rss, x.rss), min(f.files, x.files), min(f.threads, x.threads)}
		}
		return f
	}
	early, late := part(n/4, n/2), part(n*3/4, n)
	gained := func(what string, late, early float64, unit string) {
		v.add(figure{name: what + ", 20 calls/s, last quarter", value: late, unit: unit,
			baseline: baseline{"second quarter", early}, bound: atMostMore(4), always: true})
	}
	gained("resident memory", late.rss, early.rss, "MB")
	gained("descriptors", float64(late.files), float64(early.files), "")
	gained("threads", float64(late.threads), float64(early.threads), "")
}

// goroutines counts the goroutines in the trace that Go writes on SIGQUIT, and restarts the daemon.
func (h *testBed) goroutines() int {
	h.t.Helper()
	h.daemon.Signal(syscall.SIGQUIT)
	select {
	case <-h.daemon.Done():
	case <-time.After(testTimeout):
		h.t.Fatal("the daemon did not end by SIGQUIT")
	}
	b, err := os.ReadFile(fmt.Sprintf("%s/log", h.dir))
	require.NoError(h.t, err)
	n := strings.Count(string(b), "\ngoroutine ")
	require.NotZero(h.t, n, "no trace in the log")
	h.start()
	return n
}
