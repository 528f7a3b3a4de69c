package daemon

import (
	"context"
	"errors"
	"fmt"
	"time"

	"go.uber.org/zap"

	"clearback/bridge/alarms"
	"clearback/bridge/control"
	"clearback/bridge/runtimestate"
	"clearback/bridge/sipua/registration"
	"clearback/config"
	"clearback/supervision/alarm"
	"clearback/supervision/sanitize"
)

// Our own numbers. Together they keep a look within the 30 s to the next one, unless a way is slow.
const (
	watchAnswer = 10 * time.Second // for the daemon's answer; its watchdog acts within that time
	watchDisk   = 2 * time.Second  // for the disk
	watchSend   = 20 * time.Second // for the ways
	// watchPause is the pause after the first look whose message not every way has accepted. It doubles up to
	// watchLongPause, so that a wrong password locks no account.
	watchPause     = 30 * time.Second
	watchLongPause = 10 * time.Minute
	watchSaved     = "watch"
)

// watchState is what a look leaves to the next one.
type watchState struct {
	alarm.Watch
	Unsent bool          `json:"unsent,omitempty"` // not every way has accepted everything
	Next   time.Time     `json:"next,omitzero"`    // when to try again
	Pause  time.Duration `json:"pause,omitempty"`
}

// Watched is what a look at the daemon saw and did.
type Watched struct {
	Problem string         // why the daemon does not answer; "": it answers
	Told    *alarm.Message // nil: nothing was due
	Unsent  int            // the messages that still wait, counted for each way
}

// Watch looks once at the daemon of the file, from another process, and sends an alarm on the file's ways if that is
// due ([alarm.Watch]). It keeps what it has to know beside the alarms' folder. Of the daemon it only reads the state on
// the control socket, and what it left when it ended. now is the time on the wall. An error means that nothing can be
// told or remembered, or that another look is under way.
func Watch(ctx context.Context, c *config.Config, now time.Time, log *zap.Logger) (seen Watched, err error) {
	l, err := lookAt(ctx, c)
	if err != nil {
		return seen, err
	}
	seen.Problem = l.Problem
	limited, cancel := context.WithTimeout(ctx, watchDisk)
	defer cancel()
	store, err := runtimestate.OpenWhenReadable(limited, c.Alarms.Folder+".watch.state", log, func(error) {})
	if err != nil {
		return seen, fmt.Errorf("what earlier looks saw cannot be read: %w", err)
	}
	defer func() { err = errors.Join(err, store.Close(watchDisk)) }()
	var w watchState
	if _, err := store.Get(watchSaved, &w); err != nil {
		log.Warn("what earlier looks saw is not known", zap.Error(err))
	}
	seen.Told = w.Look(now, l, alarmSettings(c))
	if due := w.Unsent && (!now.Before(w.Next) || w.Next.Sub(now) > watchLongPause); seen.Told != nil || due {
		seen.Unsent, err = sendWatched(ctx, c, &w, seen.Told, now, log)
	}
	return seen, errors.Join(err, store.Put(watchSaved, w, nil))
}

// lookAt asks the daemon, and reads what the last one left.
func lookAt(ctx context.Context, c *config.Config) (l alarm.Look, err error) {
	if c.Control.Socket == "" {
		return l, errors.New("the file allows no control socket, so the daemon cannot be watched; set control.socket")
	}
	l.Boot = registration.BootID()
	client := control.NewClient(c.Control.Socket)
	defer client.Close()
	limited, cancel := context.WithTimeout(ctx, watchAnswer)
	defer cancel()
	state, err := client.Daemon(limited)
	var refused *control.Error
	switch {
	case ctx.Err() != nil:
		return l, ctx.Err()
	case errors.Is(err, control.ErrPermission):
		return l, err // this says nothing about the daemon
	case err == nil:
		l.Started = state.Started
	case !errors.As(err, &refused) && !errors.Is(err, control.ErrVersion): // else it answers
		l.Problem = sanitize.Text(err.Error(), mostOfError)
	}
	left := make(chan alarm.Left, 1) // one result, which nobody may wait for any more
	go func() {
		var last alarm.Left
		_, _ = runtimestate.Peek(c.Alarms.Folder+".state", alarmLeft, &last) // unreadable: nothing is excused
		left <- last
	}()
	select {
	case l.Left = <-left:
	case <-time.After(watchDisk):
	}
	return l, nil
}

// plainWay hides that a way can keep a connection: the availability at a broker is the daemon's.
type plainWay struct{ alarms.Way }

// sendWatched sends the message, and what waits from earlier looks.
func sendWatched(ctx context.Context, c *config.Config, w *watchState, m *alarm.Message, now time.Time,
	log *zap.Logger) (unsent int, err error) {
	ways := map[string]alarms.Way{}
	for i := range c.Alarms.Ways {
		way, err := openWay(&c.Alarms.Ways[i])
		if err != nil {
			way = &unusableWay{err}
		}
		ways[c.Alarms.Ways[i].Name] = plainWay{way}
	}
	q := alarms.OpenQueue(alarms.QueueOptions{Dir: c.Alarms.Folder + ".watch", Ways: ways, Log: log})
	limited, cancel := context.WithTimeout(ctx, watchSend)
	defer cancel()
	select {
	case <-q.Read():
	case <-time.After(watchDisk): // it is sent all the same
	case <-limited.Done():
	}
	written := make(chan error, 1) // one result
	if m == nil {
		written <- nil
	} else if err = q.Put(m, func(err error) { written <- err }); err != nil {
		written <- nil
	}
	unsent = awaitSent(limited, q)
	select {
	case failed := <-written:
		err = errors.Join(err, failed)
	case <-limited.Done():
	}
	err = errors.Join(err, q.Close(watchDisk))
	w.Unsent = unsent > 0
	switch {
	case !w.Unsent:
		w.Pause, w.Next = 0, time.Time{}
	case m != nil:
		w.Pause = watchPause
	default:
		w.Pause = min(2*w.Pause, watchLongPause)
	}
	if w.Unsent {
		w.Next = now.Add(w.Pause)
	}
	return unsent, err
}

// awaitSent waits until no way has to be tried again at once, and returns how many messages were not accepted.
func awaitSent(ctx context.Context, q *alarms.Queue) (unsent int) {
	tick := time.NewTicker(20 * time.Millisecond)
	defer tick.Stop()
	for {
		waiting := 0
		unsent = 0
		for _, s := range q.Status() {
			unsent += s.Waiting + s.Refused
			if s.Failure == "" {
				waiting += s.Waiting
			}
		}
		if waiting == 0 {
			return unsent
		}
		select {
		case <-ctx.Done():
			return unsent
		case <-tick.C:
		}
	}
}
