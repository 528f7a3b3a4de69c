package modbus

import (
	"context"
	"errors"
	"fmt"
	"time"

	"clearback/bridge/relay"
)

// Close puts the contact to closed and ends an opening under way. It returns nil when the board confirmed it and the coil reads
// closed; else it waits, while the keeper tries again, until ctx ends.
func (c *Contact) Close(ctx context.Context) error {
	s, err := c.board.current()
	if err == nil {
		epoch := c.keeper.Epoch()
		if _, err = c.closeOn(s, ctx.Done(), c.beforeClose); err == nil {
			c.keeper.Settle(epoch)
			return nil
		}
	} else {
		c.stopCurrent()
		if c.keeper.Owed() != nil { // the keeper is at it, or waits for the first connection
			c.wishConnection()
			return c.keeper.Wait(ctx)
		}
	}
	c.keeper.Owe(fmt.Errorf("line %s: closing: %w", c.opt.Name, err))
	return c.keeper.Wait(ctx)
}

// errSettled: somebody else closed the contact before the keeper could, and by now it may be driven again.
var errSettled = errors.New("modbus: the close is not owed any more")

// retry is the keeper's attempt.
func (c *Contact) retry(ctx context.Context) error {
	s, err := c.board.current()
	if err != nil {
		c.wishConnection()
	} else {
		_, err = c.closeOn(s, ctx.Done(), func() error {
			if c.keeper.Owed() == nil {
				return errSettled
			}
			return c.beforeClose()
		})
	}
	if err != nil && !errors.Is(err, errSettled) {
		return fmt.Errorf("line %s: closing: %w", c.opt.Name, err)
	}
	return nil
}

func (c *Contact) wishConnection() {
	select {
	case c.board.nudge <- struct{}{}:
	default: // a connection is wished for already
	}
}

// closeNow closes once and leaves the rest to the keeper.
func (c *Contact) closeNow(s *session) { c.closeAfter(s, nil) }

// closeAfter is closeNow after an error that leaves the contact in doubt: until the close succeeds that error is the reason.
func (c *Contact) closeAfter(s *session, doubt error) {
	epoch := c.keeper.Epoch()
	_, err := c.closeOn(s, nil, c.beforeClose)
	if err == nil {
		c.keeper.Settle(epoch)
		return
	}
	if doubt != nil {
		err = doubt
	}
	c.keeper.Owe(err)
}

// closeOn writes the close at once, whatever else is in the air, and reads back. It returns the instant of the confirmation.
func (c *Contact) closeOn(s *session, stop <-chan struct{}, before func() error) (time.Time, error) {
	a, err := s.do(c.opt.Unit, c.closeCommand(), before, stop)
	if err != nil {
		return time.Time{}, err
	}
	level, _, err := c.read(s, stop)
	if err == nil && level != relay.LevelClosed {
		err = errMoved
	}
	return a.at, err
}

func (c *Contact) closeCommand() []byte { return writeCoil(c.opt.Coil, !c.opt.OpenOn) }

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

// awaitOver waits until the interruption under way, if any, has its result, or ctx ends.
func (c *Contact) awaitOver(ctx context.Context) {
	c.mu.Lock()
	o := c.current
	c.mu.Unlock()
	if o == nil {
		return
	}
	select {
	case <-o.over:
	case <-ctx.Done():
	}
}

// writeClose and expectClosed are the two halves of a close for the beginning of a connection.
func (c *Contact) writeClose(ctx context.Context, s *session) error {
	if _, err := s.do(c.opt.Unit, c.closeCommand(), c.beforeClose, ctx.Done()); err != nil {
		return fmt.Errorf("line %s: closing at the beginning of the connection: %w", c.opt.Name, err)
	}
	return nil
}

func (c *Contact) expectClosed(ctx context.Context, s *session) error {
	level, _, err := c.read(s, ctx.Done())
	if err == nil && level != relay.LevelClosed {
		err = errMoved
	}
	if err != nil {
		return fmt.Errorf("line %s: reading back at the beginning of the connection: %w", c.opt.Name, err)
	}
	return nil
}

// urgency is 0 for a contact that may be open, and is then served first.
func (c *Contact) urgency() int {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.current != nil || c.keeper.Owed() != nil {
		return 0
	}
	return 1
}

// poll reads the coil when nobody drives it, and closes it if it is open.
func (c *Contact) poll(ctx context.Context, s *session) {
	c.mu.Lock()
	before := c.opens
	c.mu.Unlock()
	if s.acquire(ctx.Done(), time.Now().Add(s.timeout)) != nil {
		return // the board is busy with another request, which has its own time-out
	}
	call, err := s.start(c.opt.Unit, readCoils(c.opt.Coil, 1), true, nil)
	if err != nil {
		return // the session has ended, as run sees
	}
	a, err := call.wait(ctx.Done())
	if err != nil || bit(a.pdu, 0) != c.opt.OpenOn {
		return // an exception is no news about the contact; every close reads back by itself
	}
	c.mu.Lock()
	idle := c.current == nil && c.opens == before
	c.mu.Unlock()
	if !idle || c.keeper.Owed() != nil {
		return
	}
	err = fmt.Errorf("line %s: the coil read open although nobody opened it: %w", c.opt.Name, errMoved)
	c.notice(relay.FoundOpen, err)
	c.keeper.Owe(err)
}
