package agent

import (
	"fmt"
	"sync"
	"sync/atomic"
	"time"

	"clearback/bridge/relay"
)

// Command is a pulse command.
type Command struct {
	// Seq identifies the command. A command with the last command's Seq has no effect and returns that command's
	// result. Seq is ignored if Plain is set.
	Seq uint32
	// Plain means that the command has no sequence, so that each such command takes effect.
	Plain bool
	// For is how long the loop is to stay open; 0 closes it.
	For time.Duration
}

// Outcome is the outcome of the last command.
type Outcome uint8

// The outcomes. The register map and the MQTT interface use these numbers.
const (
	OutcomeNone     Outcome = iota // no command yet
	OutcomeOpen                    // the opening is under way
	OutcomeDone                    // the timer closed the loop
	OutcomeClosed                  // a command closed the loop, or found it closed
	OutcomeWatchdog                // the watchdog closed the loop
	OutcomeTooLong                 // refused: longer than max_interval
	OutcomeFailed                  // the output failed
	OutcomeStopped                 // the agent ended, or refused the command because it is ending
)

// State is the state of a contact.
type State struct {
	// Level is LevelUnknown while the output fails.
	Level relay.Level
	// Seq is the sequence of the last command that had one. HasSeq is false if there was no such command since the
	// start.
	Seq    uint32
	HasSeq bool
	// Last is the outcome of the last command, with a sequence or without.
	Last Outcome
	// Left is the remaining time of the opening under way.
	Left time.Duration
	// Measured is how long the last opening lasted, from the output's confirmation of the opening to that of the close.
	// Late is how long after its planned end the close was confirmed; it is negative if the opening was ended early.
	Measured, Late time.Duration
	// Pulses counts the openings since the start. A lower number than before means that the agent has restarted.
	Pulses uint32
	// Fault is the reason why the contact cannot be used; nil if it can.
	Fault error
}

// Contact is one contact of an agent. All methods are safe for concurrent use.
type Contact struct {
	agent   *Agent
	index   int
	opt     ContactOptions
	wait    waiter
	running sync.WaitGroup
	tried   chan struct{} // closed after the first attempt to close the contact
	ended   chan struct{} // closed when the thread has closed the contact for the last time

	hung        atomic.Bool  // a command timed out, and the thread has not answered since
	closeWanted atomic.Bool  // a caller that could not wait has asked for a close
	stopping    atomic.Bool  // the thread must end
	aliveAt     atomic.Int64 // last sign of life of the thread, in nanoseconds since the agent's begin
	queue       mailbox

	setMutex sync.Mutex // held while Set is called

	mu     sync.Mutex
	s      State // all but Left
	ends   time.Time
	opener *Master // the master of the opening that ends then
	out    Output  // nil if not open

	threadState threadState // owned by the thread
}

func newContact(a *Agent, index int, o ContactOptions) (*Contact, error) {
	w, err := newWaiter(a.opt.plain)
	if err != nil {
		return nil, fmt.Errorf("agent: contact %s: its timer: %w", o.Name, err)
	}
	return &Contact{agent: a, index: index, opt: o, wait: w, tried: make(chan struct{}), ended: make(chan struct{})},
		nil
}

// Name returns the contact's name.
func (c *Contact) Name() string { return c.opt.Name }

// Index returns the contact's number, from 0.
func (c *Contact) Index() int { return c.index }

// Senses reports whether there is a loop-current input.
func (c *Contact) Senses() bool { return c.opt.Senses }

// Pulse opens the loop for a time; the package comment gives the rules. It returns nil when the loop is open, or the
// reason why the command failed. A repeated sequence returns the result of the first command.
func (c *Contact) Pulse(m *Master, k Command) error {
	m.Heard()
	m.contacts.Or(1 << c.index)
	return c.call(k.For == 0, func(gone func() bool) error {
		if k.For == 0 {
			c.closedBy(m)
		} else if m.order != 0 && m.order < c.threadState.closer {
			m.overtaken.Store(true)
			return fmt.Errorf("contact %s: %w", c.opt.Name, ErrOvertaken)
		}
		return c.pulse(m, k, gone)
	})
}

// Close closes the loop, whichever master opened it. A nil error means that the output confirmed the close.
func (c *Contact) Close(m *Master) error {
	m.Heard()
	m.contacts.Or(1 << c.index)
	return c.call(true, func(func() bool) error {
		c.closedBy(m)
		return c.close(OutcomeClosed)
	})
}

// closedBy records, on the thread, which master wants the contact closed. From then on no earlier master can open the
// contact.
func (c *Contact) closedBy(m *Master) { c.threadState.closer = max(c.threadState.closer, m.order) }

// Read reads the contact's level from the output. If the contact is open without a command, Read closes it.
func (c *Contact) Read() (relay.Level, error) {
	level := relay.LevelUnknown
	err := c.call(false, func(func() bool) error {
		var err error
		level, err = c.readBack()
		return err
	})
	if err != nil { // a late answer is discarded
		return relay.LevelUnknown, err
	}
	return level, nil
}

// Current reads the loop-current input. It returns [relay.ErrNoSense] if there is none.
func (c *Contact) Current() (flows bool, err error) {
	if !c.opt.Senses {
		return false, relay.ErrNoSense
	}
	var f atomic.Bool // atomic, since the thread may still write it after this call has timed out
	err = c.call(false, func(func() bool) error {
		in, ok := c.threadState.out.(Input)
		if !ok {
			return fmt.Errorf("contact %s: %w: %w", c.opt.Name, ErrOutput, relay.ErrNoSense)
		}
		v, err := in.Current()
		f.Store(v)
		if err != nil {
			return fmt.Errorf("contact %s: its input: %w: %w", c.opt.Name, ErrOutput, err)
		}
		return nil
	})
	return f.Load(), err
}

// State returns the last known state without asking the output.
func (c *Contact) State() State {
	c.mu.Lock()
	defer c.mu.Unlock()
	s := c.s
	if !c.ends.IsZero() {
		s.Left = max(0, time.Until(c.ends))
	}
	return s
}

// hasOpeningOf reports whether an opening of the given master is under way.
func (c *Contact) hasOpeningOf(m *Master) bool {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.opener == m && !c.ends.IsZero()
}

func (c *Contact) fault() error {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.s.Fault
}

// change alters the state and calls the functions registered with OnChange.
func (c *Contact) change(f func(*State)) {
	c.mu.Lock()
	f(&c.s)
	c.mu.Unlock()
	for _, tell := range c.agent.changed {
		tell(c)
	}
}

func (c *Contact) notice(k NoticeKind, err error) {
	c.agent.opt.Notify(Notice{Kind: k, Contact: c.opt.Name, Err: err})
}
