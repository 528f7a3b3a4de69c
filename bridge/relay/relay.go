// Package relay is the contract between a line and the contact in its loop: what a driver must do and what it may
// answer.
package relay

import (
	"context"
	"errors"
	"time"
)

// Kind says what ends an opening when the master does not.
type Kind uint8

// The kinds of a contact.
const (
	// KindNone: a dead daemon or a cut cable leaves the contact as it was.
	KindNone Kind = iota
	// KindWatchdog: the controller's outputs drop when its master is silent.
	KindWatchdog
	// KindOneshot: the controller itself ends each opening.
	KindOneshot
)

// String is the word of the configuration.
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

// Outcome of an interruption. After a time-out the outcome is Unknown, never Refused.
type Outcome uint8

// The outcomes.
const (
	// Unknown: nobody knows whether the loop is open; Close must be repeated until it succeeds.
	Unknown Outcome = iota
	// Done: the loop was opened and the controller confirmed (or, KindOneshot, its timer and a read-back prove) that it
	// is closed again.
	Done
	// Refused: nothing was opened, or not for as long as asked (ErrShort); the loop is closed. Err says why.
	Refused
)

// Reasons of a refusal, found in [Result.Err] by errors.Is.
var (
	// ErrLate: NotAfter passed before the command could be written; nothing was sent.
	ErrLate = errors.New("relay: the opening missed its not-after instant")
	// ErrStopped: Close or the context withdrew the opening before it was written.
	ErrStopped = errors.New("relay: the opening was withdrawn before it was written")
	// ErrUnreachable: there is no connection to the controller; nothing was sent.
	ErrUnreachable = errors.New("relay: the controller cannot be reached")
	// ErrRefused: the controller said no.
	ErrRefused = errors.New("relay: the controller refused")
	// ErrReadBack: the controller confirmed a command, but the contact reads back otherwise.
	ErrReadBack = errors.New("relay: the contact reads back otherwise than it was told")
	// ErrNoContact: the line has no contact; what would have been opened is only recorded.
	ErrNoContact = errors.New("relay: the line has no contact")
	// ErrNoSense: the contact has no loop-current input.
	ErrNoSense = errors.New("relay: the contact has no loop-current input")
	// ErrNoRead: the contact cannot be read back.
	ErrNoRead = errors.New("relay: the contact cannot be read back")
	// ErrShort: the loop was opened, and closed again before its time by the controller, of which the connection was
	// lost meanwhile.
	ErrShort = errors.New("relay: the opening ended before its time")
	// ErrNoTrial: the command that opens cannot be tried without opening.
	ErrNoTrial = errors.New("relay: the command that opens cannot be tried without opening the loop")
	// ErrNoAnswer: the command was written, no answer came in time (outcome Unknown).
	ErrNoAnswer = errors.New("relay: the controller did not answer")
)

// Interruption is one opening of the loop. The duration travels with the command.
type Interruption struct {
	// Seq identifies the command; a repeated Seq has no second effect.
	Seq uint32
	// Duration is how long the loop stays open, counted from the controller's confirmation.
	Duration time.Duration
	// NotAfter is the last instant at which the command may be written (monotonic; checked last before the write).
	NotAfter time.Time
	// Opened, if not nil, is called once when the controller confirmed the opening. It must not block.
	Opened func(at time.Time)
}

// Result tells what became of an interruption.
type Result struct {
	Outcome Outcome
	// OpenFor is the time from the confirmation of the opening to that of the closing, 0 if not measured. With ErrShort
	// it was open for that long at most.
	OpenFor time.Duration
	// Err is nil when Done.
	Err error
}

// Contact is the relay contact in the loop of one line. All methods are safe for concurrent use.
type Contact interface {
	// Interrupt opens the loop and closes it again. It returns when the loop is closed again, or the outcome is Refused
	// or Unknown. A second Interrupt while one is under way is refused. Cancelling ctx closes the loop at once.
	Interrupt(ctx context.Context, i Interruption) Result
	// Close puts the contact to closed and ends an opening under way; it never queues behind an open. Nil means that
	// the controller confirmed it.
	Close(ctx context.Context) error
	// Kind never changes.
	Kind() Kind
}

// Level is what a contact or a sense input reads.
type Level uint8

// The levels.
const (
	LevelUnknown Level = iota
	LevelClosed        // the loop is closed (contact), or loop current flows (sense)
	LevelOpen          // the loop is open, or no loop current flows
)

// Sensor is a Contact with a loop-current input beside it.
type Sensor interface {
	// Sense returns LevelClosed when loop current flows and LevelOpen when none does; ErrNoSense if there is no such
	// input.
	Sense(ctx context.Context) (Level, error)
}

// Reader is a Contact that can be read back.
type Reader interface {
	// Read returns the level of the contact as the controller tells it.
	Read(ctx context.Context) (Level, error)
}

// Trier is a Contact whose command to open can be tried without opening the loop.
type Trier interface {
	// Try has the controller take the command that opens, so that what it refuses shows before it is needed. The loop
	// stays closed; what may open it is not tried ([ErrNoTrial]).
	Try(ctx context.Context) error
}
