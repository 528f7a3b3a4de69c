//go:build linux

package figures

import (
	"fmt"
	"net/netip"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"clearback/bridge/programtest"
)

// floodRate is in packets a second. The project promises to withstand this rate.
const floodRate = 100_000

// compile builds a C program of testdata. It skips the test if there is no compiler.
func compile(t testing.TB, name string) string {
	t.Helper()
	cc := programtest.Need(t, "gcc", "gcc")
	program := filepath.Join(t.TempDir(), name)
	out, err := exec.Command(cc, "-O2", "-Wall", "-o", program, filepath.Join("testdata", name+".c")).CombinedOutput()
	require.NoError(t, err, "%s", out)
	return program
}

func sipTarget(at netip.AddrPort, user string) string { return fmt.Sprintf("sip:%v:%s", at, user) }
func mediaTarget(at netip.AddrPort) string            { return fmt.Sprintf("media:%v", at) }

// bareLine is the number of the media helper's line that uses the bare relay.
const bareLine = 150

// flooding is the result of one flood: its rate, and a call's audio during it.
type flooding struct {
	rate           float64 // of the flood, in packets a second
	sent, received int     // packets of the call
	strange        int     // packets at a telephone that none of our peers sent
}

func (f flooding) lost() float64 { return 100 * (1 - float64(f.received)/float64(f.sent)) }

// underFlood floods the targets. At intervals it calls the function meanwhile with the time that has passed.
func (h *testBed) underFlood(program string, rate int, length time.Duration, line int,
	meanwhile func(passed time.Duration), targets ...string) flooding {
	h.t.Helper()
	h.talk.of(h.t, line)
	began := time.Now()
	f := startProgram(h.t, exec.Command(program, append([]string{fmt.Sprint(length.Seconds()), fmt.Sprint(rate),
		fmt.Sprint(began.UnixNano() % 1e6)}, targets...)...))
	every := time.NewTicker(20 * time.Millisecond)
	defer every.Stop()
	for !strings.Contains(f.Output(), "\n") && !f.Ended() { // the program prints one line
		<-every.C
		meanwhile(time.Since(began))
	}
	var is flooding
	var sent, seconds float64
	_, err := fmt.Sscan(f.line(h.t), &sent, &seconds)
	require.NoError(h.t, err, "the flood said %q", f.Output())
	is.rate = sent / seconds
	<-every.C // packets under way still arrive
	is.sent, is.received, is.strange = h.talk.of(h.t, line)
	return is
}

// clearInsisting is clear, but repeats a BYE that is not answered (RFC 3261 section 17.1.2.2: T1 is 500 ms), because a
// datagram may be lost.
func (h *testBed) clearInsisting(line int) time.Duration {
	h.t.Helper()
	h.talk.silence(line)
	at := h.x.hangUp(line)
	limit := time.After(testTimeout)
	for wait := 500 * time.Millisecond; ; wait = min(2*wait, 4*time.Second) {
		select {
		case opened := <-h.board.opened[line]:
			return opened.Sub(at)
		case <-time.After(wait):
			h.x.hangUp(line)
		case <-limit:
			h.t.Errorf("line %d did not open within %v of the far end's BYE", line, testTimeout)
			return testTimeout
		}
	}
}

// floodTest is a test bed in which every line but the last has a call, beside a bare relay.
type floodTest struct {
	*testBed
	flood string              // the flooding program
	bare  [4]netip.AddrPort   // the bare relay's ports: media of both sides, then SIP of both sides
	ports [][2]netip.AddrPort // the daemon's media ports of each call
	calls int
}

func newFloodTest(t *testing.T, calls int) *floodTest {
	t.Helper()
	b := &floodTest{flood: compile(t, "flood"), calls: calls}
	relay := compile(t, "barerelay")
	b.testBed = newTestBed(t, calls+1, true)
	bare := startProgram(t, exec.Command(relay, b.addr(8).String()))
	_, err := fmt.Sscan(bare.line(t), portOf(&b.bare[0], b.addr(8)), portOf(&b.bare[1], b.addr(8)),
		portOf(&b.bare[2], b.addr(8)), portOf(&b.bare[3], b.addr(8)))
	require.NoError(t, err)
	b.talk.flow(bareLine, b.bare[0], b.bare[1])
	b.ports = b.callsUp(calls)
	settle(1)
	return b
}

// floodResult is the state of the daemon before and during a flood.
type floodResult struct {
	flooding
	before, early, late footprint
	cleared             samples // from each far end's BYE to the open command
	emergencyCalls      samples // the time of each emergency call through the daemon
	cpu                 float64 // in percent of one processor
}

// under floods the daemon. During the flood, the far ends clear all calls but the first, and an emergency call is made
// ten times a second.
func (b *floodTest) under(rate int, length time.Duration, targets ...string) floodResult {
	b.t.Helper()
	s := floodResult{before: footprintOf(b.t, b.pid())}
	began, spent := time.Now(), cpuTime(b.t, b.pid())
	called := time.Duration(0)
	s.flooding = b.underFlood(b.flood, rate, length, 0, func(passed time.Duration) {
		if s.late = footprintOf(b.t, b.pid()); passed < length/4 {
			s.early = s.late
		}
		if n := len(s.cleared) + 1; n < b.calls && passed > length*time.Duration(n)/time.Duration(b.calls) {
			s.cleared = append(s.cleared, b.clearInsisting(n))
		}
		if passed-called > 100*time.Millisecond {
			called = passed
			s.emergencyCalls = append(s.emergencyCalls, b.emergencyCall(b.calls))
		}
	}, targets...)
	s.cpu = 100 * float64(cpuTime(b.t, b.pid())-spent) / float64(time.Since(began))
	return s
}

// emergencyCallBefore returns the times that emergency calls take before the flood.
func (b *floodTest) emergencyCallBefore() (took samples) {
	for range count(50, 10) {
		pause()
		took = append(took, b.emergencyCall(b.calls))
	}
	return took
}

// check prints the result and compares it with the bounds of every flood. what names the flood.
func (b *floodTest) check(v *verdict, what string, quiet samples, barely flooding, s floodResult) {
	b.t.Helper()
	b.t.Logf("packets: %.0f/s at the bare relay, %.0f/s at the daemon, which took %.0f %% of one processor",
		barely.rate, s.rate, s.cpu)
	b.t.Logf("daemon before %v; after a quarter of it %v; at its end %v", s.before, s.early, s.late)
	b.t.Logf("far end's BYE to open command under it: %v", s.cleared)
	b.t.Logf("an emergency call through the daemon, before it:  %v", quiet)
	b.t.Logf("an emergency call through the daemon, under it:   %v", s.emergencyCalls)
	b.t.Logf("a call's audio: of %d packets through the bare relay %.3f %% were lost, of %d through the daemon %.3f %%",
		barely.sent, barely.lost(), s.sent, s.lost())
	// In a short flood, one of the call's 300 packets is 0.3 %.
	v.add(figure{name: "audio lost, " + what, value: s.lost(), unit: "%", baseline: baseline{"bare relay", barely.lost()},
		bound: atMostMore(float64(count(1, 30)) / 10)})
	v.add(figure{name: "BYE to open command, " + what + ", longest", value: ms(s.cleared.quantile(100)), unit: "ms",
		bound: atMost(2000)})
	v.add(figure{name: "emergency INVITE, " + what + ", p50", value: ms(s.emergencyCalls.quantile(50)), unit: "ms",
		baseline: baseline{"before", ms(quiet.quantile(50))}})
	v.add(figure{name: "emergency INVITE, " + what + ", longest", value: ms(s.emergencyCalls.quantile(100)), unit: "ms",
		baseline: baseline{"before", ms(quiet.quantile(100))}, bound: atMost(2000)})
	v.add(figure{name: "resident memory, " + what + ", at its end", value: s.late.rss, unit: "MB",
		baseline: baseline{"after a quarter", s.early.rss}, bound: atMostMore(8), always: true})
	v.add(figure{name: "descriptors, " + what, value: float64(s.late.files),
		baseline: baseline{"before", float64(s.before.files)}, bound: atMostMore(16), always: true})
	if v.quiet {
		require.Len(b.t, s.cleared, b.calls-1)
	}
	require.NotEmpty(b.t, s.emergencyCalls)
	require.Zero(b.t, s.strange, "packets of strangers came to a telephone")
	b.x.mu.Lock()
	defer b.x.mu.Unlock()
	require.Equal(b.t, b.calls, b.x.rang, "a stranger's call came to a telephone")
}

// TestFlood sends 100,000 packets of junk a second to the daemon's SIP and media ports. The daemon's memory must not
// grow. A call must keep its audio as it does through a bare C relay under the same flood. A far end's BYE must open
// the loop within 2 s, and emergency calls must pass. No telephone may ring, and no packet of a stranger may come
// through.
func TestFlood(t *testing.T) {
	skipUnlessFigures(t)
	b := newFloodTest(t, 7)
	quiet := b.emergencyCallBefore()
	length := span(*flooded, 15*time.Second, 3*time.Second)
	barely := b.underFlood(b.flood, floodRate, length, bareLine, func(time.Duration) {}, sipTarget(b.bare[2], "seat-1"),
		sipTarget(b.bare[3], user(1)), mediaTarget(b.bare[0]), mediaTarget(b.bare[1]))
	s := b.under(floodRate, length, sipTarget(netip.AddrPortFrom(b.addr(1), 5060), "seat-1"),
		sipTarget(b.x.daemon, user(1)), mediaTarget(b.ports[0][0]), mediaTarget(b.ports[0][1]))
	v := &verdict{t: t, table: &results, quiet: s.rate > 0.9*floodRate && barely.rate > 0.9*floodRate,
		how: "the flood did not reach its rate"}
	b.check(v, "flood of junk", quiet, barely, s)
}

// byeRate is the number of BYEs a second from each of two known addresses. It is our own figure: 512 a second would
// fill a table of 16,384 transactions within 32 s.
const byeRate = 10_000

func byeTarget(from netip.Addr, at netip.AddrPort, user string) string {
	return fmt.Sprintf("bye:%v:%v:%s", from, at, user)
}

// TestFloodOfByes sends 10,000 BYEs a second without a call from the adapters' address, and as many from the services'.
// The limits of TestFlood apply here too. In addition, memory must shrink again within a minute.
func TestFloodOfByes(t *testing.T) {
	skipUnlessFigures(t)
	b := newFloodTest(t, 7)
	quiet := b.emergencyCallBefore()
	w := newWatch(t, b.pid(), b.talk.pid())
	w.loaded = true // by the flood
	length := span(*flooded, 15*time.Second, 3*time.Second)
	barely := b.underFlood(b.flood, 2*byeRate, length, bareLine, func(time.Duration) {},
		byeTarget(b.addr(3), b.bare[2], "far"), byeTarget(b.addr(4), b.bare[3], user(1)))
	s := b.under(2*byeRate, length, byeTarget(b.addr(3), netip.AddrPortFrom(b.addr(1), 5060), "far"),
		byeTarget(b.addr(4), b.x.daemon, user(1)))
	v := w.verdict()
	if slower := min(s.rate, barely.rate); slower < 0.9*2*byeRate {
		v.quiet, v.how = false, "the flood did not reach its rate"
	}
	b.check(v, "flood of BYEs", quiet, barely, s)
	if !testing.Short() {
		settle(60)
		v.add(figure{name: "resident memory, flood of BYEs, a minute after it", value: footprintOf(t, b.pid()).rss,
			unit: "MB", baseline: baseline{"before", s.before.rss}, bound: atMostMore(16), always: true})
	}
}

// callsUp makes calls to the first n lines. It returns the daemon's media ports of each call: towards the adapter,
// towards the far end.
func (h *testBed) callsUp(n int) [][2]netip.AddrPort {
	h.t.Helper()
	ports := make([][2]netip.AddrPort, n)
	up := h.x.up
	h.x.up = func(line int, adapterSide, serviceSide netip.AddrPort) {
		ports[line] = [2]netip.AddrPort{adapterSide, serviceSide}
		up(line, adapterSide, serviceSide)
	}
	for i := range n {
		h.x.call(i)
	}
	for range n {
		h.lineUp()
	}
	return ports
}

// footprint is a process's use of the machine.
type footprint struct {
	rss            float64 // in MB of a million bytes
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
