package broker

import (
	"context"
	"errors"
	"fmt"
	"net"
	"sync"
	"time"

	"clearback/bridge/relay/transport"

	"github.com/eclipse/paho.golang/paho"
	"github.com/eclipse/paho.golang/paho/session"
)

const (
	// maxPending is the largest number of our publications that may wait for the broker at a time. Brokers accept at
	// least 10. At most an opening, a poll and a few closes are pending at the same time.
	maxPending = 8
	// maxPacket is the largest packet that we accept, in bytes.
	maxPacket = 64 << 10
	// receiveMost is the largest number of the broker's publications that may wait for us. We read them immediately.
	receiveMost = 64
)

// Message is a publication that we send, with quality of service 1.
type Message struct {
	Topic   string
	Payload []byte
	Retain  bool
	// Expiry, in whole seconds, is how long a broker may keep the message for a disconnected client; 0 means for ever.
	Expiry time.Duration
}

// Publication is a publication that we receive.
type Publication struct {
	Topic   string
	Payload []byte
	// Retained means that the broker had kept the message from before the subscription.
	Retained bool
}

// Subscription is a subscription to one topic, with quality of service 1.
type Subscription struct {
	Topic string
	// Fresh excludes the retained message.
	Fresh bool
}

// Session holds the parameters of a connection.
type Session struct {
	ClientID string
	// Will is published by the broker, without delay, if the connection ends without a call of Leave(false).
	Will Message
	// Receive is called for each publication, one at a time and in order, possibly before Dial returns. It must not
	// block.
	Receive func(*Conn, Publication)
	// Subscribe lists the topics to subscribe to.
	Subscribe []Subscription
}

// Conn is one connection. All methods are safe for concurrent use.
type Conn struct {
	client *paho.Client
	raw    net.Conn
	room   chan struct{} // a counting semaphore of the pending publications; set by greet

	once sync.Once
	gone chan struct{} // closed after err was set
	err  error
}

var (
	// ErrNoSubscriber means that the broker accepted the message but no client is subscribed to its topic (reason code
	// 0x10).
	ErrNoSubscriber = errors.New("broker: no client is subscribed to the topic")
	// ErrDenied means that the broker rejected the message. Nothing was delivered. See [DeniedError].
	ErrDenied = errors.New("broker: the broker rejected the message")
	// ErrUnwritten means that the connection ended before any byte of the message was written.
	ErrUnwritten = errors.New("broker: the message was not written")
	// ErrConnEnded means that the connection has ended.
	ErrConnEnded = errors.New("broker: the connection has ended")
)

// DeniedError is an [ErrDenied] with the broker's reason code, 0x80 or more (MQTT 5.0, section 3.4.2.1).
type DeniedError struct {
	Topic string
	Code  byte
}

func (e *DeniedError) Error() string {
	return fmt.Sprintf("%v to %s: reason code 0x%02x%s", ErrDenied, e.Topic, e.Code, explain(e.Code))
}

// EndedError is the broker's reason for ending a connection (MQTT 5.0, section 3.14.2.1).
type EndedError struct{ Code byte }

func (e *EndedError) Error() string {
	return fmt.Sprintf("the broker ended the connection: reason code 0x%02x%s", e.Code, explain(e.Code))
}

// Is reports whether the target is [ErrDenied].
func (e *DeniedError) Is(target error) bool { return target == ErrDenied }

// Dial connects and subscribes. It uses a clean start and a session that ends with the connection. It returns an error
// when ctx ends or after the time-out.
func (b *Broker) Dial(ctx context.Context, s Session) (*Conn, error) {
	ctx, cancel := context.WithTimeout(ctx, b.opt.Timeout)
	defer cancel()
	raw, conn, err := b.dial(ctx)
	if err != nil {
		return nil, err
	}
	c := &Conn{raw: raw, gone: make(chan struct{})}
	c.client = paho.NewClient(paho.ClientConfig{
		Conn: &lockedConn{Conn: conn, raw: raw, limit: b.opt.Timeout}, PacketTimeout: b.opt.Timeout,
		OnClientError: func(err error) { c.Fail(err) },
		OnServerDisconnect: func(d *paho.Disconnect) {
			c.Fail(&EndedError{Code: d.ReasonCode})
		},
		OnPublishReceived: []func(paho.PublishReceived) (bool, error){func(p paho.PublishReceived) (bool, error) {
			s.Receive(c, Publication{Topic: p.Packet.Topic, Payload: p.Packet.Payload, Retained: p.Packet.Retain})
			return true, nil
		}},
	})
	if err := c.greet(ctx, b.opt, s); err != nil {
		return nil, err
	}
	if err := c.Subscribe(ctx, s.Subscribe); err != nil {
		c.Reset()
		return nil, err
	}
	return c, nil
}

func (c *Conn) greet(ctx context.Context, o Options, s Session) error {
	p := &paho.Connect{ClientID: s.ClientID, CleanStart: true, KeepAlive: uint16(o.KeepAlive / time.Second),
		Username: o.User, UsernameFlag: o.User != "", Password: []byte(o.Password), PasswordFlag: o.Password != "",
		WillMessage:    &paho.WillMessage{Topic: s.Will.Topic, Payload: s.Will.Payload, QoS: 1, Retain: s.Will.Retain},
		WillProperties: &paho.WillProperties{WillDelayInterval: new(uint32(0)), MessageExpiry: expiry(s.Will.Expiry)},
		Properties: &paho.ConnectProperties{SessionExpiryInterval: new(uint32(0)),
			ReceiveMaximum:    new(uint16(receiveMost)),
			MaximumPacketSize: new(uint32(maxPacket)), RequestProblemInfo: true}}
	a, err := c.client.Connect(ctx, p)
	switch {
	case err == nil:
	case a != nil && a.ReasonCode != 0:
		return fmt.Errorf("the broker refused the connection: reason code 0x%02x%s", a.ReasonCode,
			explain(a.ReasonCode))
	default:
		return fmt.Errorf("MQTT: %w", err)
	}
	room := maxPending
	if a.Properties != nil && a.Properties.ReceiveMaximum != nil {
		// otherwise the library would hold back a message that before has just allowed
		room = min(room, int(*a.Properties.ReceiveMaximum))
	}
	c.room = make(chan struct{}, room)
	if a.Properties != nil && a.Properties.MaximumQoS != nil && *a.Properties.MaximumQoS == 0 {
		c.Reset()
		return errors.New("the broker does not support quality of service 1, so it cannot confirm a command")
	}
	return nil
}

// Subscribe subscribes to topics. It returns when the broker has confirmed the subscriptions.
func (c *Conn) Subscribe(ctx context.Context, all []Subscription) error {
	if len(all) == 0 {
		return nil
	}
	p := &paho.Subscribe{}
	for _, s := range all {
		o := paho.SubscribeOptions{Topic: s.Topic, QoS: 1}
		if s.Fresh {
			o.RetainHandling = 2
		}
		p.Subscriptions = append(p.Subscriptions, o)
	}
	a, err := c.client.Subscribe(ctx, p)
	if a != nil {
		for i, r := range a.Reasons {
			if r >= 0x80 && i < len(all) {
				return fmt.Errorf("the broker refused the subscription to %s: reason code 0x%02x%s", all[i].Topic, r,
					explain(r))
			}
		}
	}
	if err != nil {
		return c.failure("subscribing", err)
	}
	return nil
}

// Publish sends a message to the broker and returns when the broker has accepted it. If before is not nil, it is called
// just before the bytes are written, and its error prevents the write and is returned unchanged. [ErrNoSubscriber],
// [ErrDenied] and [ErrUnwritten] mean that nothing was delivered to any client. After any other error that is unknown.
func (c *Conn) Publish(ctx context.Context, m Message, before func() error) error {
	select {
	case c.room <- struct{}{}:
		defer func() { <-c.room }()
	case <-ctx.Done():
		return c.failure("publishing", ctx.Err())
	case <-c.gone:
		return c.failure("publishing", c.err)
	}
	if before != nil {
		if err := before(); err != nil {
			return err
		}
	}
	p := &paho.Publish{Topic: m.Topic, Payload: m.Payload, QoS: 1, Retain: m.Retain,
		Properties: &paho.PublishProperties{MessageExpiry: expiry(m.Expiry)}}
	a, err := c.client.Publish(ctx, p)
	switch {
	case a != nil && a.ReasonCode == 0x10:
		return fmt.Errorf("%w: %s", ErrNoSubscriber, m.Topic)
	case a != nil && a.ReasonCode >= 0x80:
		return &DeniedError{Topic: m.Topic, Code: a.ReasonCode}
	case errors.Is(err, session.ErrNoConnection): // no byte of the message was written
		return fmt.Errorf("%w: %s: %w", ErrUnwritten, m.Topic, c.failure("publishing", err))
	case err != nil:
		return c.failure("publishing to "+m.Topic, err)
	}
	return nil
}

func (c *Conn) failure(doing string, err error) error {
	select {
	case <-c.gone:
		return fmt.Errorf("%s: %w: %w", doing, ErrConnEnded, c.err)
	default:
		return fmt.Errorf("%s: %w", doing, err)
	}
}

// Gone is closed when the connection has ended. Cause then returns the reason.
func (c *Conn) Gone() <-chan struct{} { return c.gone }

// Cause waits for the end of the connection and returns the reason.
func (c *Conn) Cause() error {
	<-c.gone
	return c.err
}

// Fail marks the connection as unusable, with the first error given. The caller must then call Reset or Leave.
func (c *Conn) Fail(err error) {
	c.once.Do(func() {
		c.err = err
		close(c.gone)
	})
}

// Reset ends the connection and discards data that was not delivered. The broker publishes the will.
func (c *Conn) Reset() {
	c.Fail(net.ErrClosed)
	if t, ok := c.raw.(*net.TCPConn); ok {
		_ = t.SetLinger(0) // fails only on a closed socket
	}
	_ = c.raw.Close()
	_ = c.client.Disconnect(&paho.Disconnect{}) // writes nothing, but waits for the client's goroutines
}

// Leave ends the connection in order. With will set, the broker publishes the will all the same (reason code 0x04).
func (c *Conn) Leave(will bool) {
	c.Fail(net.ErrClosed)
	d := &paho.Disconnect{}
	if will {
		d.ReasonCode = 0x04
	}
	_ = c.client.Disconnect(d) // if the broker does not receive it, it publishes the will too
}

func expiry(d time.Duration) *uint32 {
	if d == 0 {
		return nil
	}
	return new(uint32(d / time.Second))
}

// explain explains the reason codes that an operator may meet (MQTT 5.0, section 2.4).
func explain(code byte) string {
	switch code {
	case 0x84:
		return " (it does not speak MQTT 5)"
	case 0x85:
		return " (it rejects the client identifier)"
	case 0x86:
		return " (wrong user or password)"
	case 0x87:
		return " (not authorized: wrong user or password, or that account may not do this)"
	case 0x88, 0x89, 0x8b:
		return " (it is busy or shutting down)"
	case 0x8e:
		return " (another client connected with the same identifier)"
	case 0x97:
		return " (a quota is used up)"
	}
	return ""
}

// lockedConn lets one packet at a time be written, for at most the limit.
type lockedConn struct {
	net.Conn
	sync.Mutex
	raw   net.Conn // the TCP connection, beneath TLS if there is TLS
	limit time.Duration
}

// Read acknowledges at once, since most brokers hold a message back until the previous one is acknowledged.
func (l *lockedConn) Read(b []byte) (int, error) {
	transport.AcknowledgeAtOnce(l.raw)
	return l.Conn.Read(b)
}

func (l *lockedConn) Write(b []byte) (int, error) {
	if err := l.SetWriteDeadline(time.Now().Add(l.limit)); err != nil {
		return 0, err
	}
	return l.Conn.Write(b)
}
