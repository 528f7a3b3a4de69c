// Package keysystem is the electrical model of one line of a key telephone system: the adapter port that feeds it, the
// pair, the relay contact, the line card with its hold circuit, and the telephone sets.
package keysystem

import (
	"fmt"
	"math"
	"time"
)

// Never is the deadline of a model that waits for nothing.
const Never time.Duration = math.MaxInt64

// Options are the times of one line's parts. A zero field means its default, unless its comment says otherwise.
type Options struct {
	// Release: the line card releases a hold when loop current has been absent for this long without interruption. Most
	// electronic key systems can be set to 50 ms or to 350-450 ms (common practice). Default 350 ms.
	Release time.Duration
	// Releases, if not nil, replaces Release. It is called when a hold begins and returns the release time of that
	// hold, since the holds of an older card are not all alike. A value outside 0 to 1 min counts as the nearer limit.
	Releases func() time.Duration
	// RingUp: the lamp flashes for this long after the last ringing, since it must not go dark in the pause between two
	// bursts (4 s in North America). It can be set from 2 to 9 s (common practice). Default 6 s.
	RingUp time.Duration

	// Seize: the port detects a seizure when loop current has flowed for this long. Default 40 ms (from memory).
	Seize time.Duration
	// FlashMin and FlashMax bound the breaks that the port takes for a hook flash; RFC 5098 gives 300 and 800 ms as
	// defaults of its hook flash objects. Both 0: the port's flash detection is off.
	FlashMin, FlashMax time.Duration
	// OnHook: the port detects on hook when loop current has been absent for this long. It is longer than FlashMax.
	// Default 1 s, beyond the North American flash window (common practice).
	OnHook time.Duration

	// Move is the time from the coil's change until the contact moves, in both directions: 3-10 ms (from memory). Zero:
	// at once.
	Move time.Duration
	// Bounce is how long the contact bounces after it has moved: 1-5 ms (from memory). In the middle third of that time
	// it is back in its old position. Zero: no bounce.
	Bounce time.Duration
}

func (o Options) withDefaults() (Options, error) {
	set := func(d *time.Duration, to time.Duration) {
		if *d == 0 {
			*d = to
		}
	}
	set(&o.Release, 350*time.Millisecond)
	set(&o.RingUp, 6*time.Second)
	set(&o.Seize, 40*time.Millisecond)
	set(&o.OnHook, time.Second)
	for _, d := range []struct {
		name string
		is   time.Duration
	}{
		{"Release", o.Release}, {"RingUp", o.RingUp}, {"Seize", o.Seize}, {"FlashMin", o.FlashMin},
		{"FlashMax", o.FlashMax},
		{"OnHook", o.OnHook}, {"Move", o.Move}, {"Bounce", o.Bounce},
	} {
		if d.is < 0 || d.is > time.Minute {
			return o, fmt.Errorf("loop: %s is %v; allowed are 0 to 1m", d.name, d.is)
		}
	}
	if o.FlashMax < o.FlashMin || (o.FlashMin == 0) != (o.FlashMax == 0) {
		return o, fmt.Errorf("loop: flash window %v to %v; give both ends in order, or 0 twice for none", o.FlashMin,
			o.FlashMax)
	}
	if o.OnHook <= o.FlashMax {
		return o, fmt.Errorf("loop: OnHook is %v, inside the flash window that ends at %v; it must be longer", o.OnHook,
			o.FlashMax)
	}
	return o, nil
}

// Lamp is what the line lamp of every set shows.
type Lamp uint8

// The lamp's signals.
const (
	Dark   Lamp = iota // idle
	Flash              // ringing: 60 interruptions a minute, half on (common practice)
	Steady             // busy: a set is on the line
	Wink               // on hold: 120 interruptions a minute, 470 ms on and 30 ms off (common practice)
)

// Cadence returns how long the lamp is on and off in turn. It returns zeros for a steady or dark lamp.
func (l Lamp) Cadence() (on, off time.Duration) {
	switch l {
	case Flash:
		return 500 * time.Millisecond, 500 * time.Millisecond
	case Wink:
		return 470 * time.Millisecond, 30 * time.Millisecond
	default:
		return 0, 0
	}
}

func (l Lamp) String() string {
	switch l {
	case Dark:
		return "dark"
	case Flash:
		return "flashing"
	case Steady:
		return "steady"
	case Wink:
		return "winking"
	default:
		return fmt.Sprintf("lamp %d", uint8(l))
	}
}

// Kind is what changed.
type Kind uint8

// The kinds of change. Lamp and Took are set only where the comment names them.
const (
	ContactOpened Kind = iota + 1
	ContactClosed
	CurrentOn
	CurrentOff
	HoldBegan    // the card bridges the pair
	HoldReleased // loop current was absent for the card's release time
	HoldResumed  // a set took the held call back
	LampChanged  // Lamp
	PortSeized   // the port detects off hook
	PortOnHook   // the port detects on hook
	PortFlash    // the port takes a break for a hook flash. Took
	RingBegan    // ringing voltage at the port
	RingEnded
)

// Change is one thing that changed on the line.
type Change struct {
	At   time.Duration
	Kind Kind
	Lamp Lamp
	Took time.Duration
}

func (c Change) String() string {
	switch c.Kind {
	case ContactOpened:
		return "contact opens"
	case ContactClosed:
		return "contact closes"
	case CurrentOn:
		return "loop current on"
	case CurrentOff:
		return "loop current off"
	case HoldBegan:
		return "hold begins"
	case HoldReleased:
		return "hold lets go"
	case HoldResumed:
		return "hold taken back"
	case LampChanged:
		return "lamp " + c.Lamp.String()
	case PortSeized:
		return "port sees off hook"
	case PortOnHook:
		return "port sees on hook"
	case PortFlash:
		return fmt.Sprintf("port sees a flash of %v", c.Took)
	case RingBegan:
		return "ringing begins"
	case RingEnded:
		return "ringing ends"
	default:
		return fmt.Sprintf("change %d", uint8(c.Kind))
	}
}
