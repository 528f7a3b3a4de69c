// Package drivers opens the contacts of a configuration. It is the only place that turns a configuration into a
// driver's options.
package drivers

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"slices"
	"sync"

	"clearback/bridge/relay"
	"clearback/config"
)

// ErrConfig means that the configuration names a driver or a controller that does not exist, or lacks a part. Package
// config reports such errors first.
var ErrConfig = errors.New("drivers: the configuration cannot be carried out")

// Options are the options of [Open].
type Options struct {
	// Notify receives the notices of all controllers. It must not block. Nil discards them.
	Notify func(relay.Notice)
	// NoLock leaves the contacts unclaimed. It is only for closing.
	NoLock bool
}

// NotClosed is a line whose contact is not known to be closed.
type NotClosed struct {
	Line       string
	Controller string
	Err        error // why
}

// String returns a text for people: the line, its controller and the reason.
func (n NotClosed) String() string { return fmt.Sprintf("%s (%s): %v", n.Line, n.Controller, n.Err) }

// Set holds the contacts of all lines and the controllers behind them. It is safe for concurrent use.
type Set struct {
	mu       sync.Mutex // held to read or change the fields
	contacts map[string]relay.Contact
	boards   []openController
}

// Open makes all contacts and starts their controllers. It does not wait for them. If it returns an error, nothing is
// left running.
func Open(cfg *config.Config, o Options) (*Set, error) {
	s := &Set{contacts: map[string]relay.Contact{}}
	if err := errors.Join(s.build(cfg, o)...); err != nil {
		s.Shutdown(context.Background()) // nothing was started, so this only releases the claims
		return nil, err
	}
	s.start()
	return s, nil
}

// Add makes the controllers that cfg has and starts them, and makes the contacts of its lines, beside those that the
// set has already. If it returns an error, it has added nothing.
func (s *Set) Add(cfg *config.Config, o Options) error {
	more, err := Open(cfg, o)
	if err != nil {
		return err
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	maps.Copy(s.contacts, more.contacts)
	s.boards = append(s.boards, more.boards...)
	return nil
}

// Remove closes every contact of these controllers, waits for the confirmations until ctx ends, and then ends the
// controllers. It returns the lines whose contact is not known to be closed.
func (s *Set) Remove(ctx context.Context, controllers ...string) []NotClosed {
	s.mu.Lock()
	gone := &Set{}
	s.boards = slices.DeleteFunc(slices.Clone(s.boards), func(b openController) bool {
		is := slices.Contains(controllers, b.name)
		if is {
			gone.boards = append(gone.boards, b)
		}
		return is
	})
	s.mu.Unlock()
	return gone.Shutdown(ctx)
}

func (s *Set) start() {
	for _, b := range s.boards {
		b.Start()
	}
}

// build makes as many controllers and contacts as it can, and returns an error for each that it cannot make.
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
		c, err := s.contact(&l)
		if err != nil {
			errs = append(errs, err)
			continue
		}
		s.contacts[l.Name] = c
	}
	return errs
}

func (s *Set) contact(l *config.Line) (relay.Contact, error) {
	if l.Contact.Driver == config.DriverNone {
		return relay.NoContact{}, nil
	}
	for _, b := range s.boards {
		if b.name != l.Contact.Controller {
			continue
		}
		if b.driver != l.Contact.Driver {
			return nil, fmt.Errorf("%w: line %s: driver %q, but controller %s has driver %s", ErrConfig, l.Name,
				l.Contact.Driver, b.name, b.driver)
		}
		if k := &l.Contact; k.HasLevel() && k.OpenLevel != "on" && k.OpenLevel != "off" {
			return nil, fmt.Errorf("%w: line %s: open_level %q; allowed are on and off", ErrConfig, l.Name, k.OpenLevel)
		}
		c, err := b.contact(l)
		if err != nil {
			return nil, err
		}
		if r := l.Contact.Require; r != "" && !satisfies(c.Kind(), r) {
			return nil, fmt.Errorf("%w: line %s: a contact of kind %s is required, but this one is of kind %v",
				ErrConfig, l.Name, r, c.Kind())
		}
		return c, nil
	}
	return nil, fmt.Errorf("%w: line %s: driver %q: no controller is called %q", ErrConfig, l.Name, l.Contact.Driver,
		l.Contact.Controller)
}

// satisfies reports whether a kind is at least the required one. Each kind gives the guarantees of the kinds below it.
func satisfies(k relay.Kind, required string) bool {
	for _, least := range []relay.Kind{relay.KindNone, relay.KindWatchdog, relay.KindOneshot} {
		if least.String() == required {
			return k >= least
		}
	}
	return false
}

// Check returns the errors in a configuration that only the drivers find, such as a certificate that cannot be read. It
// connects to nothing and claims nothing.
func Check(cfg *config.Config) error {
	s := &Set{contacts: map[string]relay.Contact{}}
	err := errors.Join(s.build(cfg, Options{NoLock: true})...)
	s.Shutdown(context.Background()) // nothing was started
	return err
}

// Contact returns the contact of a line, or nil if no line has that name. A line with `driver: none` has a
// [relay.NoContact].
func (s *Set) Contact(line string) relay.Contact {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.contacts[line]
}

// Ready waits until these controllers, or all if none is named, are connected and have been asked to close their
// contacts. If ctx ends first, the error names each controller that is not ready.
func (s *Set) Ready(ctx context.Context, controllers ...string) error {
	boards := s.all()
	if len(controllers) > 0 {
		boards = slices.DeleteFunc(slices.Clone(boards),
			func(b openController) bool { return !slices.Contains(controllers, b.name) })
	}
	errs := make([]error, len(boards))
	each(boards, func(i int, b openController) { errs[i] = b.Ready(ctx) })
	return errors.Join(errs...)
}

// Shutdown closes every contact, waits for the confirmations until ctx ends, and then ends everything. It returns the
// lines whose contact is not known to be closed.
func (s *Set) Shutdown(ctx context.Context) []NotClosed {
	boards := s.all()
	parts := make([][]NotClosed, len(boards))
	each(boards, func(i int, b openController) {
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

func (s *Set) all() []openController {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.boards
}

// each runs f for all boards at the same time, so that a dead one does not delay the others.
func each(boards []openController, f func(int, openController)) {
	var wg sync.WaitGroup
	for i, b := range boards {
		wg.Go(func() { f(i, b) })
	}
	wg.Wait()
}

// CloseAll closes every contact of a configuration without a daemon, for example after the daemon was killed. It
// returns the contacts that are not known to be closed when ctx ends. It claims no contact: a close is safe at any
// time, even beside a daemon that hangs. The error names the contacts that could not be made. All others are closed in
// spite of it.
func CloseAll(ctx context.Context, cfg *config.Config, notify func(relay.Notice)) ([]NotClosed, error) {
	s := &Set{contacts: map[string]relay.Contact{}}
	err := errors.Join(s.build(cfg, Options{Notify: notify, NoLock: true})...)
	s.start()
	return s.Shutdown(ctx), err
}
