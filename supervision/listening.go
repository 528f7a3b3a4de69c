package supervision

// Mostly the far end hangs up first, and somebody at the near end has the handset at the ear for some seconds more. The
// first look then finds the line off hook, as it does where the hold stayed. So an interruption that was seen off hook
// at first has a grace, Policy.Listening, and is looked at once more. Until then nothing is reported and nothing waits
// for it:
//
//   - A sensor that sees the current stop ends it at once: on hook. Else the second look decides, on hook or off, as the first would.
//   - A call that is requested or answered, one that rings when the second look is due, a pulse, a fault of the loop, and settings
//     by which the line is not to be trusted any more, leave it unknown: what could be seen then tells nothing of the hold.
//   - There is none for what the handset does not change or what cannot wait: a contact that did not move, a trial, an
//     interruption by hand, one that is to be repeated at once, and the call-back window, whose begin ends one, too.

// listening reports whether an interruption is in its grace. It is over for everything but its report.
func (m *Machine) listening() bool { return m.check.kind == checkListening }

// firstLook takes what the first look after an interruption found.
func (m *Machine) firstLook(now Instant, h Hook) {
	if h == HookOff && m.mayListen(now) {
		m.becomeListening(now)
		return
	}
	m.interrupted(now, h)
}

func (m *Machine) mayListen(now Instant) bool {
	o := &m.last
	return m.policy.Listening > 0 && o.call != 0 && !o.trial && !m.contactStuck() && !m.inCallbackWindow(now) &&
		!m.mayRepeat(now, m.nextStep())
}

// becomeListening begins the grace. No repeat follows it: by then the far end is gone for too long.
func (m *Machine) becomeListening(now Instant) {
	m.last.overtaken = true
	m.lineOffHook(now)
	m.becomeChecking(checkListening, now.Add(m.policy.Listening))
}

// dropListening ends the grace when the second look can no longer tell anything.
func (m *Machine) dropListening(now Instant) {
	if m.listening() {
		m.checked(now, HookUnknown)
	}
}
