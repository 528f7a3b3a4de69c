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

// waiting is how many commands, and how many answers, may wait: our own figure. A driver has a few in the air.
const waiting = 32

// errOld: the token is not one of those that are good now.
var errOld = errors.New("mqttface: the token is old")

// contact is one contact of the agent and its connection.
type contact struct {
	client *Client
	of     *agent.Contact
	prefix string

	jobs     chan job        // buffer: commands that wait for the contact; what finds no room is dropped
	shut     atomic.Bool     // a close found no room
	answers  chan mqtt.State // buffer: answers that wait for the broker
	changed  chan struct{}   // buffer 1: one hint that there is something new is as good as many
	answered mqtt.State      // under mu: From, Seq, Result and Why of the latest answer

	mu              sync.Mutex
	tokens          [2]token // the present one and the one before
	standstillCount uint64

	// Owned by obey.
	master *agent.Master // of the latest pulse
	from   string        // whose name that is
	last   mqtt.Command  // the latest pulse
	result mqtt.State    // and what became of it
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

// begin forgets what belonged to the connection before.
func (c *contact) begin() {
	c.mu.Lock()
	c.standstillCount, c.tokens = c.client.agent.StandstillCount(), [2]token{}
	c.renewLocked(false)
	c.mu.Unlock()
	for {
		select {
		case j := <-c.jobs:
			if j.topic == mqtt.TopicClose {
				c.shut.Store(true)
			}
		case <-c.answers:
		default:
			if c.shut.Swap(false) { // a close is never dropped
				_ = c.close(agent.NewMaster(c.prefix)) // nobody to answer to; what fails is repeated by the agent
			}
			return
		}
	}
}

// renewLocked makes a new token. The present one stays good for a while if keep is set.
func (c *contact) renewLocked(keep bool) {
	before := token{}
	if keep {
		before = c.tokens[0]
	}
	c.tokens = [2]token{{rand.Text(), time.Now()}, before}
}

// use reports whether a token is good, once.
func (c *contact) use(text string) error {
	fresh := c.client.agent.StandstillCount()
	c.mu.Lock()
	defer c.mu.Unlock()
	if fresh != c.standstillCount { // what was received may be old, whatever it says
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

// receive takes a message of the broker's. It does not block.
func (c *contact) receive(_ *broker.Conn, m broker.Publication) {
	if m.Retained || len(m.Topic) <= len(c.prefix) {
		return // from before
	}
	j := job{topic: m.Topic[len(c.prefix)+1:]}
	if err := json.Unmarshal(m.Payload, &j.k); err != nil {
		if j.topic != mqtt.TopicClose {
			return // nobody to answer to
		}
		j.k = mqtt.Command{} // closed all the same
	}
	select {
	case c.jobs <- j:
	default:
		if j.topic == mqtt.TopicClose {
			c.shut.Store(true)
		}
	}
}

// execute carries out commands in their order.
func (c *contact) execute(ctx context.Context, _ *broker.Conn) {
	for {
		select {
		case j := <-c.jobs:
			c.answer(j)
			if c.shut.Swap(false) {
				_ = c.close(agent.NewMaster(c.prefix)) // nobody to answer to; what fails is repeated by the agent
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
		a.Open = level == relay.LevelOpen // found so, even if it is closed by now
	}
	a.From, a.Seq = j.k.From, j.k.Seq
	c.mu.Lock()
	c.answered = a
	c.answered.Open = false
	c.mu.Unlock()
	select {
	case c.answers <- a:
	default: // the broker takes nothing; the master's time-out tells him
	}
}

// close closes the contact. No token that was told before is good any more: what was sent before the close opens
// nothing behind it.
func (c *contact) close(m *agent.Master) error {
	c.mu.Lock()
	c.renewLocked(false)
	c.mu.Unlock()
	return c.of.Close(m)
}

// masterOf returns the master of that name: the one of the latest pulse, or a passing one.
func (c *contact) masterOf(from string) *agent.Master {
	if c.master != nil && c.from == from {
		return c.master
	}
	return agent.NewMaster("MQTT " + from)
}

// pulse obeys a pulse, or repeats the answer to the latest one.
func (c *contact) pulse(k mqtt.Command) mqtt.State {
	if c.last.From == k.From && c.last.Seq == k.Seq && c.result.Result != "" {
		return c.result
	}
	c.last = k
	if err := c.use(k.Token); err != nil {
		c.result = mqtt.State{Result: mqtt.ResultRefused, Why: err.Error()}
		return c.result
	}
	if k.MS < 0 || k.MS > agent.MostInterval.Milliseconds() { // before it is multiplied
		c.result = outcome(agent.ErrTooLong)
		return c.result
	}
	if c.master == nil || c.from != k.From {
		c.master, c.from = agent.NewMaster("MQTT "+k.From), k.From
	}
	// The sequence is this face's: two masters may have the same number.
	c.result = outcome(c.of.Pulse(c.master, agent.Command{Plain: true, For: time.Duration(k.MS) * time.Millisecond}))
	return c.result
}

// outcome puts an error into the contract's words.
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

// fill adds what is to an answer. A contact that is not known to be closed counts as open.
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

// tell publishes states: answers, changes, and new tokens.
func (c *contact) tell(ctx context.Context, conn *broker.Conn) {
	t := time.NewTicker(mqtt.TokenEvery)
	defer t.Stop()
	wake(c.changed) // the first
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

// latest is the latest answer with what is now, and with a new token if asked for.
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
