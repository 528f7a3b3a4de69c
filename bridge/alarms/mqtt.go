package alarms

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math/rand/v2"
	"net"
	"net/url"
	"slices"
	"strings"
	"sync"
	"time"

	"clearback/bridge/relay"
	"clearback/bridge/relay/mqtt/broker"
	"clearback/bridge/relay/transport"
	"clearback/supervision/alarm"
)

// MQTTOptions are a broker and our topics there.
type MQTTOptions struct {
	// Address is mqtt://host:port, or mqtts://host:port with TLS. The default port is 1883, or 8883 with TLS.
	Address string
	// User and Password belong to the account; a password needs a user. The password is never shown.
	User, Password string
	TLS            transport.TLS
	// Topic begins all topics, such as "clearback/millrace". Each site needs its own.
	Topic string
}

// Our own numbers. The broker gives up after one and a half times keepAlive.
const (
	mqttKeepAlive = 30 * time.Second
	mqttTimeout   = 10 * time.Second
	// endedExpiry is how long the broker keeps the state of an alarm that has ended.
	endedExpiry = 30 * 24 * time.Hour
)

// Check returns what is wrong with the options. It reads no file.
func (o MQTTOptions) Check() []relay.Fault {
	f := relay.Faults(o.broker().Check())
	if err := broker.CheckTopic(o.Topic); err != nil {
		f.Add("topic", "%v", err)
	} else if strings.HasSuffix(o.Topic, "/") || len(o.Topic) > 256 {
		f.Add("topic", "%q: at most 256 bytes are allowed, and no / at the end", o.Topic)
	}
	return f
}

func (o MQTTOptions) broker() broker.Options {
	return broker.Options{Address: o.Address, User: o.User, Password: o.Password, TLS: o.TLS, Timeout: mqttTimeout,
		KeepAlive: mqttKeepAlive,
		// The network's own patience, since that of package transport is meant for a device on the same network.
		Dial: func(ctx context.Context, address string) (net.Conn, error) {
			return (&net.Dialer{Timeout: mqttTimeout}).DialContext(ctx, "tcp", address)
		}}
}

// MQTT publishes to an MQTT 5 broker, with quality of service 1, below the configured topic:
//
//	TOPIC/event         each message as JSON ([alarm.Message]). Not retained. After an outage, those are left out whose
//	                    alarms all have a newer message.
//	TOPIC/state/KEY     the state of the alarm with that key, as JSON ([State]). Retained; 30 days after the end of the
//	                    alarm the broker forgets it.
//	TOPIC/availability  the text online or offline. Retained. The broker publishes offline at most 45 s after the daemon,
//	                    its machine or its network has failed.
//
// In a key, + and # and control characters are replaced by an underscore.
type MQTT struct {
	opt     MQTTOptions
	address string
	offline chan struct{} // buffer 1: another availability than ours was published

	sending sync.Mutex // held by Send, so that Run does not end the connection meanwhile; lock it before mu

	mu      sync.Mutex
	running bool         // Run keeps a connection
	conn    *broker.Conn // nil: none yet
	deaf    bool         // the next connection does not subscribe
	files   reading[*broker.Broker]
}

// State is the payload of a state topic.
type State struct {
	State   string    `json:"state"`   // "on" while the alarm lasts, then "off"
	Site    string    `json:"site"`    // as in the message
	Message string    `json:"message"` // the ID of the message that brought this state
	At      time.Time `json:"at"`      // when that was decided
	alarm.Alarm
}

// NewMQTT returns a way out with the given options, or [ErrOptions]. Each new connection reads the certificate files,
// so that it takes renewed ones.
func NewMQTT(o MQTTOptions) (*MQTT, error) {
	if faults := o.Check(); len(faults) > 0 {
		return nil, relay.FaultError(ErrOptions, "mqtt", faults)
	}
	u, err := url.Parse(o.Address)
	if err != nil {
		return nil, fmt.Errorf("%w: mqtt: the address cannot be parsed", ErrOptions) // Check has reported it
	}
	return &MQTT{opt: o, address: u.Host, offline: make(chan struct{}, 1)}, nil
}

// NewestOnly tells the queue that a message may be left out if all its alarms have a newer one.
func (w *MQTT) NewestOnly() bool { return true }

// Run keeps a connection, and so the availability, until ctx ends. Then the broker publishes offline. While Run does
// not run, Send makes a connection for each message and leaves the availability alone.
func (w *MQTT) Run(ctx context.Context) {
	w.mu.Lock()
	w.running = true
	w.mu.Unlock()
	for ctx.Err() == nil {
		// Many sites may lose one broker together.
		pause := firstPause/2 + time.Duration(rand.Int64N(int64(firstPause/2)))
		w.keep(ctx)
		select {
		case <-time.After(pause):
		case <-ctx.Done():
		}
	}
	w.sending.Lock()
	defer w.sending.Unlock()
	w.mu.Lock()
	defer w.mu.Unlock()
	w.running = false
	if w.conn != nil {
		w.conn.Leave(true)
		w.conn = nil
	}
}

// keep keeps one connection until it ends. Another availability than ours is replaced: when a network has failed
// without a sign, the broker publishes the will of the old connection after we have made a new one.
func (w *MQTT) keep(ctx context.Context) {
	limited, cancel := context.WithTimeout(ctx, attemptTime)
	conn, err := w.connection(limited)
	cancel()
	if err != nil {
		return // Send reports the error
	}
	for {
		select {
		case <-conn.Gone():
			return
		case <-ctx.Done():
			return
		case <-w.offline:
			limited, cancel := context.WithTimeout(ctx, mqttTimeout)
			if err := publish(limited, conn, w.availability("online")); err != nil {
				conn.Fail(err) // the next connection publishes it
			}
			cancel()
		}
	}
}

func (w *MQTT) availability(state string) broker.Message {
	return broker.Message{Topic: w.opt.Topic + "/availability", Payload: []byte(state), Retain: true}
}

// receive takes what is published on the topic of our availability.
func (w *MQTT) receive(_ *broker.Conn, p broker.Publication) {
	if string(p.Payload) != "online" {
		signal(w.offline)
	}
}

// connection returns the connection that Run keeps, or a new one.
func (w *MQTT) connection(ctx context.Context) (*broker.Conn, error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.conn != nil {
		select {
		case <-w.conn.Gone():
			w.conn.Reset()
			w.conn = nil
		default:
			return w.conn, nil
		}
	}
	b, err := w.files.do(ctx, func() (*broker.Broker, error) { return broker.New(w.opt.broker()) })
	if err != nil {
		return nil, err
	}
	will := w.availability("offline")
	if !w.running {
		will = broker.Message{Topic: w.opt.Topic + "/test", Payload: []byte("ended")}
	}
	conn, err := b.Dial(ctx, broker.Session{ClientID: "clearback-alarms-" + broker.Unique(), Will: will,
		Receive: w.receive})
	if err != nil || !w.running {
		return conn, err
	}
	// A broker that does not let us read the topic, even one that then ends the connection, is no reason to send no
	// alarms.
	if w.deaf {
		w.deaf = false
	} else if conn.Subscribe(ctx, []broker.Subscription{{Topic: will.Topic, Fresh: true}}) != nil {
		select {
		case <-conn.Gone():
			w.deaf = true
		default:
		}
	}
	if err := publish(ctx, conn, w.availability("online")); err != nil {
		conn.Reset()
		return nil, err
	}
	w.conn = conn
	return conn, nil
}

// Send publishes a message: first the states, then the event.
func (w *MQTT) Send(ctx context.Context, m *alarm.Message) (answer string, err error) {
	all, err := w.publications(m)
	if err != nil {
		return "", &Permanent{fmt.Errorf("mqtt: %w", err)}
	}
	w.sending.Lock()
	defer w.sending.Unlock()
	conn, err := w.connection(ctx)
	if err != nil {
		return "", w.failure(err)
	}
	w.mu.Lock()
	ours := conn != w.conn
	w.mu.Unlock()
	if ours {
		defer conn.Leave(false)
	}
	for _, p := range all {
		if err := publish(ctx, conn, p); err != nil {
			if !errors.Is(err, broker.ErrDenied) {
				conn.Fail(err) // its state is unknown
			}
			return "", w.failure(err)
		}
	}
	return fmt.Sprintf("broker %s accepted %d publications", w.address, len(all)), nil
}

// publish publishes a message, and returns at once if the connection ends. It is no fault that nobody has subscribed.
func publish(ctx context.Context, c *broker.Conn, m broker.Message) error {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	go func() {
		select {
		case <-c.Gone():
			cancel()
		case <-ctx.Done():
		}
	}()
	if err := c.Publish(ctx, m, nil); !errors.Is(err, broker.ErrNoSubscriber) {
		return err
	}
	return nil
}

// tooLarge is the reason code for a packet that is too large for the broker (MQTT 5.0, section 3.14.2.1).
const tooLarge = 0x95

// lasting are the reason codes of a rejected message that another attempt cannot cure (MQTT 5.0, section 3.4.2.1): not
// authorized, topic name invalid, payload format invalid.
var lasting = []byte{0x87, 0x90, 0x99}

func (w *MQTT) failure(err error) error {
	said := fmt.Errorf("mqtt broker %s: %s", w.address, fit(err.Error(), w.opt.Password))
	var denied *broker.DeniedError
	var ended *broker.EndedError
	if errors.As(err, &denied) && slices.Contains(lasting, denied.Code) ||
		errors.As(err, &ended) && ended.Code == tooLarge {
		return &Permanent{said}
	}
	return said
}

func (w *MQTT) publications(m *alarm.Message) ([]broker.Message, error) {
	var all []broker.Message
	for _, a := range m.Alarms {
		s := State{State: "on", Site: m.Site, Message: m.ID, At: m.At, Alarm: a}
		expiry := time.Duration(0)
		if !a.Until.IsZero() {
			s.State, expiry = "off", endedExpiry
		}
		text, err := json.Marshal(s)
		if err != nil {
			return nil, err
		}
		all = append(all, broker.Message{Topic: w.opt.Topic + "/state/" + topicKey(a.Key), Payload: text, Retain: true,
			Expiry: expiry})
	}
	text, err := json.Marshal(m)
	return append(all, broker.Message{Topic: w.opt.Topic + "/event", Payload: text}), err
}

// topicKey makes a key fit for a topic.
func topicKey(key string) string {
	return strings.ToValidUTF8(strings.Map(func(r rune) rune {
		if r < 0x20 || r >= 0x7f && r < 0xa0 || r == 0xfffd || r == '+' || r == '#' {
			return '_'
		}
		return r
	}, key), "_")
}
