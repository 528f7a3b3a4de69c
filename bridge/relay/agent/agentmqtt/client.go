// Package agentmqtt serves an agent's contacts at an MQTT broker, by the contract of package mqtt:
// PREFIX/CONTACT/pulse, close, read and state.
//
// Each contact has a connection of its own, so that each has its own will, which tells that it is away, and one that
// hangs holds up nobody. A pulse is obeyed once, and only with a token that the state told less than a second ago;
// after a close, and when the process stood still, all tokens are new. A master is the name that its commands come
// from; when it goes quiet for the agent's watchdog, what it opened is closed, as with every face. The daemon reads
// each contact every two seconds, so the agent's watchdog must not be shorter than that.
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
	// Pauses between connections: doubled from the first to the last, each shortened by up to a quarter.
	firstPause = 100 * time.Millisecond
	lastPause  = 2 * time.Second

	defaultTimeout   = time.Second
	defaultKeepAlive = 5 * time.Second
)

// Options of a [Client].
type Options struct {
	// Broker says where the broker is. Of its times 0 means 1 s for the time-out and 5 s for the keep-alive.
	Broker broker.Options
	// Prefix begins the topics, without a / at either end.
	Prefix string
	// Link is told when a contact has no connection any more, with the reason, and when it has one again, with nil. It
	// must not block. Nil: nobody.
	Link func(contact string, err error)
}

// ErrOptions: a setting is out of its range.
var ErrOptions = errors.New("mqttface: setting out of range")

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

// New checks the options. Call it when the agent has its contacts, and before its Start.
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

// Start serves until Close.
func (f *Client) Start() {
	ctx, cancel := context.WithCancel(context.Background())
	f.cancel = cancel
	for _, c := range f.contacts {
		f.running.Go(func() { f.agent.Guard(func() { c.run(ctx) }) })
	}
}

// Close tells the broker that the contacts are away, ends the connections and waits for all goroutines, at most until
// ctx ends.
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
	default: // it is awake
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

// serve does what is received on a connection until that or ctx ends, and returns the reason.
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
		conn.Leave(true) // the will tells that we are away
		return ctx.Err()
	}
	conn.Reset()
	return conn.Cause()
}
