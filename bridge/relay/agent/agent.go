package agent

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"clearback/bridge/relay"
)

const (
	// DefaultWatchdog is the default of the watchdog time: how long a master may be silent while a contact that it
	// opened is open.
	DefaultWatchdog = 3 * time.Second
	// LeastWatchdog and MostWatchdog are the bounds of the watchdog time. A master must be able to send several
	// requests within it, and a register has 16 bits.
	LeastWatchdog = 100 * time.Millisecond
	MostWatchdog  = 65_535 * time.Millisecond
	// MostInterval is the longest max_interval: 16 bits of milliseconds.
	MostInterval = 65_535 * time.Millisecond
	// MostContacts is our own figure. One board beside an adapter has no more contacts, and the register map has room
	// for them.
	MostContacts = 64

	// slowSet is the longest time that a slow output may add to the interval. The interval counts from the output's
	// confirmation, since the line card needs all of it. If the confirmation takes longer than slowSet, the excess is
	// taken off the interval.
	slowSet = 50 * time.Millisecond
	// answerWithin is how long a command waits for its contact's thread. An output moves within microseconds (GPIO) or
	// a few milliseconds (a USB port), and a master waits 500 ms by default.
	answerWithin = 200 * time.Millisecond
)

// Errors of a command. [ErrTooLong], [ErrTooSoon], [ErrOvertaken] and [ErrStopping] mean that nothing was done.
var (
	// ErrTooLong means that the opening would be longer than max_interval, alone or together with the one under way.
	ErrTooLong = errors.New("agent: longer than max_interval")
	// ErrStopping means that the agent, or its process, is ending.
	ErrStopping = errors.New("agent: shutting down; no opening is accepted")
	// ErrOutput means that the output failed. The contact's state may be unknown. The agent repeats the close until it
	// succeeds.
	ErrOutput = errors.New("agent: the output failed")
	// ErrHung means that the output did not answer in time. The command was withdrawn, or is undone as soon as the
	// output answers.
	ErrHung = errors.New("agent: the output does not answer")
	// ErrStale means that the agent itself stood still, so that a command may have waited in its buffers. See
	// [Agent.StandstillCount].
	ErrStale = errors.New("agent: the process stood still, so an earlier command is not obeyed")
	// ErrOvertaken means that a later master has closed the contact, so that an earlier master's command may have
	// waited on its way. Nothing was done.
	ErrOvertaken = errors.New("agent: a later master has closed the contact since, so this opening is not obeyed")
	// ErrTooSoon means that the contact was closed less than LeastClosed ago. Nothing was done, and the master may
	// repeat the same command later.
	ErrTooSoon = errors.New("agent: too soon after the last opening")
	// ErrOptions means that a setting is out of range.
	ErrOptions = errors.New("agent: setting out of range")
)

// Output moves one contact. Only the contact's own thread calls its methods. The exception is [Agent.Emergency], which
// may call Set(false) at the same time.
type Output interface {
	// Set opens or closes the loop, and returns when the output has accepted the command.
	Set(open bool) error
	// Get reports whether the loop is open, as read from the output.
	Get() (open bool, err error)
	// Close releases the output.
	Close() error
}

// Input is an [Output] that also has a loop-current input.
type Input interface {
	// Current reports whether loop current flows.
	Current() (flows bool, err error)
}

// Options are the options of an [Agent].
type Options struct {
	// MaxInterval is the longest time that a loop is open, by one command or by several: 1 ms to [MostInterval].
	MaxInterval time.Duration
	// Watchdog is how long a master may be silent while a contact that it opened is open; 0 means [DefaultWatchdog].
	Watchdog time.Duration
	// LeastClosed is how long a contact stays closed between two openings; 0 means no limit.
	LeastClosed time.Duration
	// Notify receives what an operator should know. It must not block and must not call the agent. Several goroutines
	// may call it at the same time. Nil discards the notices.
	Notify func(Notice)

	plain bool // use the runtime's timer instead of the kernel's, for virtual time
}

// ContactOptions are the options of one contact.
type ContactOptions struct {
	Name string
	// Open opens the output with the loop closed, or returns an error. It is called on the contact's thread, and again
	// after each failure of the output.
	Open func() (Output, error)
	// Senses means that the output is also an [Input].
	Senses bool
	// Simulated means that no real contact moves. The health word reports it.
	Simulated bool
}

// Agent is a relay controller: it holds the contacts and serves the masters. All methods are safe for concurrent use.
type Agent struct {
	opt         Options
	began       time.Time
	watchdog    atomic.Int64 // in nanoseconds
	stopping    atomic.Bool
	inEmergency atomic.Bool // the process is ending; see Emergency
	standstill  standstillDetector

	// Set before Start.
	contacts        []*Contact
	changed         []func(*Contact)
	standstillHooks []func() // called after each standstill

	mu      sync.Mutex
	started bool
	running sync.WaitGroup // watchStandstill and the feeds
	end     chan struct{}  // closed by Shutdown
	flags   Health         // bits set by SetHealth
}

// New returns an agent without contacts.
func New(o Options) (*Agent, error) {
	if o.Watchdog == 0 {
		o.Watchdog = DefaultWatchdog
	}
	if o.Notify == nil {
		o.Notify = func(Notice) {}
	}
	switch {
	case o.MaxInterval < time.Millisecond || o.MaxInterval > MostInterval:
		return nil, fmt.Errorf("%w: max_interval %v; allowed are 1ms to %v", ErrOptions, o.MaxInterval, MostInterval)
	case o.Watchdog < LeastWatchdog || o.Watchdog > MostWatchdog:
		return nil, fmt.Errorf("%w: watchdog %v; allowed are %v to %v", ErrOptions, o.Watchdog, LeastWatchdog,
			MostWatchdog)
	case o.LeastClosed < 0:
		return nil, fmt.Errorf("%w: least closed time %v; allowed is 0 or more", ErrOptions, o.LeastClosed)
	}
	a := &Agent{opt: o, began: time.Now(), end: make(chan struct{})}
	a.watchdog.Store(int64(o.Watchdog))
	return a, nil
}

// Contact adds a contact. It may be called only before Start.
func (a *Agent) Contact(o ContactOptions) (*Contact, error) {
	a.mu.Lock()
	defer a.mu.Unlock()
	switch {
	case a.started:
		return nil, fmt.Errorf("agent: contact %s was added after the start", o.Name)
	case len(a.contacts) == MostContacts:
		return nil, fmt.Errorf("%w: contact %s is one too many; at most %d", ErrOptions, o.Name, MostContacts)
	case slices.ContainsFunc(a.contacts, func(c *Contact) bool { return c.opt.Name == o.Name }):
		return nil, fmt.Errorf("%w: contact %s is listed twice", ErrOptions, o.Name)
	}
	c, err := newContact(a, len(a.contacts), o)
	if err != nil {
		return nil, err
	}
	a.contacts = append(a.contacts, c)
	return c, nil
}

// OnChange registers f, which is called after each change of a contact's [State], in the order of that contact's
// changes. Call OnChange only before Start. f must not block, and [Contact.State] is the only method of the agent that
// it may call.
func (a *Agent) OnChange(f func(*Contact)) { a.changed = append(a.changed, f) }

// onStandstill registers f, which is called after each standstill of the process. Call it only before Start.
func (a *Agent) onStandstill(f func()) { a.standstillHooks = append(a.standstillHooks, f) }

// Contacts returns the contacts in their order. Callers must not change the slice.
func (a *Agent) Contacts() []*Contact { return a.contacts }

// Start opens the outputs, each on its own thread, and closes every loop. It returns at once; see Ready.
func (a *Agent) Start() {
	a.mu.Lock()
	defer a.mu.Unlock()
	if a.started {
		return
	}
	a.started = true
	for _, c := range a.contacts {
		c.running.Go(func() { a.Guard(c.run) })
	}
	a.standstill.begin()
	a.running.Go(func() { a.Guard(a.watchStandstill) })
}

// Ready waits until the agent has tried to close each contact once, or until ctx ends. It returns the contacts that are
// not known to be closed. The agent keeps trying to close those.
func (a *Agent) Ready(ctx context.Context) []NotClosed {
	var left []NotClosed
	for _, c := range a.contacts {
		select {
		case <-c.tried:
			if s := c.State(); s.Level != relay.LevelClosed {
				left = append(left, NotClosed{c.opt.Name, c.fault()})
			}
		case <-ctx.Done():
			left = append(left, NotClosed{c.opt.Name, ErrHung})
		}
	}
	return left
}

// NotClosed is a contact that is not known to be closed.
type NotClosed struct {
	Contact string
	Err     error
}

// Shutdown refuses new openings, closes every contact, waits for that until ctx ends, and releases the outputs. It
// returns the contacts that are not known to be closed. If an output hangs in the kernel, its thread is abandoned.
func (a *Agent) Shutdown(ctx context.Context) []NotClosed {
	a.stopping.Store(true)
	a.mu.Lock()
	started := a.started
	a.started = true
	select {
	case <-a.end:
	default:
		close(a.end)
	}
	a.mu.Unlock()
	if !started {
		for _, c := range a.contacts {
			c.wait.close()
		}
		return nil
	}
	for _, c := range a.contacts {
		c.stop()
	}
	var left []NotClosed
	for _, c := range a.contacts {
		select {
		case <-c.ended:
			if err := c.fault(); err != nil {
				left = append(left, NotClosed{c.opt.Name, err})
			}
		case <-ctx.Done():
			left = append(left, NotClosed{c.opt.Name, ErrHung})
			continue
		}
		c.running.Wait()
	}
	a.running.Wait()
	return left
}

// Watchdog returns how long a master may be silent while a contact that it opened is open.
func (a *Agent) Watchdog() time.Duration { return time.Duration(a.watchdog.Load()) }

// SetWatchdog changes the watchdog time until the process ends, for openings under way too. The range is
// [LeastWatchdog] to [MostWatchdog].
func (a *Agent) SetWatchdog(d time.Duration) error {
	if d < LeastWatchdog || d > MostWatchdog {
		return fmt.Errorf("%w: watchdog %v; allowed are %v to %v", ErrOptions, d, LeastWatchdog, MostWatchdog)
	}
	a.watchdog.Store(int64(d))
	for _, c := range a.contacts {
		c.wait.wake()
	}
	return nil
}

// MaxInterval returns the longest time that a loop may be open.
func (a *Agent) MaxInterval() time.Duration { return a.opt.MaxInterval }

// Uptime is the time since New.
func (a *Agent) Uptime() time.Duration { return time.Since(a.began) }

// Master is a sender of commands, usually one connection. If it is silent for the watchdog time, the contacts that it
// opened are closed.
type Master struct {
	// Name identifies the master in logs.
	Name  string
	base  time.Time
	heard atomic.Int64 // last sign of life, in nanoseconds since base

	// order numbers the masters of one server in the order of their arrival, from 1. It is 0 if they have no order. See
	// ErrOvertaken.
	order uint64
	// overtaken is set once a command was refused with ErrOvertaken.
	overtaken atomic.Bool
	// contacts has a bit for each contact that the master has tried to open or close.
	contacts atomic.Uint64
}

// NewMaster returns a master whose last sign of life is now.
func NewMaster(name string) *Master { return &Master{Name: name, base: time.Now()} }

// Heard records a sign of life of the master.
func (m *Master) Heard() { m.heard.Store(int64(time.Since(m.base))) }

// hasOpening reports whether an opening of the master is under way.
func (a *Agent) hasOpening(m *Master) bool {
	return slices.ContainsFunc(a.contacts, func(c *Contact) bool { return c.hasOpeningOf(m) })
}

// last returns the time of the master's last sign of life.
func (m *Master) last() time.Time { return m.base.Add(time.Duration(m.heard.Load())) }
