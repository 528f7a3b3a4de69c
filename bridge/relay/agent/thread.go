package agent

import (
	"errors"
	"fmt"
	"runtime"
	"time"

	"clearback/bridge/relay"
)

const (
	// retryEvery is the interval at which a failed close is repeated, the same as the daemon's ([relay.CloseEvery]).
	retryEvery = relay.CloseEvery
	// lateNotice is the delay of a close above which a notice is given. It is the bound that the agent guarantees.
	lateNotice = 50 * time.Millisecond
)

// threadState is owned by the contact's thread.
type threadState struct {
	out     Output
	open    *opening  // nil: the contact is closed, or a close is owed (fault)
	fault   error     // why the contact is not known to be closed, or has no output
	retry   time.Time // time of the next attempt; only with a fault
	failing bool      // the fault has been reported
	last    error     // the result of the last command with a sequence
	closer  uint64    // the highest order of a master that closed the contact
	closed  time.Time // when the last opening or fault ended
}

// opening is an opening whose close the output has not yet confirmed.
type opening struct {
	began, end time.Time
	master     *Master
	over       bool // its outcome is set, and the close is owed
}

// run is the contact's thread. It is never unlocked from its goroutine, so that the kernel's thread ends with run,
// together with its scheduling class.
func (c *Contact) run() {
	runtime.LockOSThread()
	defer c.wait.close()
	defer close(c.ended)
	c.alive()
	_ = c.close(OutcomeNone) // opens the output; a failure is recorded in the state, and run tries again
	close(c.tried)
	for !c.stopping.Load() {
		c.wait.wait(c.deadline())
		c.alive()
		c.expire(time.Now())
		c.serve()
	}
	c.queue.finish()
	_ = c.close(OutcomeStopped)
	c.closeOutput()
}

// alive records a sign of life of the thread.
func (c *Contact) alive() { c.aliveAt.Store(int64(time.Since(c.agent.began))) }

// stop makes the thread close the loop and end.
func (c *Contact) stop() {
	c.stopping.Store(true)
	c.wait.wake()
}

// deadline returns when the thread must next act. If it is zero, the thread acts only when woken.
func (c *Contact) deadline() time.Time {
	t := &c.threadState
	if t.fault != nil {
		return t.retry
	}
	if t.open == nil {
		return time.Time{}
	}
	if quiet := c.watchdogEnd(); quiet.Before(t.open.end) {
		return quiet
	}
	return t.open.end
}

// watchdogEnd returns when the watchdog ends the opening unless its master sends a request before.
func (c *Contact) watchdogEnd() time.Time {
	return c.threadState.open.master.last().Add(c.agent.Watchdog())
}

// expire carries out what is due.
func (c *Contact) expire(now time.Time) {
	t := &c.threadState
	switch {
	case t.fault != nil:
		if !now.Before(t.retry) {
			_ = c.close(OutcomeFailed) // the error is in the state
		}
	case t.open == nil:
	case !now.Before(t.open.end):
		_ = c.close(OutcomeDone)
	case !now.Before(c.watchdogEnd()):
		name := t.open.master.Name
		_ = c.close(OutcomeWatchdog)
		c.notice(MasterQuiet, fmt.Errorf("contact %s: closed, since %s was silent for %v", c.opt.Name, name,
			c.agent.Watchdog()))
	}
}

// pulse carries out a command, or returns the result of the last one if the sequence is repeated.
func (c *Contact) pulse(m *Master, k Command, gone func() bool) error {
	if s := c.State(); !k.Plain && s.HasSeq && s.Seq == k.Seq {
		return c.threadState.last
	}
	outcome, err := c.execute(m, k, gone)
	if errors.Is(err, ErrTooSoon) {
		return err // not recorded, so that the master may repeat the command
	}
	if !k.Plain {
		c.threadState.last = err
	}
	c.change(func(s *State) {
		if !k.Plain {
			s.Seq, s.HasSeq = k.Seq, true
		}
		s.Last = outcome
	})
	return err
}

func (c *Contact) execute(m *Master, k Command, gone func() bool) (Outcome, error) {
	t, most := &c.threadState, c.agent.opt.MaxInterval
	switch {
	case k.For == 0:
		if err := c.close(OutcomeClosed); err != nil {
			return OutcomeFailed, err
		}
		return OutcomeClosed, nil
	case c.agent.inEmergency.Load() || c.agent.stopping.Load():
		return OutcomeStopped, ErrStopping
	case k.For < 0 || k.For > most:
		return OutcomeTooLong, fmt.Errorf("contact %s: opening for %v: %w, which is %v", c.opt.Name, k.For, ErrTooLong,
			most)
	case t.fault != nil:
		return OutcomeFailed, fmt.Errorf("contact %s: not known to be closed: %w", c.opt.Name, t.fault)
	case t.open == nil:
		if since := time.Since(t.closed); !t.closed.IsZero() && since < c.agent.opt.LeastClosed {
			return OutcomeNone, fmt.Errorf("contact %s: closed %v ago: %w; it must stay closed for at least %v",
				c.opt.Name, since, ErrTooSoon, c.agent.opt.LeastClosed)
		}
		return c.begin(m, k.For, gone)
	}
	end := time.Now().Add(k.For)
	if whole := end.Sub(t.open.began); whole > most {
		return OutcomeTooLong, fmt.Errorf("contact %s: %v more would make it %v: %w, which is %v", c.opt.Name, k.For,
			whole, ErrTooLong, most)
	}
	if end.After(t.open.end) {
		t.open.end, t.open.master = end, m
		c.setEnds(end, m)
	}
	return OutcomeOpen, nil
}

// begin opens the loop. The interval counts from the output's confirmation.
func (c *Contact) begin(m *Master, d time.Duration, gone func() bool) (Outcome, error) {
	before := time.Now()
	err := c.set(true)
	after := time.Now()
	if errors.Is(err, ErrStopping) {
		return OutcomeStopped, err
	}
	o := &opening{began: after, end: after.Add(d), master: m}
	if latest := before.Add(d + slowSet); o.end.After(latest) {
		o.end = latest
	}
	c.threadState.open = o
	c.setEnds(o.end, m)
	if err != nil || gone() {
		c.notice(OutputFailed, fmt.Errorf("contact %s: opening took %v: %w", c.opt.Name, after.Sub(before),
			errors.Join(ErrOutput, err)))
		_ = c.close(OutcomeFailed) // the error is in the state
		return OutcomeFailed, fmt.Errorf("contact %s: opening: %w: %w", c.opt.Name, ErrOutput, errors.Join(err))
	}
	c.change(func(s *State) {
		s.Level = relay.LevelOpen
		s.Pulses++
	})
	return OutcomeOpen, nil
}

// set moves the output. It refuses to open if the process is ending.
func (c *Contact) set(open bool) error {
	c.setMutex.Lock()
	defer c.setMutex.Unlock()
	if open && (c.agent.inEmergency.Load() || c.agent.stopping.Load()) {
		return ErrStopping
	}
	return c.threadState.out.Set(open)
}

func (c *Contact) setEnds(t time.Time, by *Master) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.ends, c.opener = t, by
}

// close closes the loop, and first opens the output if there is none. If an opening is under way, its outcome becomes
// why. After a failure the close is owed.
func (c *Contact) close(why Outcome) error {
	t := &c.threadState
	outcome := func(*State) {} // sets Last when an opening ends, in the change that sets Level
	if t.open != nil && !t.open.over {
		t.open.over = true
		outcome = func(s *State) { s.Last = why }
	}
	err := c.moveClosed()
	at := time.Now()
	c.setEnds(time.Time{}, nil)
	if err != nil {
		c.failed(err, outcome)
		return t.fault
	}
	if t.failing {
		c.notice(OutputBack, fmt.Errorf("contact %s: closed again", c.opt.Name))
	}
	o := t.open
	if o != nil || t.fault != nil {
		t.closed = at
	}
	t.fault, t.failing = nil, false
	t.open = nil
	if s := c.State(); o == nil && s.Level == relay.LevelClosed && s.Fault == nil {
		return nil // nothing has changed
	}
	late := time.Duration(0)
	if o != nil {
		late = at.Sub(o.end)
	}
	c.change(func(s *State) {
		outcome(s)
		s.Level, s.Fault = relay.LevelClosed, nil
		if o != nil {
			s.Measured, s.Late = at.Sub(o.began), late
		}
	})
	if late > lateNotice {
		c.notice(ClosedLate, fmt.Errorf("contact %s: closed %v late; the processor was busy, or the output was slow",
			c.opt.Name, late))
	}
	return nil
}

// failed records that the loop is not known to be closed, and what outcome sets.
func (c *Contact) failed(err error, outcome func(*State)) {
	t := &c.threadState
	t.fault, t.retry = fmt.Errorf("contact %s: closing: %w: %w", c.opt.Name, ErrOutput, err), time.Now().Add(retryEvery)
	c.change(func(s *State) {
		outcome(s)
		s.Level, s.Fault = relay.LevelUnknown, t.fault
	})
	if !t.failing {
		c.notice(OutputFailed, t.fault)
	}
	t.failing = true
}

// moveClosed closes the output and reads it back. If that fails, it reopens the output and tries once more.
func (c *Contact) moveClosed() error {
	if c.threadState.out != nil {
		err := c.setClosed()
		if err == nil {
			return nil
		}
		c.closeOutput()
		if again := c.openAndClose(); again != nil {
			return errors.Join(err, again)
		}
		return nil
	}
	return c.openAndClose()
}

func (c *Contact) openAndClose() error {
	out, err := c.opt.Open()
	if err != nil {
		return err
	}
	c.useOutput(out)
	return c.setClosed()
}

func (c *Contact) setClosed() error {
	if err := c.set(false); err != nil {
		return err
	}
	open, err := c.threadState.out.Get()
	switch {
	case err != nil:
		return fmt.Errorf("reading it back: %w", err)
	case open:
		return relay.ErrRefused
	}
	return nil
}

func (c *Contact) useOutput(out Output) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.threadState.out, c.out = out, out
}

// closeOutput releases the output.
func (c *Contact) closeOutput() {
	c.mu.Lock()
	out := c.out
	c.threadState.out, c.out = nil, nil
	c.mu.Unlock()
	if out != nil {
		_ = out.Close() // the output is reopened, or the process ends
	}
}

// readBack reads the contact's level from the output.
func (c *Contact) readBack() (relay.Level, error) {
	t := &c.threadState
	if t.fault != nil {
		return relay.LevelUnknown, t.fault
	}
	open, err := t.out.Get()
	switch {
	case err != nil:
		_ = c.close(OutcomeFailed) // the error is in the state; after a failed read, a close may still work
		return relay.LevelUnknown, fmt.Errorf("contact %s: reading it: %w: %w", c.opt.Name, ErrOutput, err)
	case !open:
		return relay.LevelClosed, nil
	case t.open == nil:
		c.notice(OutputFailed, fmt.Errorf("contact %s: found open without a command; closing it", c.opt.Name))
		_ = c.close(OutcomeFailed) // the error is in the state
		t.closed = time.Now()
	}
	return relay.LevelOpen, nil
}
