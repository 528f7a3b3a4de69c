//go:build linux

package figures

import (
	"bytes"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// unchanged is text that each line of the file has; changed takes its place to change all lines.
const unchanged = "\n    policy:"

func changed(n int) string {
	return fmt.Sprintf("\n    location: %d\n    calls: %d%s", n, 2+n%2, unchanged)
}

// reload replaces text in the file and runs the command. It returns the time that the command took, and what it
// printed.
func (h *testBed) reload(from, to string) (time.Duration, string) {
	h.t.Helper()
	path := filepath.Join(h.dir, "clearback.yaml")
	text, err := os.ReadFile(path)
	require.NoError(h.t, err)
	require.NoError(h.t, os.WriteFile(path, bytes.ReplaceAll(text, []byte(from), []byte(to)), 0o600))
	began := time.Now()
	out, err := exec.Command(program, "reload", "--config", path).CombinedOutput()
	took := time.Since(began)
	require.NoError(h.t, err, "%s", out)
	return took, string(out)
}

// TestReload measures the command `reload` with 100 lines: with a file that changes none of them, then all of them,
// then their relay board too. Limit: 200 ms.
func TestReload(t *testing.T) {
	skipUnlessFigures(t)
	h := newTestBed(t, 100, false)
	reload := func(from, to string) time.Duration {
		t.Helper()
		took, out := h.reload(from, to)
		require.NotContains(t, out, "wait")
		return took
	}
	w := newWatch(t, h.pid())
	took := map[string]samples{}
	for n := range count(20, 3) {
		took["no line changes"] = append(took["no line changes"], reload("", ""))
		took["all lines change"] = append(took["all lines change"], reload(unchanged, changed(n)))
		reload(changed(n), unchanged)
		timeout := [2]string{"502ms", "501ms"}
		took["and their board"] = append(took["and their board"], reload("modbus: {address:",
			fmt.Sprintf("modbus: {timeout: %s, address:", timeout[n%2])))
		reload(fmt.Sprintf("{timeout: %s, address:", timeout[n%2]), "{address:")
	}
	v := w.verdict()
	for what, all := range took {
		t.Logf("reload with 100 lines, %s: %v", what, all)
		v.add(figure{name: "reload with 100 lines, " + what + ", longest", value: ms(all.quantile(100)), unit: "ms",
			bound: atMost(200)})
	}
}

// TestReloadInCalls reloads a file that changes all of 100 lines while 50 of them relay media, and the way back. Those
// 50 change when they are idle, the others at once. Meanwhile one of the others makes emergency calls. Limits: 200 ms;
// no packet lost; an emergency INVITE passes within 100 ms, which is our own number.
func TestReloadInCalls(t *testing.T) {
	skipUnlessFigures(t)
	const calls = 50
	h := newTestBed(t, 100, true)
	ports := h.callsUp(calls)
	settle(1)
	var before, meanwhile, took samples
	for range count(50, 20) {
		pause()
		before = append(before, h.emergencyCall(calls))
	}
	w := newWatch(t, h.talk.pid(), h.pid())
	h.hush(calls)
	for line := range calls {
		h.talk.flow(line, ports[line][0], ports[line][1])
	}
	for n := range count(20, 5) {
		for _, x := range [][2]string{{unchanged, changed(n)}, {changed(n), unchanged}} {
			var reloading sync.WaitGroup
			reloading.Go(func() {
				d, _ := h.reload(x[0], x[1])
				took = append(took, d)
			})
			over := make(chan struct{}) // closed
			go func() { reloading.Wait(); close(over) }()
			for going := true; going; {
				meanwhile = append(meanwhile, h.emergencyCall(calls))
				select {
				case <-over:
					going = false
				case <-time.After(5 * time.Millisecond):
				}
			}
		}
	}
	sent, received := h.hush(calls)
	v := w.verdict()
	t.Logf("reload, 100 lines change, 50 in calls: %v", took)
	t.Logf("an emergency call through the daemon before it: %v; meanwhile: %v", before, meanwhile)
	t.Logf("media: %d packets sent, %d came", sent, received)
	v.add(figure{name: "reload with 100 lines, 50 in calls, p50", value: ms(took.quantile(50)), unit: "ms",
		bound: atMost(200)})
	v.add(figure{name: "reload with 100 lines, 50 in calls, longest", value: ms(took.quantile(100)), unit: "ms"})
	v.add(figure{name: "packets lost in these reloads", value: float64(sent - received), bound: atMost(0)})
	v.addBoth("emergency INVITE during these reloads", meanwhile, "before", before, atMost(100))
}

// hush stops the media of the first n lines, and counts the packets since the last call when all have arrived.
func (h *testBed) hush(n int) (sent, received int) {
	h.t.Helper()
	for line := range n {
		h.talk.silence(line)
	}
	<-time.After(50 * time.Millisecond)
	return h.talk.counts(h.t)
}
