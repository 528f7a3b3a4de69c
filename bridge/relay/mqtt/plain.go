package mqtt

import (
	"context"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"clearback/bridge/relay"
	"clearback/bridge/relay/controller"
	"clearback/bridge/relay/mqtt/broker"
	"clearback/bridge/relay/transport"
)

// plainDevice is one connection to a device without the contract.
type plainDevice struct {
	*broker.Conn
	opt *Plain

	mu      sync.Mutex
	state   reading
	sense   reading
	changed chan struct{} // closed and replaced at each reading
}

// reading is the latest value on a topic.
type reading struct {
	level relay.Level
	err   error  // why the value cannot be used
	opens uint64 // number of times that the value was open
}

func (b *Board) connectPlain(ctx context.Context, o ContactOptions, id string) (controller.Session, error) {
	d := &plainDevice{opt: o.Plain, changed: make(chan struct{})}
	var err error
	d.Conn, err = b.broker.Dial(ctx, broker.Session{ClientID: id, Receive: d.receive,
		Will: o.Plain.Close.message(CloseExpiry), Subscribe: d.topics()})
	if err != nil {
		return nil, err
	}
	return controller.NewDeviceSession(d, b.opt.Timeout), nil
}

func (m *Message) message(expiry time.Duration) broker.Message {
	return broker.Message{Topic: m.Topic, Payload: []byte(m.Payload), Expiry: expiry}
}

// topics returns the subscriptions.
func (d *plainDevice) topics() []broker.Subscription {
	var all []broker.Subscription
	add := func(t string) {
		if !slices.ContainsFunc(all, func(s broker.Subscription) bool { return s.Topic == t }) {
			all = append(all, broker.Subscription{Topic: t})
		}
	}
	for _, v := range []*Value{d.opt.State, d.opt.Sense} {
		if v != nil {
			add(v.Topic)
		}
	}
	if a := d.opt.Available; a != nil {
		add(a.Topic)
	}
	return all
}

// receive handles a message of the device, or the broker's publication of its will.
func (d *plainDevice) receive(c *broker.Conn, m broker.Publication) {
	if err := d.opt.Available.check(m); err != nil {
		c.Fail(err)
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	d.state.take(d.opt.State, m)
	d.sense.take(d.opt.Sense, m)
	close(d.changed)
	d.changed = make(chan struct{})
}

// check returns an error if the message says, on the availability topic, anything else than that the device is
// connected.
func (a *Availability) check(m broker.Publication) error {
	if a == nil || a.Topic != m.Topic {
		return nil
	}
	got, err := transport.Value(m.Payload, a.Pointer)
	switch {
	case err != nil:
		return fmt.Errorf("%w: %s: %w", ErrState, m.Topic, err)
	case slices.Contains(a.Offline, got):
		return fmt.Errorf("%w: %s says %q", ErrOffline, m.Topic, got)
	case !slices.Contains(a.Online, got):
		return fmt.Errorf("%w: %s says %q, which is not a configured value", ErrState, m.Topic, got)
	}
	return nil
}

func (r *reading) take(v *Value, m broker.Publication) {
	if v == nil || v.Topic != m.Topic {
		return
	}
	got, err := transport.Value(m.Payload, v.Pointer)
	switch {
	case err != nil:
		r.level, r.err = relay.LevelUnknown, fmt.Errorf("%w: %s: %w", ErrState, m.Topic, err)
	case slices.Contains(v.Open, got):
		r.level, r.err = relay.LevelOpen, nil
		r.opens++
	case slices.Contains(v.Closed, got):
		r.level, r.err = relay.LevelClosed, nil
	default:
		r.level, r.err = relay.LevelUnknown, fmt.Errorf("%w: %s says %q, which is not a configured value", ErrState,
			m.Topic, got)
	}
}

// Close disconnects from the broker in order. The broker publishes the will all the same, so the contact is closed
// last.
func (d *plainDevice) Close() error {
	d.Leave(true)
	return nil
}

// Do publishes a command and waits until the state topic confirms it. For a read it returns the latest value instead.
func (d *plainDevice) Do(ctx context.Context, r controller.Request, before func() error) (relay.Level, error) {
	switch r.Op {
	case controller.Open:
		m := d.opt.opening(r.Duration)
		seen := d.look().opens
		if err := d.Publish(ctx, m.message(CommandExpiry), before); err != nil {
			return relay.LevelUnknown, publishError(r.Op, err)
		}
		return relay.LevelUnknown, d.await(ctx, func(now reading) bool {
			return now.level == relay.LevelOpen ||
				now.opens > seen
		})
	case controller.Close:
		if err := d.Publish(ctx, d.opt.Close.message(CloseExpiry), before); err != nil {
			return relay.LevelUnknown, publishError(r.Op, err)
		}
		return relay.LevelUnknown, d.await(ctx, func(now reading) bool { return now.level == relay.LevelClosed })
	case controller.Read:
		return d.ask(ctx, d.opt.State, &d.state, before)
	default:
		return d.ask(ctx, d.opt.Sense, &d.sense, before)
	}
}

func (d *plainDevice) look() reading {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.state
}

// await waits until the state topic has the wanted value. Without a state topic the broker's acknowledgement is enough.
func (d *plainDevice) await(ctx context.Context, done func(reading) bool) error {
	for d.opt.State != nil {
		d.mu.Lock()
		now, news := d.state, d.changed
		d.mu.Unlock()
		if done(now) {
			return nil
		}
		select {
		case <-news:
		case <-d.Gone():
			return d.Cause()
		case <-ctx.Done():
			if now.err != nil {
				return fmt.Errorf("%w (%w)", now.err, ctx.Err())
			}
			return fmt.Errorf("%s did not confirm the command: %w", d.opt.State.Topic, ctx.Err())
		}
	}
	return nil
}

// ask returns the latest value on a topic. It first subscribes again, since the broker must answer that, and a dead
// connection is so detected.
func (d *plainDevice) ask(ctx context.Context, v *Value, r *reading, before func() error) (relay.Level, error) {
	if before != nil {
		if err := before(); err != nil {
			return relay.LevelUnknown, err
		}
	}
	if err := d.Subscribe(ctx, []broker.Subscription{{Topic: v.Topic}}); err != nil {
		return relay.LevelUnknown, err
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	switch {
	case r.err != nil:
		return relay.LevelUnknown, r.err
	case r.level == relay.LevelUnknown:
		return relay.LevelUnknown, &controller.Refusal{Cause: fmt.Errorf("%w: nothing was published on %s yet",
			ErrState, v.Topic), Sure: true}
	}
	return r.level, nil
}

// opening returns the command for an opening of the given length.
func (p *Plain) opening(d time.Duration) *Message {
	if p.Timed == nil {
		return p.Open
	}
	words := strings.NewReplacer("{ms}", strconv.FormatInt(d.Milliseconds(), 10), "{s}",
		strconv.FormatFloat(d.Seconds(), 'f', -1, 64))
	return &Message{Topic: words.Replace(p.Timed.Topic), Payload: words.Replace(p.Timed.Payload)}
}
