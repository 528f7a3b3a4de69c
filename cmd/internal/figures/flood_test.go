//go:build linux

package figures

import (
	"fmt"
	"net/netip"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"clearback/bridge/outsidetest"
)

// floodRate is of packets a second. It is what the project promises to stand.
const floodRate = 100_000

// compile builds a C program of testdata, or skips where there is no compiler.
func compile(t testing.TB, name string) string {
	t.Helper()
	cc := outsidetest.Need(t, "gcc", "gcc")
	program := filepath.Join(t.TempDir(), name)
	out, err := exec.Command(cc, "-O2", "-Wall", "-o", program, filepath.Join("testdata", name+".c")).CombinedOutput()
	require.NoError(t, err, "%s", out)
	return program
}

func sipTarget(at netip.AddrPort, user string) string { return fmt.Sprintf("sip:%v:%s", at, user) }
func mediaTarget(at netip.AddrPort) string            { return fmt.Sprintf("media:%v", at) }

// bareLine is the line of the media helper that talks through the bare relay.
const bareLine = 150

// flooding is one flood and what became of a call's audio under it.
type flooding struct {
	rate           float64 // packets a second of the flood
	sent, received int     // of the call's
	strange        int     // packets that came to a telephone and were nobody's
}

func (f flooding) lost() float64 { return 100 * (1 - float64(f.received)/float64(f.sent)) }

// underFlood floods the targets; meanwhile is called now and then with the time that has passed.
func (h *house) underFlood(program string, length time.Duration, line int, meanwhile func(passed time.Duration), targets ...string) flooding {
	h.t.Helper()
	h.talk.of(h.t, line)
	began := time.Now()
	f := startProgram(h.t, exec.Command(program, append([]string{fmt.Sprint(length.Seconds()), fmt.Sprint(floodRate), fmt.Sprint(began.UnixNano() % 1e6)}, targets...)...))
	said := make(chan string, 1) // it says one thing
	go func() {
		f.out.Scan()
		said <- f.out.Text()
	}()
	every := time.NewTicker(20 * time.Millisecond)
	defer every.Stop()
	for {
		select {
		case <-every.C:
			meanwhile(time.Since(began))
		case text := <-said:
			var is flooding
			var sent, seconds float64
			_, err := fmt.Sscan(text, &sent, &seconds)
			require.NoError(h.t, err, "the flood said %q", text)
			is.rate = sent / seconds
			<-every.C // what is under way arrives
			is.sent, is.received, is.strange = h.talk.of(h.t, line)
			return is
		}
	}
}

// clearInsisting is clear with the repetitions of a BYE that is not answered (RFC 3261 section 17.1.2.2: T1 is 500 ms), since a datagram may be lost.
func (h *house) clearInsisting(line int) time.Duration {
	h.t.Helper()
	h.talk.silence(line)
	at := h.x.hangUp(line)
	limit := time.After(patience)
	for wait := 500 * time.Millisecond; ; wait = min(2*wait, 4*time.Second) {
		select {
		case opened := <-h.board.opened[line]:
			return opened.Sub(at)
		case <-time.After(wait):
			h.x.hangUp(line)
		case <-limit:
			h.t.Errorf("line %d did not open within %v of the far end's BYE", line, patience)
			return patience
		}
	}
}

// TestFlood: 100,000 packets a second of junk at the daemon's SIP and media ports. Its memory stays as it is, a call keeps its audio as it does
// through a bare C relay under the same flood, a far end's BYE opens the loop within 2 s, nobody's telephone rings, and no packet of a
// stranger comes through.
func TestFlood(t *testing.T) {
	wanted(t)
	const lines = 7
	program, relay := compile(t, "flood"), compile(t, "barerelay")
	h := newHouse(t, lines, true)
	bare := startProgram(t, exec.Command(relay, h.addr(8).String()))
	at := make([]netip.AddrPort, 4)
	_, err := fmt.Sscan(bare.line(t), portOf(&at[0], h.addr(8)), portOf(&at[1], h.addr(8)), portOf(&at[2], h.addr(8)), portOf(&at[3], h.addr(8)))
	require.NoError(t, err)
	h.talk.flow(bareLine, at[0], at[1])
	ports := h.callsUp()
	settle(1)
	length := span(*flooded, 15*time.Second, 3*time.Second)

	barely := h.underFlood(program, length, bareLine, func(time.Duration) {}, sipTarget(at[2], "seat-1"), sipTarget(at[3], user(1)), mediaTarget(at[0]), mediaTarget(at[1]))
	before := footprintOf(t, h.pid())
	var early, late footprint
	var cleared samples
	ours := h.underFlood(program, length, 0, func(passed time.Duration) {
		if late = footprintOf(t, h.pid()); passed < length/4 {
			early = late
		}
		if n := len(cleared) + 1; n < lines && passed > length*time.Duration(n)/lines {
			cleared = append(cleared, h.clearInsisting(n))
		}
	}, sipTarget(netip.AddrPortFrom(h.addr(1), 5060), "seat-1"), sipTarget(h.x.daemon, user(1)), mediaTarget(ports[0][0]), mediaTarget(ports[0][1]))

	t.Logf("junk: %.0f packets/s at the bare relay, %.0f/s at the daemon, %v each", barely.rate, ours.rate, length)
	t.Logf("daemon before %v; after a quarter of it %v; at its end %v", before, early, late)
	t.Logf("far end's BYE to open command under it: %v", cleared)
	t.Logf("a call's audio: of %d packets through the bare relay %.3f %% were lost, of %d through the daemon %.3f %%", barely.sent, barely.lost(), ours.sent, ours.lost())
	v := &verdict{t: t, quiet: ours.rate > 0.9*floodRate && barely.rate > 0.9*floodRate, how: "the flood did not reach its rate"}
	// Of the 300 packets of a short flood one is 0.3 %.
	v.limit("audio lost beyond the bare relay's", ours.lost()-barely.lost(), float64(count(1, 30))/10, "%", false)
	v.limit("far end's BYE to open command, longest", ms(cleared.quantile(100)), 2000, "ms", false)
	v.limit("memory that it gained after a quarter of it", late.rss-early.rss, 8, "MB", true)
	v.limit("descriptors that it gained", float64(late.files-before.files), 16, "", true)
	require.Len(t, cleared, lines-1)
	require.Zero(t, ours.strange, "packets of strangers came to a telephone")
	h.x.mu.Lock()
	defer h.x.mu.Unlock()
	require.Equal(t, lines, h.x.rang, "a stranger's call came to a telephone")
}

// callsUp has every line called, and returns the daemon's media ports of each: towards the adapter, towards the far end.
func (h *house) callsUp() [][2]netip.AddrPort {
	h.t.Helper()
	ports := make([][2]netip.AddrPort, h.lines)
	up := h.x.up
	h.x.up = func(line int, adapterSide, serviceSide netip.AddrPort) {
		ports[line] = [2]netip.AddrPort{adapterSide, serviceSide}
		up(line, adapterSide, serviceSide)
	}
	for i := range h.lines {
		h.x.call(i)
	}
	for range h.lines {
		h.lineUp()
	}
	return ports
}

// footprint is what a process takes of the machine.
type footprint struct {
	rss            float64 // MB of a million bytes
	files, threads int
}

func (f footprint) String() string {
	return fmt.Sprintf("%.1f MB, %d descriptors, %d threads", f.rss, f.files, f.threads)
}

func footprintOf(t testing.TB, pid int) footprint {
	entries := func(name string) int {
		all, err := os.ReadDir(fmt.Sprintf("/proc/%d/%s", pid, name))
		require.NoError(t, err)
		return len(all)
	}
	return footprint{memory(t, pid, "VmRSS"), entries("fd"), entries("task")}
}
