package mqtt

import (
	"context"
	"fmt"
	"time"

	"clearback/bridge/relay"
	"clearback/bridge/relay/controller"
	"clearback/bridge/relay/mqtt/broker"
)

// Board is a group of devices behind one broker. Add the contacts, then call Start. All methods are safe for concurrent
// use.
type Board struct {
	controller.Group
	opt    Options
	broker *broker.Broker
	id     string // prefix of this process's client identifiers

	contacts int // set by Contact before Start
}

// Contact is one contact of a device behind the broker. It has its own connection.
type Contact struct{ *controller.Contact }

var (
	_ relay.Contact = (*Contact)(nil)
	_ relay.Reader  = (*Contact)(nil)
	_ relay.Sensor  = (*Contact)(nil)
)

const (
	defaultTimeout   = time.Second
	defaultKeepAlive = 5 * time.Second
)

// NewBoard returns a board with the given options, or [ErrOptions]. It reads the certificate files. It does not
// connect.
func NewBoard(o Options) (*Board, error) {
	o = o.withDefaults()
	if err := relay.FaultError(ErrOptions, "broker "+o.Name, o.Check()); err != nil {
		return nil, err
	}
	b, err := broker.New(o.broker())
	if err != nil {
		return nil, fmt.Errorf("%w: broker %s: %w", ErrOptions, o.Name, err)
	}
	return &Board{opt: o, broker: b, id: o.ClientID + "-" + broker.Unique()}, nil
}

// Contact adds a contact. It may be called only before Start. It returns [relay.ErrLocked] if this process or another
// one has claimed the contact already.
func (b *Board) Contact(o ContactOptions) (*Contact, error) {
	switch {
	case o.Plain != nil:
		o.Limit = 0 // a faulty file must not keep the contact from being closed
	case o.Limit == 0:
		o.Limit = DefaultLimit
	}
	if err := relay.FaultError(ErrOptions, "line "+o.Name, o.Check()); err != nil {
		return nil, err
	}
	// If the same client identifier connects again, the broker ends the rest of the previous connection. The broker
	// publishes that connection's will then or not at all (mosquitto 2.0 drops it, as tried). The will cannot interrupt
	// an opening of the new connection, which begins with a close of its own.
	id := fmt.Sprintf("%s-%d", b.id, b.contacts)
	engine := controller.Options{Name: b.opt.Name, Noun: "broker",
		At: fmt.Sprintf("%s (line %s)", b.broker.Address(), o.Name), Timeout: b.opt.Timeout,
		Poll: b.opt.Poll, Unordered: true, Notify: b.opt.Notify, NoLock: b.opt.NoLock, Now: b.opt.Now,
		Connect: func(ctx context.Context) (controller.Session, error) { return b.connectContract(ctx, o, id) }}
	contact := controller.ContactOptions{Name: o.Name, Kind: relay.KindOneshot, Try: controller.TryWithZeroLength,
		Timed: &controller.Timed{Quantum: time.Millisecond, Limit: o.Limit}, Senses: o.Sense,
		Claim: fmt.Sprintf("mqtt %s %s/%s", b.broker.Address(), o.Prefix, TopicClose)}
	if p := o.Plain; p != nil {
		engine.Connect = func(ctx context.Context) (controller.Session, error) { return b.connectPlain(ctx, o, id) }
		contact.Kind, contact.Timed, contact.Senses, contact.Blind, contact.Try = relay.KindNone, nil, p.Sense != nil,
			p.State == nil, controller.TryNever
		contact.Claim = fmt.Sprintf("mqtt %s %s %s", b.broker.Address(), p.Close.Topic, p.Close.Payload)
		if p.Timed != nil {
			contact.Timed = &controller.Timed{Quantum: p.Timed.unit(), Limit: p.Timed.Limit}
		}
	}
	c := controller.New(engine)
	driven, err := c.Contact(contact)
	if err != nil {
		return nil, err
	}
	b.contacts++
	b.Add(c)
	return &Contact{driven}, nil
}
