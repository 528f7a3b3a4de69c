// Package agentmqtt serves an agent's contacts at an MQTT broker, by the contract of package mqtt:
// PREFIX/CONTACT/pulse, close, read and state.
//
// Each contact has its own connection. So each has its own will, which reports that the contact is disconnected, and a
// connection that hangs does not delay the others. A pulse is obeyed once, and only with a token that was published
// less than a second ago. A close, or a standstill of the process, invalidates all tokens. A master is identified by
// the name in its commands (from). If it is silent for the agent's watchdog time, the contacts that it opened are
// closed, as with Modbus. The daemon reads each contact every two seconds, so the agent's watchdog time must not be
// shorter than that.
package agentmqtt

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"sync"
	"time"

	"clearback/bridge/relay/agent"
	"clearback/bridge/relay/mqtt"
	"clearback/bridge/relay/mqtt/broker"
)

const (
	// The pauses between attempts to connect. They double from firstPause to lastPause. Each is shortened at random by
	// up to a quarter.
	firstPause = 100 * time.Millisecond
	lastPause  = 2 * time.Second

	defaultTimeout   = time.Second
	defaultKeepAlive = 5 * time.Second
)

// Options are the options of a [Client].
type Options struct {
	// Broker holds the broker's address and account. A Timeout of 0 means 1 s, and a KeepAlive of 0 means 5 s.
	Broker broker.Options
	// Prefix is the prefix of the topics, without a / at either end.
	Prefix string
	// Link is called with the reason when a contact has lost its connection, and with nil when the contact has one
	// again. It must not block. Nil means that nothing is called.
	Link func(contact string, err error)
}

// ErrOptions means that a setting is out of range.
var ErrOptions = errors.New("agentmqtt: setting out of range")

// Client serves the contacts of an agent. All methods are safe for concurrent use.
type Client struct {
	agent    *agent.Agent
	opt      Options
	broker   *broker.Broker
	id       string
	contacts []*contact

	cancel  context.CancelFunc // set by Start
	running sync.WaitGroup
}

// New returns a client with the given options, or [ErrOptions]. Call it after the agent has its contacts and before the
// agent's Start.
func New(a *agent.Agent, o Options) (*Client, error) {
	if o.Broker.Timeout == 0 {
		o.Broker.Timeout = defaultTimeout
	}
	if o.Broker.KeepAlive == 0 {
		o.Broker.KeepAlive = defaultKeepAlive
	}
	if o.Link == nil {
		o.Link = func(string, error) {}
	}
	b, err := broker.New(o.Broker)
	if err != nil {
		return nil, fmt.Errorf("%w: %w", ErrOptions, err)
	}
	f := &Client{agent: a, opt: o, broker: b, id: "clearback-relay-" + broker.Unique()}
	for _, c := range a.Contacts() {
		prefix := o.Prefix + "/" + c.Name()
		if err := broker.CheckTopic(prefix); err != nil {
			return nil, fmt.Errorf("%w: contact %s: %w", ErrOptions, c.Name(), err)
		}
		f.contacts = append(f.contacts, newContact(f, c, prefix))
	}
	a.OnChange(func(c *agent.Contact) { wake(f.contacts[c.Index()].changed) })
	return f, nil
}

// Start connects, and serves the contacts until Close.
func (f *Client) Start() {
	ctx, cancel := context.WithCancel(context.Background())
	f.cancel = cancel
	for _, c := range f.contacts {
		f.running.Go(func() { f.agent.Guard(func() { c.run(ctx) }) })
	}
}

// Close ends the connections, so that the broker publishes the wills. It waits for all goroutines, at most until ctx
// ends.
func (f *Client) Close(ctx context.Context) {
	if f.cancel == nil {
		return
	}
	f.cancel()
	done := make(chan struct{})
	go func() {
		f.running.Wait()
		close(done)
	}()
	select {
	case <-done:
	case <-ctx.Done():
	}
}

func wake(ch chan struct{}) {
	select {
	case ch <- struct{}{}:
	default: // already awake
	}
}

// run keeps a contact connected.
func (c *contact) run(ctx context.Context) {
	pause, down := firstPause, false
	for ctx.Err() == nil {
		conn, err := c.dial(ctx)
		if err == nil {
			if down {
				c.client.opt.Link(c.of.Name(), nil)
			}
			pause, down = firstPause, false
			err = c.serve(ctx, conn)
		}
		if ctx.Err() != nil {
			return
		}
		if !down {
			down = true
			c.client.opt.Link(c.of.Name(), fmt.Errorf("broker at %s: %w", c.client.broker.Address(), err))
		}
		t := time.NewTimer(pause - rand.N(pause/4))
		select {
		case <-ctx.Done():
		case <-t.C:
		}
		t.Stop()
		pause = min(2*pause, lastPause)
	}
}

func (c *contact) dial(ctx context.Context) (*broker.Conn, error) {
	away, err := encode(mqtt.State{})
	if err != nil {
		return nil, err
	}
	all := make([]broker.Subscription, 0, 3)
	for _, t := range []string{mqtt.TopicClose, mqtt.TopicRead, mqtt.TopicPulse} {
		all = append(all, broker.Subscription{Topic: c.prefix + "/" + t, Fresh: true})
	}
	c.begin()
	return c.client.broker.Dial(ctx, broker.Session{ClientID: fmt.Sprintf("%s-%d", c.client.id, c.of.Index()),
		Receive: c.receive, Subscribe: all,
		Will: broker.Message{Topic: c.prefix + "/" + mqtt.TopicState, Payload: away, Retain: true}})
}

// serve carries out the commands received on a connection until the connection or ctx ends, and returns the reason.
func (c *contact) serve(ctx context.Context, conn *broker.Conn) error {
	var doing sync.WaitGroup
	inner, cancel := context.WithCancel(ctx)
	for _, do := range []func(context.Context, *broker.Conn){c.execute, c.tell} {
		doing.Go(func() { c.client.agent.Guard(func() { do(inner, conn) }) })
	}
	select {
	case <-conn.Gone():
	case <-ctx.Done():
	}
	cancel()
	doing.Wait()
	if ctx.Err() != nil {
		conn.Leave(true) // the will reports that the contact is disconnected
		return ctx.Err()
	}
	conn.Reset()
	return conn.Cause()
}
