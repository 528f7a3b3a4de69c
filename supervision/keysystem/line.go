package keysystem

import (
	"slices"
	"time"
)

// A Line is one line, from the adapter port to the sets:
//
//	port (battery, hook detector) ---- contact ---- pair ---- line card (hold bridge, lamp) ---- sets
//	                                      |                        ^                              |
//	                                  relay coil                   +---------- A lead ------------+
//
// Loop current flows when the battery is connected, the contact is closed and something bridges the pair: a set that is
// off hook, or the card's hold bridge. A set that hangs up opens its side of the pair before the A lead; its hold key
// opens the A lead first. The card begins a hold when the A lead opens while loop current still flows. It ends the hold
// when the current has been absent for the release time, or when a set takes the call back (key line circuits, US
// patents 4,311,880 and 4,674,118).
//
// Times count from a start that the caller chooses. Each method that takes the time (now) brings the line up to that
// time first, so a late call loses nothing, and every [Change] carries the time at which it happened. The method
// returns the changes and the time of the next call of Step. If now is earlier than in a previous call, the previous
// time is used. A Line is not for concurrent use.
type Line struct {
	o   Options
	now time.Duration

	battery   bool
	lockedOut bool // the port has locked the line out and feeds too little current for a hold
	ringing   bool // ringing voltage at the port
	coil      bool // energised: the normally-closed contact opens
	welded    bool // the contact does not follow the coil
	closed    bool // the contact is closed
	moves     []move
	sets      []set

	current   bool
	since     time.Duration // time of the last change of current
	seen      bool          // the port detects current, even too little for a hold
	seenSince time.Duration // time of the last change of seen
	aLead     bool
	held      bool
	release   time.Duration // of the present hold
	ringUp    bool
	ringsTill time.Duration // end of the ring-up after the last ringing; Never during ringing
	lamp      Lamp
	offHook   bool // as the port detects it

	changes []Change
}

// move is one movement of the contact that is still to come.
type move struct {
	at     time.Duration
	closed bool
}

// set is a telephone set that has been lifted at least once.
type set struct {
	name        string
	pair, aLead bool
}

// New returns an idle line with the battery connected and the contact closed. It returns an error that names the option
// if one is out of bounds.
func New(o Options) (*Line, error) {
	o, err := o.withDefaults()
	if err != nil {
		return nil, err
	}
	return &Line{o: o, battery: true, closed: true, ringsTill: Never}, nil
}

// Step brings the line up to now.
func (l *Line) Step(now time.Duration) ([]Change, time.Duration) { return l.do(now, func() {}) }

// SetBattery connects or removes the port's battery.
func (l *Line) SetBattery(now time.Duration, on bool) ([]Change, time.Duration) {
	return l.do(now, func() { l.battery = on })
}

// SetLockOut makes the port lock the line out, or feed it again. A port that has locked the line out feeds only the
// current that it needs to detect a bridge across the pair, and a hold needs more.
func (l *Line) SetLockOut(now time.Duration, out bool) ([]Change, time.Duration) {
	return l.do(now, func() { l.lockedOut = out })
}

// ResetPort resets the port's hook detector, as a restart does. The port reports on hook until current has flowed for
// Options.Seize.
func (l *Line) ResetPort(now time.Duration) ([]Change, time.Duration) {
	return l.do(now, func() { l.offHook, l.seen, l.seenSince = false, false, l.now })
}

// SetWelded welds the contact in its present position, or frees it. A freed contact moves to where its coil puts it.
func (l *Line) SetWelded(now time.Duration, welded bool) ([]Change, time.Duration) {
	return l.do(now, func() {
		l.welded = welded
		l.moveTo(!l.coil)
	})
}

// SetRinging starts or ends the ringing at the port. The pauses of the cadence count as ringing.
func (l *Line) SetRinging(now time.Duration, on bool) ([]Change, time.Duration) {
	return l.do(now, func() {
		if l.ringing == on {
			return
		}
		l.ringing = on
		kind := RingEnded
		if on {
			kind = RingBegan
		}
		l.emit(Change{Kind: kind})
	})
}

// SetCoil energises the relay, which opens its normally-closed contact, or de-energises it.
func (l *Line) SetCoil(now time.Duration, energised bool) ([]Change, time.Duration) {
	return l.do(now, func() {
		if l.coil == energised {
			return
		}
		l.coil = energised
		l.moveTo(!energised)
	})
}

// moveTo plans the movement of the contact.
func (l *Line) moveTo(closed bool) {
	at := l.now + l.o.Move
	l.moves = l.moves[:0]
	if l.welded || l.closed == closed {
		return // welded, or turned back before the contact had moved
	}
	l.moves = append(l.moves, move{at, closed})
	if b := l.o.Bounce; b > 0 {
		l.moves = append(l.moves, move{at + b/3, !closed}, move{at + 2*b/3, closed})
	}
	l.expire(l.now) // with Move 0 the contact moves now
}

// Lift puts the set on the line: off hook with the line's key down. A held call is taken back.
func (l *Line) Lift(now time.Duration, name string) ([]Change, time.Duration) {
	return l.do(now, func() {
		s := l.set(name)
		s.aLead, s.pair = true, true
	})
}

// HangUp takes the set off the line: the pair opens, then the A lead.
func (l *Line) HangUp(now time.Duration, name string) ([]Change, time.Duration) {
	return l.do(now, func() {
		s := l.set(name)
		s.pair = false
		l.settle()
		s.aLead = false
	})
}

// Hold presses the set's hold key: the A lead opens, then the line key releases the pair.
func (l *Line) Hold(now time.Duration, name string) ([]Change, time.Duration) {
	return l.do(now, func() {
		s := l.set(name)
		s.aLead = false
		l.settle()
		s.pair = false
	})
}

// State is what can be measured on the line, and whether a hold is on.
type State struct {
	Current, Held, ContactClosed, OffHook bool
	Lamp                                  Lamp
}

// State returns the state at the latest time given.
func (l *Line) State() State {
	return State{Current: l.current, Held: l.held, ContactClosed: l.closed, OffHook: l.offHook, Lamp: l.lamp}
}

func (l *Line) set(name string) *set {
	for i := range l.sets {
		if l.sets[i].name == name {
			return &l.sets[i]
		}
	}
	l.sets = append(l.sets, set{name: name})
	return &l.sets[len(l.sets)-1]
}

func (l *Line) do(now time.Duration, act func()) ([]Change, time.Duration) {
	l.changes = nil
	l.expire(now)
	l.now = max(l.now, now)
	act()
	l.settle()
	return l.changes, l.next()
}

// expire makes everything happen that was due by now, in the order of time.
func (l *Line) expire(now time.Duration) {
	for at := l.next(); at <= now; at = l.next() {
		l.now = max(l.now, at)
		switch at {
		case l.moveDue():
			l.moveContact()
		case l.releaseDue():
			l.held = false
			l.emit(Change{Kind: HoldReleased})
		case l.seizeDue():
			l.offHook = true
			l.emit(Change{Kind: PortSeized})
		case l.onHookDue():
			l.offHook = false
			l.emit(Change{Kind: PortOnHook})
		default: // the end of the ring-up
			l.ringUp, l.ringsTill = false, Never
		}
		l.settle()
	}
}

// moveContact makes the next movement of the contact.
func (l *Line) moveContact() {
	l.closed = l.moves[0].closed
	l.moves = l.moves[1:]
	kind := ContactOpened
	if l.closed {
		kind = ContactClosed
	}
	l.emit(Change{Kind: kind})
}

// The times at which something is due, or Never.

func (l *Line) moveDue() time.Duration {
	if len(l.moves) == 0 {
		return Never
	}
	return l.moves[0].at
}

func (l *Line) releaseDue() time.Duration { return dueIf(l.held && !l.current, l.since+l.release) }
func (l *Line) seizeDue() time.Duration   { return dueIf(!l.offHook && l.seen, l.seenSince+l.o.Seize) }
func (l *Line) onHookDue() time.Duration  { return dueIf(l.offHook && !l.seen, l.seenSince+l.o.OnHook) }

func dueIf(waits bool, at time.Duration) time.Duration {
	if !waits {
		return Never
	}
	return at
}

func (l *Line) next() time.Duration {
	return min(l.moveDue(), l.releaseDue(), l.seizeDue(), l.onHookDue(), l.ringsTill)
}

// settle applies what follows at once from the state of the switches.
func (l *Line) settle() {
	l.flow()
	aLead := slices.ContainsFunc(l.sets, func(s set) bool { return s.aLead })
	switch {
	case l.aLead && !aLead && l.current:
		l.held, l.release = true, l.o.Release
		if l.o.Releases != nil {
			l.release = l.o.Releases()
		}
		l.emit(Change{Kind: HoldBegan})
	case aLead && l.held:
		l.held = false
		l.emit(Change{Kind: HoldResumed})
	}
	l.aLead = aLead
	l.flow()
	l.ring()
	lamp := Dark
	switch {
	case l.held:
		lamp = Wink
	case l.aLead:
		lamp = Steady
	case l.ringUp:
		lamp = Flash
	}
	if lamp != l.lamp {
		l.lamp = lamp
		l.emit(Change{Kind: LampChanged, Lamp: lamp})
	}
}

// flow determines whether loop current flows, and what the port detects.
func (l *Line) flow() {
	bridged := l.held || slices.ContainsFunc(l.sets, func(s set) bool { return s.pair })
	seen := l.battery && l.closed && bridged
	if current := seen && !l.lockedOut; current != l.current {
		l.current, l.since = current, l.now
		kind := CurrentOff
		if current {
			kind = CurrentOn
		}
		l.emit(Change{Kind: kind})
	}
	if seen == l.seen {
		return
	}
	took := l.now - l.seenSince
	l.seen, l.seenSince = seen, l.now
	if seen && l.offHook && l.o.FlashMax > 0 && took >= l.o.FlashMin && took <= l.o.FlashMax {
		l.emit(Change{Kind: PortFlash, Took: took})
	}
}

// ring updates the ring-up of the card.
func (l *Line) ring() {
	switch {
	case l.aLead: // answered
		l.ringUp, l.ringsTill = false, Never
	case l.ringing && l.closed && !l.current:
		l.ringUp, l.ringsTill = true, Never
	case l.ringUp && l.ringsTill == Never:
		l.ringsTill = l.now + l.o.RingUp
	}
}

func (l *Line) emit(c Change) {
	c.At = l.now
	l.changes = append(l.changes, c)
}
