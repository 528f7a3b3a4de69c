package controller

import (
	"context"
	"fmt"
	"time"

	"clearback/bridge/relay"
)

// Trial says how the command that opens a contact can be tried without opening it.
type Trial uint8

// The ways.
const (
	// TrialNever: what the controller makes of an opening of length 0 is not known.
	TrialNever Trial = iota
	// TrialIsClose: the close is the same command with another value, so that each close tries it.
	TrialIsClose
	// TrialOfZero: an opening of length 0 closes, by contract; see [Try].
	TrialOfZero
)

var _ relay.Trier = (*Contact)(nil)

// Try has the controller carry out the command that opens, with a length of 0, which closes. It returns
// [relay.ErrNoTrial] where that cannot be known to be safe, and an error while an opening is under way. A contact that
// opens all the same is closed at once, and that is an error.
func (c *Contact) Try(ctx context.Context) error {
	switch c.opt.Trial {
	case TrialNever:
		return relay.ErrNoTrial
	case TrialIsClose:
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
	call, err := s.start(Request{Op: Try, Contact: c.index}, true, c.undriven)
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
