package daemon

import (
	"context"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"go.uber.org/zap"

	"clearback/bridge/relay/drivers"
	"clearback/config"
)

// Time limits of the steps of a shutdown.
const (
	// awaitRestFor is how long a shutdown waits for the interruptions of the last calls. Lead, interval and guard time
	// end within 2 s plus the guard time (invariant 11), so this is ample.
	awaitRestFor = 5 * time.Second
	// CloseTimeout is how long the daemon tries to close the contacts. `clearback close` tries for the same time by
	// default.
	CloseTimeout = 10 * time.Second
	// leaveCloseFor replaces CloseTimeout once the calls have been left to the next process. That process closes the
	// contacts again before anything else. Until it runs, what arrives waits, even a call for help. Our own number: the
	// time-out of a controller's request.
	leaveCloseFor = time.Second
	// leaveCloseMore is added for each contact of the controller with the most: its contacts may share a slow bus. Our
	// own number: writing a coil and reading it back takes about 60 ms at 9600 bit/s.
	leaveCloseMore = 100 * time.Millisecond
	// hurriedCloseFor replaces CloseTimeout after a second signal.
	hurriedCloseFor = 500 * time.Millisecond
)

// Close shuts the daemon down in order. Its error wraps [ErrNotClosed] if contacts are not known to be closed.
func (d *Daemon) Close() error { return NotClosed(d.Shutdown(context.Background())) }

// Shutdown ends the daemon. New ordinary calls get 503. Ordinary calls are cleared and get their interruption.
// Emergency calls are awaited. Then everything closes, the loops last (invariant 9). Once hurry has ended, Shutdown
// waits only for the contacts to close, and at most hurriedCloseFor. It returns the lines whose contact is not known to
// be closed.
func (d *Daemon) Shutdown(hurry context.Context) []drivers.NotClosed {
	d.alarms.ends(false)
	return d.finish(hurry, hurry, func() bool {
		d.endCalls(hurry)
		return false
	})
}

// finish ends the daemon. endCalls ends the calls and the agent, or leaves them to another process and returns true.
// finish waits for it until skip has ended.
func (d *Daemon) finish(hurry, skip context.Context, endCalls func() (leave bool)) []drivers.NotClosed {
	d.once.Do(func() {
		close(d.ending)
		d.watching.Wait()
		d.reloads.end() // from here on the lines and contacts stay the same
		unasked := d.endControl()
		var leave atomic.Bool
		left := make(chan struct{}) // closed when the calls and the agent have ended
		go func() { defer close(left); leave.Store(endCalls()) }()
		select {
		case <-left:
		case <-skip.Done():
		}
		closing, cancel := context.WithCancel(context.Background())
		defer cancel()
		defer context.AfterFunc(hurry, func() { time.AfterFunc(hurriedCloseFor, cancel) })()
		var stopping sync.WaitGroup
		for _, l := range d.all() {
			// The lines stop in parallel, so that a board that does not answer delays no other board's contacts.
			stopping.Go(l.line.Stop)
		}
		stopping.Wait() // from here on nothing opens, whatever the calls do
		d.closeMedia(leave.Load())
		limit := d.closeFor
		if leave.Load() {
			limit = min(limit, d.leaveCloseLimit())
		}
		ctx, cancelTime := context.WithTimeout(closing, limit)
		defer cancelTime()
		if d.contacts != nil {
			d.notClosed = slices.Concat(d.contacts.Shutdown(ctx), d.unopened(), d.reloads.leftNow())
		}
		select {
		case <-left:
		case <-closing.Done(): // the last BYEs are not worth waiting for
		}
		<-unasked
		d.alarms.close(d.notClosed, leave.Load())
		d.closeRecords()
	})
	return d.notClosed
}

// leaveCloseLimit returns how long a daemon that has left its calls tries to close the contacts.
func (d *Daemon) leaveCloseLimit() time.Duration {
	contacts, most := map[string]int{}, 0
	for _, l := range d.all() {
		if k := &l.Config().Contact; k.Driver != config.DriverNone {
			contacts[k.Controller]++
			most = max(most, contacts[k.Controller])
		}
	}
	return leaveCloseFor + time.Duration(most)*leaveCloseMore
}

// closeMedia closes the media relay, or leaves its sessions to another process.
func (d *Daemon) closeMedia(leave bool) {
	if d.media == nil {
		return
	}
	end := d.media.Close
	if leave {
		end = d.media.Leave
	}
	if err := end(); err != nil {
		d.log.Warn("closing the media relay", zap.Error(err))
	}
}

// closeRecords writes what is left to the state and the journal.
func (d *Daemon) closeRecords() {
	var closing sync.WaitGroup // the copies delay nothing else
	if d.copies != nil {
		closing.Go(func() {
			if err := d.copies.Close(stateTimeout); err != nil {
				d.log.Error("cannot save the copies of the calls; after a power cut, calls may be taken up that have ended",
					zap.Error(err))
			}
		})
	}
	if d.state != nil {
		if err := d.state.Close(stateTimeout); err != nil {
			d.log.Error("cannot save the state of adapters and calls; after a restart, lines may not ring until their adapters register again, and calls may be taken up that have ended",
				zap.Error(err))
		}
	}
	if d.journal != nil {
		if err := d.journal.Close(); err != nil {
			d.log.Error("the end of the journal could not be written", zap.Error(err))
		}
	}
	closing.Wait()
}

// endControl ends the tuning sessions and the requests of the control socket. It runs beside the rest of the shutdown.
// done is closed when it has finished.
func (d *Daemon) endControl() (done <-chan struct{}) {
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		for _, l := range d.all() {
			l.end("the daemon is ending")
		}
		if d.control == nil {
			return
		}
		if err := d.control.Close(); err != nil {
			d.log.Warn("closing the control socket", zap.Error(err))
		}
	}()
	return ended
}

// endCalls ends all calls and the agent. Once hurry has ended, it skips every wait that it can skip. Sending BYE to
// peers that do not answer still takes its time.
func (d *Daemon) endCalls(hurry context.Context) {
	if d.agent == nil {
		return
	}
	d.agent.Drain()
	for {
		emergency := d.agent.EmergencyCalls()
		// Also clears ordinary calls that were up beside an emergency call, once that has ended.
		d.agent.ClearOrdinary()
		awaitRest(hurry, d.all()...)
		if hurry.Err() != nil {
			break
		}
		if len(emergency) == 0 && !d.agent.EmergencyUp() {
			d.agent.Unregister() // an emergency call may begin meanwhile
			if d.agent.Shut() {
				break
			}
		}
		// An emergency call on any line: the other lines wait only for their own calls.
		d.agent.AwaitEnd(hurry, emergency)
	}
	if err := d.agent.Close(); err != nil {
		d.log.Warn("closing the SIP sockets", zap.Error(err))
	}
}

// awaitRest waits until all the lines are at rest, for at most awaitRestFor or until ctx ends.
func awaitRest(ctx context.Context, lines ...*Line) {
	limited, cancel := context.WithTimeout(ctx, awaitRestFor)
	defer cancel()
	tick := time.NewTicker(10 * time.Millisecond)
	defer tick.Stop()
	for _, l := range lines {
		for !l.line.AtRest() {
			select {
			case <-limited.Done():
				return
			case <-tick.C:
			}
		}
	}
}
