//go:build linux

package interop

import (
	"errors"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"clearback/bridge/relay/relaytest"
)

// refusals sends datagrams to ports of the daemon every 10 ms, and counts how many are refused (ICMP port unreachable).
// To SIP they are keep-alives, and to media they are not RTP (RFC 5626 section 3.5.1, RFC 3550 section 5.1), so nothing
// answers them. While no daemon reads, a socket's buffer keeps about 270 datagrams (Linux's default of 212,992 bytes,
// about 768 bytes each). There must not be so many of these that the sound finds no room.
type refusals struct {
	count atomic.Int64
	quit  chan struct{} // closed by end
	work  sync.WaitGroup
}

func countRefusals(t *testing.T, ports ...int) *refusals {
	r := &refusals{quit: make(chan struct{})}
	for _, port := range ports {
		c, err := net.Dial("udp", at(port))
		require.NoError(t, err)
		r.work.Go(func() {
			defer c.Close()
			tick := time.NewTicker(10 * time.Millisecond)
			defer tick.Stop()
			for {
				select {
				case <-tick.C:
					if _, err := c.Write([]byte("\r\n\r\n")); errors.Is(err, syscall.ECONNREFUSED) {
						r.count.Add(1)
					}
				case <-r.quit:
					return
				}
			}
		})
	}
	return r
}

func (r *refusals) end() int64 {
	close(r.quit)
	r.work.Wait()
	return r.count.Load()
}

// handOver has the daemon hand over to the next one (SIGUSR2), and calls meanwhile while no daemon runs.
func (b *restartBed) handOver(meanwhile func()) {
	b.t.Helper()
	b.d.Signal(syscall.SIGUSR2)
	b.next(meanwhile)
}

// next waits until the daemon has ended, and starts the next one.
func (b *restartBed) next(meanwhile func()) {
	b.t.Helper()
	require.Equal(b.t, 0, b.ended(5*time.Second))
	meanwhile()
	b.startUnder(b.manager)
}

// SAFETY.md S129. A call on hold, and its sound, go on over a hand-over, nothing is refused and no packet is lost. When
// the far end hangs up later, the hold is cleared.
func TestHandOver(t *testing.T) {
	t.Parallel()
	for _, when := range []string{"later", "meanwhile"} {
		t.Run("the far end hangs up "+when, func(t *testing.T) {
			t.Parallel()
			late := relaytest.Allowance(t)
			b := newRestartBed(t, false, false)
			b.adapter.reset()
			b.service.reset()
			b.set(callOnHold)
			eventually(t, 5*time.Second, "both hear each other", func() bool {
				_, near, _ := b.adapter.is()
				_, far, _ := b.service.is()
				return near > 5 && far > 5
			})
			b.adapter.mu.Lock()
			media := int(b.adapter.to.Port())
			b.adapter.mu.Unlock()
			ports := []int{b.adapterPort, b.servicePort}
			if when == "later" { // the call's ports close with the call
				ports = append(ports, media, media+1)
			}
			asked := countRefusals(t, ports...)
			began := time.Now()
			b.handOver(func() {
				require.Len(t, b.manager.Kept(), 6, "two for SIP and four for media")
				if when == "meanwhile" {
					b.service.asks("BYE")
				}
			})
			ready := time.Now()
			t.Logf("from SIGUSR2 to READY: %v", ready.Sub(began))
			require.Zero(t, asked.end(), "refused")
			if when == "meanwhile" {
				eventually(t, 10*time.Second, "the adapter's leg is cleared", func() bool { return !b.adapter.isUp() })
				require.Less(t, time.Since(ready), 2*time.Second+late(), "the adapter's leg is cleared")
				eventually(t, 10*time.Second, "the hold is cleared", func() bool {
					all := b.board.openings(t, 0)
					return len(all) == 1 && !all[0].end.IsZero()
				})
			} else {
				b.goesOn(callOnHold)
			}
			for _, e := range []*callEnd{b.adapter, b.service} {
				e.mu.Lock()
				missing, sound, gap := e.missing, e.sound, e.gap
				e.mu.Unlock()
				require.Zero(t, missing, "packets that %s did not get", e.Name)
				t.Logf("%s: the longest pause between two of %d packets: %v", e.Name, sound, gap)
			}
			require.Empty(t, b.manager.Kept(), "the service manager keeps nothing while a daemon runs")
		})
	}
}

// Without a service manager that keeps sockets, calls go on too, but what arrives meanwhile is refused. TCP connections
// end with the process in any case.
func TestHandOverWithoutStore(t *testing.T) {
	t.Parallel()
	for name, direct := range map[string]bool{"relay": false, "direct": true} {
		for transport, tcp := range map[string]bool{"udp": false, "tcp": true} {
			t.Run(name+" "+transport, func(t *testing.T) {
				t.Parallel()
				b := newRestartBed(t, direct, tcp)
				b.adapter.reset()
				b.service.reset()
				b.set(callOnHold)
				asked := countRefusals(t, b.adapterPort)
				b.handOver(func() {
					b.manager.Forget()
					eventually(t, 5*time.Second, "packets are refused", func() bool { return asked.count.Load() > 0 })
				})
				asked.end()
				b.goesOn(callOnHold)
			})
		}
	}
}

// Sockets that the next daemon does not need are closed and named in its log.
func TestHandOverToAnotherConfiguration(t *testing.T) {
	t.Parallel()
	b := newRestartBed(t, false, false)
	b.adapter.reset()
	b.service.reset()
	b.set(callOnHold)
	was := b.adapterPort
	b.adapterPort = freePorts(t, 1)
	b.handOver(func() { b.edit(at(was), at(b.adapterPort)) })
	eventually(t, 5*time.Second, "the call is cleared on both sides", func() bool {
		return !b.adapter.isUp() && !b.service.isUp()
	})
	eventually(t, 5*time.Second, "its socket is named in the log", func() bool {
		return strings.Contains(b.d.Output(), `"socket":"udp `+at(was)+`"`)
	})
	c, err := net.ListenPacket("udp", at(was))
	require.NoError(t, err, "its port is free")
	c.Close()
	require.Empty(t, b.board.openings(t, 0))
}

// SAFETY.md S129. An emergency call that rings is awaited; it is handed over once it is answered. After a second
// SIGUSR2 it is handed over while it rings, and its answer completes it.
func TestHandOverOfAnEmergencyCall(t *testing.T) {
	t.Parallel()
	for _, twice := range []bool{false, true} {
		b := newRestartBed(t, false, false)
		b.adapter.reset()
		b.service.reset()
		b.adapter.calls("999", b.adapterPort)
		eventually(t, 5*time.Second, "it rings", b.service.rings)
		b.d.Signal(syscall.SIGUSR2)
		require.False(t, within(300*time.Millisecond, b.d.Ended), "the daemon has left a call for help that rings")
		answer := func() {
			b.service.mu.Lock()
			defer b.service.mu.Unlock()
			b.service.Respond(b.service.invite, 200, "tag", b.service.offer())
		}
		if twice {
			b.d.Signal(syscall.SIGUSR2)
			var before uint32
			b.next(func() {
				b.service.drain()
				before = b.service.Repeats.Load()
			})
			// The service answers once. A 200 that came before the INVITE is repeated would be repeated by a real one
			// (RFC 3261 section 13.3.1.4).
			eventually(t, 5*time.Second, "it still rings, and the INVITE is repeated", func() bool {
				return b.service.rings() && b.service.Repeats.Load() > before
			})
			answer()
		} else {
			answer()
			b.next(func() {})
		}
		eventually(t, 5*time.Second, "it is answered", func() bool { return b.adapter.isUp() && b.service.isUp() })
		b.goesOn(callForHelp)
	}
}

// A call for help that is dialled while no daemon runs waits in the socket, and goes out as soon as the next one runs.
func TestEmergencyCallDuringAHandOver(t *testing.T) {
	t.Parallel()
	b := newRestartBed(t, false, false)
	var took []time.Duration
	for range 10 {
		b.adapter.reset()
		b.service.reset()
		b.service.answers = true
		began := time.Now()
		b.handOver(func() { b.adapter.calls("999", b.adapterPort) })
		eventually(t, 5*time.Second, "it arrives", func() bool { return b.service.heard("INVITE") })
		took = append(took, time.Since(began))
		eventually(t, 5*time.Second, "it is answered", func() bool { return b.adapter.isUp() && b.service.isUp() })
		b.adapter.asks("BYE")
		eventually(t, 5*time.Second, "it is over", func() bool { return b.adapter.heard("200 BYE") })
	}
	slices.Sort(took)
	t.Logf("from SIGUSR2 to the service: p50 %v, longest %v", took[len(took)/2], took[len(took)-1])
}

// SIGTERM during a hand-over that still waits is a full stop: the calls are ended.
func TestFullStopDuringAHandOver(t *testing.T) {
	t.Parallel()
	b := newRestartBed(t, false, false)
	b.adapter.reset()
	b.service.reset()
	b.set(callOnHold)
	waiting := func() { // a re-INVITE without an answer
		b.adapter.mu.Lock()
		b.adapter.pondered = true
		b.adapter.mu.Unlock()
		b.service.asks("INVITE")
		eventually(t, 5*time.Second, "it is passed on", func() bool { return b.adapter.heard("INVITE") })
	}
	b.adapter.mu.Lock()
	b.adapter.got = map[string]int{}
	b.adapter.mu.Unlock()
	waiting()
	b.d.Signal(syscall.SIGUSR2)
	require.False(t, within(200*time.Millisecond, b.d.Ended), "the daemon has left a call in a change")
	b.d.Signal(syscall.SIGTERM)
	require.Equal(t, 0, b.ended(10*time.Second))
	require.True(t, b.adapter.heard("BYE") && b.service.heard("BYE"), "the call is not ended")
}

// SAFETY.md S129. `check --restart` says beforehand whether a restart would keep the calls: not if the file names a secret
// that the running daemon does not have, although the command has it.
func TestCheckRestart(t *testing.T) {
	t.Parallel()
	b := newRestartBed(t, false, false)
	said := b.cli("check", "--restart")
	require.Equal(t, 0, said.code, said.err)
	require.Contains(t, said.out, "a restart now would keep the answered calls")
	b.edit("password: {file: "+filepath.Join(b.dir, "password")+"}", "password: {env: MILLRACE_NEW}")
	check := b.command(t.Context(), "check", "--restart")
	check.Env = append(check.Env, "MILLRACE_NEW=lobby-43")
	out, err := check.CombinedOutput()
	require.Error(t, err)
	require.Contains(t, string(out), "a restart now would end the calls: ")
	require.Contains(t, string(out), "MILLRACE_NEW is not set")
	require.NotContains(t, string(out), "lobby-43")
}

// leavesNothing has the daemon hand over, and requires that it ends the call instead, and says why.
func (b *restartBed) leavesNothing(why string) {
	b.t.Helper()
	b.d.Signal(syscall.SIGUSR2)
	require.Equal(b.t, 0, b.ended(10*time.Second))
	require.True(b.t, b.adapter.heard("BYE") && b.service.heard("BYE"), "the call is not ended")
	require.Contains(b.t, b.d.Output(), why)
	require.Empty(b.t, b.manager.Kept())
}

// A daemon whose file names another control socket finds no calls, since their state is beside the socket.
func TestHandOverToAnotherSocket(t *testing.T) {
	t.Parallel()
	b := newRestartBed(t, false, false)
	b.adapter.reset()
	b.service.reset()
	b.set(callOnHold)
	b.edit("control: {socket: "+b.control+"}", "control: {socket: "+b.control+"-2}")
	b.leavesNothing("control.socket was")
}

// A daemon that the next one could not follow leaves nothing to it: a file that has faults by now ends the calls. If
// such a file meets the next daemon all the same, what arrives is refused at once.
func TestHandOverToAFaultyFile(t *testing.T) {
	t.Parallel()
	b := newRestartBed(t, false, false)
	b.adapter.reset()
	b.service.reset()
	b.set(callOnHold)
	b.edit("guard_time: 200ms", "guard_time: soon")
	b.leavesNothing("guard_time")

	b.edit("guard_time: soon", "guard_time: 200ms")
	b.startUnder(b.manager)
	b.d.Signal(syscall.SIGUSR2)
	require.Equal(t, 0, b.ended(10*time.Second))
	require.NotEmpty(t, b.manager.Kept())
	b.edit("guard_time: 200ms", "guard_time: soon")
	cmd := exec.Command(built.daemon, "run", "--config", b.config())
	cmd.Env = append(os.Environ(), b.manager.Env())
	b.d.Process = b.manager.Launch(t, cmd)
	require.Equal(t, 78, b.ended(10*time.Second))
	require.Empty(t, b.manager.Kept())
}
