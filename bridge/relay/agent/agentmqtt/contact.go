package agentmqtt

import (
	"context"
	"crypto/rand"
	"encoding/json"
	"errors"
	"sync"
	"sync/atomic"
	"time"

	"clearback/bridge/relay"
	"clearback/bridge/relay/agent"
	"clearback/bridge/relay/mqtt"
	"clearback/bridge/relay/mqtt/broker"
)

// waiting is the capacity of the queues of commands and of answers; our own figure. A driver has a few commands
// pending.
const waiting = 32

// errOld means that the token is not valid now.
var errOld = errors.New("agentmqtt: the token is old")

// contact is one contact of the agent with its connection.
type contact struct {
	client *Client
	of     *agent.Contact
	prefix string

	// buffer: commands that wait for the contact; a command that does not fit is dropped, but see shut
	jobs         chan job
	closePending atomic.Bool     // a close did not fit into jobs
	answers      chan mqtt.State // buffer: answers that wait for the broker
	changed      chan struct{}   // buffer 1: one hint of a change is enough
	answered     mqtt.State      // guarded by mu: From, Seq, Result and Why of the latest answer

	mu              sync.Mutex
	tokens          [2]token // the current token and the previous one
	standstillCount uint64

	// Owned by execute.
	master *agent.Master // the master of the latest pulse
	from   string        // that master's name
	last   mqtt.Command  // the latest pulse
	result mqtt.State    // the result of that pulse
}

type token struct {
	text string
	at   time.Time
}

// job is a command that was received.
type job struct {
	topic string
	k     mqtt.Command
}

func newContact(f *Client, c *agent.Contact, prefix string) *contact {
	return &contact{client: f, of: c, prefix: prefix, jobs: make(chan job, waiting),
		answers: make(chan mqtt.State, waiting), changed: make(chan struct{}, 1)}
}

// begin discards the tokens and the commands of the previous connection, except for a close.
func (c *contact) begin() {
	c.mu.Lock()
	c.standstillCount, c.tokens = c.client.agent.StandstillCount(), [2]token{}
	c.renewLocked(false)
	c.mu.Unlock()
	for {
		select {
		case j := <-c.jobs:
			if j.topic == mqtt.TopicClose {
				c.closePending.Store(true)
			}
		case <-c.answers:
		default:
			if c.closePending.Swap(false) { // a close is never dropped
				// no connection to answer on; the agent repeats a close that fails
				_ = c.close(agent.NewMaster(c.prefix))
			}
			return
		}
	}
}

// renewLocked makes a new token. If keep is set, the current token stays valid for a limited time.
func (c *contact) renewLocked(keep bool) {
	before := token{}
	if keep {
		before = c.tokens[0]
	}
	c.tokens = [2]token{{rand.Text(), time.Now()}, before}
}

// use returns nil if the token is valid, and then invalidates it.
func (c *contact) use(text string) error {
	fresh := c.client.agent.StandstillCount()
	c.mu.Lock()
	defer c.mu.Unlock()
	if fresh != c.standstillCount { // a message received since then may be old
		c.standstillCount = fresh
		c.renewLocked(false)
		return agent.ErrStale
	}
	for _, t := range c.tokens {
		if t.text != "" && t.text == text && time.Since(t.at) < 2*mqtt.TokenEvery {
			c.renewLocked(false)
			return nil
		}
	}
	return errOld
}

// receive handles a message from the broker. It does not block.
func (c *contact) receive(_ *broker.Conn, m broker.Publication) {
	if m.Retained || len(m.Topic) <= len(c.prefix) {
		return // published before this connection
	}
	j := job{topic: m.Topic[len(c.prefix)+1:]}
	if err := json.Unmarshal(m.Payload, &j.k); err != nil {
		if j.topic != mqtt.TopicClose {
			return // no valid command to answer
		}
		j.k = mqtt.Command{} // a close is obeyed whatever its payload
	}
	select {
	case c.jobs <- j:
	default:
		if j.topic == mqtt.TopicClose {
			c.closePending.Store(true)
		}
	}
}

// execute carries out the commands in order.
func (c *contact) execute(ctx context.Context, _ *broker.Conn) {
	for {
		select {
		case j := <-c.jobs:
			c.answer(j)
			if c.closePending.Swap(false) {
				_ = c.close(agent.NewMaster(c.prefix)) // no command to answer; the agent repeats a close that fails
			}
		case <-ctx.Done():
			return
		}
	}
}

func (c *contact) answer(j job) {
	var a mqtt.State
	switch j.topic {
	case mqtt.TopicPulse:
		a = c.pulse(j.k)
	case mqtt.TopicClose:
		a = outcome(c.close(c.masterOf(j.k.From)))
	default:
		c.masterOf(j.k.From).Heard()
		level, err := c.of.Read()
		a = outcome(err)
		a.Open = level == relay.LevelOpen // the state found, even if the contact was closed since
	}
	a.From, a.Seq = j.k.From, j.k.Seq
	c.mu.Lock()
	c.answered = a
	c.answered.Open = false
	c.mu.Unlock()
	select {
	case c.answers <- a:
	default: // the broker accepts nothing; the master's time-out reports it
	}
}

// close closes the contact. It invalidates all published tokens, so that a command sent before the close cannot open
// the contact after it.
func (c *contact) close(m *agent.Master) error {
	c.mu.Lock()
	c.renewLocked(false)
	c.mu.Unlock()
	return c.of.Close(m)
}

// masterOf returns the master with that name: the master of the latest pulse, or a new one.
func (c *contact) masterOf(from string) *agent.Master {
	if c.master != nil && c.from == from {
		return c.master
	}
	return agent.NewMaster("MQTT " + from)
}

// pulse obeys a pulse. If the pulse repeats the latest one, it returns the same answer again.
func (c *contact) pulse(k mqtt.Command) mqtt.State {
	if c.last.From == k.From && c.last.Seq == k.Seq && c.result.Result != "" {
		return c.result
	}
	c.last = k
	if err := c.use(k.Token); err != nil {
		c.result = mqtt.State{Result: mqtt.ResultRefused, Why: err.Error()}
		return c.result
	}
	if k.MS < 0 || k.MS > agent.MostInterval.Milliseconds() { // checked before the multiplication
		c.result = outcome(agent.ErrTooLong)
		return c.result
	}
	if c.master == nil || c.from != k.From {
		c.master, c.from = agent.NewMaster("MQTT "+k.From), k.From
	}
	// The agent's own sequence is not used, since two masters may use the same number.
	c.result = outcome(c.of.Pulse(c.master, agent.Command{Plain: true, For: time.Duration(k.MS) * time.Millisecond}))
	return c.result
}

// outcome translates an error into a state of the contract.
func outcome(err error) mqtt.State {
	switch {
	case err == nil:
		return mqtt.State{Result: mqtt.ResultDone}
	case errors.Is(err, agent.ErrTooLong), errors.Is(err, agent.ErrTooSoon), errors.Is(err, agent.ErrStopping):
		return mqtt.State{Result: mqtt.ResultRefused, Why: err.Error()}
	default:
		return mqtt.State{Result: mqtt.ResultFailed, Why: err.Error()}
	}
}

// fill adds the current state to an answer. A contact that is not known to be closed counts as open.
func (c *contact) fill(a mqtt.State) mqtt.State {
	s := c.of.State()
	a.Online, a.Open, a.LeftMS, a.Pulses = true, a.Open || s.Level != relay.LevelClosed, s.Left.Milliseconds(), s.Pulses
	if c.of.Senses() {
		if flows, err := c.of.Current(); err == nil {
			a.Current = &flows
		}
	}
	c.mu.Lock()
	a.Token = c.tokens[0].text
	c.mu.Unlock()
	return a
}

// tell publishes states: answers, changes and new tokens.
func (c *contact) tell(ctx context.Context, conn *broker.Conn) {
	t := time.NewTicker(mqtt.TokenEvery)
	defer t.Stop()
	wake(c.changed) // the first state
	for {
		var s mqtt.State
		select {
		case <-ctx.Done():
			return
		case s = <-c.answers:
			s = c.fill(s)
		case <-c.changed:
			s = c.latest(false)
		case <-t.C:
			s = c.latest(true)
		}
		payload, err := encode(s)
		if err == nil {
			err = conn.Publish(ctx, broker.Message{Topic: c.prefix + "/" + mqtt.TopicState, Payload: payload,
				Retain: true}, nil)
		}
		if err != nil && !errors.Is(err, broker.ErrNoSubscriber) {
			conn.Fail(err)
			return
		}
	}
}

// latest returns the latest answer with the current state. With renew it also makes a new token.
func (c *contact) latest(renew bool) mqtt.State {
	c.mu.Lock()
	if renew {
		c.renewLocked(true)
	}
	a := c.answered
	c.mu.Unlock()
	return c.fill(a)
}

func encode(s mqtt.State) ([]byte, error) { return json.Marshal(s) }
