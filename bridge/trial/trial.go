// Package trial makes trials of an interval on a line in service: a far end of our own calls the line, plays a tone, and clears when
// it is told to; what became of the clearing comes back. It decides nothing about the loop: the line's machine does.
package trial

import (
	"context"
	"errors"
	"net/netip"
	"time"

	"github.com/emiago/sipgo/sip"
	"go.uber.org/zap"

	"clearback/supervision"
	"clearback/supervision/story"
)

// Line is what a session needs of a line.
type Line interface {
	Post(ev supervision.Event)
	Follow(f func(story.Entry)) (stop func())
}

// Port is what a session needs of the line's user agent.
type Port interface {
	Inbound() (contact sip.Uri, at netip.AddrPort, transport string)
	HoldBack(told func(number string, emergency bool)) (stop func())
}

// Options of [Begin].
type Options struct {
	Name string
	Line Line
	Port Port
	// Bind is the address that the far end's SIP and RTP sockets are bound to (port 0).
	Bind   netip.Addr
	Logger *zap.Logger
}

// What ends a session or refuses a trial.
var (
	// ErrStopped: the adapter asked for a call during the session, so a break may have been read as dialling, or an emergency call came. The text
	// says which number.
	ErrStopped = errors.New("trial: the session is stopped")
	// ErrRefused: the line's policy refuses the trial; the text says which rule.
	ErrRefused = errors.New("trial: refused")
	// ErrNotAnswered: nobody lifted in time, or the line is busy.
	ErrNotAnswered = errors.New("trial: the call was not answered")
	// ErrGone: the near end hung up before the clearing.
	ErrGone = errors.New("trial: the near end hung up")
)

// Session is one tuning session on a line; one at a time on each.
type Session struct{}

// Begin begins a session: from now on the adapter's ordinary calls are held back.
func Begin(o Options) (*Session, error) { return nil, ErrRefused }

// Noted takes what the user agent knows of calls ([sipua.Options.Noted]); the session finds its own by their SIP Call-ID.
func (s *Session) Noted(n story.Note) {}

// Ring calls the line and returns when the near end answered and the tone plays.
func (s *Session) Ring(ctx context.Context) (supervision.CallID, error) { return 0, ErrNotAnswered }

// Clear ends the call from the far end with the given interval (0: a catch trial) and returns what became of it.
func (s *Session) Clear(ctx context.Context, interval time.Duration, pulseDiallingOff bool) (Result, error) {
	return Result{}, ErrGone
}

// End ends the session, and the call that may be up.
func (s *Session) End() error { return nil }

// Result of a trial.
type Result struct {
	Call     supervision.CallID
	Asked    time.Duration
	Measured time.Duration // 0: not measured, or a catch trial
	Hook     supervision.Hook
	By       story.Verified
	// Why is why it cannot be judged, "" if it can or only the user knows.
	Why string
}
