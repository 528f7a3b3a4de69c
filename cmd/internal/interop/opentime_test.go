//go:build linux

package interop

import (
	"cmp"
	"encoding/json"
	"flag"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"clearback/bridge/programtest"
	"clearback/bridge/relay/mqtt/brokertest"

	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"
)

var openFaults = flag.Bool("open-faults", false,
	"every way to a contact and every fault in the middle of an opening, not only the death of the daemon on one way of each kind")

// way is one way to a contact. Its peer of the protocol is an independent program, or for the agent the built binary,
// and records when the contact moved.
type way struct {
	name       string
	controller string // YAML of the controller's entry
	contact    string // YAML of the line's contact, without driver, controller and consent
	driver     string
	kind       string
	moves      func() []move
	net        *proxy // the network between; nil: none, or the test cannot cut it
	watchdog   time.Duration
	restart    func() // restarts the broker; nil: there is none
	slow       func() // makes the board slow; nil: the test cannot
}

type move struct {
	at   time.Duration // CLOCK_MONOTONIC
	open bool
}

// length returns the length of the last opening. ok is false while it lasts, and before the first one. A peer may also
// record an order that moves nothing, such as a close of a closed contact.
func length(all []move) (d time.Duration, ok bool) {
	var began time.Duration
	var open bool
	for _, m := range all {
		switch {
		case m.open && !open:
			began, ok = m.at, false
		case !m.open && open:
			d, ok = m.at-began, true
		}
		open = m.open
	}
	return d, ok
}

// TestLength: a close of a closed contact, such as the daemon's after an agent's timer, lengthens no opening.
func TestLength(t *testing.T) {
	closed, opened, ended, again := move{1, false}, move{10, true}, move{15, false}, move{40, false}
	for _, c := range []struct {
		moves  []move
		length time.Duration
		ok     bool
	}{
		{nil, 0, false},
		{[]move{closed}, 0, false},
		{[]move{closed, opened}, 0, false},
		{[]move{closed, opened, ended}, 5, true},
		{[]move{closed, opened, ended, again}, 5, true},
		{[]move{opened, ended, {50, true}, {51, true}, {70, false}}, 20, true},
	} {
		d, ok := length(c.moves)
		require.Equal(t, c.ok, ok, "%v", c.moves)
		require.Equal(t, c.length, d, "%v", c.moves)
	}
}

// movesIn returns a function that reads a peer's file, which has a line for each movement.
func movesIn(t *testing.T, file string, parse func(string) (move, bool)) func() []move {
	return func() []move {
		b, err := os.ReadFile(file)
		if err != nil && !os.IsNotExist(err) {
			t.Error(err)
		}
		var all []move
		for line := range strings.Lines(string(b)) {
			if m, ok := parse(strings.TrimSpace(line)); ok {
				all = append(all, m)
			}
		}
		return all
	}
}

const openFor = 600 * time.Millisecond

func boardMoves(b *board) func() []move {
	return func() []move {
		var all []move
		for _, e := range b.Events() {
			if e.Name == "coil" && e.Index == 0 {
				all = append(all, move{e.At, e.Value == 1})
			}
		}
		return all
	}
}

func slowly(b *board) func() {
	return func() { b.Tell("", "fault delay any 0 2000") }
}

func onModbus(name, kind, contact string, watchdog time.Duration, args ...string) func(*testing.T) *way {
	return func(t *testing.T) *way {
		b := newBoard(t, args...)
		p := newProxy(t, b.port)
		return &way{name: name, driver: "modbus", kind: kind,
			controller: fmt.Sprintf(`modbus: {address: "127.0.0.1:%d"}`, p.port), contact: "coil: 0" + contact,
			moves: boardMoves(b), net: p, watchdog: watchdog, slow: slowly(b)}
	}
}

// agentMoves starts an agent with a simulated contact and further keys in its file, and waits until it has closed the
// contact.
func agentMoves(t *testing.T, more string) func() []move {
	dir := t.TempDir()
	file := filepath.Join(dir, "relay.yaml")
	require.NoError(t, os.WriteFile(file,
		fmt.Appendf(nil, "%s\ncontacts: [{name: box-office, simulated: {file: %s/moves}}]\n", more, dir), 0o600))
	programtest.Start(t, exec.Command(built.other, "relay", "--config", file))
	moves := movesIn(t, filepath.Join(dir, "moves"), func(line string) (move, bool) {
		word, at, _ := strings.Cut(line, " ")
		n, err := strconv.ParseInt(at, 10, 64)
		return move{time.Duration(n), word == "open"}, err == nil
	})
	eventually(t, 5*time.Second, "the agent closes first", func() bool { return len(moves()) > 0 })
	return moves
}

func agentByModbus(t *testing.T) *way {
	port := freePorts(t, 1)
	moves := agentMoves(t, fmt.Sprintf("listen: %s\nallow_from: [127.0.0.1]", at(port)))
	p := newProxyTo(t, at(port))
	return &way{name: "agent by Modbus TCP", driver: "modbus", kind: "oneshot",
		controller: fmt.Sprintf(`modbus: {address: "127.0.0.1:%d"}`, p.port),
		contact:    "coil: 0, timed: {register: 0, sequence: true, unit: 1ms, limit: 3s}", moves: moves, net: p}
}

func agentByMQTT(t *testing.T) *way {
	b := brokertest.Own(t, brokertest.Anybody)
	moves := agentMoves(t, fmt.Sprintf("mqtt: {address: \"mqtt://%s\", prefix: millrace}", b.Address()))
	p := newProxy(t, b.Port())
	return &way{name: "agent by MQTT", driver: "mqtt", kind: "oneshot",
		controller: fmt.Sprintf(`mqtt: {address: "mqtt://127.0.0.1:%d", keep_alive: 1s}`, p.port),
		contact:    "mqtt: {prefix: millrace/box-office, limit: 3s}", moves: moves, net: p, restart: func() {
			b.Stop()
			require.NoError(t, b.Restart())
		}}
}

// onHTTP is the device of the HTTP driver's own tests, which uses Python's http.server.
func onHTTP(kind, contact string) func(*testing.T) *way {
	return func(t *testing.T) *way {
		need(t, "python3")
		log := filepath.Join(t.TempDir(), "log")
		cmd := exec.Command("python3", "../../../bridge/relay/httprelay/testdata/device.py")
		cmd.Stderr = os.Stderr
		device := programtest.StartWithInput(t, cmd)
		t.Cleanup(device.Kill)
		_, err := fmt.Fprintf(device.Input, `{"do": "new", "device": 1, "log": %q}`+"\n", log)
		require.NoError(t, err)
		var made struct{ Port int }
		line, _ := device.Next(t, 10*time.Second)
		require.NoError(t, json.Unmarshal([]byte(line), &made))
		p := newProxy(t, made.Port)
		return &way{name: "http, " + kind, driver: "http", kind: kind,
			controller: fmt.Sprintf(`http: {url: "http://127.0.0.1:%d"}`, p.port), contact: contact, net: p,
			moves: movesIn(t, log, func(line string) (move, bool) {
				var e struct {
					T       int64
					Contact *int
					Open    bool
				}
				err := json.Unmarshal([]byte(line), &e)
				return move{time.Duration(e.T), e.Open}, err == nil && e.Contact != nil && *e.Contact == 0
			})}
	}
}

// onCommand is the program of the command driver's own tests, in C.
func onCommand(kind, mode, contact string) func(*testing.T) *way {
	return func(t *testing.T) *way {
		need(t, "cc")
		dir := t.TempDir()
		program := filepath.Join(dir, "contact")
		out, err := exec.Command("cc", "-O1", "-o", program,
			"../../../bridge/relay/command/testdata/contact.c").CombinedOutput()
		require.NoError(t, err, "%s", out)
		return &way{name: "command, " + kind, driver: "command", kind: kind,
			controller: fmt.Sprintf("command: {program: %s}", program),
			contact: fmt.Sprintf(`command: {arguments: [%s, %s, "{action}", "{line}", "{ms}", "{seq}"], %s}`, dir, mode,
				contact),
			moves: movesIn(t, filepath.Join(dir, boxOffice), func(line string) (move, bool) {
				at, word, _ := strings.Cut(line, " ")
				n, err := strconv.ParseInt(at, 10, 64)
				return move{time.Duration(n), word == "open"}, err == nil
			})}
	}
}

// onSerial is the C board on one of two connected pseudo terminals.
func onSerial(kind, contact string, args ...string) func(*testing.T) *way {
	return func(t *testing.T) *way {
		near, far := newTerminal(t), newTerminal(t)
		var carrying sync.WaitGroup
		for _, ends := range [][2]*os.File{{near.master, far.master}, {far.master, near.master}} {
			carrying.Go(func() { _, _ = io.Copy(ends[0], ends[1]) })
		}
		t.Cleanup(func() {
			near.master.Close()
			far.master.Close()
			carrying.Wait()
		})
		b := newBoard(t, append(args, "--rtu", far.path, "115200")...)
		return &way{name: "modbus-rtu, " + kind, driver: "modbus-rtu", kind: kind,
			controller: fmt.Sprintf("rtu: {device: %s, baud: 115200, parity: none, stop_bits: 1}", near.path),
			contact:    "coil: 0" + contact, moves: boardMoves(b),
			slow: slowly(b)}
	}
}

type terminal struct {
	// The slave is held open, so that the master can be read while no other process has the slave open.
	master, slave *os.File
	path          string
}

func newTerminal(t *testing.T) *terminal {
	t.Helper()
	fd, err := unix.Open("/dev/ptmx", unix.O_RDWR|unix.O_NOCTTY|unix.O_NONBLOCK|unix.O_CLOEXEC, 0)
	require.NoError(t, err)
	p := &terminal{master: os.NewFile(uintptr(fd), "/dev/ptmx")}
	require.NoError(t, unix.IoctlSetPointerInt(fd, unix.TIOCSPTLCK, 0))
	n, err := unix.IoctlGetInt(fd, unix.TIOCGPTN)
	require.NoError(t, err)
	p.path = "/dev/pts/" + strconv.Itoa(n)
	p.slave, err = os.OpenFile(p.path, os.O_RDWR|unix.O_NOCTTY, 0)
	require.NoError(t, err)
	t.Cleanup(func() { p.slave.Close() })
	raw, err := unix.IoctlGetTermios(int(p.slave.Fd()), unix.TCGETS)
	require.NoError(t, err)
	raw.Iflag, raw.Oflag, raw.Lflag = 0, 0, 0
	require.NoError(t, unix.IoctlSetTermios(int(p.slave.Fd()), unix.TCSETS, raw))
	return p
}

func ways() map[string]func(*testing.T) *way {
	return map[string]func(*testing.T) *way{
		"modbus coil": onModbus("modbus, none", "none", "", 0),
		"modbus watchdog": onModbus("modbus, watchdog", "watchdog",
			", watchdog: {register: 9, unit: 10ms, timeout: 1s}", time.Second, "--watchdog", "9,10"),
		"modbus timed": onModbus("modbus, oneshot", "oneshot", ", timed: {register: 0, unit: 10ms, limit: 3s}", 0,
			"--timed", "0,0,10"),
		"rtu coil":        onSerial("none", ""),
		"rtu timed":       onSerial("oneshot", ", timed: {register: 0, unit: 10ms, limit: 3s}", "--timed", "0,0,10"),
		"agent by modbus": agentByModbus,
		"agent by mqtt":   agentByMQTT,
		"http timed":      onHTTP("oneshot", "http: {timed: {limit: 3s}}"),
		"http plain": onHTTP("none",
			`http: {open: {method: PUT, path: "/relay/{contact}?to=open"}, close: {method: PUT, path: "/relay/{contact}?to=close"},
      read: {path: "/relay/{contact}", pointer: /open, open: ["true"], closed: ["false"]}}`),
		"command timed": onCommand("oneshot", "timed", "read: true, timed: {unit: 1ms, limit: 3s}"),
		"command plain": onCommand("none", "plain", "read: true"),
	}
}

// tried is the built daemon with one line, which the test opens by hand.
type tried struct {
	*testBed
	way *way
}

func newTried(t *testing.T, w *way) *tried {
	t.Helper()
	r := &testBed{t: t, dir: t.TempDir()}
	r.control = filepath.Join(r.dir, "control")
	first := freePorts(t, 40)
	consent := ""
	if w.kind == "none" {
		consent = ", accept_open_if_daemon_dies: true"
	}
	require.NoError(t, os.WriteFile(r.config(), fmt.Appendf(nil, `country: GB
sip:
  adapter_side: {listen: "%[1]s"}
  service_side: {listen: "%[2]s"}
media: {ports: %[3]d-%[4]d}
log: {level: debug, format: json}
control: {socket: %[5]s}
controllers: [{name: loft, driver: %[6]s, %[7]s}]
lines:
  - name: box-office
    adapter: {user: box-office, contact: "sip:box-office@%[8]s"}
    service: {registrar: "sip:%[9]s", user: box-office, register: false}
    verify: {by: none}
    contact: {driver: %[6]s, controller: loft, require: %[10]s%[11]s, %[12]s}
`, at(first), at(first+1), first+4, first+23, r.control, w.driver, w.controller, at(first+30), at(first+31), w.kind,
		consent, w.contact), 0o600))
	m := &tried{r, w}
	r.start()
	t.Cleanup(func() {
		if r.running() {
			r.d.Signal(syscall.SIGCONT)
			r.d.Signal(syscall.SIGKILL)
			<-r.d.Done()
		}
		if t.Failed() {
			t.Logf("the daemon:\n%s\nthe contact: %v", r.d.Output(), w.moves())
		}
	})
	return m
}

func (m *tried) isOpen() bool {
	all := m.way.moves()
	return len(all) > 0 && all[len(all)-1].open
}

// open opens the loop by hand and returns when it is open. end waits for the command.
func (m *tried) open() (end func()) {
	m.t.Helper()
	var opening sync.WaitGroup
	end = opening.Wait
	m.t.Cleanup(func() {
		if m.running() {
			m.d.Signal(syscall.SIGCONT)
		}
		end()
	})
	eventually(m.t, 10*time.Second, "the loop is open", func() bool {
		if m.isOpen() {
			return true
		}
		opening.Wait()
		opening.Go(func() { m.cli("pulse", boxOffice, "--interval", openFor.String()) })
		return within(time.Second, m.isOpen)
	})
	return end
}

// fault is a fault in the middle of an opening.
type fault struct {
	name string
	does func(*tried)
	// needs reports whether the fault is possible on that way.
	needs func(*way) bool
}

const standing = 2 * time.Second // how long a process is stopped

var faults = []fault{
	{"the daemon is killed", func(m *tried) {
		m.d.Signal(syscall.SIGKILL)
		<-m.d.Done()
	}, nil},
	{"the daemon is stopped for 2 s", func(m *tried) {
		m.d.Signal(syscall.SIGSTOP)
		<-time.After(standing)
		m.d.Signal(syscall.SIGCONT)
	}, nil},
	{"the cable is cut", func(m *tried) { m.way.net.set(false, true) }, func(w *way) bool { return w.net != nil }},
	{"the broker is restarted", func(m *tried) { m.way.restart() }, func(w *way) bool { return w.restart != nil }},
	{"the board answers 2 s late", func(m *tried) { m.way.slow() }, func(w *way) bool { return w.slow != nil }},
	{"all processors are busy", func(m *tried) {
		for range 2 * runtime.NumCPU() {
			go func() {
				for m.t.Context().Err() == nil { // until the subtest ends
				}
			}()
		}
	}, nil},
}

// TestLoopOpenTime: whatever fails in the middle of an opening, the loop is open no longer than the contact's kind
// promises. If nothing bounds the opening, the daemon says so at its start, and `close`, which the service manager runs
// after the daemon has died, closes the contact. The peers measure the lengths.
func TestLoopOpenTime(t *testing.T) {
	t.Parallel()
	for name, make := range ways() {
		if !*openFaults && !slices.Contains([]string{"modbus watchdog", "agent by modbus", "http plain"}, name) {
			continue // one way of each kind
		}
		for _, f := range faults[:cmp.Or(map[bool]int{true: len(faults)}[*openFaults], 1)] {
			t.Run(name+"/"+f.name, func(t *testing.T) {
				// Busy processors would affect every parallel subtest.
				if f.name != faults[len(faults)-1].name {
					t.Parallel()
				}
				w := make(t)
				if f.needs != nil && !f.needs(w) {
					t.Skip("this way cannot have that fault")
				}
				m := newTried(t, w)
				m.open()
				late := wakeupLateness(t)
				f.does(m)
				m.check(f, late)
			})
		}
	}
}

// wakeupLateness measures how late this machine wakes a sleeping process. The returned function gives the worst value
// so far. The boards here are ordinary processes, and so may be equally late.
func wakeupLateness(t *testing.T) func() time.Duration {
	var mu sync.Mutex
	var worst time.Duration
	ended := make(chan struct{}) // closed to end the goroutine
	t.Cleanup(func() { close(ended) })
	go func() {
		const nap = 5 * time.Millisecond
		for {
			began := time.Now()
			select {
			case <-ended:
				return
			case <-time.After(nap):
			}
			mu.Lock()
			worst = max(worst, time.Since(began)-nap)
			mu.Unlock()
		}
	}()
	return func() time.Duration {
		mu.Lock()
		defer mu.Unlock()
		return worst
	}
}

func (m *tried) check(f fault, late func() time.Duration) {
	m.t.Helper()
	w := m.way
	var bound time.Duration
	switch w.kind {
	case "oneshot":
		bound = openFor + 50*time.Millisecond
	case "watchdog":
		bound = openFor + w.watchdog + 50*time.Millisecond
	}
	alive := f.name == faults[len(faults)-1].name
	patience := 5 * time.Second
	if bound == 0 && !m.running() {
		// No daemon runs that could close it.
		patience = openFor + 100*time.Millisecond
	}
	closed := within(patience, func() bool { return !m.isOpen() })
	d, _ := length(w.moves())
	switch {
	case alive:
		require.True(m.t, closed)
		require.Less(m.t, d, openFor+250*time.Millisecond+2*late(),
			"our own bound for a machine with twice as many busy threads as processors, without a real-time class")
	case bound > 0:
		require.True(m.t, closed)
		require.LessOrEqual(m.t, d, bound+2*late(), "this machine was up to %v late itself", late())
	default:
		require.Contains(m.t, m.d.Output(), "may stay open indefinitely", "said at the start")
		if !closed {
			if w.net != nil {
				w.net.set(false, false)
			}
			if !m.running() {
				c := m.cli("close", "--config", m.config())
				require.Zero(m.t, c.code, c.err)
			}
			eventually(m.t, 5*time.Second, "it is closed", func() bool { return !m.isOpen() })
			d, _ = length(w.moves())
		}
	}
	if w.driver != "mqtt" { // with MQTT, the will closes it at once
		require.GreaterOrEqual(m.t, d, openFor/2)
	}
	m.t.Logf("%s, %s: open for %v, asked %v, bound %v (0: none); the machine was late by %v", w.name, f.name,
		d.Round(100*time.Microsecond), openFor, bound, late())
}
