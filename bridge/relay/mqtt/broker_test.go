package mqtt

import (
	"bufio"
	"encoding/json"
	"fmt"
	"io"
	"os"
	"os/exec"
	"strings"
	"sync"
	"testing"
	"time"

	"clearback/bridge/relay/mqtt/brokertest"
	"clearback/bridge/relay/relaytest"

	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"
)

// The shared broker. Each device has topics of its own there.
var startShared, stopShared = brokertest.Shared()

func sharedBroker(t testing.TB) *brokertest.Broker {
	t.Helper()
	brokertest.Tools(t, "python3")
	m, err := startShared()
	require.NoError(t, err)
	return m
}

// simulator is testdata/devices.py. The devices' MQTT is neither our code nor Go.
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
	if prefix := os.Getenv("CLEARBACK_TEST_MQTT_PREFIX"); prefix != "" {
		daemon(os.Getenv("CLEARBACK_TEST_MQTT_ADDRESS"), prefix)
		return
	}
	goleak.VerifyTestMain(m, goleak.Cleanup(func(code int) {
		// A simulator that no test has used is started here only to end.
		if _, err := exec.LookPath("python3"); err == nil {
			if s, err := startSimulator(); err == nil {
				s.in.Close()
				s.cmd.Wait()
			}
		}
		stopShared()
		os.Exit(code)
	}))
}

type order map[string]any

// device is one of the simulator's devices.
type device struct {
	sim    *simulator
	number int
	prefix string
}

type deviceEvent struct {
	Changes [][2]any
	Seen    [][4]any
	Obeyed  int
	Held    int
}

func newDevice(t testing.TB, m *brokertest.Broker, prefix string, o order) *device {
	t.Helper()
	brokertest.Tools(t, "python3")
	sim, err := startSimulator()
	require.NoError(t, err)
	sim.mu.Lock()
	sim.number++
	d := &device{sim: sim, number: sim.number, prefix: prefix}
	sim.mu.Unlock()
	all := order{"port": m.Port(), "prefix": prefix}
	for k, v := range o {
		all[k] = v
	}
	d.tell("new", all)
	t.Cleanup(func() { d.tell("end", nil) })
	return d
}

// tell sends an order and returns when it was carried out. It panics on failure, since the methods of a Controller have
// no test that they could fail.
func (d *device) tell(do string, o order) deviceEvent {
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
	var a deviceEvent
	if _, err := d.sim.in.Write(append(line, '\n')); err != nil || !d.sim.out.Scan() ||
		json.Unmarshal(d.sim.out.Bytes(), &a) != nil {
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

// suiteDevices is two devices with the driver's links to the broker, as the conformance suite needs them.
type suiteDevices struct {
	brokertest.Link
	devices [2]*device
}

func newSuiteDevices(t testing.TB, m *brokertest.Broker, o order) *suiteDevices {
	r := &suiteDevices{}
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

// Inject sets a fault. A fault with Once applies only to the first line, which the test cases use first.
func (r *suiteDevices) Inject(f relaytest.Fault) {
	what := map[relaytest.Do]string{relaytest.Refuse: "refuse", relaytest.Ignore: "ignore", relaytest.Mute: "mute",
		relaytest.Hangup:    "hangup",
		relaytest.ActHangup: "acthangup", relaytest.Delay: "delay", relaytest.StallRequest: "hold"}[f.Do]
	when := map[relaytest.On]string{relaytest.Any: "any", relaytest.Opening: "opening",
		relaytest.Closing: "closing"}[f.On]
	for i, d := range r.devices {
		if !f.Once || i == 0 {
			d.tell("fault", order{"fault": order{"do": what, "on": when, "once": f.Once, "ms": f.Delay.Milliseconds()}})
		}
	}
}

func (r *suiteDevices) Clear() {
	for _, d := range r.devices {
		d.tell("clear", nil)
	}
}

func (r *suiteDevices) Move(line int, open bool)            { r.devices[line].tell("move", order{"open": open}) }
func (r *suiteDevices) Changes(line int) []relaytest.Change { return r.devices[line].changes() }

// Only the first line's device is told to hold a request.
func (r *suiteDevices) Stalled() int { return r.devices[0].tell("look", nil).Held }
func (r *suiteDevices) Release()     { r.devices[0].tell("release", nil) }
