//go:build linux

package interop

import (
	"cmp"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"clearback/bridge/programtest"
	"clearback/bridge/relay/relaytest"
)

// The two lines of most tests.
const (
	boxOffice = "box-office"
	stageDoor = "stage-door"
	password  = "lobby-42"
)

// lineSetup is one line of the daemon's configuration. The zero value of most fields is the usual setting.
type lineSetup struct {
	name     string
	coil     int
	interval time.Duration
	register bool   // the line registers at the service
	roaming  bool   // the adapter registers; otherwise it has a fixed contact
	direct   bool   // media passes directly between the ends
	policy   string // further keys of `policy:`, in YAML's flow form
	contact  string // further keys of `contact:`; by default the consent that a plain coil needs
	more     string // further keys of the line, each on a line of YAML
	openings int    // openings_per_minute; 0: more than a test makes
	host     byte   // address of the adapter in the network; 0: that of place
}

// setup describes the test bed that a test needs.
type setup struct {
	lines   []lineSetup
	tcp     bool // SIP over TCP on both sides
	both    bool // UDP and TCP on both sides; UDP where the file decides
	farHost byte // address of the service in the network; 0: that of place
	quiet   bool // without log details, if there would be too many
	// With a journal and a control socket. The test bed waits until the daemon can open its contacts, because a call
	// may end within milliseconds.
	settled   bool
	boardArgs []string
	record    bool           // with a journal and a control socket
	numbers   string         // how much of numbers the journal keeps; "": full
	journal   string         // the journal's path, if not in the test bed's folder
	before    func(*testBed) // runs before the daemon starts
	media     int            // the number of its media ports; 0: 40
}

// testBed is one daemon with everything around it.
type testBed struct {
	t     testing.TB
	dir   string
	board *board
	net   *proxy
	tcp   bool
	echo  bool // SIPp returns the media that it receives

	lasting time.Duration        // how long SIPp may run, if longer than usual
	late    func() time.Duration // what this machine was late by since the test bed began

	adapterPort, servicePort int            // ports of the daemon
	far                      int            // port of the service
	adapters                 map[string]int // port of each line's adapter
	relayed                  int            // the first of the media ports

	journal, control string // files of a recorded test

	d       *daemon
	manager *programtest.Notices // of d

	peers []*peer

	mu      sync.Mutex
	parties []*party
}

// daemon is a process of the built binary.
type daemon struct {
	*programtest.Process
	started time.Time
	ready   time.Duration // from the start to READY=1
}

// newTestBed starts a board and a daemon. If s has no lines, there is one line, box-office, with the defaults.
func newTestBed(t testing.TB, s setup) *testBed {
	t.Helper()
	need(t, "sipp")
	if len(s.lines) == 0 {
		s.lines = []lineSetup{{name: boxOffice}}
	}
	if s.settled {
		s.record, s.lines = true, append(s.lines, quickLine(spare, 9))
	}
	r := &testBed{t: t, dir: t.TempDir(), adapters: map[string]int{}, late: relaytest.Allowance(t)}
	first := freePorts(t, 40)
	r.adapterPort, r.servicePort, r.far = first, first+1, first+2
	for i, l := range s.lines {
		r.adapters[l.name] = first + 4 + 2*i
	}
	r.board = newBoard(t, s.boardArgs...)
	r.net = newProxy(t, r.board.port)
	r.writeConfig(s)
	t.Cleanup(r.finish)
	if s.before != nil {
		s.before(r)
	}
	r.start()
	if s.settled {
		eventually(t, 10*time.Second, "the contact of the spare line opens",
			func() bool { return r.cli("pulse", spare).code == 0 })
	}
	return r
}

// spare is a line that nobody calls. Its contact shows whether the daemon is connected to its board.
const spare = "green-room"

func (r *testBed) config() string { return filepath.Join(r.dir, "clearback.yaml") }

func (r *testBed) writeConfig(s setup) {
	secret := filepath.Join(r.dir, "password")
	require.NoError(r.t, os.WriteFile(secret, []byte(password+"\n"), 0o600))
	ports := cmp.Or(s.media, 40)
	r.relayed = freePorts(r.t, ports)
	transport, parameter := "udp", ""
	if r.tcp = s.tcp; r.tcp {
		transport, parameter = "tcp", ";transport=tcp"
	}
	level := "debug"
	if s.quiet {
		level = "info"
	}
	if s.both {
		transport = "udp, tcp"
	}
	var f strings.Builder
	fmt.Fprintf(&f, `country: GB
sip:
  adapter_side: {listen: "%[1]s", transports: [%[6]s]}
  service_side: {listen: "%[2]s", transports: [%[6]s]}
  realm: millrace.example
# baresip binds its media to no address, and the kernel sends it from this one
media: {ports: %[3]d-%[4]d, from: [127.0.0.1]}
log: {level: %[8]s, format: json}
%[7]scontrollers:
  - name: loft
    driver: modbus
    modbus: {address: "127.0.0.1:%[5]d", timeout: 500ms}
lines:
`, at(r.adapterPort), at(r.servicePort), r.relayed, r.relayed+ports-1, r.net.port, transport, r.recording(s), level)
	for _, l := range s.lines {
		fixed := ""
		if !l.roaming {
			fixed = fmt.Sprintf(`, contact: "sip:%s@%s%s"`, l.name, atHost(l.host, r.adapters[l.name]), parameter)
		}
		media := "relay"
		if l.direct {
			media = "direct"
		}
		interval := l.interval
		if interval == 0 {
			interval = 800 * time.Millisecond
		}
		fmt.Fprintf(&f, `  - name: %s
    adapter: {user: %s, password: {file: %s}%s}
    service: {registrar: "sip:%s%s", user: %s, password: {file: %s}, register: %t}
    media: %s
    contact: {driver: modbus, controller: loft, unit: 1, coil: %d, open_level: "on", %s}
    policy: {interval: %v, openings_per_minute: %d%s} # agreed with the stage manager
%s`, l.name, l.name, secret, fixed, atHost(s.farHost, r.far), parameter, l.name, secret, l.register, media, l.coil,
			cmp.Or(l.contact, "accept_open_if_daemon_dies: true"), interval, cmp.Or(l.openings, 60), l.policy, l.more)
	}
	require.NoError(r.t, os.WriteFile(r.config(), []byte(f.String()), 0o600))
}

// start starts the daemon and waits for READY=1 (sd_notify(3)).
func (r *testBed) start() {
	r.t.Helper()
	r.startUnder(programtest.Listen(r.t))
}

// startUnder starts the daemon, which gets what an earlier one has stored at the service manager.
func (r *testBed) startUnder(notices *programtest.Notices) {
	r.t.Helper()
	ready := notices.Count("READY=1")
	cmd := exec.Command(built.daemon, "run", "--config", r.config())
	cmd.Env = append(os.Environ(), notices.Env())
	r.d, r.manager = &daemon{started: time.Now()}, notices
	r.d.Process = notices.Launch(r.t, cmd) // finish ends it
	notices.Await(r.t, r.d.Process, "READY=1", ready, 10*time.Second)
	r.d.ready = time.Since(r.d.started)
}

// ended waits for the process and returns its exit code, or -1 if a signal ended it.
func (r *testBed) ended(limit time.Duration) int {
	r.t.Helper()
	return r.d.ExitCode(r.t, limit)
}

// running reports whether the daemon's process exists.
func (r *testBed) running() bool { return !r.d.Ended() }

// recording returns the part of the configuration about the journal and the control socket.
func (r *testBed) recording(s setup) string {
	if !s.record {
		return ""
	}
	if s.journal == "" {
		s.journal = filepath.Join(r.dir, "journal.db")
	}
	r.journal, r.control = s.journal, filepath.Join(r.dir, "control")
	return fmt.Sprintf("journal: {file: %s, numbers: %s}\ncontrol: {socket: %s}\n", r.journal,
		cmp.Or(s.numbers, "full"), r.control)
}

// finish stops whatever still runs, checks all messages of the daemon, and prints the log if the test has failed.
func (r *testBed) finish() {
	if r.d == nil {
		return
	}
	if r.running() {
		r.d.Signal(syscall.SIGCONT)
		if !r.d.Stop(5 * time.Second) {
			r.t.Errorf("the daemon did not end by itself")
		}
	}
	for _, p := range r.parties {
		p.Kill()
	}
	r.checkConformance()
	for _, word := range []string{"panic", "DATA RACE"} {
		if strings.Contains(r.d.Output(), word) {
			r.t.Errorf("the daemon's log has %q", word)
		}
	}
	if strings.Contains(r.d.Output(), password) {
		r.t.Errorf("a password is in the log")
	}
	if r.t.Failed() {
		r.t.Logf("the daemon's log:\n%s", r.d.Output())
		for _, e := range r.board.all() {
			if e.name == "read" {
				continue
			}
			r.t.Logf("board %s %s conn %d fn %d index %d value %d", e.at.Format("15:04:05.000000"), e.name, e.conn,
				e.fn, e.index, e.value)
		}
		for _, p := range r.parties {
			r.t.Logf("%s:\n%s", p.name, p.trace()[:min(len(p.trace()), 10_000)])
		}
	}
}
