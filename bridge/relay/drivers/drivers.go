// Package drivers opens the contacts that a configuration asks for: the one place where configuration becomes a driver's options.
package drivers

import (
	"context"
	"errors"
	"fmt"
	"sync"

	"clearback/bridge/relay"
	"clearback/bridge/relay/modbus"
	"clearback/config"
)

// ErrConfig: the configuration names a driver or a controller that does not exist. The loader of the file finds that first.
var ErrConfig = errors.New("drivers: the configuration cannot be carried out")

// Options of [Open].
type Options struct {
	// Notify receives notices of all controllers. It must not block. Nil: none.
	Notify func(relay.Notice)
	// NoLock leaves the contacts unclaimed; only for closing.
	NoLock bool
}

// NotClosed is a line whose contact is not known to be closed.
type NotClosed struct {
	Line       string
	Controller string
	Err        error
}

// Set holds the contacts of all lines and the controllers behind them. It is safe for concurrent use.
type Set struct {
	contacts map[string]relay.Contact
	boards   []board
}

type board struct {
	name string
	*modbus.Board
}

// Open makes all contacts and starts their controllers; it does not wait for them. On an error nothing is left running.
func Open(cfg *config.Config, o Options) (*Set, error) {
	s := &Set{contacts: map[string]relay.Contact{}}
	if err := s.build(cfg, o); err != nil {
		s.Shutdown(context.Background()) // nothing was started: it only frees the claims
		return nil, err
	}
	for _, b := range s.boards {
		b.Start()
	}
	return s, nil
}

func (s *Set) build(cfg *config.Config, o Options) error {
	for _, c := range cfg.Controllers {
		if c.Driver != "modbus" {
			return fmt.Errorf("%w: controller %s: driver %q; known is modbus", ErrConfig, c.Name, c.Driver)
		}
		b, err := modbus.NewBoard(modbus.Options{Name: c.Name, Address: c.Modbus.Address, Timeout: c.Modbus.Timeout, Notify: o.Notify, NoLock: o.NoLock})
		if err != nil {
			return fmt.Errorf("controller %s: %w", c.Name, err)
		}
		s.boards = append(s.boards, board{c.Name, b})
	}
	for _, l := range cfg.Lines {
		c, err := s.contact(l)
		if err != nil {
			return err
		}
		if _, twice := s.contacts[l.Name]; twice {
			return fmt.Errorf("%w: two lines are called %s", ErrConfig, l.Name)
		}
		s.contacts[l.Name] = c
	}
	return nil
}

func (s *Set) contact(l config.Line) (relay.Contact, error) {
	switch l.Contact.Driver {
	case "none":
		return relay.NoContact{}, nil
	case "modbus":
		for _, b := range s.boards {
			if b.name == l.Contact.Controller {
				return modbusContact(b.Board, l)
			}
		}
		return nil, fmt.Errorf("%w: line %s: no controller is called %q", ErrConfig, l.Name, l.Contact.Controller)
	default:
		return nil, fmt.Errorf("%w: line %s: driver %q; known are none and modbus", ErrConfig, l.Name, l.Contact.Driver)
	}
}

func modbusContact(b *modbus.Board, l config.Line) (relay.Contact, error) {
	c := l.Contact
	o := modbus.ContactOptions{Name: l.Name, Unit: c.Unit, Coil: c.Coil}
	switch c.OpenLevel {
	case "on":
		o.OpenOn = true
	case "off":
	default:
		return nil, fmt.Errorf("%w: line %s: open_level %q; allowed are on and off", ErrConfig, l.Name, c.OpenLevel)
	}
	if t := c.Timed; t != nil {
		o.Timed = &modbus.Timed{Register: t.Register, Unit: t.Unit, Limit: t.Limit}
	}
	if w := c.Watchdog; w != nil {
		o.Watchdog = &modbus.Watchdog{Register: w.Register, Unit: w.Unit, Timeout: w.Timeout}
	}
	if s := c.Sense; s != nil {
		o.Sense = &modbus.Sense{Input: s.Input, CurrentOn: s.CurrentWhen == "on"}
	}
	contact, err := b.Contact(o)
	if err != nil {
		return nil, err // not a nil *Contact in an interface
	}
	return contact, nil
}

// Contact returns the contact of a line, nil if no line has that name. A line with `driver: none` has a [relay.NoContact].
func (s *Set) Contact(line string) relay.Contact { return s.contacts[line] }

// Ready waits until every controller is connected and was asked to close its contacts, or ctx ends; it then names all that are not.
func (s *Set) Ready(ctx context.Context) error {
	errs := make([]error, len(s.boards))
	s.each(func(i int, b board) { errs[i] = b.Ready(ctx) })
	return errors.Join(errs...)
}

// Shutdown closes every contact, waits for the confirmations until ctx ends, and ends everything. It names the lines
// whose contact is not known to be closed.
func (s *Set) Shutdown(ctx context.Context) []NotClosed {
	parts := make([][]NotClosed, len(s.boards))
	s.each(func(i int, b board) {
		for _, n := range b.Shutdown(ctx) {
			parts[i] = append(parts[i], NotClosed{Line: n.Contact, Controller: b.name, Err: n.Err})
		}
	})
	var all []NotClosed
	for _, p := range parts {
		all = append(all, p...)
	}
	return all
}

// each runs f for all boards at once, so that a dead one does not hold up the others.
func (s *Set) each(f func(int, board)) {
	var wg sync.WaitGroup
	for i, b := range s.boards {
		wg.Go(func() { f(i, b) })
	}
	wg.Wait()
}

// CloseAll closes every contact of a configuration without a daemon, as after one that was killed, and names those not known to
// be closed when ctx ends. It claims no contact: a close is safe at any time, also beside a daemon that hangs.
func CloseAll(ctx context.Context, cfg *config.Config, notify func(relay.Notice)) ([]NotClosed, error) {
	s, err := Open(cfg, Options{Notify: notify, NoLock: true})
	if err != nil {
		return nil, err
	}
	return s.Shutdown(ctx), nil
}
