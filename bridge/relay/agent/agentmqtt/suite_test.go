package agentmqtt

import (
	"cmp"
	"context"
	"encoding/json"
	"os"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"clearback/bridge/relay/agent"
	"clearback/bridge/relay/mqtt"
	"clearback/bridge/relay/mqtt/broker"
	"clearback/bridge/relay/mqtt/brokertest"
	"clearback/bridge/relay/relaytest"

	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"
)

var startShared, stopShared = brokertest.Shared()

func TestMain(m *testing.M) {
	goleak.VerifyTestMain(m, goleak.Cleanup(func(code int) {
		stopShared()
		os.Exit(code)
	}))
}

// testTimeout is long enough for a machine that is busy with our other tests (see relaytest.Timeout). Each command
// passes through four processes.
const testTimeout = 700 * time.Millisecond

// output is a contact that records its movements.
type output struct {
	mu      sync.Mutex
	open    bool
	changes []relaytest.Change
}

var epoch = time.Now()

func (o *output) Set(open bool) error {
	o.mu.Lock()
	defer o.mu.Unlock()
	if open != o.open {
		o.open = open
		o.changes = append(o.changes, relaytest.Change{At: time.Since(epoch), Open: open})
	}
	return nil
}

func (o *output) Get() (bool, error) {
	o.mu.Lock()
	defer o.mu.Unlock()
	return o.open, nil
}

func (o *output) Current() (bool, error) {
	open, err := o.Get()
	return !open, err
}

func (o *output) Close() error { return nil }

// suiteAgent is an agent with two contacts. Between the agent and the driver a faultyLink carries the messages and can
// fail.
type suiteAgent struct {
	brokertest.Link
	outputs [2]*output
	between [2]*faultyLink
	prefix  string // prefix of the driver's topics
}

func newSuiteAgent(t *testing.T, open bool) *suiteAgent {
	t.Helper()
	brokertest.Tools(t)
	m, err := startShared()
	require.NoError(t, err)
	where := strings.NewReplacer("/", "-", "#", "-", "+", "-").Replace(t.Name())
	a, err := agent.New(agent.Options{MaxInterval: 3 * time.Second})
	require.NoError(t, err)
	r := &suiteAgent{prefix: "front/" + where}
	for i, name := range []string{relaytest.LineA, relaytest.LineB} {
		o := &output{}
		if open {
			require.NoError(t, o.Set(true))
		}
		r.outputs[i] = o
		_, err := a.Contact(agent.ContactOptions{Name: name, Senses: true,
			Open: func() (agent.Output, error) { return o, nil }})
		require.NoError(t, err)
	}
	at := broker.Options{Address: "mqtt://" + m.Address(), Timeout: 5 * time.Second, KeepAlive: 5 * time.Second}
	f, err := New(a, Options{Broker: at, Prefix: "back/" + where})
	require.NoError(t, err)
	a.Start()
	f.Start()
	b, err := broker.New(at)
	require.NoError(t, err)
	for i, name := range []string{relaytest.LineA, relaytest.LineB} {
		r.between[i] = newFaultyLink(t, b, r.prefix+"/"+name, "back/"+where+"/"+name)
	}
	t.Cleanup(func() {
		ctx, cancel := context.WithTimeout(context.Background(), 5*time.Second)
		defer cancel()
		f.Close(ctx)
		require.Empty(t, a.Shutdown(ctx))
	})
	return r
}

func (r *suiteAgent) Inject(f relaytest.Fault) {
	for i, m := range r.between {
		if !f.Once || i == 0 { // the test cases use the first line first
			m.inject(f)
		}
	}
}

func (r *suiteAgent) Clear() {
	for _, m := range r.between {
		m.clear()
	}
}

func (r *suiteAgent) Stalled() int {
	m := r.between[0]
	m.mu.Lock()
	defer m.mu.Unlock()
	return len(m.held)
}

// Release forwards the held command, and waits for the agent's answer.
func (r *suiteAgent) Release() {
	m := r.between[0]
	m.mu.Lock()
	all := m.held
	m.held = nil
	m.mu.Unlock()
	for _, h := range all {
		answered := make(chan struct{})
		m.mu.Lock()
		m.awaited[mqtt.Command{From: h.k.From, Seq: h.k.Seq}] = answered
		m.mu.Unlock()
		h.carry()
		select {
		case <-answered:
		case <-time.After(10 * time.Second):
			// The methods of a Controller have no test that they could fail.
			panic("the agent does not answer a command that was kept")
		}
	}
}

func (r *suiteAgent) Move(line int, open bool) { _ = r.outputs[line].Set(open) } // never returns an error

func (r *suiteAgent) Changes(line int) []relaytest.Change {
	o := r.outputs[line]
	o.mu.Lock()
	defer o.mu.Unlock()
	return slices.Clone(o.changes)
}

// faultyLink carries commands from the driver's broker topics (front) to the agent's (back), and states the other way.
type faultyLink struct {
	t           *testing.T
	broker      *broker.Broker
	front, back string
	behind      *broker.Conn

	mu     sync.Mutex
	faults []relaytest.Fault
	muted  map[mqtt.Command]bool // by From and Seq: the answers to these commands are suppressed
	// awaited has a channel for each command, by From and Seq. The channel is closed when the command was answered.
	awaited map[mqtt.Command]chan struct{}
	token   string
	ahead   *broker.Conn
	over    bool
	doing   sync.WaitGroup
	held    []stalledCommand
}

// stalledCommand is a held command.
type stalledCommand struct {
	topic string
	k     mqtt.Command
	carry func()
}

func newFaultyLink(t *testing.T, b *broker.Broker, front, back string) *faultyLink {
	m := &faultyLink{t: t, broker: b, front: front, back: back, muted: map[mqtt.Command]bool{},
		awaited: map[mqtt.Command]chan struct{}{}}
	there := make(chan struct{})
	first := sync.OnceFunc(func() { close(there) })
	var err error
	m.ahead, err = m.dialFront()
	require.NoError(t, err)
	m.behind, err = b.Dial(context.Background(), broker.Session{ClientID: broker.Unique(),
		Will:      broker.Message{Topic: back + "/nothing"},
		Subscribe: []broker.Subscription{{Topic: back + "/" + mqtt.TopicState}},
		Receive: func(_ *broker.Conn, r broker.Publication) {
			m.state(r)
			if !strings.Contains(string(r.Payload), `"online":false`) {
				first()
			}
		}})
	require.NoError(t, err)
	select {
	case <-there:
	case <-time.After(5 * time.Second):
		t.Fatal("the agent publishes no state")
	}
	t.Cleanup(func() {
		m.mu.Lock()
		m.over = true
		ahead := m.ahead
		m.mu.Unlock()
		m.doing.Wait()
		ahead.Leave(false)
		m.behind.Leave(false)
	})
	return m
}

func (m *faultyLink) dialFront() (*broker.Conn, error) {
	s := broker.Session{ClientID: broker.Unique(), Will: broker.Message{Topic: m.front + "/" + mqtt.TopicState,
		Payload: []byte(`{"online":false}`), Retain: true},
		Receive: func(_ *broker.Conn, r broker.Publication) { m.command(r) }}
	for _, topic := range []string{mqtt.TopicPulse, mqtt.TopicClose, mqtt.TopicRead} {
		s.Subscribe = append(s.Subscribe, broker.Subscription{Topic: m.front + "/" + topic, Fresh: true})
	}
	return m.broker.Dial(context.Background(), s)
}

func (m *faultyLink) inject(f relaytest.Fault) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.faults = append(m.faults, f)
}

func (m *faultyLink) clear() {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.faults = nil
}

// meets returns the fault that applies to a command.
func (m *faultyLink) meets(topic string) (relaytest.Fault, bool) {
	m.mu.Lock()
	defer m.mu.Unlock()
	on := map[string]relaytest.On{mqtt.TopicPulse: relaytest.Opening, mqtt.TopicClose: relaytest.Closing}[topic]
	for i, f := range m.faults {
		if f.On == relaytest.Any || f.On == on {
			if f.Once {
				m.faults = slices.Delete(m.faults, i, i+1)
			}
			return f, true
		}
	}
	return relaytest.Fault{}, false
}

func (m *faultyLink) command(r broker.Publication) {
	topic := r.Topic[len(m.front)+1:]
	var k mqtt.Command
	_ = json.Unmarshal(r.Payload, &k) // an invalid command has no answer
	forward := func() { m.publish(m.behind, broker.Message{Topic: m.back + "/" + topic, Payload: r.Payload}) }
	f, bad := m.meets(topic)
	if !bad {
		forward()
		return
	}
	m.mu.Lock()
	ahead := m.ahead
	if f.Do == relaytest.Mute || f.Do == relaytest.ActHangup {
		m.muted[mqtt.Command{From: k.From, Seq: k.Seq}] = true
	}
	token := m.token
	m.mu.Unlock()
	switch f.Do {
	case relaytest.Refuse:
		a, _ := json.Marshal(mqtt.State{Online: true, From: k.From, Seq: k.Seq, Result: mqtt.ResultRefused,
			Why: "as ordered", Token: token}) // never returns an error
		m.publish(ahead, broker.Message{Topic: m.front + "/" + mqtt.TopicState, Payload: a})
	case relaytest.StallRequest:
		m.mu.Lock()
		m.held = append(m.held, stalledCommand{topic, k, forward})
		m.mu.Unlock()
	case relaytest.Delay:
		m.doing.Add(1)
		time.AfterFunc(f.Delay, func() {
			defer m.doing.Done()
			forward()
		})
	case relaytest.Mute, relaytest.ActHangup:
		forward()
	}
	if f.Do == relaytest.Hangup || f.Do == relaytest.ActHangup {
		m.doing.Go(m.again) // in another goroutine, since this one belongs to the connection
	}
}

// again ends the connection to the driver's side, so that the broker publishes the will, and makes a new one.
func (m *faultyLink) again() {
	m.mu.Lock()
	ahead := m.ahead
	m.mu.Unlock()
	ahead.Reset()
	c, err := m.dialFront()
	if err != nil {
		m.t.Errorf("the messenger: %v", err)
		return
	}
	m.mu.Lock()
	defer m.mu.Unlock()
	m.ahead = c
}

func (m *faultyLink) state(r broker.Publication) {
	var s mqtt.State
	if json.Unmarshal(r.Payload, &s) != nil {
		m.t.Errorf("no state: %s", r.Payload)
		return
	}
	m.mu.Lock()
	m.token = s.Token
	if ch, ok := m.awaited[mqtt.Command{From: s.From, Seq: s.Seq}]; ok {
		close(ch)
		delete(m.awaited, mqtt.Command{From: s.From, Seq: s.Seq})
	}
	ahead, payload := m.ahead, r.Payload
	if m.muted[mqtt.Command{From: s.From, Seq: s.Seq}] {
		s.From = ""
		payload, _ = json.Marshal(s) // never returns an error
	}
	m.mu.Unlock()
	m.publish(ahead, broker.Message{Topic: m.front + "/" + mqtt.TopicState, Payload: payload, Retain: true})
}

func (m *faultyLink) publish(c *broker.Conn, message broker.Message) {
	ctx, cancel := context.WithTimeout(context.Background(), testTimeout)
	defer cancel()
	_ = c.Publish(ctx, message, nil) // a failure here is one more fault
}

// TestSuite runs the suite with the driver and the agent, which share only the contract's types, over a broker that is
// not our code.
func TestSuite(t *testing.T) {
	brokertest.Tools(t)
	if raceDetector && testing.Short() {
		t.Skip("with the race detector this needs both processors; run it without -short. The other tests are run.")
	}
	relaytest.Run(t, func(t *testing.T, s relaytest.Setup) *relaytest.Subject {
		r := newSuiteAgent(t, s.Open)
		m, err := startShared()
		require.NoError(t, err)
		limit := relaytest.Timeout(testTimeout)
		b, err := mqtt.NewBoard(mqtt.Options{Name: "broker", Address: "mqtt://" + m.Address(), Timeout: cmp.Or(s.Timeout, limit),
			Poll:   200 * time.Millisecond,
			Notify: s.Notify, Dial: r.Dial})
		require.NoError(t, err)
		sub := &relaytest.Subject{Controller: r, Start: b.Start, Ready: b.Ready, Timeout: limit,
			Late: relaytest.LateRefused, Peer: m.Ping,
			Says: "as ordered", Tries: true}
		for i, name := range []string{relaytest.LineA, relaytest.LineB} {
			sub.Contacts[i], err = b.Contact(mqtt.ContactOptions{Name: name, Prefix: r.prefix + "/" + name,
				Sense: true})
			require.NoError(t, err)
		}
		sub.Shutdown = func(ctx context.Context) []string {
			var names []string
			for _, n := range b.Shutdown(ctx) {
				names = append(names, n.Contact)
			}
			return names
		}
		t.Cleanup(func() {
			ctx, cancel := context.WithTimeout(context.Background(), limit)
			defer cancel()
			b.Shutdown(ctx)
		})
		return sub
	})
}
