package rehearsal

import (
	"sync"
	"time"

	"clearback/supervision/loop"
)

// rig runs the electrical model of one line in real time and keeps what happened on it. Its methods may be called from any
// goroutine.
type rig struct {
	epoch time.Time
	say   func(at time.Time, who, text string)

	mu     sync.Mutex
	model  *loop.Line
	timer  *time.Timer
	hook   func(loop.Change)
	past   []happened
	moved  time.Time // when the contact last moved, its bouncing left out
	closed bool
}

// happened is a change with its wall time.
type happened struct {
	loop.Change
	at time.Time
}

func newRig(o loop.Options, say func(at time.Time, who, text string)) (*rig, error) {
	model, err := loop.New(o)
	if err != nil {
		return nil, err
	}
	r := &rig{epoch: time.Now(), say: say, model: model, hook: func(loop.Change) {}}
	r.timer = time.AfterFunc(time.Hour, func() { r.do(r.model.Step) })
	r.timer.Stop()
	return r, nil
}

// onHook sets who is told of what the port sees. It must not block.
func (r *rig) onHook(f func(loop.Change)) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.hook = f
}

func (r *rig) do(act func(now time.Duration) ([]loop.Change, time.Duration)) {
	r.mu.Lock()
	defer r.mu.Unlock()
	changes, next := act(time.Since(r.epoch))
	for _, c := range changes {
		h := happened{c, r.epoch.Add(c.At)}
		r.past = append(r.past, h)
		switch c.Kind {
		case loop.PortSeized, loop.PortOnHook, loop.PortFlash:
			r.say(h.at, "adapter", c.String())
			r.hook(c)
		case loop.LampChanged:
			r.say(h.at, "lamp", c.Lamp.String())
		case loop.HoldBegan, loop.HoldLetGo, loop.HoldResumed:
			r.say(h.at, "card", c.String())
		case loop.RingBegan, loop.RingEnded: // the lamp and the signalling tell of it
		default:
			if !r.bouncesLocked(h) {
				r.say(h.at, "loop", c.String())
			}
		}
	}
	if next != loop.Never && !r.closed {
		r.timer.Reset(time.Until(r.epoch.Add(next)))
	}
}

// bouncesLocked tells whether a change of contact or current is part of the bouncing after a movement: that is kept, but not
// said.
func (r *rig) bouncesLocked(h happened) bool {
	since := h.at.Sub(r.moved)
	if since > 0 && since < parts().Bounce {
		return true
	}
	if h.Kind == loop.ContactOpened || h.Kind == loop.ContactClosed {
		r.moved = h.at
	}
	return false
}

func (r *rig) lift(set string) {
	r.do(func(now time.Duration) ([]loop.Change, time.Duration) { return r.model.Lift(now, set) })
}

func (r *rig) hangUp(set string) {
	r.do(func(now time.Duration) ([]loop.Change, time.Duration) { return r.model.HangUp(now, set) })
}

func (r *rig) hold(set string) {
	r.do(func(now time.Duration) ([]loop.Change, time.Duration) { return r.model.Hold(now, set) })
}

func (r *rig) ringing(on bool) {
	r.do(func(now time.Duration) ([]loop.Change, time.Duration) { return r.model.SetRinging(now, on) })
}

func (r *rig) energise(on bool) {
	r.do(func(now time.Duration) ([]loop.Change, time.Duration) { return r.model.SetCoil(now, on) })
}

func (r *rig) battery(on bool) {
	r.do(func(now time.Duration) ([]loop.Change, time.Duration) { return r.model.SetBattery(now, on) })
}

func (r *rig) lockOut(on bool) {
	r.do(func(now time.Duration) ([]loop.Change, time.Duration) { return r.model.SetLockOut(now, on) })
}

func (r *rig) weld(on bool) {
	r.do(func(now time.Duration) ([]loop.Change, time.Duration) { return r.model.SetWelded(now, on) })
}

// resetPort lets the port see the line for the first time.
func (r *rig) resetPort() { r.do(r.model.ResetPort) }

// state brings the model up to now and measures.
func (r *rig) state() loop.State {
	r.do(r.model.Step)
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.model.State()
}

// history returns what happened so far.
func (r *rig) history() []happened {
	r.do(r.model.Step)
	r.mu.Lock()
	defer r.mu.Unlock()
	return append([]happened(nil), r.past...)
}

func (r *rig) close() {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.closed = true
	r.timer.Stop()
}
