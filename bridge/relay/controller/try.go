package controller

import (
	"context"
	"fmt"
	"time"

	"clearback/bridge/relay"
)

// TryMode says how the command that opens a contact can be tried without opening it.
type TryMode uint8

const (
	// TryNever means that the effect of an opening of length 0 is unknown, so that the command cannot be tried.
	TryNever TryMode = iota
	// TryByClosing means that the close is the same command with another value, so that every close tries the command.
	TryByClosing
	// TryWithZeroLength means that, by contract, an opening of length 0 closes. See [Try].
	TryWithZeroLength
)

var _ relay.Trier = (*Contact)(nil)

// Try has the controller carry out the command that opens, with a length of 0, which closes. If that is not known to be
// safe, Try returns [relay.ErrCannotTry]. While an opening is under way it returns an error. If the contact opens in
// spite of the length, Try closes it at once and returns an error.
func (c *Contact) Try(ctx context.Context) error {
	switch c.opt.Try {
	case TryNever:
		return relay.ErrCannotTry
	case TryByClosing:
		return nil
	}
	s, err := c.control.current()
	if err != nil {
		return fmt.Errorf("line %s: %w", c.opt.Name, err)
	}
	if err := c.tryOn(ctx, s); err != nil {
		return fmt.Errorf("line %s: trying the command that opens, with a length of 0: %w", c.opt.Name, err)
	}
	return nil
}

func (c *Contact) tryOn(ctx context.Context, s *link) error {
	if err := s.acquire(ctx.Done(), time.Now().Add(c.control.opt.Timeout)); err != nil {
		return err
	}
	call, err := s.start(Request{Op: Try, Contact: c.index}, true, c.forbidIfOpening)
	if err != nil {
		return err
	}
	_, err = call.Wait(ctx.Done())
	if err == nil && !c.opt.Blind {
		var level relay.Level
		if level, _, err = c.read(s, ctx.Done()); err == nil && level == relay.LevelOpen {
			err = fmt.Errorf("%w: it opened the loop", relay.ErrReadBack)
		}
	}
	if err != nil && !nothingDone(err) {
		c.closeAfter(s, err)
	}
	return err
}
