package daemon

import (
	"context"
	"time"

	"go.uber.org/zap"

	"clearback/bridge/runtimestate"
	"clearback/supervision/alarm"
)

const (
	// alarmSaved is the name of the saved state.
	alarmSaved = "told"
	// alarmLeft is the name of what says how the daemon ended.
	alarmLeft = "left"
	// alarmFirstRead is how long the alarms wait for what was told before the restart. Our own number, as in package
	// runtimestate: longer, and an emergency call would be told late.
	alarmFirstRead = time.Second
)

// openState opens the saved state. If the disk does not respond, or the last process still uses the folder, the alarms
// begin without it, and opened brings it later.
func (s *serving) openState() {
	ctx, cancel := context.WithCancel(context.Background())
	s.stopOpener = cancel
	go func() {
		store, err := runtimestate.OpenWhenReadable(ctx, s.folder+".state", s.log, func(error) {})
		if err != nil {
			return // s was closed first
		}
		select {
		case s.opened <- store:
		case <-ctx.Done():
			_ = store.Close(alarmEnd) // nothing was put
		}
	}()
	s.awaitState(alarmFirstRead)
}

// awaitState waits for the saved state for at most the limit.
func (s *serving) awaitState(limit time.Duration) {
	select {
	case store := <-s.opened:
		s.load(store)
	case <-time.After(limit):
		s.log.Warn("what was told before the restart is not known yet; alarms that last may be told again")
	}
}

func (s *serving) load(store *runtimestate.Store) {
	var saved alarm.Saved
	if _, err := store.Get(alarmSaved, &saved); err != nil {
		s.log.Warn("what was told before the restart is not known; alarms that last are told again", zap.Error(err))
	}
	s.state = store
	s.n.Load(s.now(), saved)
	var last alarm.Left
	if found, err := store.Get(alarmLeft, &last); found && err == nil {
		last.Over = true
		_ = store.Put(alarmLeft, last, nil) // the name is valid
	}
}

// saveLeft saves how the daemon is ending.
func (s *serving) saveLeft() {
	s.mu.Lock()
	left := s.alarmRunner.left
	s.mu.Unlock()
	if left == s.left || s.state == nil {
		return
	}
	s.left = left
	if err := s.state.Put(alarmLeft, left, nil); err != nil {
		s.log.Error("that the daemon ends on purpose cannot be saved", zap.Error(err))
	}
}

// save saves what was told, unless a message about it may not be on the disk yet.
func (s *serving) save(messages bool) {
	s.dirty = s.dirty || messages
	s.mu.Lock()
	unsaved := s.unsaved
	s.mu.Unlock()
	if !s.dirty || unsaved > 0 || s.state == nil {
		return
	}
	s.dirty = false
	if err := s.state.Put(alarmSaved, s.n.Save(s.now()), nil); err != nil {
		s.log.Error("what was told cannot be saved", zap.Error(err))
	}
}

// close closes the queue and saves what was told, within twice the limit.
func (s *serving) close(limit time.Duration) {
	end := time.Now().Add(2 * limit)
	if err := s.queue.Close(limit); err != nil {
		s.log.Warn("closing the ways of the alarms", zap.Error(err))
	}
	if s.state == nil {
		s.awaitState(limit / 2)
	}
	s.stopOpener()
	if s.state == nil {
		return
	}
	s.save(false)
	if err := s.state.Close(max(time.Until(end), 0)); err != nil {
		s.log.Warn("what was told cannot be saved; after the next start some alarms may be told again", zap.Error(err))
	}
}
