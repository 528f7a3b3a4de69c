package daemon

import (
	"errors"
	"fmt"
	"strings"

	"clearback/bridge/relay"
	"clearback/bridge/relay/drivers"
	"clearback/config"
)

// ErrNotClosed means that contacts are not known to be closed. The error that wraps it names each, with the reason.
var ErrNotClosed = errors.New("not known closed")

// errNotReached means that the daemon ended before it reached the contact, which an earlier process may have left open.
var errNotReached = errors.New("not reached")

// NotClosed returns an error that wraps [ErrNotClosed], or nil if left is empty.
func NotClosed(left []drivers.NotClosed) error {
	if len(left) == 0 {
		return nil
	}
	words := make([]string, len(left))
	for i, n := range left {
		words[i] = n.String()
	}
	return fmt.Errorf("%w: %s", ErrNotClosed, strings.Join(words, "; "))
}

// notReached returns the lines whose contact is not known to be closed because [drivers.Open] failed with err: those
// that have a contact. If another process drives a contact, it also closes it.
func notReached(c *config.Config, err error) (left []drivers.NotClosed) {
	if errors.Is(err, relay.ErrLocked) {
		return nil
	}
	for i := range c.Lines {
		if k := &c.Lines[i].Contact; k.Driver != config.DriverNone {
			left = append(left, drivers.NotClosed{Line: c.Lines[i].Name, Controller: k.Controller, Err: errNotReached})
		}
	}
	return left
}
