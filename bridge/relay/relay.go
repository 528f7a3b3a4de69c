// Package relay is the contract between a line and the contact in its loop. It states what a driver must do and which
// results it may return.
package relay

import (
	"context"
	"errors"
	"time"
)

// Kind says what ends an opening if the daemon does not.
type Kind uint8

// The kinds of a contact.
const (
	// KindNone means that the contact stays as it was if the daemon dies or a cable is cut.
	KindNone Kind = iota
	// KindWatchdog means that the controller's outputs drop if its master is silent.
	KindWatchdog
	// KindOneshot means that the controller itself ends each opening.
	KindOneshot
)

// String returns the kind as written in the configuration.
func (k Kind) String() string {
	switch k {
	case KindOneshot:
		return "oneshot"
	case KindWatchdog:
		return "watchdog"
	default:
		return "none"
	}
}

// Outcome is the outcome of an interruption. After a time-out it is Unknown, never Refused.
type Outcome uint8

const (
	// Unknown means that the loop may be open. Close must be repeated until it succeeds.
	Unknown Outcome = iota
	// Done means that the loop was opened and is closed again. Either the controller confirmed the close or, with
	// KindOneshot, the controller's timer and a read-back prove it.
	Done
	// Refused means that nothing was opened, or that the opening was shorter than asked for (ErrShort). The loop is
	// closed, and Err gives the reason.
	Refused
)

// Reasons for a refusal, in [Result.Err]; test for them with errors.Is.
var (
	// ErrLate means that NotAfter passed before the command could be written. Nothing was sent.
	ErrLate = errors.New("relay: the opening missed its not-after instant")
	// ErrStopped means that Close or the end of the context withdrew the opening before it was written.
	ErrStopped = errors.New("relay: the opening was withdrawn before it was written")
	// ErrUnreachable means that there is no connection to the controller. Nothing was sent.
	ErrUnreachable = errors.New("relay: the controller cannot be reached")
	// ErrRefused means that the controller rejected the command.
	ErrRefused = errors.New("relay: the controller refused")
	// ErrReadBack means that the controller confirmed a command, but the contact reads back in the other position.
	ErrReadBack = errors.New("relay: the contact reads back in the wrong position")
	// ErrNoContact means that the line has no contact. The opening is only recorded.
	ErrNoContact = errors.New("relay: the line has no contact")
	// ErrNoSense means that the contact has no loop-current input.
	ErrNoSense = errors.New("relay: the contact has no loop-current input")
	// ErrNoRead means that the contact cannot be read back.
	ErrNoRead = errors.New("relay: the contact cannot be read back")
	// ErrShort means that the opening ended early: the connection was lost, and the controller closed the loop before
	// the interval was over.
	ErrShort = errors.New("relay: the opening ended before its time")
	// ErrCannotTry means that the command that opens cannot be tried without opening the loop.
	ErrCannotTry = errors.New("relay: the command that opens cannot be tried without opening the loop")
	// ErrNoAnswer means that the command was written but no answer came in time (outcome Unknown).
	ErrNoAnswer = errors.New("relay: the controller did not answer")
)

// Interruption is one opening of the loop. The duration travels with the command.
type Interruption struct {
	// Seq identifies the command. A command with a repeated Seq has no further effect.
	Seq uint32
	// Duration is how long the loop stays open, counted from the controller's confirmation of the opening.
	Duration time.Duration
	// NotAfter is the last instant at which the command may be written (monotonic). It is checked just before the
	// write.
	NotAfter time.Time
	// Opened, if not nil, is called once when the controller has confirmed the opening. It must not block.
	Opened func(at time.Time)
}

// Result is the result of an interruption.
type Result struct {
	Outcome Outcome
	// OpenFor is the time from the confirmation of the opening to the confirmation of the closing, or 0 if it was not
	// measured. With ErrShort it is an upper bound.
	OpenFor time.Duration
	// Err is nil when Done.
	Err error
}

// Contact is the relay contact in the loop of one line. All methods are safe for concurrent use.
type Contact interface {
	// Interrupt opens the loop and closes it again. It returns when the loop is closed, or when the outcome is Refused
	// or Unknown. A second Interrupt is refused while the first is under way. Cancelling ctx closes the loop at once.
	// After a close without an answer, which the controller may still carry out, no opening is written until a later
	// close was confirmed and the time-out of a request has passed since then. The wait ends at NotAfter ([ErrLate]).
	Interrupt(ctx context.Context, i Interruption) Result
	// Close closes the contact and ends an opening that is under way. It never queues behind an opening. It returns nil
	// once the controller has confirmed the close. Until then the driver repeats the close, at most [CloseEvery] apart,
	// and Close waits until ctx ends. The driver continues to repeat the close after that.
	Close(ctx context.Context) error
	// Kind returns the contact's kind, which never changes.
	Kind() Kind
}

// Level is the reading of a contact or of a loop-current input.
type Level uint8

// The levels.
const (
	LevelUnknown Level = iota
	LevelClosed        // contact: the loop is closed; loop-current input: current flows
	LevelOpen          // contact: the loop is open; loop-current input: no current flows
)

// Sensor is a Contact that also has a loop-current input.
type Sensor interface {
	// Sense returns LevelClosed if loop current flows and LevelOpen if none does. It returns ErrNoSense if the contact
	// has no loop-current input.
	Sense(ctx context.Context) (Level, error)
}

// Reader is a Contact that can be read back.
type Reader interface {
	// Read returns the contact's level as the controller reports it.
	Read(ctx context.Context) (Level, error)
}

// Trier is a Contact whose command to open can be tried without opening the loop.
type Trier interface {
	// Try has the controller carry out the opening command in a form that does not open the loop, so that a refusal
	// shows before a clearing needs the command. If no such form is known, Try returns [ErrCannotTry].
	Try(ctx context.Context) error
}
