package relay

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"time"
)

const (
	// CloseEvery is the longest pause between two attempts to close a contact. Our own number: a caller who lifts the
	// handset must not find the line dead for longer than that.
	CloseEvery = 250 * time.Millisecond
	// ReportEvery is the interval at which a close that keeps failing is reported again.
	ReportEvery = 10 * time.Second
)

// errNotClosedYet is the reason for the close that is owed at the start, when the daemon has not reached the controller
// yet.
var errNotClosedYet = errors.New("relay: the contact has not been closed since the start")

// errEnded means that the driver has ended, so that nothing repeats the close.
var errEnded = errors.New("relay: the driver has ended")

// CloseRetrier records whether a close of one contact is owed, and repeats the close until the controller confirms it.
// Every driver has one CloseRetrier per contact. All methods are safe for concurrent use.
//
//	settled --Owe--> owed --Settle, or an attempt that succeeds--> settled
type CloseRetrier struct {
	try    func(context.Context) error
	notify func(Notice)

	wake  chan struct{} // buffer 1: one pending wake-up is enough
	ended chan struct{} // closed by Stop
	stop  func()        // closes ended; may be called repeatedly

	// notifying is held while a notice is given, so that notices come in the order of the changes. It is locked before
	// mu.
	notifying       sync.Mutex
	failingReported bool // guarded by notifying: the last notice was CloseFailing

	mu        sync.Mutex
	err       error         // why a close is owed; nil if settled
	epoch     uint64        // raised by Owe and Renew: a close sent in an earlier epoch settles nothing
	since     time.Time     // when the close became owed
	lastAlarm time.Time     // time of the last alarm; zero if there was none since the last settlement
	settled   chan struct{} // closed when settled
}

// NewCloseRetrier returns a retrier that owes a close, because the state of the contact is unknown at the start. The
// function try makes one attempt. The function notify receives CloseFailing and CloseConfirmed, with Kind, Err and
// Since set, and must not block.
func NewCloseRetrier(try func(context.Context) error, notify func(Notice)) *CloseRetrier {
	ended := make(chan struct{})
	return &CloseRetrier{try: try, notify: notify, wake: make(chan struct{}, 1), ended: ended,
		stop: sync.OnceFunc(func() { close(ended) }),
		err:  errNotClosedYet, since: time.Now(), settled: make(chan struct{})}
}

// Owed returns why a close is owed. It returns nil if the contact is closed or an opening is under way.
func (r *CloseRetrier) Owed() error {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.err
}

// Owe records that a close failed with err. It raises an alarm at once, and Run then tries until a close succeeds.
func (r *CloseRetrier) Owe(err error) { r.OweLater(err)() }

// OweLater is [CloseRetrier.Owe] for a caller that holds a lock. The caller calls alarm after it has released the lock.
func (r *CloseRetrier) OweLater(err error) (alarm func()) {
	r.mu.Lock()
	if r.err == nil {
		r.since, r.settled = time.Now(), make(chan struct{})
	}
	r.err = err
	r.epoch++
	due := r.dueLocked()
	r.mu.Unlock()
	r.Wake()
	return func() { r.notifyState(due) }
}

// notifyState gives a notice of the present state: CloseFailing if a report is due, CloseConfirmed if the last notice
// was CloseFailing. A delayed call never reports an earlier state.
func (r *CloseRetrier) notifyState(due bool) {
	r.notifying.Lock()
	defer r.notifying.Unlock()
	r.mu.Lock()
	n, last := Notice{Kind: CloseFailing, Err: r.err, Since: r.since}, r.failingReported
	r.mu.Unlock()
	switch {
	case n.Err != nil && due:
		r.failingReported = true
		r.notify(n)
	case n.Err == nil && last:
		r.failingReported = false
		r.notify(Notice{Kind: CloseConfirmed, Since: n.Since})
	}
}

// Renew makes an owed close count only if it is sent after this call. A close that is already under way then settles
// nothing, since the controller may have done it before the caller wanted the contact closed. Renew does nothing if no
// close is owed.
func (r *CloseRetrier) Renew() {
	r.mu.Lock()
	owed := r.err != nil
	if owed {
		r.epoch++
	}
	r.mu.Unlock()
	if owed {
		r.Wake()
	}
}

// Wake makes Run try at once if a close is owed.
func (r *CloseRetrier) Wake() {
	select {
	case r.wake <- struct{}{}:
	default: // a wake-up is already pending
	}
}

// dueLocked reports whether an alarm is due, and if so counts it as given.
func (r *CloseRetrier) dueLocked() bool {
	now := time.Now()
	if !r.lastAlarm.IsZero() && now.Sub(r.lastAlarm) < ReportEvery {
		return false
	}
	r.lastAlarm = now
	return true
}

// Epoch returns the current epoch. Read it before sending a close, and pass it to [CloseRetrier.Settle] on
// confirmation.
func (r *CloseRetrier) Epoch() uint64 {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.epoch
}

// Settle records that the controller confirmed a close sent in the given epoch, and reports whether no close is owed
// now. If [CloseRetrier.Owe] or [CloseRetrier.Renew] was called since, a close is still owed.
func (r *CloseRetrier) Settle(epoch uint64) bool {
	r.mu.Lock()
	if r.err == nil || r.epoch != epoch {
		defer r.mu.Unlock()
		return r.err == nil
	}
	r.err, r.lastAlarm = nil, time.Time{}
	close(r.settled)
	r.mu.Unlock()
	r.notifyState(false)
	return true
}

// Stop ends every Wait. Call it after Run has returned.
func (r *CloseRetrier) Stop() { r.stop() }

// Wait returns nil once no close is owed. If ctx ends or Stop is called first, it returns why the close is owed.
func (r *CloseRetrier) Wait(ctx context.Context) error {
	r.mu.Lock()
	ch, err := r.settled, r.err
	r.mu.Unlock()
	if err == nil {
		return nil
	}
	var why error
	select {
	case <-ch:
		return nil
	case <-ctx.Done():
		why = ctx.Err()
	case <-r.ended:
		why = errEnded
	}
	if err = r.Owed(); err == nil {
		return nil
	}
	return fmt.Errorf("%w (given up: %w)", err, why)
}

// Run repeats an owed close, at most [CloseEvery] apart, until ctx ends.
func (r *CloseRetrier) Run(ctx context.Context) {
	pause := time.NewTimer(0)
	defer pause.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-pause.C:
		case <-r.wake:
		}
		if r.Owed() == nil {
			continue
		}
		epoch := r.Epoch()
		if err := r.try(ctx); err == nil {
			r.Settle(epoch)
		} else if ctx.Err() == nil {
			r.failed(err)
		}
		pause.Reset(CloseEvery)
	}
}

// failed reports a failed attempt made by Run. Unlike Owe, it does not wake Run.
func (r *CloseRetrier) failed(err error) {
	r.mu.Lock()
	if r.err == nil { // another close was confirmed in the meantime
		r.mu.Unlock()
		return
	}
	r.err = err
	due := r.dueLocked()
	r.mu.Unlock()
	r.notifyState(due)
}
