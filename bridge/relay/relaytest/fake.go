// Package relaytest has a fake contact, for tests of the users of contacts, and the conformance suite of all drivers.
package relaytest

import (
	"context"
	"slices"
	"sync"
	"time"

	"clearback/bridge/relay"
)

// Fake is a contact that follows a script. The zero value opens and closes as asked. It uses the clock of package time,
// so it works in a synctest bubble. It is safe for concurrent use.
type Fake struct {
	kind relay.Kind

	mu         sync.Mutex
	script     []Step
	closing    []error
	calls      []Call
	open       bool
	current    chan struct{} // closed to end the opening under way; nil if there is none
	sense      func(open bool) (relay.Level, error)
	senseTimes []time.Time
}

var (
	_ relay.Contact = (*Fake)(nil)
	_ relay.Reader  = (*Fake)(nil)
	_ relay.Sensor  = (*Fake)(nil)
)

// Step is the fake's behaviour for one interruption.
type Step struct {
	// Outcome Done opens for the duration. Refused moves nothing. Unknown opens, and stays open until Close.
	Outcome relay.Outcome
	// Err is the returned error; with Refused or Unknown, nil means [relay.ErrRefused] or [relay.ErrNoAnswer].
	Err error
	// Delay is the time before anything else.
	Delay time.Duration
}

// Call is one recorded call.
type Call struct {
	// Name is "interrupt" or "close". Each attempt to close is a call.
	Name         string
	Interruption relay.Interruption
	At           time.Time
}

// NewFake returns a fake of the given kind.
func NewFake(k relay.Kind) *Fake { return &Fake{kind: k} }

// Script sets the behaviour of the next interruptions, one step each. After the last step the fake opens and closes as
// asked.
func (f *Fake) Script(s ...Step) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.script = slices.Clone(s)
}

// FailClose sets the results of the next attempts to close, one each. A nil result closes.
func (f *Fake) FailClose(errs ...error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.closing = slices.Clone(errs)
}

// Calls returns a copy of all calls so far.
func (f *Fake) Calls() []Call {
	f.mu.Lock()
	defer f.mu.Unlock()
	return slices.Clone(f.calls)
}

// Open reports whether the fake loop is open now.
func (f *Fake) Open() bool {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.open
}

// SenseBy gives the fake a loop-current input. Each reading returns the result of read, whose argument says whether the
// contact is open. The function may block.
func (f *Fake) SenseBy(read func(open bool) (relay.Level, error)) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.sense = read
}

// SenseTimes returns the time of each reading of the input.
func (f *Fake) SenseTimes() []time.Time {
	f.mu.Lock()
	defer f.mu.Unlock()
	return slices.Clone(f.senseTimes)
}

// Sense reads the input set by SenseBy. Without one it returns [relay.ErrNoSense].
func (f *Fake) Sense(context.Context) (relay.Level, error) {
	f.mu.Lock()
	f.senseTimes = append(f.senseTimes, time.Now())
	read, open := f.sense, f.open
	f.mu.Unlock()
	if read == nil {
		return relay.LevelUnknown, relay.ErrNoSense
	}
	return read(open)
}

// Kind returns the kind given to NewFake.
func (f *Fake) Kind() relay.Kind { return f.kind }

// Read returns the level.
func (f *Fake) Read(context.Context) (relay.Level, error) {
	if f.Open() {
		return relay.LevelOpen, nil
	}
	return relay.LevelClosed, nil
}

// Interrupt follows the script.
func (f *Fake) Interrupt(ctx context.Context, i relay.Interruption) relay.Result {
	f.mu.Lock()
	f.calls = append(f.calls, Call{"interrupt", i, time.Now()})
	if f.current != nil {
		f.mu.Unlock()
		return relay.Result{Outcome: relay.Refused, Err: relay.ErrRefused}
	}
	step := Step{Outcome: relay.Done}
	if len(f.script) > 0 {
		step, f.script = f.script[0], f.script[1:]
	}
	stop := make(chan struct{})
	f.current = stop
	f.mu.Unlock()
	r := f.run(ctx, i, step, stop)
	f.mu.Lock()
	defer f.mu.Unlock()
	f.current = nil
	if r.Outcome != relay.Unknown {
		f.open = false
	}
	return r
}

func (f *Fake) run(ctx context.Context, i relay.Interruption, step Step, stop <-chan struct{}) relay.Result {
	if wait(ctx, step.Delay, stop) {
		return relay.Result{Outcome: relay.Refused, Err: relay.ErrStopped}
	}
	if step.Outcome == relay.Refused {
		return relay.Result{Outcome: relay.Refused, Err: orElse(step.Err, relay.ErrRefused)}
	}
	if time.Now().After(i.NotAfter) {
		return relay.Result{Outcome: relay.Refused, Err: relay.ErrLate}
	}
	f.mu.Lock()
	f.open = true
	f.mu.Unlock()
	if step.Outcome == relay.Unknown {
		return relay.Result{Outcome: relay.Unknown, Err: orElse(step.Err, relay.ErrNoAnswer)}
	}
	at := time.Now()
	if i.Opened != nil {
		i.Opened(at)
	}
	wait(ctx, i.Duration, stop)
	return relay.Result{Outcome: relay.Done, OpenFor: time.Since(at), Err: step.Err}
}

func orElse(err, other error) error {
	if err == nil {
		return other
	}
	return err
}

// wait reports whether the wait ended early.
func wait(ctx context.Context, d time.Duration, stop <-chan struct{}) bool {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-ctx.Done():
		return true
	case <-stop:
		return true
	case <-t.C:
		return false
	}
}

// Close closes the contact. It repeats attempts that fail, as set by FailClose, until ctx ends.
func (f *Fake) Close(ctx context.Context) error {
	for {
		err := f.tryClose()
		if err == nil || wait(ctx, relay.CloseEvery, nil) {
			return err
		}
	}
}

func (f *Fake) tryClose() error {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.calls = append(f.calls, Call{Name: "close", At: time.Now()})
	if len(f.closing) > 0 {
		err := f.closing[0]
		if f.closing = f.closing[1:]; err != nil {
			return err
		}
	}
	f.open = false
	if f.current != nil {
		close(f.current)
		// the opening is under way until Interrupt returns, but its channel must not be closed twice
		f.current = make(chan struct{})
	}
	return nil
}
