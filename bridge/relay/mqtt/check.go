package mqtt

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"clearback/bridge/relay/mqtt/broker"
	"clearback/bridge/relay/transport"
)

const (
	// defaultLimit is the longest opening requested if no limit is set. The device may have a lower limit.
	defaultLimit = 10 * time.Second
	// limitMax is the upper bound of the limit option. It only catches mistakes; the policy's bound is far lower.
	limitMax = time.Hour
)

func isClientID(s string) bool {
	return len(s) <= 23 && !strings.ContainsFunc(s, func(r rune) bool {
		return (r < '0' || r > '9') && (r < 'a' || r > 'z') && (r < 'A' || r > 'Z') && r != '-' && r != '_'
	})
}

func (o ContactOptions) check() error {
	bad := func(format string, a ...any) error {
		return fmt.Errorf("%w: line %s: %s", ErrOptions, o.Name, fmt.Sprintf(format, a...))
	}
	switch {
	case (o.Prefix == "") == (o.Plain == nil):
		return bad("prefix and plain: set one of them")
	case o.Plain != nil && o.Sense:
		return bad("sense beside plain: set the sense of a plain device inside plain")
	case o.Plain != nil:
		if err := o.Plain.check(); err != nil {
			return bad("plain: %v", err)
		}
		return nil
	case o.Limit < time.Millisecond || o.Limit > limitMax:
		return bad("limit %v; allowed are 1ms to %v", o.Limit, limitMax)
	case strings.HasPrefix(o.Prefix, "/") || strings.HasSuffix(o.Prefix, "/"):
		return bad("prefix %q: it neither begins nor ends with /", o.Prefix)
	}
	if err := broker.CheckTopic(o.Prefix); err != nil {
		return bad("prefix: %v", err)
	}
	return nil
}

func (p *Plain) check() error {
	switch {
	case !p.AcceptLateOpening:
		return errors.New("accept_late_opening is not set: such a device cannot tell an old command from a new one; " +
			"if the broker or the network stands still, the loop may open seconds later, during whatever call is " +
			"on the line; set accept_late_opening to accept that, or use a device with the contract (prefix)")
	case p.Close == nil:
		return errors.New("close is missing: without it an opening cannot be ended")
	case p.Timed != nil && p.Open != nil:
		return errors.New("timed and open are both set; leave out open, since the device times its openings")
	case p.Timed == nil && p.Open == nil:
		return errors.New("timed and open are both missing; set timed if the device has a timer, otherwise open")
	case p.Open != nil && *p.Open == *p.Close:
		return errors.New("open and close are the same message")
	}
	var errs []error
	add := func(name string, err error) {
		if err != nil {
			errs = append(errs, fmt.Errorf("%s: %w", name, err))
		}
	}
	add("close", broker.CheckTopic(p.Close.Topic))
	if p.Open != nil {
		add("open", broker.CheckTopic(p.Open.Topic))
	}
	if p.Timed != nil {
		add("timed", p.Timed.check())
	}
	if p.State != nil {
		add("state", checkValue(p.State.Topic, p.State.Pointer, p.State.Open, p.State.Closed))
	}
	if p.Sense != nil {
		add("sense", checkValue(p.Sense.Topic, p.Sense.Pointer, p.Sense.Open, p.Sense.Closed))
	}
	if a := p.Available; a != nil {
		add("available", checkValue(a.Topic, a.Pointer, a.Online, a.Offline))
	}
	return errors.Join(errs...)
}

func (t *Timed) check() error {
	unit := t.unit()
	switch {
	case !t.has("{ms}") && !t.has("{s}"):
		return errors.New("neither topic nor payload has {ms} or {s}; the length of an opening must be sent with it")
	case unit < time.Millisecond || unit%time.Millisecond != 0:
		return fmt.Errorf("unit %v; allowed are whole milliseconds, 1ms or more", unit)
	case t.Limit < unit || t.Limit > limitMax:
		return fmt.Errorf("limit %v; allowed are %v to %v", t.Limit, unit, limitMax)
	}
	return broker.CheckTopic(t.Topic)
}

func (t *Timed) has(word string) bool {
	return strings.Contains(t.Topic, word) || strings.Contains(t.Payload, word)
}

// unit returns the unit to which lengths are rounded up.
func (t *Timed) unit() time.Duration {
	switch {
	case t.Unit != 0:
		return t.Unit
	case t.has("{ms}"):
		return time.Millisecond
	default:
		return time.Second
	}
}

func checkValue(topic, pointer string, one, other []string) error {
	if err := errors.Join(broker.CheckTopic(topic), transport.CheckPointer(pointer)); err != nil {
		return err
	}
	if len(one) == 0 || len(other) == 0 {
		return errors.New("it needs the values of both states")
	}
	for _, v := range one {
		if slices.Contains(other, v) {
			return fmt.Errorf("%q cannot be both", v)
		}
	}
	return nil
}
