// Package testcall makes trials of an interval on a line in service. A far end of our own calls the line, plays a tone,
// and clears on request. The outcome of the clearing is returned. The package decides nothing about the loop: the
// line's machine does.
package testcall

import (
	"context"
	"errors"
	"fmt"
	"net/netip"
	"sync"
	"time"

	"github.com/emiago/sipgo/sip"
	"go.uber.org/zap"

	"clearback/bridge/sipua/endpoint"
	"clearback/supervision"
	"clearback/supervision/callrecord"
)

// Line is the part of a line that a session uses.
type Line interface {
	Post(ev supervision.Event)
	Follow(f func(callrecord.Entry)) (stop func())
	// View returns the state of the line's machine. Its Interval is the interval that the line's own clearings use.
	View() supervision.View
}

// Port is the part of the line's user agent that a session uses.
type Port interface {
	Inbound() (contact sip.Uri, at netip.AddrPort, transport string)
	BlockOutbound(told func(number string, emergency bool)) (stop func())
}

// Options are the options of [Begin].
type Options struct {
	Name string
	Line Line
	Port Port
	// Bind is the address that the far end's SIP and RTP sockets are bound to (port 0). The address to which the line's
	// user agent directs the call's media must be able to reach it: the user agent itself if it relays media, otherwise
	// the adapter.
	Bind   netip.Addr
	Logger *zap.Logger
}

// Errors that end a session or refuse a trial.
var (
	// ErrStopped means that the session has ended. Either the adapter asked for a call during the session, so that a
	// break may have been read as dialling, or an emergency call came, or End was called. The text says which, with the
	// number.
	ErrStopped = errors.New("trial: the session is stopped")
	// ErrRefused means that the line's policy refuses the trial. The text says which rule.
	ErrRefused = errors.New("trial: refused")
	// ErrNotAnswered means that the call was not answered in time, or that the line is busy.
	ErrNotAnswered = errors.New("trial: the call was not answered")
	// ErrNearEndHungUp means that the near end hung up before the clearing.
	ErrNearEndHungUp = errors.New("trial: the near end hung up")
)

// Limits of the waits. All are our own numbers.
const (
	// ringLimit is how long the line may ring. Two minutes would wear out the people beside the telephone, and a caller
	// gives up sooner.
	ringLimit = time.Minute
	// lineLimit is how long the line's goroutine, or the user agent, may take to report what it already knows.
	lineLimit = 5 * time.Second
	// refusalWait is how long after TrialSet the line may report that it refuses the trial. The report follows in the
	// same step, delayed at most by writing one log line. A report that comes later is handled too.
	refusalWait = 100 * time.Millisecond
	// outcomeLimit is longer than everything that can follow a clearing at the largest settings: a lead of 1.65 s, an
	// interval within the 2 s of invariant 11, a guard time of 5 s, an on-hook recognition of 10 s and the answer to a
	// probe.
	outcomeLimit = 30 * time.Second
	// closeTimeout is how long End waits for the answer to its BYE or CANCEL.
	closeTimeout = 2 * time.Second
)

// Session is one tuning session on a line. A line has at most one session at a time. The methods may be called from any
// goroutine, but Ring and Clear not concurrently.
type Session struct {
	// set once
	o        Options
	log      *zap.Logger
	ep       *endpoint.Endpoint
	tone     *tone
	unfollow func()
	unblock  func() // allows the adapter's calls again
	end      sync.Once
	endErr   error

	mu      sync.Mutex
	changed chan struct{} // closed and replaced whenever a field below changes
	stopped error         // permanent: ErrStopped with its reason
	call    *call         // the last call; nil before the first
}

// Begin begins a session. From then on the adapter's ordinary calls are refused.
func Begin(o Options) (*Session, error) {
	if !o.Bind.IsValid() || o.Bind.IsUnspecified() {
		return nil, fmt.Errorf("trial on line %s: the far end's address is %v; use an address of this machine", o.Name,
			o.Bind)
	}
	s := &Session{o: o, log: o.Logger, changed: make(chan struct{})}
	if s.log == nil {
		s.log = zap.NewNop()
	}
	s.log = s.log.With(zap.String("line", o.Name))
	_, _, transport := o.Port.Inbound()
	var err error
	if s.tone, err = openTone(o.Bind); err != nil {
		return nil, fmt.Errorf("trial on line %s: %w", o.Name, err)
	}
	s.ep, err = endpoint.Open(endpoint.Options{
		Listen: netip.AddrPortFrom(o.Bind, 0), UDP: transport != "TCP", TCP: transport == "TCP", Logger: s.log,
	}, s)
	if err != nil {
		s.tone.close()
		return nil, fmt.Errorf("trial on line %s: %w", o.Name, err)
	}
	s.unfollow = o.Line.Follow(s.follow)
	s.unblock = o.Port.BlockOutbound(s.adapterCalled)
	return s, nil
}

// adapterCalled is called for each call that the adapter asks for.
func (s *Session) adapterCalled(number string, emergency bool) {
	why := fmt.Errorf("%w: the adapter asked for %s, which was not sent on; if nobody dialled it, a break was read as dialling",
		ErrStopped, number)
	if emergency {
		why = fmt.Errorf("%w: an emergency call (%s) came and was sent on", ErrStopped, number)
	}
	s.change(func() {
		if s.stopped == nil {
			s.stopped = why
		}
	})
}

// CallInfo receives what the user agent knows about calls ([sipua.Options.CallInfo]). The session recognises its own
// call by the SIP Call-ID, and marks the call as a trial's before the near end can have answered.
func (s *Session) CallInfo(n callrecord.CallInfo) {
	own := false
	s.change(func() {
		if own = s.ownsLocked(n); own {
			s.call.id = n.Call
		}
	})
	if own {
		s.o.Line.Post(supervision.Event{Kind: supervision.TrialCall, Call: n.Call})
	}
}

// Owns reports whether n is about a call of the session, so that the call can be marked as a trial's
// ([callrecord.CallInfo.Test]). It knows only the last call, which is the only one that CallInfo comes for.
func (s *Session) Owns(n callrecord.CallInfo) bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.ownsLocked(n)
}

func (s *Session) ownsLocked(n callrecord.CallInfo) bool {
	return s.call != nil && n.Party.CallID == s.call.callID && n.Line == s.o.Name
}

// Ring calls the line and returns when the near end has answered and the tone is playing. It gives up after a minute,
// or when ctx ends.
func (s *Session) Ring(ctx context.Context) (supervision.CallID, error) {
	c, err := s.place()
	if err != nil {
		return 0, err
	}
	limited, cancel := context.WithTimeout(ctx, ringLimit)
	defer cancel()
	err = s.await(limited, func() bool { return c.state != ringing || s.stopped != nil })
	s.mu.Lock()
	failure, stopped := c.failure, s.stopped
	s.mu.Unlock()
	switch {
	case stopped != nil:
		s.hangUp(c)
		return 0, stopped
	case failure != nil:
		return 0, failure
	case err != nil:
		s.hangUp(c)
		if ctx.Err() != nil {
			return 0, fmt.Errorf("%w: %w", ErrNotAnswered, ctx.Err())
		}
		return 0, fmt.Errorf("%w: no one answered within %v", ErrNotAnswered, ringLimit)
	}
	known, cancelKnown := context.WithTimeout(ctx, lineLimit)
	defer cancelKnown()
	if err := s.await(known, func() bool { return c.id != 0 }); err != nil {
		s.hangUp(c)
		return 0, fmt.Errorf("trial on line %s: the user agent did not report the call: %w", s.o.Name, err)
	}
	return c.id, nil
}

// Clear ends the call from the far end with the given interval (0: a catch trial) and returns the outcome. If the trial
// is refused, the call stays up.
func (s *Session) Clear(ctx context.Context, interval time.Duration, pulseDiallingOff bool) (Result, error) {
	c, err := s.up()
	if err != nil {
		return Result{}, err
	}
	s.change(func() { c.trialSet, c.refused = false, supervision.SuppressionNone })
	s.o.Line.Post(supervision.Event{Kind: supervision.TrialSet, Call: c.id, Interval: interval,
		PulseDiallingOff: pulseDiallingOff})
	over := func() bool {
		return s.stopped != nil || c.nearEndError != nil || c.refused != supervision.SuppressionNone
	}
	if err := s.awaitFor(ctx, lineLimit, func() bool { return c.trialSet || over() }); err != nil {
		return Result{}, fmt.Errorf("trial on line %s: the line did not accept the trial: %w", s.o.Name, err)
	}
	if err := s.awaitFor(ctx, refusalWait, over); err == nil || ctx.Err() != nil {
		return Result{}, s.why(ctx, c)
	}
	s.hangUp(c)
	err = s.awaitFor(ctx, outcomeLimit, func() bool { return c.outcome != nil || over() })
	s.mu.Lock()
	defer s.mu.Unlock()
	switch {
	case s.stopped != nil:
		return Result{}, s.stopped
	case c.outcome != nil:
		return c.result(interval), nil
	case c.nearEndError != nil:
		return Result{}, c.nearEndError
	case c.refused != supervision.SuppressionNone:
		return Result{}, refusal(c.refused)
	case ctx.Err() != nil:
		return Result{}, ctx.Err()
	default:
		return Result{Call: c.id, Asked: interval, Why: fmt.Sprintf("the line did not report the outcome within %v",
			outcomeLimit)}, err
	}
}

// why returns the reason why a wait ended.
func (s *Session) why(ctx context.Context, c *call) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	switch {
	case s.stopped != nil:
		return s.stopped
	case c.nearEndError != nil:
		return c.nearEndError
	case c.refused != supervision.SuppressionNone:
		return refusal(c.refused)
	default:
		return ctx.Err()
	}
}

// up returns the call, if it can be cleared.
func (s *Session) up() (*call, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	c := s.call
	switch {
	case s.stopped != nil:
		return nil, s.stopped
	case c == nil || c.state != up && c.nearEndError == nil:
		return nil, fmt.Errorf("%w: no call is up", ErrNearEndHungUp)
	case c.nearEndError != nil:
		return nil, c.nearEndError
	default:
		return c, nil
	}
}

// End ends the session and, if a call is up, the call. To the line this is an ordinary clearing, so that a held call is
// released, unless the adapter has asked for a call (see [supervision.TrialCall]). End waits until everything of the
// session has ended. A second End does nothing.
func (s *Session) End() error {
	s.end.Do(func() {
		var c *call
		s.change(func() {
			if s.stopped == nil {
				s.stopped = fmt.Errorf("%w: it has ended", ErrStopped)
			}
			c = s.call
		})
		if c != nil {
			s.resetInterval(c)
			s.hangUp(c)
			ctx, cancel := context.WithTimeout(context.Background(), closeTimeout)
			if s.await(ctx, func() bool { return c.state == over }) != nil {
				s.log.Warn("the BYE or CANCEL of a trial was not answered")
			}
			cancel()
		}
		s.unfollow()
		s.unblock()
		s.tone.close()
		s.endErr = s.ep.Close()
	})
	return s.endErr
}

// resetInterval sets a trial to the line's own interval, if the trial was set and then cancelled before the clearing.
func (s *Session) resetInterval(c *call) {
	s.mu.Lock()
	set, id := c.state == up && c.trialSet && c.refused == supervision.SuppressionNone, c.id
	s.mu.Unlock()
	if set {
		s.o.Line.Post(supervision.Event{Kind: supervision.TrialSet, Call: id, Interval: s.o.Line.View().Interval})
	}
}

// Result is the result of a trial.
type Result struct {
	Call     supervision.CallID
	Asked    time.Duration
	Measured time.Duration // 0: not measured, or a catch trial
	Hook     supervision.Hook
	By       supervision.Verification
	// Why says why the result cannot be determined. It is empty if the result is known, or if only the user can tell.
	Why string
}

// change runs f under the lock and wakes all waiting goroutines.
func (s *Session) change(f func()) {
	s.mu.Lock()
	defer s.mu.Unlock()
	f()
	close(s.changed)
	s.changed = make(chan struct{}) // never sent on, only closed
}

// await returns when ready, which is called under the lock, returns true, or with the error of ctx.
func (s *Session) await(ctx context.Context, ready func() bool) error {
	for {
		s.mu.Lock()
		yes, changed := ready(), s.changed
		s.mu.Unlock()
		if yes {
			return nil
		}
		select {
		case <-changed:
		case <-ctx.Done():
			return ctx.Err()
		}
	}
}

func (s *Session) awaitFor(ctx context.Context, d time.Duration, ready func() bool) error {
	ctx, cancel := context.WithTimeout(ctx, d)
	defer cancel()
	return s.await(ctx, ready)
}
