package relay

import (
	"context"
	"fmt"
)

// NoContact is the contact of a line that has none: every opening is refused with [ErrNoContact], every close succeeds,
// since a loop without a contact is never open. The zero value is ready.
type NoContact struct{}

var _ Contact = NoContact{}

// Interrupt refuses and says what would have been opened.
func (NoContact) Interrupt(_ context.Context, i Interruption) Result {
	return Result{Outcome: Refused, Err: fmt.Errorf("%w; it would have been opened for %v", ErrNoContact, i.Duration)}
}

// Close does nothing.
func (NoContact) Close(context.Context) error { return nil }

// Kind returns KindOneshot: nothing that dies can leave this loop open.
func (NoContact) Kind() Kind { return KindOneshot }
