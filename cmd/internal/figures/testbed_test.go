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

	"clearback/bridge/loopbacktest"
	"clearback/bridge/programtest"
)

const (
	interval    = 250 * time.Millisecond // of every line: the shortest allowed, so that a run has more of them
	testTimeout = 10 * time.Second       // the limit of every wait; only a failing test reaches it
)

// testBed is a daemon with some lines and all its peers. Each test bed has loopback addresses of its own, so that no
// two share a port.
type testBed struct {
	testBedSetup
	t       testing.TB
	dir     string
	addr    func(n byte) netip.Addr
	board   *board
	x       *testPeers
	talk    *talk    // nil if the test has no media
	callers *callers // nil if adapters and far ends are x
	through chan int // lines whose call is up; room for all lines

	daemon *programtest.Process
	ready  time.Duration // from the start to READY=1
}

// newTestBed makes a test bed whose daemon has a journal, as in service.
func newTestBed(t testing.TB, lines int, media bool) *testBed {
	return newTestBedWith(t, lines, media, true)
}

func newTestBedWith(t testing.TB, lines int, media, journal bool) *testBed {
	t.Helper()
	return newTestBedOf(t, testBedSetup{lines: lines, media: media, journal: journal})
}

// testBedSetup describes a test bed.
type testBedSetup struct {
	lines    int
	media    bool // the calls have media
	journal  bool
	direct   bool   // the daemon relays no media
	byItself bool   // the helper callers plays adapters and far ends
	metrics  bool   // the daemon serves metrics
	more     string // further keys of the file
	// control is the path of the control socket, beside which calls are saved; "" is the default, beside the file
	control string
}

// socketInMemory returns a path for a control socket in a folder in memory, as under the service unit, whose control
// socket is in /run.
func socketInMemory(t testing.TB) string {
	t.Helper()
	dir, err := os.MkdirTemp("/dev/shm", "clearback-figures")
	if err != nil {
		t.Skip("no folder in memory: ", err)
	}
	t.Cleanup(func() { _ = os.RemoveAll(dir) })
	return filepath.Join(dir, "control")
}

func newTestBedOf(t testing.TB, s testBedSetup) *testBed {
	t.Helper()
	lines, media := s.lines, s.media
	h := &testBed{t: t, dir: t.TempDir(), testBedSetup: s, through: make(chan int, lines)}
	h.addr = loopbacktest.Own(t).Address
	h.board = newBoard(t, h.addr(5), lines+1) // one more, for the bare path
	h.x = newTestPeers(t, h.addr(3), h.addr(4))
	h.x.daemon = netip.AddrPortFrom(h.addr(2), 5070)
	// Nothing listens there.
	h.x.media = [2]netip.AddrPort{netip.AddrPortFrom(h.addr(3), 20000), netip.AddrPortFrom(h.addr(4), 20000)}
	if media {
		h.talk = newTalk(t, h.addr(3), h.addr(4))
		h.x.media = h.talk.at
	}
	h.x.up = func(line int, adapterSide, serviceSide netip.AddrPort) {
		if h.talk != nil {
			h.talk.flow(line, adapterSide, serviceSide)
		}
		h.through <- line
	}
	if s.byItself {
		h.callers = newCallers(t, h.addr(3), h.addr(4))
	}
	h.configure()
	t.Cleanup(h.stop)
	h.start()
	return h
}

func (h *testBed) configure() {
	record, media, near, far := "", "relay", h.x.near.at, h.x.far.at
	if h.direct {
		media = "direct"
	}
	if h.callers != nil {
		near, far = h.callers.near, h.callers.far
	}
	if h.journal {
		record = "journal: {file: journal.db}\n"
	}
	if h.control != "" {
		record += fmt.Sprintf("control: {socket: %s}\n", h.control)
	}
	if h.metrics {
		record += fmt.Sprintf("metrics: {listen: \"%v\"}\n", h.metricsAt())
	}
	record += h.more
	var f strings.Builder
	fmt.Fprintf(&f, `country: GB
sip:
  adapter_side: {listen: "%s:5060", transports: [udp]}
  service_side: {listen: "%s:5070", transports: [udp]}
media: {ports: 30000-30999}
log: {level: info, format: json}
%scontrollers:
  - {name: loft, driver: modbus, modbus: {address: "%s"}}
lines:
`, h.addr(1), h.addr(2), record, h.board.at)
	for i := range h.lines {
		fmt.Fprintf(&f, `  - name: seat-%d
    adapter: {user: seat-%d, contact: "sip:seat-%d@%s"}
    service: {registrar: "sip:%s", user: "%s", register: false}
    media: %s
    contact: {driver: modbus, controller: loft, coil: %d, accept_open_if_daemon_dies: true}
    policy: {interval: %v, openings_per_minute: 60, guard_time: 100ms, onhook_recognition: %v}
`, i, i, i, near, far, user(i), media, i, interval, interval)
	}
	require.NoError(h.t, os.WriteFile(filepath.Join(h.dir, "clearback.yaml"), []byte(f.String()), 0o600))
}

// metricsAt is where the daemon serves its metrics.
func (h *testBed) metricsAt() netip.AddrPort { return netip.AddrPortFrom(h.addr(1), 9724) }

// start starts the daemon with its log in a file and waits for READY=1, as sd_notify(3) describes.
func (h *testBed) start() {
	h.t.Helper()
	notices := programtest.Listen(h.t)
	log, err := os.OpenFile(filepath.Join(h.dir, "log"), os.O_CREATE|os.O_WRONLY|os.O_TRUNC, 0o600)
	require.NoError(h.t, err)
	defer log.Close()
	cmd := exec.Command(program, "run", "--config", filepath.Join(h.dir, "clearback.yaml"))
	cmd.Env = append(os.Environ(), notices.Env())
	cmd.Stdout, cmd.Stderr = log, log
	cmd.SysProcAttr = ownSession()
	began := time.Now()
	h.daemon = programtest.Launch(h.t, cmd) // stop ends it
	notices.Await(h.t, h.daemon, "READY=1", 0, testTimeout)
	h.ready = time.Since(began)
}

func (h *testBed) pid() int { return h.daemon.Cmd.Process.Pid }

func (h *testBed) log() string {
	b, _ := os.ReadFile(filepath.Join(h.dir, "log"))
	return string(b[max(0, len(b)-4000):])
}

// stop ends the daemon, which clears the remaining calls.
func (h *testBed) stop() {
	if h.daemon.Ended() {
		h.t.Errorf("the daemon ended by itself: %s", h.log())
		return
	}
	if !h.daemon.Stop(testTimeout) {
		h.t.Errorf("the daemon did not end: %s", h.log())
	}
	if h.t.Failed() {
		h.t.Logf("the end of the daemon's log: %s", h.log())
	}
}

// restart ends the daemon and starts it again.
func (h *testBed) restart() {
	h.stop()
	h.start()
}

// lineUp waits for the next line whose call is up.
func (h *testBed) lineUp() int {
	h.t.Helper()
	select {
	case line := <-h.through:
		return line
	case <-time.After(testTimeout):
		h.t.Fatalf("a call did not come through: %s", h.log())
		return 0
	}
}

// openedAt waits for the opening of a coil and returns its time.
func (h *testBed) openedAt(coil int) time.Time {
	h.t.Helper()
	select {
	case at := <-h.board.opened[coil]:
		return at
	case <-time.After(testTimeout):
		h.t.Fatalf("coil %d did not open: %s", coil, h.log())
		return time.Time{}
	}
}

// clear makes the far end of a line hang up and returns the time from its BYE to the open command.
func (h *testBed) clear(line int) time.Duration {
	h.t.Helper()
	if h.talk != nil {
		h.talk.silence(line)
	}
	at := h.x.hangUp(line)
	return h.openedAt(line).Sub(at)
}

// clearInTurn clears calls of two daemons in turn, and returns the times from the far ends' BYE to the open commands.
// The first lines of both have a call before and after. also, if not nil, is called after each clearing.
func clearInTurn(beds [2]*testBed, lines int, also func(n int, h *testBed)) (byes [2]samples) {
	const away = 20 // lines that may be without a call at one time
	var up [2][]int // lines whose call is up, the oldest call first
	for i := range beds {
		for line := range lines {
			up[i] = append(up[i], line)
		}
	}
	for n := range count(1000, 600) {
		for i, h := range beds {
			for len(up[i]) <= lines-away {
				up[i] = append(up[i], h.lineUp())
			}
			line := up[i][0]
			up[i] = up[i][1:]
			pause()
			byes[i] = append(byes[i], h.clear(line))
			h.x.call(line)
			if also != nil {
				also(n, h)
			}
		}
	}
	for i, h := range beds {
		for len(up[i]) < lines {
			up[i] = append(up[i], h.lineUp())
		}
	}
	return byes
}
