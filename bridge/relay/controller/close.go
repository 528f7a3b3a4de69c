package controller

import (
	"context"
	"errors"
	"fmt"
	"time"

	"clearback/bridge/relay"
)

// Close puts the contact to closed and ends an opening under way. It returns nil when the controller confirmed it and
// the contact reads closed; else it waits, while the keeper tries again, until ctx ends.
func (c *Contact) Close(ctx context.Context) error {
	c.stopCurrent() // at once: the close may have to wait for a connection of its own
	s, err := c.control.current()
	if err == nil {
		epoch := c.closeRetrier.Epoch()
		if _, err = c.closeOn(s, ctx.Done(), c.beforeClose); err == nil {
			if c.control.opt.Unordered {
				if err := c.awaitOver(ctx); err != nil { // an opening under way ends with a close behind it, or owes one
					return fmt.Errorf("line %s: closing: the opening before it has no answer yet: %w", c.opt.Name, err)
				}
			}
			c.closeRetrier.Settle(epoch)
			return c.closeRetrier.Wait(ctx)
		}
	} else if c.closeRetrier.Owed() != nil { // the keeper is at it, or waits for the first connection
		c.closeRetrier.Renew() // a close that it has written already may be done before what is to be closed now
		return c.closeRetrier.Wait(ctx)
	}
	c.closeRetrier.Owe(fmt.Errorf("line %s: closing: %w", c.opt.Name, err))
	return c.closeRetrier.Wait(ctx)
}

// errNotOwed: somebody else closed the contact before the keeper could, and by now it may be driven again.
var errNotOwed = errors.New("controller: the close is not owed any more")

// retry is the keeper's attempt.
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
	default: // a connection is wished for already
	}
}

// closeNow closes once and leaves the rest to the keeper.
func (c *Contact) closeNow(s *link) { c.closeAfter(s, nil) }

// closeAfter is closeNow after an error that leaves the contact in doubt: until the close succeeds that error is the
// reason.
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

// closeOn writes the close at once, whatever else is in the air, and reads back. It returns the instant of the
// confirmation.
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

// beforeClose ends the opening under way, if any: from here on it cannot be written any more.
func (c *Contact) beforeClose() error {
	c.stopCurrent()
	return nil
}

func (c *Contact) stopCurrent() {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.current != nil {
		c.current.withdraw()
	}
}

// isDriven reports whether an interruption is under way.
func (c *Contact) isDriven() bool {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.current != nil
}

// awaitOver waits until the interruption under way, if any, has its result. It fails when ctx ends before that.
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

// writeClose and expectClosed are the two halves of a close for the beginning of a connection.
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

// mayBeOpen reports whether the contact is to be served before those that are known to be closed.
func (c *Contact) mayBeOpen() bool {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.current != nil || c.closeRetrier.Owed() != nil
}

// poll reads the contact when nobody drives it, and closes it if it is open. One that cannot be read is closed.
func (c *Contact) poll(ctx context.Context, s *link) {
	c.mu.Lock()
	before, driven := c.opens, c.current != nil
	c.mu.Unlock()
	op, allowed := Read, (func() error)(nil)
	if c.opt.Blind {
		if op, allowed = Close, c.undriven; driven {
			return
		}
	}
	if s.acquire(ctx.Done(), time.Now().Add(c.control.opt.Timeout)) != nil {
		return // the controller is busy with another request, which has its own time-out
	}
	call, err := s.start(Request{Op: op, Contact: c.index}, true, allowed)
	if err != nil {
		return // the session has ended, as run sees, or an opening came in between
	}
	a, err := call.Wait(ctx.Done())
	switch {
	case op == Close && isRefusal(err): // nor could an opening be ended
		c.closeRetrier.Owe(fmt.Errorf("line %s: closing: %w", c.opt.Name, err))
		return
	case op == Close, driven, a.Level != relay.LevelOpen: // a refusal is no news about the contact; every close reads back by itself
		return
	}
	err = fmt.Errorf("line %s: the contact read open although nobody opened it: %w", c.opt.Name, relay.ErrReadBack)
	if alarm := c.markIfIdle(before, err); alarm != nil {
		c.notice(relay.FoundOpen, err)
		alarm()
	}
}

// markIfIdle owes a close for the reason given, and returns its alarm, unless the contact is being driven, has been
// since it was read (an answer from within an opening may come after its end), or is owed one already. No opening
// begins in between: that close would end it.
func (c *Contact) markIfIdle(opens uint64, err error) (alarm func()) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.current != nil || c.opens != opens || c.closeRetrier.Owed() != nil {
		return nil
	}
	return c.closeRetrier.OweLater(err)
}

// errDriven: an opening has come in between.
var errDriven = errors.New("controller: the contact is being driven")

// undriven forbids what may move the contact once an opening has begun: both take the slot, so none can be written
// after this was asked.
func (c *Contact) undriven() error {
	if c.isDriven() {
		return errDriven
	}
	return nil
}
