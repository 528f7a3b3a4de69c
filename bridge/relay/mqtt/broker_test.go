package mqtt

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"clearback/bridge/relay/relaytest"

	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"
)

// mosquitto is the broker: Debian's, so what the driver says is read by a program that is not ours.
type mosquitto struct {
	cmd  *exec.Cmd
	conf string
	port int
}

var findMosquitto = sync.OnceValues(func() (string, error) {
	if path, err := exec.LookPath("mosquitto"); err == nil {
		return path, nil
	}
	return exec.LookPath("/usr/sbin/mosquitto")
})

// tools skips a test where a tool is missing, and fails it where tools are compulsory.
func tools(t testing.TB) {
	t.Helper()
	_, err := findMosquitto()
	if _, err2 := exec.LookPath("python3"); err != nil || err2 != nil {
		if os.Getenv("CI") != "" {
			t.Fatalf("mosquitto and Python 3 are compulsory here: %v", errors.Join(err, err2))
		}
		t.Skipf("no mosquitto or no Python 3 on this machine: %v", errors.Join(err, err2))
	}
}

func freePort() (int, error) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return 0, err
	}
	defer l.Close()
	return l.Addr().(*net.TCPAddr).Port, nil
}

// newMosquitto starts a broker in a directory. Of its settings %d is the port.
func newMosquitto(dir, settings string) (*mosquitto, error) {
	port, err := freePort()
	if err != nil {
		return nil, err
	}
	m := &mosquitto{conf: filepath.Join(dir, "mosquitto.conf"), port: port}
	text := "user root\npersistence false\nset_tcp_nodelay true\nlog_type none\n" + fmt.Sprintf(settings, port)
	if err := os.WriteFile(m.conf, []byte(text), 0o600); err != nil {
		return nil, err
	}
	return m, m.start()
}

const anybody = "listener %d 127.0.0.1\nallow_anonymous true\n"

func (m *mosquitto) start() error {
	path, err := findMosquitto()
	if err != nil {
		return err
	}
	m.cmd = exec.Command(path, "-c", m.conf)
	m.cmd.Stderr = os.Stderr
	if err := m.cmd.Start(); err != nil {
		return err
	}
	tick := time.NewTicker(2 * time.Millisecond)
	defer tick.Stop()
	for end := time.Now().Add(5 * time.Second); time.Now().Before(end); <-tick.C {
		c, err := net.Dial("tcp", m.address())
		if err == nil {
			return c.Close()
		}
	}
	m.stop()
	return errors.New("mosquitto does not listen")
}

func (m *mosquitto) address() string { return fmt.Sprintf("127.0.0.1:%d", m.port) }

func (m *mosquitto) stop() {
	m.cmd.Process.Kill()
	m.cmd.Wait()
}

// The shared broker, whose devices all have topics of their own.
var (
	sharedDir, errSharedDir = os.MkdirTemp("", "clearback-mqtt")
	shared                  = sync.OnceValues(func() (*mosquitto, error) {
		if errSharedDir != nil {
			return nil, errSharedDir
		}
		return newMosquitto(sharedDir, anybody)
	})
)

func sharedBroker(t testing.TB) *mosquitto {
	t.Helper()
	tools(t)
	m, err := shared()
	require.NoError(t, err)
	return m
}

// ownBroker is for tests that do things to it.
func ownBroker(t testing.TB, settings string) *mosquitto {
	t.Helper()
	tools(t)
	m, err := newMosquitto(t.TempDir(), settings)
	require.NoError(t, err)
	t.Cleanup(m.stop)
	return m
}

// simulator is testdata/devices.py: the devices' MQTT is neither ours nor in Go.
type simulator struct {
	cmd    *exec.Cmd
	in     io.WriteCloser
	out    *bufio.Scanner
	mu     sync.Mutex
	number int
}

var startSimulator = sync.OnceValues(func() (*simulator, error) {
	s := &simulator{cmd: exec.Command("python3", "-u", "testdata/devices.py")}
	s.cmd.Stderr = os.Stderr
	in, err := s.cmd.StdinPipe()
	if err != nil {
		return nil, err
	}
	out, err := s.cmd.StdoutPipe()
	if err != nil {
		return nil, err
	}
	s.in, s.out = in, bufio.NewScanner(out)
	s.out.Buffer(nil, 1<<20)
	return s, s.cmd.Start()
})

func TestMain(m *testing.M) {
	if asked := os.Getenv("CLEARBACK_MQTT_CHILD"); asked != "" {
		child(asked)
		return
	}
	goleak.VerifyTestMain(m, goleak.Cleanup(func(code int) {
		// What nobody has asked for is started here only to end.
		if _, err := exec.LookPath("python3"); err == nil {
			if s, err := startSimulator(); err == nil {
				s.in.Close()
				s.cmd.Wait()
			}
		}
		if m, err := shared(); err == nil {
			m.stop()
		}
		os.RemoveAll(sharedDir)
		os.Exit(code)
	}))
}

type order map[string]any

// device is one of the simulator's.
type device struct {
	sim    *simulator
	number int
	prefix string
}

type seen struct {
	Changes [][2]any
	Seen    [][4]any
	Obeyed  int
}

func newDevice(t testing.TB, m *mosquitto, prefix string, o order) *device {
	t.Helper()
	tools(t)
	sim, err := startSimulator()
	require.NoError(t, err)
	sim.mu.Lock()
	sim.number++
	d := &device{sim: sim, number: sim.number, prefix: prefix}
	sim.mu.Unlock()
	all := order{"port": m.port, "prefix": prefix}
	for k, v := range o {
		all[k] = v
	}
	d.tell("new", all)
	t.Cleanup(func() { d.tell("end", nil) })
	return d
}

// tell gives an order and returns when it was carried out. The methods of a Controller have no test to fail, so it panics.
func (d *device) tell(do string, o order) seen {
	all := order{"do": do, "device": d.number}
	for k, v := range o {
		all[k] = v
	}
	line, err := json.Marshal(all)
	if err != nil {
		panic(err)
	}
	d.sim.mu.Lock()
	defer d.sim.mu.Unlock()
	var a seen
	if _, err := d.sim.in.Write(append(line, '\n')); err != nil || !d.sim.out.Scan() || json.Unmarshal(d.sim.out.Bytes(), &a) != nil {
		panic(fmt.Sprintf("the simulator did not carry out %s", line))
	}
	return a
}

func (d *device) changes() []relaytest.Change {
	var all []relaytest.Change
	for _, c := range d.tell("look", nil).Changes {
		all = append(all, relaytest.Change{At: time.Duration(c[0].(float64)), Open: c[1].(bool)})
	}
	return all
}

func (d *device) isOpen() bool {
	c := d.changes()
	return len(c) > 0 && c[len(c)-1].Open
}

// rack is two devices and the driver's links to the broker, as the conformance suite wants it.
type rack struct {
	devices [2]*device

	mu    sync.Mutex
	cut   bool
	conns []net.Conn
}

func newRack(t testing.TB, m *mosquitto, o order) *rack {
	r := &rack{}
	where := strings.NewReplacer("/", "-", "#", "-", "+", "-").Replace(t.Name())
	for i, name := range []string{relaytest.LineA, relaytest.LineB} {
		own := order{}
		prefix := "playhouse/" + where + "/" + name
		for k, v := range o {
			own[k] = v
		}
		if p, ok := o["plain"].(order); ok {
			q := order{}
			for k, v := range p {
				q[k] = v
			}
			q["topics"] = []string{prefix + "/set"}
			own["plain"] = q
		}
		r.devices[i] = newDevice(t, m, prefix, own)
	}
	return r
}

func (r *rack) dial(ctx context.Context, address string) (net.Conn, error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.cut {
		return nil, errors.New("the link is cut")
	}
	var d net.Dialer
	c, err := d.DialContext(ctx, "tcp", address)
	if err == nil {
		r.conns = append(r.conns, c)
	}
	return c, err
}

func (r *rack) Cut() {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.cut = true
	for _, c := range r.conns {
		c.Close()
	}
	r.conns = nil
}

func (r *rack) Restore() {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.cut = false
}

// Inject lets a fault that is to come once meet the first line alone, which is the one that the cases command first.
func (r *rack) Inject(f relaytest.Fault) {
	what := map[relaytest.Do]string{relaytest.Refuse: "refuse", relaytest.Ignore: "ignore", relaytest.Mute: "mute", relaytest.Hangup: "hangup",
		relaytest.ActHangup: "acthangup", relaytest.Delay: "delay"}[f.Do]
	when := map[relaytest.On]string{relaytest.Any: "any", relaytest.Opening: "opening", relaytest.Closing: "closing"}[f.On]
	for i, d := range r.devices {
		if !f.Once || i == 0 {
			d.tell("fault", order{"fault": order{"do": what, "on": when, "once": f.Once, "ms": f.Delay.Milliseconds()}})
		}
	}
}

func (r *rack) Clear() {
	for _, d := range r.devices {
		d.tell("clear", nil)
	}
}

func (r *rack) Move(line int, open bool)            { r.devices[line].tell("move", order{"open": open}) }
func (r *rack) Changes(line int) []relaytest.Change { return r.devices[line].changes() }
