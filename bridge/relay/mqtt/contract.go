package mqtt

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"sync"
	"time"

	"clearback/bridge/relay"
	"clearback/bridge/relay/controller"
	"clearback/bridge/relay/mqtt/broker"
)

// The last levels of the contract's topics.
const (
	TopicPulse = "pulse"
	TopicClose = "close"
	TopicRead  = "read"
	TopicState = "state"
)

// The outcomes of a command, in [State.Result].
const (
	ResultDone    = "done"    // the command was carried out
	ResultRefused = "refused" // nothing was done
	ResultFailed  = "failed"  // the state of the contact is unknown
)

const (
	// TokenEvery is how often a device makes a new token. It accepts the previous token too, so no token lives longer
	// than twice this time.
	TokenEvery = 500 * time.Millisecond
	// CommandExpiry and CloseExpiry are how long a broker may keep commands for a device that is disconnected: whole
	// seconds, our own figures. A close may arrive late, but not after any delay.
	CommandExpiry = time.Second
	CloseExpiry   = time.Minute
)

// Command is the payload of the three topics on which a device receives commands.
type Command struct {
	// From is the master's name for one of its connections. It is unique. Seq numbers the commands on that connection.
	// The device returns both.
	From string `json:"from"`
	Seq  uint32 `json:"seq"`
	// MS and Token belong to a pulse. MS is how long the loop is to stay open in milliseconds; 0 closes it. Token is
	// the device's current token.
	MS    int64  `json:"ms,omitempty"`
	Token string `json:"token,omitempty"`
}

// State is the payload of the state topic, which is retained.
type State struct {
	// Online is false only in the device's will.
	Online bool `json:"online"`
	// From and Seq identify the latest command that was answered. Result is its outcome, and Why explains the outcome
	// to people.
	From   string `json:"from,omitempty"`
	Seq    uint32 `json:"seq,omitempty"`
	Result string `json:"result,omitempty"`
	Why    string `json:"why,omitempty"`
	// Open is the state of the contact, as read from its output. LeftMS is the remaining time of the opening. Pulses
	// counts the openings since the device's start.
	Open   bool   `json:"open"`
	LeftMS int64  `json:"left_ms"`
	Pulses uint32 `json:"pulses"`
	// Token is the token for the next pulse.
	Token string `json:"token"`
	// Current reports whether loop current flows. It is nil if the device has no such input.
	Current *bool `json:"current,omitempty"`
}

// contractDevice is one connection to a device that implements the contract.
type contractDevice struct {
	*broker.Conn
	prefix string
	from   string

	mu      sync.Mutex
	seq     uint32
	token   string
	waiting map[uint32]chan State // buffer 1 each: sent once, perhaps to a caller that has gone
}

var (
	// ErrDevice means that the device reported that it did not do as asked.
	ErrDevice = errors.New("mqtt: the device did not do as asked")
	// ErrOffline means that the device is not connected to the broker.
	ErrOffline = errors.New("mqtt: the device is not connected to the broker")
	// ErrState means that the device's state is malformed or incomplete.
	ErrState = errors.New("mqtt: the device's state cannot be used")
)

func (b *Board) connectContract(ctx context.Context, o ContactOptions, id string) (controller.Session, error) {
	d := &contractDevice{prefix: o.Prefix, from: broker.Unique(), waiting: map[uint32]chan State{}}
	will, err := json.Marshal(Command{From: d.from})
	if err != nil {
		return nil, err
	}
	d.Conn, err = b.broker.Dial(ctx, broker.Session{ClientID: id, Receive: d.receive,
		Will:      broker.Message{Topic: o.Prefix + "/" + TopicClose, Payload: will, Expiry: CloseExpiry},
		Subscribe: []broker.Subscription{{Topic: o.Prefix + "/" + TopicState, Fresh: true}}})
	if err != nil {
		return nil, err
	}
	return controller.NewDeviceSession(d, b.opt.Timeout), nil
}

// receive handles a state published by the device.
func (d *contractDevice) receive(c *broker.Conn, m broker.Publication) {
	if m.Retained {
		return // published before this connection
	}
	var s State
	if err := json.Unmarshal(m.Payload, &s); err != nil {
		c.Fail(fmt.Errorf("%w: %s: %w", ErrState, m.Topic, err))
		return
	}
	if !s.Online {
		c.Fail(fmt.Errorf("%w: it has disconnected, as %s says", ErrOffline, m.Topic))
		return
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	d.token = s.Token
	if s.From != d.from {
		return
	}
	if ch, ok := d.waiting[s.Seq]; ok {
		delete(d.waiting, s.Seq)
		ch <- s
	}
}

// Close disconnects from the broker in order. The broker publishes the will all the same, so the contact is closed
// last.
func (d *contractDevice) Close() error {
	d.Leave(true)
	return nil
}

// Do publishes a command and waits for the state that answers it.
func (d *contractDevice) Do(ctx context.Context, r controller.Request, before func() error) (relay.Level, error) {
	topic, m := TopicRead, broker.Message{Expiry: CommandExpiry}
	switch r.Op {
	case controller.Open, controller.Try:
		topic = TopicPulse
	case controller.Close:
		topic, m.Expiry = TopicClose, CloseExpiry
	}
	k, answer := d.command(r)
	defer d.forget(k.Seq)
	m.Topic = d.prefix + "/" + topic
	var err error
	if m.Payload, err = k.payload(r.Op); err != nil {
		return relay.LevelUnknown, err
	}
	if err := d.Publish(ctx, m, before); err != nil {
		return relay.LevelUnknown, publishError(r.Op, err)
	}
	select {
	case s := <-answer:
		return s.level(r.Op)
	case <-d.Gone():
		return relay.LevelUnknown, d.Cause()
	case <-ctx.Done():
		return relay.LevelUnknown, fmt.Errorf("%s: the device did not answer: %w", m.Topic, ctx.Err())
	}
}

// publishError translates the error of a publication. If the device did not receive an opening, nothing was opened. If
// it did not receive a close, the contact's state is unknown.
func publishError(op controller.Op, err error) error {
	switch {
	case errors.Is(err, broker.ErrNoSubscriber):
		err = fmt.Errorf("%w: %w", ErrOffline, err)
	case errors.Is(err, broker.ErrUnwritten):
		err = fmt.Errorf("%w: %w", relay.ErrUnreachable, err)
	case !errors.Is(err, broker.ErrDenied):
		return err
	}
	if op == controller.Open || op == controller.Try {
		return &controller.Refusal{Cause: err, Sure: true}
	}
	return err
}

// command returns the next command and the channel for its answer.
func (d *contractDevice) command(r controller.Request) (Command, <-chan State) {
	answer := make(chan State, 1)
	d.mu.Lock()
	defer d.mu.Unlock()
	d.seq++
	d.waiting[d.seq] = answer
	k := Command{From: d.from, Seq: d.seq}
	if r.Op == controller.Open || r.Op == controller.Try {
		k.MS, k.Token = r.Duration.Milliseconds(), d.token
	}
	return k, answer
}

// payload returns the JSON of a command. That of a pulse always contains ms, even if it is 0.
func (k Command) payload(op controller.Op) ([]byte, error) {
	if op != controller.Open && op != controller.Try {
		return json.Marshal(k)
	}
	return json.Marshal(struct {
		Command
		MS int64 `json:"ms"`
	}{k, k.MS})
}

func (d *contractDevice) forget(seq uint32) {
	d.mu.Lock()
	defer d.mu.Unlock()
	delete(d.waiting, seq)
}

// level returns the result of a request, as given by the state that answers it.
func (s State) level(op controller.Op) (relay.Level, error) {
	switch s.Result {
	case ResultDone:
	case ResultRefused, ResultFailed:
		why := fmt.Errorf("%w: %s: %s", ErrDevice, s.Result, s.Why)
		return relay.LevelUnknown, &controller.Refusal{Cause: why, Sure: s.Result == ResultRefused}
	default:
		return relay.LevelUnknown, fmt.Errorf("%w: result %q; known are done, refused and failed", ErrState, s.Result)
	}
	switch {
	case s.Token == "":
		return relay.LevelUnknown, fmt.Errorf("%w: it has no token", ErrState)
	case (op == controller.Close || op == controller.Try) && s.Open:
		return relay.LevelUnknown, &controller.Refusal{Cause: fmt.Errorf("%w: it is open after a close", ErrDevice)}
	case op != controller.Sense && s.Open, op == controller.Sense && s.Current != nil && !*s.Current:
		return relay.LevelOpen, nil
	case op == controller.Sense && s.Current == nil:
		return relay.LevelUnknown, &controller.Refusal{Cause: fmt.Errorf("%w: it has no loop-current input", ErrState),
			Sure: true}
	}
	return relay.LevelClosed, nil
}
