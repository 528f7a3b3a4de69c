package agent

import (
	"fmt"
	"sync"
	"sync/atomic"
	"time"

	"clearback/bridge/relay"
)

// Command is pulse(sequence, duration).
type Command struct {
	// Seq identifies the command: the same as the last one's has no effect, and gets its result. Not used with Plain.
	Seq uint32
	// Plain: the command has no sequence; each one counts.
	Plain bool
	// For is how long the loop is to be open; 0 closes it.
	For time.Duration
}

// Outcome is what became of the last command.
type Outcome uint8

// The outcomes, with the numbers that the register map and other faces use.
const (
	OutcomeNone     Outcome = iota // no command yet
	OutcomeOpen                    // under way
	OutcomeDone                    // the timer closed the loop
	OutcomeClosed                  // a command closed it, or had nothing to close
	OutcomeWatchdog                // its master went quiet
	OutcomeTooLong                 // refused: longer than max_interval
	OutcomeFailed                  // the output failed
	OutcomeStopped                 // the agent ended, or refused because it ends
)

// String names the outcome.
func (o Outcome) String() string {
	names := [...]string{"none", "open", "done", "closed", "watchdog", "too-long", "failed", "stopped"}
	if int(o) < len(names) {
		return names[o]
	}
	return "unknown"
}

// State of a contact.
type State struct {
	// Level is LevelUnknown while the output fails.
	Level relay.Level
	// Seq of the last command that had one, and HasSeq whether there was any since the start.
	Seq    uint32
	HasSeq bool
	// Last is the outcome of the last command, with a sequence or without.
	Last Outcome
	// Left is how long the opening under way still lasts.
	Left time.Duration
	// Measured is how long the last opening lasted, from the output's confirmation to that of its closing; Late is by
	// how much that was longer than its end asked for, negative if it was ended early.
	Measured, Late time.Duration
	// Pulses counts the openings since the start. If it has gone back, the agent has started anew.
	Pulses uint32
	// Fault tells why the contact cannot be used; nil if it can.
	Fault error
}

// Contact is one contact of an agent. All methods are safe for concurrent use.
type Contact struct {
	agent   *Agent
	index   int
	opt     ContactOptions
	wait    waiter
	running sync.WaitGroup
	tried   chan struct{} // closed when the contact was told to close for the first time
	ended   chan struct{} // closed when its thread has closed it for the last time

	hung    atomic.Bool  // a command ran into its limit, and the thread has not come back since
	shut    atomic.Bool  // a close is wanted by somebody who could not wait
	over    atomic.Bool  // the thread is to end
	aliveAt atomic.Int64 // when the thread was last seen alive: nanoseconds since the agent's begin
	queue   mailbox

	setMutex sync.Mutex // held while Set is called

	mu   sync.Mutex
	s    State // but for Left
	ends time.Time
	by   *Master // whose opening ends then
	out  Output  // nil: not open

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

// Name is the contact's name.
func (c *Contact) Name() string { return c.opt.Name }

// Index counts the contacts from 0.
func (c *Contact) Index() int { return c.index }

// Senses reports whether there is a loop-current input.
func (c *Contact) Senses() bool { return c.opt.Senses }

// Pulse opens the loop for a time, as the package describes. It returns when the loop is open: nil, or why it was not
// done. A repeated sequence gets the answer of the first.
func (c *Contact) Pulse(m *Master, k Command) error {
	m.Heard()
	m.drives.Or(1 << c.index)
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

// Close closes the loop, whoever opened it. Nil means that the output confirmed it.
func (c *Contact) Close(m *Master) error {
	m.Heard()
	m.drives.Or(1 << c.index)
	return c.call(true, func(func() bool) error {
		c.closedBy(m)
		return c.close(OutcomeClosed)
	})
}

// closedBy notes, on the thread, who wants the contact closed: from here on no earlier master opens it.
func (c *Contact) closedBy(m *Master) { c.threadState.closer = max(c.threadState.closer, m.order) }

// Read asks the output where the contact is. A contact that is found open without a command is closed.
func (c *Contact) Read() (relay.Level, error) {
	level := relay.LevelUnknown
	err := c.call(false, func(func() bool) error {
		var err error
		level, err = c.look()
		return err
	})
	if err != nil { // an answer that came late is none
		return relay.LevelUnknown, err
	}
	return level, nil
}

// Current asks the loop-current input; [relay.ErrNoSense] if there is none.
func (c *Contact) Current() (flows bool, err error) {
	if !c.opt.Senses {
		return false, relay.ErrNoSense
	}
	var f atomic.Bool // the thread may still be at it when we have given up
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

// State returns what is known, without asking the output.
func (c *Contact) State() State {
	c.mu.Lock()
	defer c.mu.Unlock()
	s := c.s
	if !c.ends.IsZero() {
		s.Left = max(0, time.Until(c.ends))
	}
	return s
}

// hasOpeningOf reports whether an opening of that master's is in progress.
func (c *Contact) hasOpeningOf(m *Master) bool {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.by == m && !c.ends.IsZero()
}

func (c *Contact) fault() error {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.s.Fault
}

// change alters the state and tells of it.
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
