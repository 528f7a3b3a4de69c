//go:build linux

package figures

import (
	"fmt"
	"io"
	"log"
	"math/rand/v2"
	"net/netip"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/simonvetter/modbus"
	"github.com/stretchr/testify/require"

	"clearback/bridge/loopbacktest"
	"clearback/bridge/programtest"
)

const agentContacts = 4

// agentProcess runs the built binary as `clearback relay`, with simulated contacts.
type agentProcess struct {
	dir string
	at  netip.AddrPort
	*programtest.Process
	ready time.Duration // from the start of the process to READY=1
}

// startAgent starts the agent, with the command front (chrt) before it if given, and waits for READY=1.
func startAgent(t testing.TB, front ...string) *agentProcess {
	t.Helper()
	// Use memory if possible: a write to a disk that others use would count as the contact's time.
	dir, err := os.MkdirTemp("/dev/shm", "clearback-figures")
	if err != nil {
		dir = t.TempDir()
	}
	t.Cleanup(func() { _ = os.RemoveAll(dir) })
	own := loopbacktest.Address(t)
	a := &agentProcess{dir: dir, at: netip.AddrPortFrom(own, loopbacktest.Ports(t, own, 1))}
	var file strings.Builder
	fmt.Fprintf(&file, "listen: %v\nallow_from: [127.0.0.1]\nlog: {level: error}\ncontacts:\n", a.at)
	for i := range agentContacts {
		fmt.Fprintf(&file, "  - {name: line-%d, simulated: {file: %q}}\n", i, a.moves(i))
	}
	config := filepath.Join(a.dir, "relay.yaml")
	require.NoError(t, os.WriteFile(config, []byte(file.String()), 0o600))
	notices := programtest.Listen(t)
	args := append(front, program, "relay", "--config", config)
	cmd := exec.Command(args[0], args[1:]...)
	cmd.Env = append(os.Environ(), notices.Env())
	cmd.Stderr = os.Stderr
	cmd.SysProcAttr = ownSession()
	begin := time.Now()
	a.Process = programtest.Launch(t, cmd)
	t.Cleanup(a.stop)
	notices.Await(t, a.Process, "READY=1", 0, testTimeout)
	a.ready = time.Since(begin)
	return a
}

func (a *agentProcess) stop() {
	if !a.Ended() {
		a.Stop(testTimeout)
	}
}

func (a *agentProcess) moves(contact int) string {
	return filepath.Join(a.dir, fmt.Sprintf("moves-%d", contact))
}

func (a *agentProcess) master(t testing.TB) *modbus.ModbusClient {
	t.Helper()
	c, err := modbus.NewClient(&modbus.ClientConfiguration{
		URL: "tcp://" + a.at.String(), Timeout: 5 * time.Second, Logger: log.New(io.Discard, "", 0),
	})
	require.NoError(t, err)
	require.NoError(t, c.Open())
	t.Cleanup(func() { _ = c.Close() })
	return c
}

// opened is one opening: as asked, as the agent measured it, and as the contact's own record shows it.
type opened struct {
	asked, measured, recorded time.Duration
	// begun is the time from just before the request was written to the movement of the contact.
	begun time.Duration
}

// openings makes n openings of one contact, one after another.
func (a *agentProcess) openings(t testing.TB, contact, n int) []opened {
	m := a.master(t)
	r := rand.New(rand.NewPCG(uint64(contact), 1))
	all := make([]opened, 0, n)
	sent := make([]time.Time, 0, n)
	for i := range n {
		asked := time.Duration(50+r.IntN(250)) * time.Millisecond
		// The agent keeps a contact closed for 250 ms between openings (SAFETY.md S88).
		<-time.After(260 * time.Millisecond)
		sent = append(sent, time.Now())
		require.NoError(t, m.WriteRegisters(uint16(2*contact), []uint16{uint16(i + 1), uint16(asked.Milliseconds())}))
		wait := time.NewTimer(asked + 2*time.Millisecond)
		<-wait.C
		for {
			regs, err := m.ReadRegisters(uint16(8*contact), 8, modbus.INPUT_REGISTER)
			require.NoError(t, err)
			if regs[0] == 0 { // the contact is closed
				require.EqualValues(t, i+1, regs[1])
				all = append(all, opened{asked: asked,
					measured: time.Duration(uint32(regs[4])<<16|uint32(regs[5])) * time.Microsecond})
				break
			}
			wait.Reset(5 * time.Millisecond)
			<-wait.C
		}
	}
	b, err := os.ReadFile(a.moves(contact))
	require.NoError(t, err)
	lines := strings.Split(strings.TrimSpace(string(b)), "\n")[1:] // without the close at the start
	require.Len(t, lines, 2*n)
	at := func(line, word string) time.Time {
		var got string
		var ns int64
		_, err := fmt.Sscan(line, &got, &ns)
		require.NoError(t, err)
		require.Equal(t, word, got)
		return time.Unix(0, ns)
	}
	for i := range all {
		from, to := at(lines[2*i], "open"), at(lines[2*i+1], "closed")
		all[i].recorded, all[i].begun = to.Sub(from), from.Sub(sent[i].Round(0))
	}
	return all
}

func (a *agentProcess) measure(t testing.TB, n int) (errors, recorded, begun samples) {
	t.Helper()
	var wg sync.WaitGroup
	each := make([][]opened, agentContacts)
	for i := range agentContacts {
		wg.Go(func() { each[i] = a.openings(t, i, n/agentContacts) })
	}
	wg.Wait()
	for _, some := range each {
		for _, o := range some {
			errors = append(errors, o.measured-o.asked)
			recorded = append(recorded, o.recorded-o.asked)
			begun = append(begun, o.begun)
		}
	}
	return errors, recorded, begun
}

// TestAgentInterval measures how much longer than asked the agent makes an opening. It also measures how long a command
// takes to open the contact, which does not lengthen the opening. The contacts are simulated, so the time of a real
// output is not included.
func TestAgentInterval(t *testing.T) {
	if !*figures {
		t.Skip("with -figures")
	}
	for _, x := range []struct {
		name  string
		front []string
		hogs  int
		most  float64 // ms, p99; 0: no limit
	}{
		{"idle", nil, 0, 0.5},
		{"idle, SCHED_FIFO 10", []string{"chrt", "-f", "10"}, 0, 0.5},
		{"busy, SCHED_FIFO 10", []string{"chrt", "-f", "10"}, 2 * runtime.NumCPU(), 2},
		{"busy, no real-time class", nil, 2 * runtime.NumCPU(), 0},
	} {
		t.Run(x.name, func(t *testing.T) {
			if x.front != nil {
				if out, err := exec.Command("chrt", "-f", "10", "true").CombinedOutput(); err != nil {
					t.Skipf("no real-time class here: %v: %s", err, out)
				}
			}
			a := startAgent(t, x.front...)
			w := newWatch(t, a.Cmd.Process.Pid)
			w.loaded = x.hogs > 0
			for range x.hogs {
				h := startHelper(t, "hog")
				h.line(t)
				w.pids = append(w.pids, h.pid())
			}
			errors, recorded, begun := a.measure(t, count(600, 120))
			v := w.verdict()
			t.Logf("longer than asked, by the agent's measure    %v", errors)
			t.Logf("longer than asked, by the contact's record   %v", recorded)
			t.Logf("from the master's write to the movement      %v", begun)
			require.GreaterOrEqual(t, errors.quantile(0), time.Duration(0), "shorter than asked")
			var limit bound
			if x.most > 0 {
				limit = atMost(x.most)
			}
			q := count(99, 90) // with few samples, the 99th percentile is the second longest
			v.add(figure{name: fmt.Sprintf("agent: error of an interval, %s, p%d", x.name, q), value: ms(errors.quantile(q)),
				unit: "ms", bound: limit})
		})
	}
}

// TestAgentCost measures the agent's time from its start to READY=1, and its memory after several thousand requests.
func TestAgentCost(t *testing.T) {
	if !*figures {
		t.Skip("with -figures")
	}
	var ready, bare samples
	for range count(15, 5) {
		bare = append(bare, bareStart(t))
		a := startAgent(t)
		ready = append(ready, a.ready)
		a.stop()
	}
	a := startAgent(t)
	w := newWatch(t, a.Cmd.Process.Pid)
	fresh := memory(t, a.Cmd.Process.Pid, "VmRSS")
	m := a.master(t)
	before, began, requests := cpuTime(t, a.Cmd.Process.Pid), time.Now(), count(50_000, 10_000)
	for i := range requests {
		_, err := m.ReadRegisters(uint16(8*(i%agentContacts)), 8, modbus.INPUT_REGISTER)
		require.NoError(t, err)
	}
	took, busy := time.Since(began), cpuTime(t, a.Cmd.Process.Pid)-before
	idle := time.NewTimer(2 * time.Second)
	before = cpuTime(t, a.Cmd.Process.Pid)
	<-idle.C
	atRest := cpuTime(t, a.Cmd.Process.Pid) - before
	v := w.verdict()
	t.Logf("from start to ready  %v", ready)
	t.Logf("a request: %v, of the processor %v; at rest %v of the processor in 2 s", took/time.Duration(requests),
		busy/time.Duration(requests), atRest)
	t.Logf("resident at the start %.1f MB, now %.1f MB, most %.1f MB", fresh, memory(t, a.Cmd.Process.Pid, "VmRSS"),
		memory(t, a.Cmd.Process.Pid, "VmHWM"))
	v.add(figure{name: "agent: from start to ready, p50", value: ms(ready.quantile(50)), unit: "ms",
		baseline: baseline{bareStarts, ms(bare.quantile(50))}, bound: atMostAsFast(50)})
	v.add(figure{name: "agent: resident memory", value: memory(t, a.Cmd.Process.Pid, "VmRSS"), unit: "MB",
		baseline: baseline{"at the start", fresh}, bound: atMost(15), always: true})
}
