package relay

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"time"
)

const (
	// CloseEvery is the longest pause between two attempts at a close that is owed.
	CloseEvery = 250 * time.Millisecond
	// ReportEvery is the pace at which a close that keeps failing is reported, after the first time.
	ReportEvery = 10 * time.Second
)

// errOwed stands for the state at start: nobody has asked the controller yet.
var errOwed = errors.New("relay: the contact has not been put to closed yet")

// errEnded: nobody will repeat the close any more.
var errEnded = errors.New("relay: the driver has ended")

// CloseRetrier knows whether a contact is owed a close, and repeats that close until the controller confirms it. Every
// driver has one per contact, so that this rule stands in one place. All methods are safe for concurrent use.
//
//	settled --Owe--> owed --Settle, or a try that succeeds--> settled
type CloseRetrier struct {
	try    func(context.Context) error
	notify func(Notice)

	wake  chan struct{} // buffer 1: one pending wake-up is as good as many
	ended chan struct{} // closed by Stop
	stop  func()        // closes ended, once

	notifying       sync.Mutex // held while notices are given, so that they come in the order of what they tell; taken before mu
	failingReported bool       // under notifying: the last notice was CloseFailing

	mu        sync.Mutex
	err       error         // why a close is owed; nil: settled
	epoch     uint64        // counts Owe: a close that began before the latest one proves nothing
	since     time.Time     // when it became owed
	lastAlarm time.Time     // last report; zero: none yet
	settled   chan struct{} // closed when settled
}

// NewCloseRetrier returns a keeper that owes a close, as at every start. Try does one attempt; notify receives
// CloseFailing and CloseConfirmed (Kind, Err and Since are set) and must not block.
func NewCloseRetrier(try func(context.Context) error, notify func(Notice)) *CloseRetrier {
	ended := make(chan struct{})
	return &CloseRetrier{try: try, notify: notify, wake: make(chan struct{}, 1), ended: ended,
		stop: sync.OnceFunc(func() { close(ended) }),
		err:  errOwed, since: time.Now(), settled: make(chan struct{})}
}

// Owed returns why a close is owed, nil if the contact is known to be closed or is being driven.
func (k *CloseRetrier) Owed() error {
	k.mu.Lock()
	defer k.mu.Unlock()
	return k.err
}

// Owe records that a close failed for the reason given: an alarm at once, then attempts by Run until one succeeds.
func (k *CloseRetrier) Owe(err error) { k.OweLater(err)() }

// OweLater is [CloseRetrier.Owe] for a caller that holds a lock of its own: the alarm is given by alarm, once the lock
// is free.
func (k *CloseRetrier) OweLater(err error) (alarm func()) {
	k.mu.Lock()
	if k.err == nil {
		k.since, k.settled = time.Now(), make(chan struct{})
	}
	k.err = err
	k.epoch++
	due := k.dueLocked()
	k.mu.Unlock()
	k.Wake()
	return func() { k.notifyState(due) }
}

// notifyState gives the notice of what is so now, if it is news or if it is due again. One who comes late tells nothing
// that is over.
func (k *CloseRetrier) notifyState(due bool) {
	k.notifying.Lock()
	defer k.notifying.Unlock()
	k.mu.Lock()
	n, last := Notice{Kind: CloseFailing, Err: k.err, Since: k.since}, k.failingReported
	k.mu.Unlock()
	switch {
	case n.Err != nil && due:
		k.failingReported = true
		k.notify(n)
	case n.Err == nil && last:
		k.failingReported = false
		k.notify(Notice{Kind: CloseConfirmed, Since: n.Since})
	}
}

// Renew is for somebody who wants the contact closed while a close is owed: one that is under way already does not
// settle that any more, since it may have been done before what he wants closed.
func (k *CloseRetrier) Renew() {
	k.mu.Lock()
	owed := k.err != nil
	if owed {
		k.epoch++
	}
	k.mu.Unlock()
	if owed {
		k.Wake()
	}
}

// Wake has Run try at once, if a close is owed.
func (k *CloseRetrier) Wake() {
	select {
	case k.wake <- struct{}{}:
	default: // it is awake
	}
}

// dueLocked reports whether it is time for an alarm, and counts it as given.
func (k *CloseRetrier) dueLocked() bool {
	now := time.Now()
	if !k.lastAlarm.IsZero() && now.Sub(k.lastAlarm) < ReportEvery {
		return false
	}
	k.lastAlarm = now
	return true
}

// Epoch is to be taken before a close is sent and given to [CloseRetrier.Settle] when it is confirmed.
func (k *CloseRetrier) Epoch() uint64 {
	k.mu.Lock()
	defer k.mu.Unlock()
	return k.epoch
}

// Settle records that the controller confirmed a close sent in the given epoch. A later [CloseRetrier.Owe] or
// [CloseRetrier.Renew] is not settled by it: then it reports false, and a close is still owed.
func (k *CloseRetrier) Settle(epoch uint64) bool {
	k.mu.Lock()
	if k.err == nil || k.epoch != epoch {
		defer k.mu.Unlock()
		return k.err == nil
	}
	k.err, k.lastAlarm = nil, time.Time{}
	close(k.settled)
	k.mu.Unlock()
	k.notifyState(false)
	return true
}

// Stop ends all waiting for closes that nobody will try any more; call it after Run has ended.
func (k *CloseRetrier) Stop() { k.stop() }

// Wait returns nil once no close is owed, or the reason when ctx or the keeper ends first.
func (k *CloseRetrier) Wait(ctx context.Context) error {
	k.mu.Lock()
	ch, err := k.settled, k.err
	k.mu.Unlock()
	if err == nil {
		return nil
	}
	var why error
	select {
	case <-ch:
		return nil
	case <-ctx.Done():
		why = ctx.Err()
	case <-k.ended:
		why = errEnded
	}
	if err = k.Owed(); err == nil {
		return nil
	}
	return fmt.Errorf("%w (given up: %w)", err, why)
}

// Run repeats owed closes, at most [CloseEvery] apart, until ctx ends.
func (k *CloseRetrier) Run(ctx context.Context) {
	pause := time.NewTimer(0)
	defer pause.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-pause.C:
		case <-k.wake:
		}
		if k.Owed() == nil {
			continue
		}
		epoch := k.Epoch()
		if err := k.try(ctx); err == nil {
			k.Settle(epoch)
		} else if ctx.Err() == nil {
			k.failed(err)
		}
		pause.Reset(CloseEvery)
	}
}

// failed reports a failed attempt of Run without waking it.
func (k *CloseRetrier) failed(err error) {
	k.mu.Lock()
	if k.err == nil { // settled by somebody else meanwhile
		k.mu.Unlock()
		return
	}
	k.err = err
	due := k.dueLocked()
	k.mu.Unlock()
	k.notifyState(due)
}
