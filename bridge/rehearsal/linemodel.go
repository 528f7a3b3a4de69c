package rehearsal

import (
	"sync"
	"time"

	"clearback/supervision/keysystem"
)

// lineModel runs the electrical model of one line in real time and records its changes. Its methods may be called from
// any goroutine.
type lineModel struct {
	epoch time.Time
	say   func(at time.Time, who, text string)

	mu      sync.Mutex
	model   *keysystem.Line
	timer   *time.Timer
	hook    func(keysystem.Change)
	changes []modelChange
	moved   time.Time // when the contact last moved, not counting its bouncing
	closed  bool
}

// modelChange is a change with its wall-clock time.
type modelChange struct {
	keysystem.Change
	at time.Time
}

func newLineModel(o keysystem.Options, say func(at time.Time, who, text string)) (*lineModel, error) {
	model, err := keysystem.New(o)
	if err != nil {
		return nil, err
	}
	r := &lineModel{epoch: time.Now(), say: say, model: model, hook: func(keysystem.Change) {}}
	r.timer = time.AfterFunc(time.Hour, func() { r.do(r.model.Step) })
	r.timer.Stop()
	return r, nil
}

// onHook sets the function that is called for each change that the port sees. It must not block.
func (r *lineModel) onHook(f func(keysystem.Change)) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.hook = f
}

func (r *lineModel) do(act func(now time.Duration) ([]keysystem.Change, time.Duration)) {
	r.mu.Lock()
	defer r.mu.Unlock()
	changes, next := act(time.Since(r.epoch))
	for _, c := range changes {
		h := modelChange{c, r.epoch.Add(c.At)}
		r.changes = append(r.changes, h)
		switch c.Kind {
		case keysystem.PortSeized, keysystem.PortOnHook, keysystem.PortFlash:
			r.say(h.at, "adapter", c.String())
			r.hook(c)
		case keysystem.LampChanged:
			r.say(h.at, "lamp", c.Lamp.String())
		case keysystem.HoldBegan, keysystem.HoldReleased, keysystem.HoldResumed:
			r.say(h.at, "card", c.String())
		case keysystem.RingBegan, keysystem.RingEnded: // the lamp and the signalling show this
		default:
			if !r.bouncesLocked(h) {
				r.say(h.at, "loop", c.String())
			}
		}
	}
	if next != keysystem.Never && !r.closed {
		r.timer.Reset(time.Until(r.epoch.Add(next)))
	}
}

// bouncesLocked reports whether a change of contact or current is bouncing after a movement. Such changes are recorded,
// but not reported.
func (r *lineModel) bouncesLocked(h modelChange) bool {
	since := h.at.Sub(r.moved)
	if since > 0 && since < parts().Bounce {
		return true
	}
	if h.Kind == keysystem.ContactOpened || h.Kind == keysystem.ContactClosed {
		r.moved = h.at
	}
	return false
}

func (r *lineModel) lift(set string) {
	r.do(func(now time.Duration) ([]keysystem.Change, time.Duration) { return r.model.Lift(now, set) })
}

func (r *lineModel) hangUp(set string) {
	r.do(func(now time.Duration) ([]keysystem.Change, time.Duration) { return r.model.HangUp(now, set) })
}

func (r *lineModel) hold(set string) {
	r.do(func(now time.Duration) ([]keysystem.Change, time.Duration) { return r.model.Hold(now, set) })
}

func (r *lineModel) ringing(on bool) {
	r.do(func(now time.Duration) ([]keysystem.Change, time.Duration) { return r.model.SetRinging(now, on) })
}

func (r *lineModel) energise(on bool) {
	r.do(func(now time.Duration) ([]keysystem.Change, time.Duration) { return r.model.SetCoil(now, on) })
}

func (r *lineModel) battery(on bool) {
	r.do(func(now time.Duration) ([]keysystem.Change, time.Duration) { return r.model.SetBattery(now, on) })
}

func (r *lineModel) lockOut(on bool) {
	r.do(func(now time.Duration) ([]keysystem.Change, time.Duration) { return r.model.SetLockOut(now, on) })
}

func (r *lineModel) weld(on bool) {
	r.do(func(now time.Duration) ([]keysystem.Change, time.Duration) { return r.model.SetWelded(now, on) })
}

// resetPort makes the port detect the state of the line from scratch.
func (r *lineModel) resetPort() { r.do(r.model.ResetPort) }

// state advances the model to now and returns its state.
func (r *lineModel) state() keysystem.State {
	r.do(r.model.Step)
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.model.State()
}

// history returns all changes so far.
func (r *lineModel) history() []modelChange {
	r.do(r.model.Step)
	r.mu.Lock()
	defer r.mu.Unlock()
	return append([]modelChange(nil), r.changes...)
}

func (r *lineModel) close() {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.closed = true
	r.timer.Stop()
}
