package daemon

import (
	"context"
	"errors"
	"net/http"
	"slices"
	"time"

	"go.uber.org/zap"

	"clearback/bridge/control"
	"clearback/bridge/relay/drivers"
)

// HandOver ends the daemon for another process that goes on with its calls, sockets and registrations. It sends
// nothing. It waits for a moment in which no line has an opening or a tuning session, and no call is changing, ringing
// or ending. It waits at most 20 s for ordinary calls, then 5 s for the loops, and without a limit for an unanswered
// emergency call. Then everything closes, the loops last (invariant 9). What arrives meanwhile waits in the sockets, if
// [Options.Sockets] can keep them.
//
// Once hurry has ended, HandOver waits no longer: a later process continues an emergency call that rings, and ends
// other calls that ring. HandOver becomes a [Daemon.Shutdown] if full ends before the calls have been left. It also
// does so if the state cannot be saved or the next process would not start, because nobody could then go on with the
// calls. It returns the lines whose contact is not known to be closed.
func (d *Daemon) HandOver(full, hurry context.Context) []drivers.NotClosed {
	if err := d.mayLeave(nil); err != nil {
		d.log.Error("the calls cannot be left to the next process, so they are ended", zap.Error(err))
		return d.Shutdown(hurry)
	}
	d.alarms.ends(true)
	began := time.Now()
	settled := func(late bool) bool {
		return late || !slices.ContainsFunc(d.all(), func(l *Line) bool { return !l.line.AtRest() || l.tuning() })
	}
	skip, cancel := context.WithCancel(context.Background())
	defer cancel()
	defer context.AfterFunc(hurry, func() { time.AfterFunc(hurriedCloseFor, cancel) })()
	return d.finish(hurry, skip, func() bool {
		err := d.agent.Leave(full, hurry, settled)
		if errors.Is(err, context.Canceled) {
			d.alarms.ends(false)
			d.endCalls(hurry)
			return false
		}
		if err != nil {
			d.log.Warn("leaving the SIP sockets", zap.Error(err))
		}
		d.log.Info("calls, sockets and registrations are left to the next process",
			zap.Duration("after", time.Since(began)))
		return true
	})
}

// mayStartFor is how long [Options.MayStart] may take. Our own number: it reads a file.
const mayStartFor = 5 * time.Second

// errEnds means that the daemon ended while a check was under way.
var errEnds = errors.New("the daemon is ending")

// mayLeave returns an error if the next process could not go on with the calls, or errEnds once stop is closed.
func (d *Daemon) mayLeave(stop <-chan struct{}) error {
	if err := d.canSave(stop); err != nil || d.mayStart == nil {
		return err
	}
	ctx, cancel := context.WithTimeout(context.Background(), mayStartFor)
	defer cancel()
	result := make(chan error, 1) // buffer 1: mayLeave may have stopped waiting for the result
	go func() { result <- d.mayStart(ctx) }()
	select {
	case err := <-result:
		return err
	case <-stop:
		return errEnds
	case <-ctx.Done(): // a disk that hangs may hold mayStart for ever
		return errors.New("whether the next process would start is not known in time")
	}
}

// Restart implements control.Backend.
func (h *backend) Restart() (r control.Restart, err error) {
	if asked := &h.d.reloads.asked; !asked.TryLock() {
		return r, &control.Error{Code: http.StatusConflict, Reason: control.ReasonBusy,
			Text: "another request of this kind, or a reload, is under way; try again"}
	}
	defer h.d.reloads.asked.Unlock()
	err = h.d.mayLeave(h.d.ending) // the end of the daemon does not wait for it
	if errors.Is(err, errEnds) {
		return r, &control.Error{Code: http.StatusServiceUnavailable, Reason: control.ReasonStopped, Text: err.Error()}
	}
	if err != nil {
		r.EndsCalls = err.Error()
	}
	return r, nil
}

// canSave returns an error if the state cannot be saved within stateTimeout, or errEnds once stop is closed.
func (d *Daemon) canSave(stop <-chan struct{}) error {
	const trial = "hand-over"
	if d.state == nil {
		return errors.New("control.socket is none, so nothing is saved")
	}
	saved := make(chan error, 1) // buffer 1: canSave may have stopped waiting for the result
	if err := d.state.Put(trial, time.Now(), func(err error) { saved <- err }); err != nil {
		return err
	}
	defer func() { _ = d.state.Remove(trial) }() // fails only if the name is not allowed
	select {
	case err := <-saved:
		return err
	case <-stop:
		return errEnds
	case <-time.After(stateTimeout):
		return errors.New("the disk does not respond")
	}
}

// dropSockets closes what an earlier process kept and this one does not need.
func (d *Daemon) dropSockets() {
	left, err := d.sockets.DropLeft()
	for _, name := range left {
		d.log.Warn("a socket of the last run is not needed any more and was closed", zap.String("socket", name))
	}
	if err != nil {
		d.log.Warn("closing sockets of the last run", zap.Error(err))
	}
}
