//go:build linux

package interop

import (
	"bufio"
	"fmt"
	"net"
	"os"
	"os/exec"
	"slices"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func wantFigures(t *testing.T) {
	t.Helper()
	if !*figures {
		t.Skip("run with -figures on a quiet machine")
	}
}

// percentile returns the value below which the share p of all is.
func percentile(all []time.Duration, p float64) time.Duration {
	s := slices.Clone(all)
	slices.Sort(s)
	return s[min(int(p*float64(len(s))), len(s)-1)]
}

// samples of one run.
type samples struct {
	path, bare []time.Duration // from the BYE, or the bare datagram, to the opening at the board
	late       []time.Duration // how much longer than asked an interval was; negative: shorter
}

func (s samples) tell(t *testing.T, name string) {
	t.Logf("%s: %d samples: BYE to opening p50 %v p99 %v; interval longer by p50 %v p99 %v, least %v", name, len(s.path),
		percentile(s.path, .5), percentile(s.path, .99), percentile(s.late, .5), percentile(s.late, .99), slices.Min(s.late))
	if len(s.bare) > 0 {
		t.Logf("%s: bare path p50 %v p99 %v; ratio of p50 %.2f, p99 beyond it %v", name, percentile(s.bare, .5), percentile(s.bare, .99),
			float64(percentile(s.path, .5))/float64(percentile(s.bare, .5)), percentile(s.path, .99)-percentile(s.bare, .99))
	}
}

// clearings clears n calls one after another, each on the next line and gap after the one before, and calls each line again.
// With a bare path it tries that between any two.
func (l *load) clearings(n int, gap time.Duration, bare func() time.Duration) samples {
	var s samples
	var mu sync.Mutex
	var again sync.WaitGroup
	busy := make([]sync.Mutex, len(l.lines))
	tick := time.NewTicker(gap)
	defer tick.Stop()
	for i := range n {
		x := l.lines[i%len(l.lines)]
		<-tick.C
		busy[x.coil].Lock()
		began := l.clear(x)
		select {
		case at := <-l.board.opened[x.coil]:
			s.path = append(s.path, at.Sub(began))
		case <-time.After(5 * time.Second):
			l.t.Fatalf("%s: nothing opened", x.name)
		}
		again.Go(func() {
			defer busy[x.coil].Unlock()
			c := <-l.board.closed[x.coil]
			mu.Lock()
			s.late = append(s.late, c.length-loadInterval)
			mu.Unlock()
			l.call(x)
		})
		if bare != nil {
			s.bare = append(s.bare, bare())
		}
	}
	again.Wait()
	return s
}

// startBare starts the bare path in a process of its own.
func (l *load) startBare() func() time.Duration {
	l.t.Helper()
	echo := udp(l.t, 0)
	go func() {
		buf := make([]byte, 2000)
		for {
			n, from, err := echo.ReadFromUDPAddrPort(buf)
			if err != nil {
				return
			}
			_, _ = echo.WriteToUDPAddrPort(buf[:n], from)
		}
	}()
	cmd := exec.Command(os.Args[0])
	cmd.Env = append(os.Environ(), fmt.Sprintf("%s=%d %d", bareVariable, echo.LocalAddr().(*net.UDPAddr).Port, l.board.port))
	out, err := cmd.StdoutPipe()
	require.NoError(l.t, err)
	require.NoError(l.t, cmd.Start())
	line, err := bufio.NewReader(out).ReadString('\n')
	require.NoError(l.t, err)
	port, err := strconv.Atoi(strings.TrimSpace(line))
	require.NoError(l.t, err)
	c := udp(l.t, 0)
	l.t.Cleanup(func() {
		_ = cmd.Process.Kill()
		_ = cmd.Wait()
		echo.Close()
		c.Close()
	})
	to := &net.UDPAddr{IP: l.service.IP, Port: port}
	datagram := []byte(strings.Repeat("x", 400)) // about as long as a BYE
	go drain(c)
	return func() time.Duration {
		began := time.Now()
		_, _ = c.WriteToUDP(datagram, to)
		return (<-l.board.bare).Sub(began)
	}
}

// resident is VmRSS of the daemon, in MB (10^6 bytes).
func (r *rig) resident() float64 {
	r.t.Helper()
	b, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", r.d.cmd.Process.Pid))
	require.NoError(r.t, err)
	for _, l := range strings.Split(string(b), "\n") {
		if f := strings.Fields(l); len(f) == 3 && f[0] == "VmRSS:" {
			n, _ := strconv.Atoi(f[1])
			return float64(n) * 1024 / 1e6
		}
	}
	r.t.Fatal("no VmRSS")
	return 0
}

// wait waits for d. Figures are about time that passes.
func wait(d time.Duration) { <-time.After(d) }

func (l *load) callAll() {
	var all sync.WaitGroup
	for _, x := range l.lines {
		all.Go(func() { l.call(x) })
	}
	all.Wait()
}

func TestFiguresHundredLines(t *testing.T) {
	wantFigures(t)
	l := newLoad(t, 100)
	l.callAll()
	var sent atomic.Uint64
	l.all.Go(func() { l.talk(&sent) })
	wait(5 * time.Second)
	resident := l.r.resident()
	began, first := time.Now(), sent.Load()
	s := l.clearings(400, 40*time.Millisecond, l.startBare())
	rate := float64(sent.Load()-first) / time.Since(began).Seconds()
	peak := max(resident, l.r.resident())
	s.tell(t, "100 lines relaying G.711")
	t.Logf("100 lines relaying: %.0f packets/s offered, resident %.1f MB", rate, peak)
	assert.LessOrEqual(t, float64(percentile(s.path, .5)), 3*float64(percentile(s.bare, .5)), "p50 against the bare path")
	assert.LessOrEqual(t, percentile(s.path, .99), percentile(s.bare, .99)+20*time.Millisecond, "p99 against the bare path")
	assert.LessOrEqual(t, peak, 60.0, "MB resident")
	assert.Greater(t, rate, 8000.0, "the load itself")
}

func TestFiguresInterval(t *testing.T) {
	wantFigures(t)
	l := newLoad(t, 16)
	l.callAll()
	s := l.clearings(200, 60*time.Millisecond, nil)
	s.tell(t, "idle")
	assert.LessOrEqual(t, percentile(s.late, .99), 1500*time.Microsecond)
	assert.GreaterOrEqual(t, slices.Min(s.late), -shortBy)
	for range 2 {
		spin := exec.Command("sh", "-c", "while :; do :; done")
		require.NoError(t, spin.Start())
		t.Cleanup(func() {
			_ = spin.Process.Kill()
			_ = spin.Wait()
		})
	}
	s = l.clearings(200, 60*time.Millisecond, nil)
	s.tell(t, "both cores busy")
	assert.LessOrEqual(t, percentile(s.late, .99), longBy)
	assert.GreaterOrEqual(t, slices.Min(s.late), -shortBy)
}

func TestFiguresIdle(t *testing.T) {
	wantFigures(t)
	var lines []lineSetup
	for i, name := range []string{boxOffice, stageDoor, "workshop", "green-room"} {
		lines = append(lines, lineSetup{name: name, coil: i})
	}
	r := newRig(t, setup{lines: lines, logLevel: "info"})
	wait(2 * time.Second)
	resident := r.resident()
	var ready []time.Duration
	for range 9 {
		r.d.signal(syscall.SIGTERM)
		require.Zero(t, r.ended(5*time.Second))
		r.start()
		ready = append(ready, r.d.ready)
	}
	t.Logf("4 idle lines: resident %.1f MB; ready after %v (median of %d), at most %v", resident, percentile(ready, .5), len(ready), slices.Max(ready))
	assert.LessOrEqual(t, resident, 30.0, "MB resident")
	assert.LessOrEqual(t, percentile(ready, .5), 100*time.Millisecond)
}
