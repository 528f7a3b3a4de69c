//go:build linux

package interop

import (
	"flag"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

var kills = flag.Int("kills", 0, "kill the daemon that many times, with a call in any state")

// callState is what a call is doing when the daemon is killed.
type callState string

const (
	ringingCall   callState = "early"
	answeredCall  callState = "answered"
	callOnHold    callState = "held"
	reinvitedCall callState = "in a re-INVITE"
	outgoingCall  callState = "outgoing"
	callForHelp   callState = "emergency"
	ringingHelp   callState = "early emergency"
	clearedCall   callState = "being cleared"
)

var callStates = []callState{ringingCall, answeredCall, callOnHold, reinvitedCall, outgoingCall, callForHelp,
	ringingHelp, clearedCall}

// TestCallsOutliveAKill: the daemon is killed (SIGKILL) with a call in each state, and started again at once. A call
// that both ends still have goes on, and its sound too. When its far end hangs up afterwards, its hold is cleared. The
// loop opens for no other call, except once for one that was being cleared. Flag -kills does so as many times at random
// moments.
func TestCallsOutliveAKill(t *testing.T) {
	t.Parallel()
	for i, s := range callStates {
		t.Run(string(s), func(t *testing.T) {
			t.Parallel()
			b := newRestartBed(t, i%2 == 1, i%3 == 1)
			b.outlives(s, 200*time.Millisecond)
			b.noMoreOpenings()
		})
	}
}

func TestCallsOutliveManyKills(t *testing.T) {
	if *kills == 0 {
		t.Skip("takes minutes; run it with -kills 200")
	}
	var mu sync.Mutex
	total := map[string]int{}
	t.Run("all", func(t *testing.T) {
		for variant := range 4 {
			t.Run(fmt.Sprintf("direct=%t tcp=%t", variant%2 == 1, variant/2 == 1), func(t *testing.T) {
				t.Parallel()
				b := newRestartBed(t, variant%2 == 1, variant/2 == 1)
				for range *kills / 4 {
					s := callStates[rand.IntN(len(callStates))]
					what := b.outlives(s, time.Duration(rand.IntN(30_000))*time.Microsecond)
					mu.Lock()
					total[string(s)+": "+what]++
					mu.Unlock()
				}
				b.noMoreOpenings()
			})
		}
	})
	for what, n := range total {
		t.Logf("%4d %s", n, what)
	}
}

// restartBed is a daemon with one line between an adapter and a service that tell what they know of the call.
type restartBed struct {
	*testBed
	direct           bool
	adapter, service *callEnd
	openings         int    // at most so many
	repeats          uint32 // how often the service has received an INVITE again when the call that rings is resumed
}

func newRestartBed(t *testing.T, direct, tcp bool) *restartBed {
	t.Helper()
	r := &testBed{t: t, dir: t.TempDir(), adapters: map[string]int{}, tcp: tcp}
	memory, err := os.MkdirTemp("/dev/shm", "clearback") // as /run is
	require.NoError(t, err)
	t.Cleanup(func() { os.RemoveAll(memory) })
	first, ports := freePorts(t, 2), freePorts(t, 8)
	r.adapterPort, r.servicePort, r.control = first, first+1, filepath.Join(memory, "control")
	r.board = newBoard(t)
	b := &restartBed{testBed: r, direct: direct, adapter: newCallEnd(t, "box-office", tcp),
		service: newCallEnd(t, "service", tcp)}
	transport, parameter, media := "udp", "", "relay"
	if tcp {
		transport, parameter = "tcp", ";transport=tcp"
	}
	if direct {
		media = "direct"
	}
	secret := filepath.Join(r.dir, "password")
	require.NoError(t, os.WriteFile(secret, []byte(password), 0o600))
	require.NoError(t, os.WriteFile(r.config(), fmt.Appendf(nil, `country: GB
emergency: {callback_window: 0s} # in it, no far end is asked
sip:
  adapter_side: {listen: "%[1]s", transports: [%[2]s]}
  service_side: {listen: "%[3]s", transports: [%[2]s]}
media: {ports: %[4]d-%[5]d, from: [127.0.0.1]}
log: {level: debug, format: json}
journal: {file: %[6]s}
control: {socket: %[7]s}
controllers:
  - {name: loft, driver: modbus, modbus: {address: "127.0.0.1:%[8]d", timeout: 500ms}}
lines:
  - name: box-office
    adapter: {user: box-office, contact: "sip:box-office@%[9]s%[10]s"}
    service: {registrar: "sip:%[11]s%[10]s", user: box-office, password: {file: %[13]s}, register: false}
    media: %[12]s
    contact: {driver: modbus, controller: loft, unit: 1, coil: 0, open_level: "on", accept_open_if_daemon_dies: true}
    policy: {interval: 250ms, lead: 500ms, guard_time: 200ms, openings_per_minute: 60}
`, at(first), transport, at(first+1), ports, ports+7, filepath.Join(r.dir, "journal.db"), r.control, r.board.port,
		b.adapter.At, parameter, b.service.At, media, secret), 0o600))
	t.Cleanup(r.finish)
	r.start()
	return b
}

// kept is what outlives returns of a call that goes on, and whose hold is cleared afterwards.
const kept = "kept"

// outlives brings a call to a state, kills the daemon after a delay, starts it again and follows the call. It returns
// how the call ended, or that it was kept.
func (b *restartBed) outlives(s callState, delay time.Duration) string {
	b.t.Helper()
	b.adapter.reset()
	b.service.reset()
	eventually(b.t, 5*time.Second, "the state of the call before is removed", func() bool {
		all, err := filepath.Glob(b.control + ".state/call-*.json")
		return err == nil && len(all) == 0
	})
	if b.set(s); s == clearedCall {
		b.openings++
	}
	<-time.After(delay) // a random moment of the call, which no event marks
	b.d.Signal(syscall.SIGKILL)
	require.Equal(b.t, -1, b.ended(5*time.Second))
	b.adapter.drain()
	b.service.drain()
	near, far := b.adapter.isUp(), b.service.isUp()
	if b.repeats = b.service.Repeats.Load(); b.service.rings() {
		b.repeats++
	}
	saved, answered := b.saved()
	b.start()
	restarted := time.Now()
	before := b.openings
	what := b.follow(s, near, far, saved, answered)
	if s == clearedCall || b.openings > before && what != kept { // whether it opens is known when the lead is over
		<-time.After(600 * time.Millisecond)
	}
	all := len(b.board.openings(b.t, 0))
	require.LessOrEqual(b.t, all, b.openings, "%s: %s: the loop opened", s, what)
	b.openings = all
	b.t.Logf("%s, killed after %v: adapter %t, far end %t: %s, %v after the restart", s, delay, near, far, what,
		time.Since(restarted))
	return what
}

// noMoreOpenings checks that the loop stays closed after the last call.
func (b *restartBed) noMoreOpenings() {
	b.t.Helper()
	<-time.After(600 * time.Millisecond)
	require.Len(b.t, b.board.openings(b.t, 0), b.openings, "the loop opened")
}

// saved reports whether the daemon left the state of a call, and of an answered one.
func (b *restartBed) saved() (any, answered bool) {
	b.t.Helper()
	all, err := filepath.Glob(b.control + ".state/call-*.json")
	require.NoError(b.t, err)
	for _, path := range all {
		text, err := os.ReadFile(path)
		require.NoError(b.t, err)
		any, answered = true, answered || strings.Contains(string(text), `"Invite":null`)
	}
	return any, answered
}

// set brings a call to a state.
func (b *restartBed) set(s callState) {
	b.t.Helper()
	b.adapter.answers = s != ringingCall
	b.service.answers = s != ringingHelp
	switch s {
	case callForHelp, ringingHelp:
		b.adapter.calls("999", b.adapterPort)
	case outgoingCall:
		b.adapter.calls("5550150", b.adapterPort)
	default:
		b.service.calls(boxOffice, b.servicePort)
	}
	if s == ringingCall || s == ringingHelp || s == answeredCall { // the kill may come at any time
		return
	}
	eventually(b.t, 5*time.Second, "the call is answered", func() bool { return b.adapter.isUp() && b.service.isUp() })
	switch s {
	case callOnHold:
		b.adapter.asks("INVITE")
		eventually(b.t, 5*time.Second, "it is held", func() bool { return b.adapter.heard("200 INVITE") })
	case reinvitedCall:
		b.adapter.mu.Lock()
		b.adapter.pondered = true
		b.adapter.mu.Unlock()
		b.service.asks("INVITE")
	case clearedCall:
		b.service.asks("BYE")
	}
}

// follow checks how the call goes on after the restart.
func (b *restartBed) follow(s callState, near, far, saved, answered bool) string {
	b.t.Helper()
	switch {
	case near && far && !answered:
		require.Equal(b.t, callForHelp, s, "an answered call is lost") // its answer does not wait for the disk
		b.adapter.asks("BYE")
		b.service.asks("BYE")
		return "killed within the commit, not kept"
	case near && far:
		b.goesOn(s)
		return kept
	case s == ringingHelp && saved:
		b.isAnswered()
		return "kept, and answered afterwards"
	case !near && !far && !saved && (b.adapter.rings() || b.service.rings()):
		return "killed before anything was saved"
	case !near && !far:
		require.True(b.t, within(5*time.Second, func() bool { return !b.adapter.rings() && !b.service.rings() }),
			"an end still rings: adapter %t %v, service %t %v", b.adapter.rings(), b.adapter.got, b.service.rings(),
			b.service.got)
		return "over on both sides"
	case far:
		eventually(b.t, 5*time.Second, "the far end is cleared", func() bool { return !b.service.isUp() })
		return "the far end's leg is cleared"
	case s == clearedCall:
		eventually(b.t, 2*time.Second, "the adapter's leg is cleared", func() bool { return !b.adapter.isUp() })
		return "the adapter's leg is cleared"
	case within(2*time.Second, func() bool { return !b.adapter.isUp() }):
		if answered && s != callForHelp && s != ringingHelp {
			b.openings++ // at most: it was answered, and its far end is gone
		}
		return "killed within the commit, cleared"
	}
	require.False(b.t, answered, "the leg of a saved call is stranded")
	b.adapter.asks("BYE")
	return "killed within the commit, stranded"
}

// isAnswered checks that an emergency call that rang is completed by an answer, and ends when its caller hangs up.
func (b *restartBed) isAnswered() {
	b.t.Helper()
	eventually(b.t, 5*time.Second, "the INVITE is repeated", func() bool {
		return b.service.rings() && b.service.Repeats.Load() >= b.repeats
	})
	b.service.mu.Lock()
	b.service.Respond(b.service.invite, 200, "tag", b.service.offer())
	b.service.mu.Unlock()
	eventually(b.t, 2*time.Second, "it is answered", func() bool { return b.adapter.isUp() && b.service.isUp() })
	b.adapter.asks("BYE")
	eventually(b.t, 2*time.Second, "the service's leg is cleared", func() bool { return !b.service.isUp() })
}

// goesOn checks that the call is up, and that its hold is cleared when the far end hangs up.
func (b *restartBed) goesOn(s callState) {
	b.t.Helper()
	before := len(b.board.openings(b.t, 0))
	_, near, _ := b.adapter.is()
	_, far, _ := b.service.is()
	eventually(b.t, 2*time.Second, "both hear each other, for 15 packets of 20 ms", func() bool {
		_, nowNear, _ := b.adapter.is()
		_, nowFar, _ := b.service.is()
		return nowNear > near+15 && nowFar > far+15
	})
	require.True(b.t, b.adapter.isUp() && b.service.isUp(), "the call is not kept")
	b.service.asks("BYE")
	eventually(b.t, 2*time.Second, "the adapter's leg is cleared", func() bool { return !b.adapter.isUp() })
	eventually(b.t, 2*time.Second, "the BYE is answered", func() bool { return b.service.heard("200 BYE") })
	if s == callForHelp {
		// with the call's end it is decided whether the loop is opened
		l := b.awaitLine(boxOffice, "the call is over", func(l lineSeen) bool { return len(l.Calls) == 0 })
		require.Equal(b.t, "closed", l.Loop)
		require.Len(b.t, b.board.openings(b.t, 0), before, "the loop opened for an emergency call")
		return
	}
	b.openings++
	eventually(b.t, 2*time.Second, "the hold is cleared", func() bool {
		all := b.board.openings(b.t, 0)
		return len(all) == before+1 && !all[before].end.IsZero()
	})
}
