package httprelay

import (
	"bufio"
	"bytes"
	"cmp"
	"encoding/json"
	"flag"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"clearback/bridge/programtest"
	"clearback/bridge/relay/controller"
	"clearback/bridge/relay/relaytest"

	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"
)

// simulator is testdata/device.py, which uses Python's http.server and simulates many devices in one process. Its HTTP
// and TLS are not our code.
type simulator struct {
	cmd    *exec.Cmd
	in     io.WriteCloser
	out    *bufio.Scanner
	mu     sync.Mutex
	number int
}

var startSimulator = sync.OnceValues(func() (*simulator, error) {
	s := &simulator{cmd: exec.Command("python3", "-u", "testdata/device.py")}
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
	return s, s.cmd.Start()
})

func TestMain(m *testing.M) {
	if err := flag.Set("test.parallel", "4"); err != nil { // the tests mostly wait; -parallel overrides this
		panic(err)
	}
	goleak.VerifyTestMain(m, goleak.Cleanup(func(code int) {
		// A simulator that no test has used is started here only to end.
		if s, err := startSimulator(); err == nil {
			s.in.Close()
			s.cmd.Wait()
		}
		os.Exit(code)
	}))
}

// together runs cases at the same time, even on few processors, since they mostly wait.
func together(t *testing.T, cases map[string]func(*testing.T)) {
	var running sync.WaitGroup
	for name, run := range cases {
		running.Go(func() { t.Run(name, run) })
	}
	running.Wait()
}

// simDevice is one device of the simulator.
type simDevice struct {
	sim    *simulator
	number int
	url    string
	tokens bool // its state has tokens, if it has the contract
	log    *os.File

	mu   sync.Mutex
	read int64  // bytes of the log read so far
	rest []byte // an incomplete line
	all  []entry
}

// entry is a line of a device's log.
type entry struct {
	T       int64  `json:"t"` // CLOCK_MONOTONIC, ns
	Contact int    `json:"contact"`
	Open    bool   `json:"open"`
	Request string `json:"request"`
	Version string `json:"version"`
	Headers map[string]string
	Body    string
}

type order map[string]any

func newDevice(t testing.TB, o order) *simDevice {
	t.Helper()
	programtest.Need(t, "python3", "python3")
	sim, err := startSimulator()
	require.NoError(t, err)
	sim.mu.Lock()
	sim.number++
	d := &simDevice{sim: sim, number: sim.number, tokens: o["tokens"] != false}
	sim.mu.Unlock()
	name := filepath.Join(t.TempDir(), "log")
	d.log, err = os.Create(name)
	require.NoError(t, err)
	all := order{"log": name}
	for k, v := range o {
		all[k] = v
	}
	scheme := "http"
	if o["certificate"] != nil {
		scheme = "https"
	}
	d.url = fmt.Sprintf("%s://127.0.0.1:%d", scheme, d.tell("new", all).Port)
	t.Cleanup(func() {
		d.tell("end", nil)
		d.log.Close()
	})
	return d
}

// simAnswer is the simulator's answer to an order.
type simAnswer struct{ Port, Held int }

// tell sends an order and returns when it was carried out. It panics on failure, since the methods of a Controller have
// no test that they could fail.
func (d *simDevice) tell(do string, o order) simAnswer {
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
	var a simAnswer
	if _, err := d.sim.in.Write(append(line, '\n')); err != nil || !d.sim.out.Scan() ||
		json.Unmarshal(d.sim.out.Bytes(), &a) != nil {
		panic(fmt.Sprintf("the simulator did not carry out %s", line))
	}
	return a
}

func (d *simDevice) Inject(f relaytest.Fault) {
	what := map[relaytest.Do]string{relaytest.Refuse: "refuse", relaytest.Ignore: "ignore", relaytest.Mute: "mute",
		relaytest.Hangup:    "hangup",
		relaytest.ActHangup: "acthangup", relaytest.Delay: "delay", relaytest.StallRequest: "hold"}[f.Do]
	when := map[relaytest.On]string{relaytest.Any: "any", relaytest.Opening: "opening",
		relaytest.Closing: "closing"}[f.On]
	d.fault(order{"do": what, "on": when, "once": f.Once, "ms": f.Delay.Milliseconds()})
}

func (d *simDevice) fault(f order) { d.tell("fault", order{"fault": f}) }
func (d *simDevice) Clear()        { d.tell("clear", nil) }
func (d *simDevice) Cut()          { d.tell("cut", nil) }
func (d *simDevice) Restore()      { d.tell("restore", nil) }
func (d *simDevice) Stalled() int  { return d.tell("held", nil).Held }
func (d *simDevice) Release()      { d.tell("release", nil) }

func (d *simDevice) Move(line int, open bool) { d.tell("move", order{"contact": line, "open": open}) }

// entries reads the new entries of the log. The device writes an entry before it answers, so after an answer its entry
// is there.
func (d *simDevice) entries() []entry {
	d.mu.Lock()
	defer d.mu.Unlock()
	for {
		var buf [8192]byte
		n, _ := d.log.ReadAt(buf[:], d.read)
		if n == 0 {
			return d.all
		}
		d.read += int64(n)
		d.rest = append(d.rest, buf[:n]...)
		for {
			line, rest, whole := bytes.Cut(d.rest, []byte("\n"))
			if !whole {
				break
			}
			var e entry
			if err := json.Unmarshal(line, &e); err != nil {
				panic(err)
			}
			d.all, d.rest = append(d.all, e), rest
		}
	}
}

func (d *simDevice) Changes(line int) []relaytest.Change {
	var all []relaytest.Change
	for _, e := range d.entries() {
		if e.Request == "" && e.Contact == line {
			all = append(all, relaytest.Change{At: time.Duration(e.T), Open: e.Open})
		}
	}
	return all
}

// requests returns the logged requests.
func (d *simDevice) requests() []entry {
	var all []entry
	for _, e := range d.entries() {
		if e.Request != "" {
			all = append(all, e)
		}
	}
	return all
}

// testTimeout is long enough for a machine that is busy with our other tests; see relaytest.Timeout.
const testTimeout = 600 * time.Millisecond

// subject puts two contacts on a device.
func subject(t *testing.T, d *simDevice, s relaytest.Setup, o Options, contact ContactOptions) *relaytest.Subject {
	t.Helper()
	limit := relaytest.Timeout(testTimeout)
	o.Name, o.URL, o.Timeout, o.Poll, o.Notify = "device", d.url, cmp.Or(s.Timeout, limit), 100*time.Millisecond,
		s.Notify
	b, err := NewBoard(o)
	require.NoError(t, err)
	sub := &relaytest.Subject{Controller: d, Start: b.Start, Ready: b.Ready, Timeout: limit, Late: relaytest.LateObeyed,
		Slack: 250 * time.Millisecond, Peer: func() { d.tell("held", nil) }} // all devices share one interpreter
	if contact.Open == nil && contact.Timed == nil && d.tokens {
		sub.Late = relaytest.LateRefused // our contract
	}
	sub.Outlasts, sub.Tries, sub.Says = contact.Open == nil, contact.Open == nil, `{"error": "refused"}`
	for i, name := range []string{relaytest.LineA, relaytest.LineB} {
		contact.Name = name
		c, err := b.Contact(contact)
		require.NoError(t, err)
		sub.Contacts[i] = c
	}
	relaytest.SetShutdown(t, sub, limit, b.Shutdown, func(n controller.NotClosed) string { return n.Contact })
	return sub
}
