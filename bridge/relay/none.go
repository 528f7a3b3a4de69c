package relay

import (
	"context"
	"fmt"
)

// NoContact is the contact of a line without a relay. It refuses every opening with [ErrNoContact]. Every close
// succeeds, since the loop is never open. The zero value is ready to use.
type NoContact struct{}

var _ Contact = NoContact{}

// Interrupt refuses the opening; the error states the duration asked for.
func (NoContact) Interrupt(_ context.Context, i Interruption) Result {
	return Result{Outcome: Refused, Err: fmt.Errorf("%w; it would have been opened for %v", ErrNoContact, i.Duration)}
}

// Close does nothing.
func (NoContact) Close(context.Context) error { return nil }

// Kind returns KindOneshot, because no failure can leave this loop open.
func (NoContact) Kind() Kind { return KindOneshot }
