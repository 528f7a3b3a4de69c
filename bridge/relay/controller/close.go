package controller

import (
	"context"
	"errors"
	"fmt"
	"time"

	"clearback/bridge/relay"
)

// Close closes the contact and ends an opening that is under way. It returns nil when the controller has confirmed the
// close and the contact reads closed. Until then it waits, while the CloseRetrier tries again, until ctx ends.
func (c *Contact) Close(ctx context.Context) error {
	c.stopCurrent() // first, since the close may have to wait for a connection
	s, err := c.control.current()
	if err == nil {
		epoch := c.closeRetrier.Epoch()
		if _, err = c.closeOn(s, ctx.Done(), c.beforeClose); err == nil {
			if c.control.opt.Unordered {
				// An opening under way ends with a close of its own, or owes one.
				if err := c.awaitOver(ctx); err != nil {
					return fmt.Errorf("line %s: closing: the opening before it has no answer yet: %w", c.opt.Name, err)
				}
			}
			c.closeRetrier.Settle(epoch)
			return c.closeRetrier.Wait(ctx)
		}
	} else if c.closeRetrier.Owed() != nil { // the CloseRetrier is trying, or waits for the first connection
		c.closeRetrier.Renew() // a close already written may be done before this call's
		return c.closeRetrier.Wait(ctx)
	}
	c.closeRetrier.Owe(fmt.Errorf("line %s: closing: %w", c.opt.Name, err))
	return c.closeRetrier.Wait(ctx)
}

// errNotOwed means that the close was confirmed before the CloseRetrier could write it. The contact may be open again.
var errNotOwed = errors.New("controller: the close is no longer owed")

// retry is the CloseRetrier's attempt.
func (c *Contact) retry(ctx context.Context) error {
	s, err := c.control.current()
	if err != nil {
		c.requestConnection()
	} else {
		_, err = c.closeOn(s, ctx.Done(), func() error {
			if c.closeRetrier.Owed() == nil {
				return errNotOwed
			}
			return c.beforeClose()
		})
	}
	if err != nil && !errors.Is(err, errNotOwed) {
		return fmt.Errorf("line %s: closing: %w", c.opt.Name, err)
	}
	return nil
}

func (c *Contact) requestConnection() {
	select {
	case c.control.connectRequests <- struct{}{}:
	default: // a connection has been requested already
	}
}

// closeNow closes the contact once. If that fails, the CloseRetrier repeats the close.
func (c *Contact) closeNow(s *link) { c.closeAfter(s, nil) }

// closeAfter is closeNow after an error that leaves the contact's state in doubt. If the close fails too, that error
// stays the reason for the owed close.
func (c *Contact) closeAfter(s *link, doubt error) {
	epoch := c.closeRetrier.Epoch()
	_, err := c.closeOn(s, nil, c.beforeClose)
	if err == nil {
		c.closeRetrier.Settle(epoch)
		return
	}
	if doubt != nil {
		err = doubt
	}
	c.closeRetrier.Owe(err)
}

// closeOn writes the close at once, even while other requests wait for their answers, and reads the contact back. It
// returns the instant of the confirmation.
func (c *Contact) closeOn(s *link, stop <-chan struct{}, before func() error) (time.Time, error) {
	a, err := s.do(Request{Op: Close, Contact: c.index}, before, stop)
	if err != nil || c.opt.Blind {
		return a.At, err
	}
	level, _, err := c.read(s, stop)
	if err == nil && level != relay.LevelClosed {
		err = relay.ErrReadBack
	}
	return a.At, err
}

// beforeClose withdraws the opening under way, so that it is not written from here on. An opening that waits for the
// first connection is not withdrawn: it is written after the close in any case.
func (c *Contact) beforeClose() error {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.current != nil && !c.current.first {
		c.current.withdraw()
	}
	return nil
}

func (c *Contact) stopCurrent() {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.current != nil {
		c.current.withdraw()
	}
}

// isOpening reports whether an interruption is under way.
func (c *Contact) isOpening() bool {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.current != nil
}

// awaitOver waits until the interruption under way, if any, has its result. It returns an error if ctx ends first.
func (c *Contact) awaitOver(ctx context.Context) error {
	c.mu.Lock()
	o := c.current
	c.mu.Unlock()
	if o == nil {
		return nil
	}
	select {
	case <-o.over:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

// writeClose and expectClosed are the two halves of a close at the beginning of a connection.
func (c *Contact) writeClose(ctx context.Context, s *link) error {
	if _, err := s.do(Request{Op: Close, Contact: c.index}, c.beforeClose, ctx.Done()); err != nil {
		return fmt.Errorf("line %s: closing at the beginning of the connection: %w", c.opt.Name, err)
	}
	return nil
}

func (c *Contact) expectClosed(ctx context.Context, s *link) error {
	level, _, err := c.read(s, ctx.Done())
	if err == nil && level != relay.LevelClosed {
		err = relay.ErrReadBack
	}
	if err != nil {
		return fmt.Errorf("line %s: reading back at the beginning of the connection: %w", c.opt.Name, err)
	}
	return nil
}

// mayBeOpen reports whether the contact may be open. Such contacts are closed before those that are known to be closed.
func (c *Contact) mayBeOpen() bool {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.current != nil || c.closeRetrier.Owed() != nil
}

// poll reads the contact if no interruption is under way, and closes it if it is open. A contact that cannot be read is
// closed without a reading.
func (c *Contact) poll(ctx context.Context, s *link) {
	c.mu.Lock()
	before, driven := c.opens, c.current != nil
	c.mu.Unlock()
	op, allowed := Read, (func() error)(nil)
	if c.opt.Blind {
		if op, allowed = Close, c.forbidIfOpening; driven {
			return
		}
	}
	if s.acquire(ctx.Done(), time.Now().Add(c.control.opt.Timeout)) != nil {
		return // another request keeps the controller busy, and has a time-out of its own
	}
	call, err := s.start(Request{Op: op, Contact: c.index}, true, allowed)
	if err != nil {
		return // the session has ended, which run notices, or an opening has begun
	}
	a, err := call.Wait(ctx.Done())
	switch {
	case op == Close && isRefusal(err): // a controller that refuses a close could not end an opening either
		c.closeRetrier.Owe(fmt.Errorf("line %s: closing: %w", c.opt.Name, err))
		return
	// A refused reading says nothing about the contact, and every close reads the contact back itself.
	case op == Close, driven, a.Level != relay.LevelOpen:
		return
	}
	err = fmt.Errorf("line %s: the contact reads open, but no opening is under way: %w", c.opt.Name, relay.ErrReadBack)
	if alarm := c.markIfIdle(before, err); alarm != nil {
		c.notice(relay.FoundOpen, err)
		alarm()
	}
}

// markIfIdle owes a close for the given reason and returns its alarm. It returns nil if an interruption is under way,
// if an opening was written since the reading (the answer to a reading within an opening may arrive after its end), or
// if a close is already owed. It holds mu, so that no opening begins in between only to be ended by that close.
func (c *Contact) markIfIdle(opens uint64, err error) (alarm func()) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.current != nil || c.opens != opens || c.closeRetrier.Owed() != nil {
		return nil
	}
	return c.closeRetrier.OweLater(err)
}

// errOpeningUnderWay means that an opening has begun in the meantime.
var errOpeningUnderWay = errors.New("controller: an opening is under way")

// forbidIfOpening forbids a request that may move the contact once an opening has begun. Both requests need the slot,
// so no opening can be written after this check until that request has ended.
func (c *Contact) forbidIfOpening() error {
	if c.isOpening() {
		return errOpeningUnderWay
	}
	return nil
}
