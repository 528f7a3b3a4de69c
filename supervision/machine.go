package supervision

// Machine decides about the loop of one line. It is not for concurrent use.
type Machine struct {
	policy Policy
}

// New returns the machine of a line at rest: no call, loop closed.
func New(p Policy) *Machine { return &Machine{policy: p} }

// Step takes one event at the time now and returns what to do, in order, and the instant at which Step
// is to be called next with TimePassed (Never: not at all). The slice is valid until the next Step.
func (m *Machine) Step(now Instant, ev Event) ([]Effect, Instant) { return nil, Never }
