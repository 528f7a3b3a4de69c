// Package drivers opens the contacts that a configuration asks for: the one place where configuration becomes a
// driver's options.
package drivers

import (
	"context"
	"errors"
	"fmt"
	"sync"

	"clearback/bridge/relay"
	"clearback/config"
)

// ErrConfig: the configuration names a driver or a controller that does not exist. The loader of the file finds that
// first.
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
	boards   []openController
}

// Open makes all contacts and starts their controllers; it does not wait for them. On an error nothing is left running.
func Open(cfg *config.Config, o Options) (*Set, error) {
	s := &Set{contacts: map[string]relay.Contact{}}
	if err := errors.Join(s.build(cfg, o)...); err != nil {
		s.Shutdown(context.Background()) // nothing was started: it only frees the claims
		return nil, err
	}
	s.start()
	return s, nil
}

func (s *Set) start() {
	for _, b := range s.boards {
		b.Start()
	}
}

// build makes what can be made and returns what cannot.
func (s *Set) build(cfg *config.Config, o Options) (errs []error) {
	for i := range cfg.Controllers {
		b, err := open(&cfg.Controllers[i], o)
		if err != nil {
			errs = append(errs, err)
			continue
		}
		s.boards = append(s.boards, b)
	}
	for _, l := range cfg.Lines {
		if _, twice := s.contacts[l.Name]; twice {
			errs = append(errs, fmt.Errorf("%w: two lines are called %s", ErrConfig, l.Name))
			continue
		}
		c, err := s.contact(l)
		if err != nil {
			errs = append(errs, err)
			continue
		}
		s.contacts[l.Name] = c
	}
	return errs
}

func (s *Set) contact(l config.Line) (relay.Contact, error) {
	if l.Contact.Driver == config.DriverNone {
		return relay.NoContact{}, nil
	}
	for _, b := range s.boards {
		if b.name != l.Contact.Controller {
			continue
		}
		if b.driver != l.Contact.Driver {
			return nil, fmt.Errorf("%w: line %s: driver %q, and controller %s is driven by %s", ErrConfig, l.Name,
				l.Contact.Driver, b.name, b.driver)
		}
		c, err := b.contact(l)
		if err != nil {
			return nil, err
		}
		if r := l.Contact.Require; r != "" && !satisfies(c.Kind(), r) {
			return nil, fmt.Errorf("%w: line %s: a contact of kind %s is required, and this one is of kind %v",
				ErrConfig, l.Name, r, c.Kind())
		}
		return c, nil
	}
	return nil, fmt.Errorf("%w: line %s: driver %q: no controller is called %q", ErrConfig, l.Name, l.Contact.Driver,
		l.Contact.Controller)
}

// satisfies reports whether a kind is at least the required one; each does what those before it do.
func satisfies(k relay.Kind, required string) bool {
	for _, least := range []relay.Kind{relay.KindNone, relay.KindWatchdog, relay.KindOneshot} {
		if least.String() == required {
			return k >= least
		}
	}
	return false
}

// Check tells what the drivers would not take of a configuration, beyond what the loader of the file finds: such as a
// certificate that cannot be read. It reaches nothing and claims nothing.
func Check(cfg *config.Config) error {
	s := &Set{contacts: map[string]relay.Contact{}}
	err := errors.Join(s.build(cfg, Options{NoLock: true})...)
	s.Shutdown(context.Background()) // nothing was started
	return err
}

// Contact returns the contact of a line, nil if no line has that name. A line with `driver: none` has a
// [relay.NoContact].
func (s *Set) Contact(line string) relay.Contact { return s.contacts[line] }

// Ready waits until every controller is connected and was asked to close its contacts, or ctx ends; it then names all
// that are not.
func (s *Set) Ready(ctx context.Context) error {
	errs := make([]error, len(s.boards))
	s.each(func(i int, b openController) { errs[i] = b.Ready(ctx) })
	return errors.Join(errs...)
}

// Shutdown closes every contact, waits for the confirmations until ctx ends, and ends everything. It names the lines
// whose contact is not known to be closed.
func (s *Set) Shutdown(ctx context.Context) []NotClosed {
	parts := make([][]NotClosed, len(s.boards))
	s.each(func(i int, b openController) {
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
func (s *Set) each(f func(int, openController)) {
	var wg sync.WaitGroup
	for i, b := range s.boards {
		wg.Go(func() { f(i, b) })
	}
	wg.Wait()
}

// CloseAll closes every contact of a configuration without a daemon, as after one that was killed, and names those not
// known to be closed when ctx ends. It claims no contact: a close is safe at any time, also beside a daemon that hangs.
// The error tells of those that could not be made out; the others are closed all the same.
func CloseAll(ctx context.Context, cfg *config.Config, notify func(relay.Notice)) ([]NotClosed, error) {
	s := &Set{contacts: map[string]relay.Contact{}}
	err := errors.Join(s.build(cfg, Options{Notify: notify, NoLock: true})...)
	s.start()
	return s.Shutdown(ctx), err
}
