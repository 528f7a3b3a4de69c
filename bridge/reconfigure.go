package bridge

import (
	"time"

	"clearback/bridge/relay"
	"clearback/supervision"
)

// This file changes what a line was made of while it runs. See also [Line.SetPolicy].

// Idle reports whether nothing of the line would be cut by a change: it has no call, is at rest, and is not in a
// call-back window. It does not wait. After Stop it returns true.
func (l *Line) Idle() bool {
	l.turn.Lock()
	defer l.release()
	if l.stopped {
		return true
	}
	v := l.machine.View()
	return l.atRest() && len(v.Calls) == 0 && v.CallbackBy <= l.instant(time.Now())
}

// SetCalls replaces what [Line.Start] was given. It may be called only after Start, while the line has no call.
func (l *Line) SetCalls(calls Calls) {
	l.turn.Lock()
	defer l.release()
	l.calls = calls
}

// SetContact replaces the contact, and whether its loop-current input is watched. It may be called only while no
// interruption is under way, and not concurrently with itself, Start or Stop. Whoever calls it has closed the old
// contact. If the loop is faulted, SetContact closes the new contact, and the fault ends once that is confirmed.
func (l *Line) SetContact(c relay.Contact, sense bool) {
	l.interrupter.setContact(c)
	old, next := l.currentMonitor.Load(), l.monitorOf(c, sense)
	if old != nil {
		old.end()
		l.Post(supervision.Event{Kind: supervision.CurrentUnreadable}) // what it last read does not count any more
	}
	l.currentMonitor.Store(next)
	l.turn.Lock()
	defer l.release()
	if next != nil && l.started {
		next.start()
	}
	// A notice of the old controller may still wait in the mailbox, and that controller confirms nothing any more.
	if l.closeFailing.Swap(false) || l.machine.View().Loop == supervision.StateFaulted {
		l.interrupter.close(0)
	}
}

// monitorOf returns a monitor of the contact's loop-current input, or nil if that is not to be watched.
func (l *Line) monitorOf(c relay.Contact, sense bool) *currentMonitor {
	sensor, ok := c.(relay.Sensor)
	if !ok || !sense {
		return nil
	}
	return newCurrentMonitor(sensor, l, l.interrupter.underWay, l.epoch, l.log)
}
