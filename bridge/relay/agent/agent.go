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
	// DefaultWatchdog is how long a master may be silent while a contact that it opened is open.
	DefaultWatchdog = 3 * time.Second
	// LeastWatchdog and MostWatchdog bound that time: a master has to ask something a few times in it, and a register
	// has 16 bits.
	LeastWatchdog = 100 * time.Millisecond
	MostWatchdog  = 65_535 * time.Millisecond
	// MostInterval is the longest max_interval, 16 bits of milliseconds.
	MostInterval = 65_535 * time.Millisecond
	// MostContacts is our own figure: what one board beside an adapter can have, and what the register map has room
	// for.
	MostContacts = 64

	// slowSet is how much of a slow output's opening may be added to the interval. An opening counts from when the
	// output has confirmed it, since the line card needs the whole interval, but an output that takes longer than this
	// is not waited for.
	slowSet = 50 * time.Millisecond
	// answerWithin is how long a command waits for its contact's thread. An output moves in microseconds (GPIO) or a
	// few milliseconds (a USB port); a master waits 500 ms by default.
	answerWithin = 200 * time.Millisecond
)

// Errors of a command. [ErrTooLong], [ErrTooSoon] and [ErrStopping] mean that nothing was done.
var (
	// ErrTooLong: the opening, or what it would make of the one under way, is longer than max_interval.
	ErrTooLong = errors.New("agent: longer than max_interval")
	// ErrStopping: the agent ends, or its process is going down.
	ErrStopping = errors.New("agent: ending, nothing is opened any more")
	// ErrOutput: the output failed; where the contact is may be unknown. Closing goes on until it succeeds.
	ErrOutput = errors.New("agent: the output failed")
	// ErrHung: the output did not come back in time. The command was withdrawn, or is undone as soon as it does.
	ErrHung = errors.New("agent: the output does not answer")
	// ErrStale: the agent itself stood still, so a command may have waited in it; see [Agent.StandstillCount].
	ErrStale = errors.New("agent: it stood still, and commands from before are not obeyed")
	// ErrOvertaken: a master that came later has closed the contact since, so what an earlier one sent may have waited
	// on its way. Nothing was done.
	ErrOvertaken = errors.New("agent: a later master has closed the contact since; nothing is opened for an earlier one")
	// ErrTooSoon: the contact was closed less than LeastClosed ago. Nothing was done; the same command may be given
	// again later.
	ErrTooSoon = errors.New("agent: too soon after the last opening")
	// ErrOptions: a setting is out of its range.
	ErrOptions = errors.New("agent: setting out of range")
)

// Output moves one contact. The contact's own thread calls it; only in an emergency another one calls Set(false) beside
// it.
type Output interface {
	// Set opens the loop, or closes it, and returns when the output has taken it.
	Set(open bool) error
	// Get reports whether the loop is open, as the output itself tells it.
	Get() (open bool, err error)
	// Close gives the output up.
	Close() error
}

// Input is an [Output] with a loop-current input beside it.
type Input interface {
	// Current reports whether loop current flows.
	Current() (flows bool, err error)
}

// Options of an [Agent].
type Options struct {
	// MaxInterval is the longest that a loop is open, by one command or by several: 1 ms to [MostInterval].
	MaxInterval time.Duration
	// Watchdog is how long a master may be silent; 0 means [DefaultWatchdog].
	Watchdog time.Duration
	// LeastClosed is how long a contact stays closed between two openings; 0: no limit.
	LeastClosed time.Duration
	// Notify receives what an operator should know. It must not block and must not call the agent; it may be called
	// from several goroutines. Nil: none.
	Notify func(Notice)

	plain bool // the runtime's timer instead of the kernel's, for virtual time
}

// ContactOptions are those of one contact.
type ContactOptions struct {
	Name string
	// Open opens the output with the loop closed, or fails. It is called on the contact's thread, again whenever the
	// output failed.
	Open func() (Output, error)
	// Senses: the output is an [Input] too.
	Senses bool
	// Simulated: no real contact moves. The health word says so.
	Simulated bool
}

// Agent is a relay controller: contacts, and the masters that command them. All methods are safe for concurrent use.
type Agent struct {
	opt         Options
	began       time.Time
	watchdog    atomic.Int64 // nanoseconds
	stopping    atomic.Bool
	inEmergency atomic.Bool // the process goes down: see Emergency
	standstill  standstillDetector

	// Set before Start.
	contacts        []*Contact
	changed         []func(*Contact)
	standstillHooks []func() // called after the process stood still

	mu      sync.Mutex
	started bool
	running sync.WaitGroup // the watch over the agent's own pace
	end     chan struct{}  // closed by Shutdown
	flags   Health         // set from outside
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

// Contact adds a contact; only before Start.
func (a *Agent) Contact(o ContactOptions) (*Contact, error) {
	a.mu.Lock()
	defer a.mu.Unlock()
	switch {
	case a.started:
		return nil, fmt.Errorf("agent: contact %s after the start", o.Name)
	case len(a.contacts) == MostContacts:
		return nil, fmt.Errorf("%w: contact %s is one too many; at most %d", ErrOptions, o.Name, MostContacts)
	case slices.ContainsFunc(a.contacts, func(c *Contact) bool { return c.opt.Name == o.Name }):
		return nil, fmt.Errorf("%w: contact %s is there twice", ErrOptions, o.Name)
	}
	c, err := newContact(a, len(a.contacts), o)
	if err != nil {
		return nil, err
	}
	a.contacts = append(a.contacts, c)
	return c, nil
}

// OnChange has f called after each change of a contact's [State], in the order of the changes of that contact; only
// before Start. It must not block, and must not call the agent but for [Contact.State].
func (a *Agent) OnChange(f func(*Contact)) { a.changed = append(a.changed, f) }

// onStandstill has f called whenever the process stood still; only before Start.
func (a *Agent) onStandstill(f func()) { a.standstillHooks = append(a.standstillHooks, f) }

// Contacts returns the contacts in their order. The slice is not to be changed.
func (a *Agent) Contacts() []*Contact { return a.contacts }

// Start opens the outputs, each on a thread of its own, and closes every loop. It does not wait; see Ready.
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

// Ready waits until each contact has been told to close once, with success or without, or until ctx ends. It returns
// the contacts that are not known to be closed; those go on being tried.
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

// Shutdown refuses new openings, closes every contact, waits for that until ctx ends, and gives the outputs up. It
// returns the contacts that are not known to be closed. The thread of an output that hangs in the kernel is left
// behind.
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

// Watchdog is how long a master may be silent while a contact that it opened is open.
func (a *Agent) Watchdog() time.Duration { return time.Duration(a.watchdog.Load()) }

// SetWatchdog changes that, for openings under way too, until the process ends. Allowed are [LeastWatchdog] to
// [MostWatchdog].
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

// MaxInterval is the longest that a loop is open.
func (a *Agent) MaxInterval() time.Duration { return a.opt.MaxInterval }

// Uptime is the time since New.
func (a *Agent) Uptime() time.Duration { return time.Since(a.began) }

// Master is one that gives commands: a connection, mostly. When it goes quiet, what it opened is closed.
type Master struct {
	// Name tells people who it is.
	Name  string
	base  time.Time
	heard atomic.Int64 // nanoseconds since base

	// order counts the masters of a face that come one after the other, from 1; 0: it has none. See ErrOvertaken.
	order uint64
	// overtaken: it was refused for that.
	overtaken atomic.Bool
	// drives has a bit for each contact that it opened or closed, or wanted to.
	drives atomic.Uint64
}

// NewMaster returns a master that was heard just now.
func NewMaster(name string) *Master { return &Master{Name: name, base: time.Now()} }

// Heard notes that the master has spoken.
func (m *Master) Heard() { m.heard.Store(int64(time.Since(m.base))) }

// hasOpening reports whether an opening of the master's is in progress.
func (a *Agent) hasOpening(m *Master) bool {
	return slices.ContainsFunc(a.contacts, func(c *Contact) bool { return c.hasOpeningOf(m) })
}

// last is when the master was heard last.
func (m *Master) last() time.Time { return m.base.Add(time.Duration(m.heard.Load())) }
