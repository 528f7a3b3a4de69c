package gpio

import (
	"cmp"
	"errors"
	"slices"
	"strings"
	"time"

	"clearback/bridge/relay"
	"clearback/bridge/relay/controller"
)

// Drive is the way in which an output produces its two levels.
type Drive string

// The drives. The zero value is PushPull.
const (
	PushPull   Drive = "push-pull"   // both levels are driven
	OpenDrain  Drive = "open-drain"  // low is driven, high is left to a resistor
	OpenSource Drive = "open-source" // high is driven, low is left to a resistor
)

// Bias is the setting of the chip's internal resistor.
type Bias string

// The biases. The zero value is AsIs.
const (
	AsIs     Bias = "as-is"
	NoBias   Bias = "disabled"
	PullUp   Bias = "pull-up"
	PullDown Bias = "pull-down"
)

// Options are the options of a [Board].
type Options struct {
	// Name is the controller's name, for notices.
	Name string
	// Chip is the chip: its device's path, its name (gpiochip0) or its label. The name may change from one boot to the
	// next.
	Chip string
	// Timeout is the time-out of one kernel call: 20 ms to 10 s; 0 means 500 ms. That is our own number: a chip behind
	// I2C or USB needs a few ms.
	Timeout time.Duration
	// Poll is the interval at which an idle contact is read back, at least 10 ms; 0 means 1 s. The poll detects a chip
	// that has gone.
	Poll time.Duration
	// Notify receives the notices, one at a time for each contact. It must not block and must not call the board. Nil
	// discards them.
	Notify func(relay.Notice)
	// NoLock leaves the contacts unclaimed. It is only for a process that closes contacts and does nothing else. The
	// kernel still gives a line to only one process at a time.
	NoLock bool
	// Now is the clock that NotAfter is compared with; nil means the real one.
	Now func() time.Time
}

// ContactOptions say which GPIO line drives the contact, and how. The loop is open while the line is active.
type ContactOptions struct {
	// Name is the name of the telephone line.
	Name string
	// Line is the GPIO line: its number on the chip (the offset) or its name.
	Line string
	// ActiveLow means that a low level is active.
	ActiveLow bool
	Drive     Drive
	Bias      Bias
	// Sense, if not nil, is the loop-current input.
	Sense *Sense
}

// Sense is a loop-current input, which is active while current flows.
type Sense struct {
	// Chip is a chip as in Options; empty means the contact's chip.
	Chip string
	// Line is a GPIO line as in ContactOptions.
	Line      string
	ActiveLow bool
	Bias      Bias
	// Debounce is how long a level must last to count: 0 to 10 s, rounded down to 1 µs. It needs a chip with
	// interrupts.
	Debounce time.Duration
	// Edge, if not nil, receives each change with the kernel's time stamp. One goroutine calls it. It must not block.
	// It needs a chip with interrupts.
	Edge func(level relay.Level, at time.Time)
}

// ErrOptions means that a setting is out of range.
var ErrOptions = errors.New("gpio: setting out of range")

const (
	defaultTimeout = 500 * time.Millisecond
	maxDebounce    = 10 * time.Second // far longer than any bounce, and far below the kernel's limit of 32 bits of µs
)

func (o Options) withDefaults() (Options, error) {
	faults := o.Check()
	o.Timeout, o.Poll = cmp.Or(o.Timeout, defaultTimeout), cmp.Or(o.Poll, controller.DefaultPoll)
	return o, relay.FaultError(ErrOptions, "controller "+o.Name, faults)
}

// Check returns what is wrong with the options.
func (o Options) Check() []relay.Fault {
	f := relay.CheckTimes(o.Timeout, o.Poll)
	if badWord(o.Chip) {
		f.Add("chip", "%q is not a chip; write its path, its name such as gpiochip0, or its label", o.Chip)
	}
	return f
}

func badWord(s string) bool { return s == "" || strings.Contains(s, "\x00") }

// Check returns what is wrong with the options of a contact.
func (o ContactOptions) Check() []relay.Fault {
	var f relay.Faults
	if badWord(o.Line) {
		f.Add("line", "%q is not a GPIO line; write its number or its name", o.Line)
	}
	if o.Drive != "" && !slices.Contains([]Drive{PushPull, OpenDrain, OpenSource}, o.Drive) {
		f.Add("drive", "%q is not known; allowed: %s, %s, %s", o.Drive, PushPull, OpenDrain, OpenSource)
	}
	if !o.Bias.valid() {
		f.Add("bias", "%q is not known; allowed: %s", o.Bias, biases)
	}
	s := o.Sense
	if s == nil {
		return f
	}
	if strings.Contains(s.Chip, "\x00") {
		f.Add("sense.chip", "%q is not a chip; write its path, its name such as gpiochip0, or its label", s.Chip)
	}
	switch {
	case badWord(s.Line):
		f.Add("sense.line", "%q is not a GPIO line; write its number or its name", s.Line)
	case s.Chip == "" && s.Line == o.Line:
		f.Add("sense.line", "%s is the line of the contact; the input needs one of its own", s.Line)
	}
	if !s.Bias.valid() {
		f.Add("sense.bias", "%q is not known; allowed: %s", s.Bias, biases)
	}
	if s.Debounce < 0 || s.Debounce > maxDebounce {
		f.Add("sense.debounce", "%v is out of range; allowed: 0s to %v", s.Debounce, maxDebounce)
	}
	return f
}

// withDefaults checks the options and fills in the defaults. chip is the chip of the contact.
func (o ContactOptions) withDefaults(chip string) (ContactOptions, error) {
	if s := o.Sense; s != nil && s.Chip == chip { // the same as none
		same := *s
		same.Chip, o.Sense = "", &same
	}
	if err := relay.FaultError(ErrOptions, "line "+o.Name, o.Check()); err != nil {
		return o, err
	}
	o.Drive, o.Bias = cmp.Or(o.Drive, PushPull), cmp.Or(o.Bias, AsIs)
	if o.Sense != nil {
		s := *o.Sense
		s.Chip, s.Bias = cmp.Or(s.Chip, chip), cmp.Or(s.Bias, AsIs)
		o.Sense = &s
	}
	return o, nil
}

const biases = string(AsIs + ", " + NoBias + ", " + PullUp + ", " + PullDown)

func (b Bias) valid() bool { return slices.Contains([]Bias{"", AsIs, NoBias, PullUp, PullDown}, b) }
