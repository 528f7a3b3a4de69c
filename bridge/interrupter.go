package bridge

import (
	"context"
	"errors"
	"sync"
	"time"

	"clearback/bridge/relay"
	"clearback/supervision"
)

// interrupter drives the contact of one line, one interruption at a time. Every outcome is posted as an event. The
// methods do not block, except end.
type interrupter struct {
	post func(supervision.Event)
	all  sync.WaitGroup

	// done when the line stops; from then on the driver's own shutdown closes the contact
	ctx  context.Context
	stop context.CancelFunc

	mu      sync.Mutex
	contact relay.Contact
	cancel  context.CancelFunc // of the interruption under way
	running supervision.Seq    // its number
	opened  bool               // the opening was confirmed, and its outcome is not posted yet
	closing bool               // the contact is being closed
}

func newInterrupter(c relay.Contact, post func(supervision.Event)) *interrupter {
	o := &interrupter{contact: c, post: post}
	o.ctx, o.stop = context.WithCancel(context.Background())
	return o
}

// open starts an interruption.
func (o *interrupter) open(seq supervision.Seq, d time.Duration, notAfter time.Time) {
	o.mu.Lock()
	// the machine never asks for two openings at once; if it did, the second must not open
	if o.cancel != nil || o.ctx.Err() != nil {
		o.mu.Unlock()
		o.post(supervision.Event{Kind: supervision.LoopFailed, Seq: seq, Failure: supervision.FailureRefused})
		return
	}
	ctx, cancel := context.WithCancel(o.ctx)
	o.cancel, o.running = cancel, seq
	contact := o.contact
	o.mu.Unlock()
	o.all.Go(func() {
		res := contact.Interrupt(ctx, relay.Interruption{
			Seq: uint32(seq), Duration: d, NotAfter: notAfter,
			Opened: func(time.Time) {
				o.setOpened(true)
				o.post(supervision.Event{Kind: supervision.LoopOpened, Seq: seq})
			},
		})
		cancel()
		o.mu.Lock()
		o.cancel = nil
		o.mu.Unlock()
		o.report(seq, res)
		o.setOpened(false) // the outcome is in the mailbox before any loop-current reading that shows it
	})
}

func (o *interrupter) setOpened(is bool) {
	o.mu.Lock()
	defer o.mu.Unlock()
	o.opened = is
}

// underWay reports whether the controller has confirmed an opening whose outcome is not posted yet.
func (o *interrupter) underWay() bool {
	o.mu.Lock()
	defer o.mu.Unlock()
	return o.opened
}

func (o *interrupter) report(seq supervision.Seq, res relay.Result) {
	switch res.Outcome {
	case relay.Done:
		o.post(supervision.Event{Kind: supervision.LoopClosed, Seq: seq, Took: res.OpenFor.Round(time.Microsecond)})
	case relay.Refused:
		o.post(supervision.Event{Kind: supervision.LoopFailed, Seq: seq, Failure: failure(res.Err),
			Took: res.OpenFor.Round(time.Microsecond), Why: relay.Reason(res.Err)})
	default:
		o.post(supervision.Event{Kind: supervision.LoopUnknown, Seq: seq, Failure: failure(res.Err),
			Why: relay.Reason(res.Err)})
		o.close(seq)
	}
}

// withdraw ends the interruption seq, or with seq 0 the one under way. If that interruption is not under way, withdraw
// closes the contact.
func (o *interrupter) withdraw(seq supervision.Seq) {
	o.mu.Lock()
	cancel, running := o.cancel, o.running
	o.mu.Unlock()
	if cancel != nil && (seq == 0 || seq == running) {
		cancel()
		return
	}
	o.close(seq)
}

// close closes the contact in the background, and posts LoopClosed with seq once the controller has confirmed the
// close. Until then the driver repeats the close, and its notices raise the alarm.
func (o *interrupter) close(seq supervision.Seq) {
	o.mu.Lock()
	defer o.mu.Unlock()
	if o.closing || o.ctx.Err() != nil {
		return
	}
	o.closing = true
	contact := o.contact
	o.all.Go(func() {
		for again := true; again; {
			err := contact.Close(o.ctx)
			o.mu.Lock()
			// the line may have got another contact meanwhile, whose close was left to this goroutine
			again = err != nil && o.contact != contact && o.ctx.Err() == nil
			contact, o.closing = o.contact, again
			o.mu.Unlock()
			if err == nil {
				o.post(supervision.Event{Kind: supervision.LoopClosed, Seq: seq})
			}
		}
	})
}

// busy reports whether an interruption is under way. A close does not count, because the machine limits its wait for
// LoopClosed and the driver repeats the close until it has shut down.
func (o *interrupter) busy() bool {
	o.mu.Lock()
	defer o.mu.Unlock()
	return o.cancel != nil
}

// setContact replaces the contact. What is under way ends with the old one.
func (o *interrupter) setContact(c relay.Contact) {
	o.mu.Lock()
	defer o.mu.Unlock()
	o.contact = c
}

// end cancels what is under way, which closes the loop, and waits.
func (o *interrupter) end() {
	o.mu.Lock()
	o.stop()
	o.mu.Unlock()
	o.all.Wait()
}

// failure returns the first of these kinds that matches the error. An error that is ErrMoved is also ErrRefused, and
// one that is ErrShort is also ErrNoAnswer.
func failure(err error) supervision.Failure {
	switch {
	case errors.Is(err, relay.ErrShort):
		return supervision.FailureShort
	case errors.Is(err, relay.ErrReadBack):
		return supervision.FailureNotMoved
	case errors.Is(err, relay.ErrLate):
		return supervision.FailureLate
	case errors.Is(err, relay.ErrStopped):
		return supervision.FailureStopped
	case errors.Is(err, relay.ErrUnreachable):
		return supervision.FailureUnreachable
	case errors.Is(err, relay.ErrNoContact):
		return supervision.FailureNoContact
	case errors.Is(err, relay.ErrNoAnswer):
		return supervision.FailureNoAnswer
	default:
		return supervision.FailureRefused
	}
}
