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
// Loop current flows when there is battery, the contact is closed and something bridges the pair: a set off hook, or
// the card's hold bridge. A set that hangs up opens its side of the pair before the A lead; its hold key opens the A
// lead first. The card begins a hold when the A lead goes away while loop current still flows, and lets it go when
// current is absent for the release time, or when a set takes the call back (key line circuits, US patents 4,311,880
// and 4,674,118).
//
// Time is the time since a start that the caller chooses. Each method that takes now brings the line up to that instant
// first, so a late call loses nothing and every [Change] carries the instant at which it happened; it returns the
// changes and the instant at which Step is to be called next. A now that lies before an earlier one counts as that one.
// A Line is not for concurrent use.
type Line struct {
	o   Options
	now time.Duration

	battery   bool
	lockedOut bool // locked out: the port feeds too little for a hold
	ringing   bool // ringing voltage at the port
	coil      bool // energised: the normally-closed contact opens
	welded    bool // the contact does not follow the coil
	closed    bool // the contact
	moves     []move
	sets      []set

	current   bool
	since     time.Duration // of the last change of current
	seen      bool          // the port sees something across the pair
	seenSince time.Duration // of the last change of seen
	aLead     bool
	held      bool
	release   time.Duration // of this hold
	ringUp    bool
	ringsTill time.Duration // end of the ring-up while no ringing comes; Never while it does
	lamp      Lamp
	offHook   bool // as the port sees it

	changes []Change
}

// move is a movement of the contact that is under way.
type move struct {
	at     time.Duration
	closed bool
}

// set is a telephone set that was ever lifted.
type set struct {
	name        string
	pair, aLead bool
}

// New returns an idle line with battery on and the contact closed, or says which option is out of bounds.
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

// SetLockOut lets the port lock the line out, or feed it again. Locked out, the port sends no more current than it
// needs to see whether anything bridges the pair; a hold needs more.
func (l *Line) SetLockOut(now time.Duration, out bool) ([]Change, time.Duration) {
	return l.do(now, func() { l.lockedOut = out })
}

// ResetPort lets the port forget what it saw, as a restart does: it takes the line for on hook until current has flowed
// for its time.
func (l *Line) ResetPort(now time.Duration) ([]Change, time.Duration) {
	return l.do(now, func() { l.offHook, l.seen, l.seenSince = false, false, l.now })
}

// SetWelded welds the contact where it is, whatever its coil does; not welded, it goes where the coil has it.
func (l *Line) SetWelded(now time.Duration, welded bool) ([]Change, time.Duration) {
	return l.do(now, func() {
		l.welded = welded
		l.moveTo(!l.coil)
	})
}

// SetRinging starts or ends the ringing at the port (the cadence's pauses are part of it).
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

// SetCoil energises the relay, which opens its normally-closed contact, or lets it drop.
func (l *Line) SetCoil(now time.Duration, energised bool) ([]Change, time.Duration) {
	return l.do(now, func() {
		if l.coil == energised {
			return
		}
		l.coil = energised
		l.moveTo(!energised)
	})
}

// moveTo sets the contact moving.
func (l *Line) moveTo(closed bool) {
	at := l.now + l.o.Move
	l.moves = l.moves[:0]
	if l.welded || l.closed == closed {
		return // it turned back before the contact had moved
	}
	l.moves = append(l.moves, move{at, closed})
	if b := l.o.Bounce; b > 0 {
		l.moves = append(l.moves, move{at + b/3, !closed}, move{at + 2*b/3, closed})
	}
	l.expire(l.now) // with Move 0 it moves now
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

// Hold presses the set's hold key: the A lead opens, then the line key lets go of the pair.
func (l *Line) Hold(now time.Duration, name string) ([]Change, time.Duration) {
	return l.do(now, func() {
		s := l.set(name)
		s.aLead = false
		l.settle()
		s.pair = false
	})
}

// State is what can be measured on the line.
type State struct {
	Current, Held, ContactClosed, OffHook bool
	Lamp                                  Lamp
}

// State returns the state at the last instant given.
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

// expire lets everything happen that was due by now, in the order of time.
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

// moveContact moves the contact.
func (l *Line) moveContact() {
	l.closed = l.moves[0].closed
	l.moves = l.moves[1:]
	kind := ContactOpened
	if l.closed {
		kind = ContactClosed
	}
	l.emit(Change{Kind: kind})
}

// The instants at which something is due, Never if it is not.

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

// settle finds what follows at once from the state of the switches.
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

// flow finds whether loop current flows, and what the port sees of it.
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

// ring lets the ringing reach the card, or not.
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
