package supervision

// Often the far end hangs up first, and somebody at the near end keeps the handset at the ear for a few seconds. The
// first look then finds the line off hook, just as it does if the hold stayed. So if the first look after an
// interruption finds the line off hook, a second look follows after Policy.Listening, the grace. During the grace
// nothing is reported, and calls do not wait:
//   - If a trusted sensor reports that the current has stopped, the grace ends at once with on hook. Otherwise the
//     second look decides, on hook or off hook, as the first would.
//   - The result is unknown, since what can be seen no longer says anything about the hold, after a call that is
//     requested, adopted or answered, a call that rings when the second look is due, a pulse, a fault of the loop, and
//     settings that make the line untrusted.
//   - There is no grace where the handset makes no difference or the result cannot wait: for a contact that did not
//     move, a trial, an operator's pulse, an interruption that will be repeated at once, and in the call-back window.
//     If that window begins during the grace, the grace ends.

// listening reports whether an interruption is in its grace. Only its report is still to come.
func (m *Machine) listening() bool { return m.check.kind == checkListening }

// firstLook handles the result of the first look after an interruption.
func (m *Machine) firstLook(now Instant, s sighting) {
	if s.hook == HookOff && m.mayListen(now) {
		m.becomeListening(now)
		return
	}
	m.interrupted(now, s)
}

func (m *Machine) mayListen(now Instant) bool {
	o := &m.last
	return m.policy.Listening > 0 && o.call != 0 && !o.trial && !m.contactStuck() && !m.inCallbackWindow(now) &&
		!m.mayRepeat(now, m.nextStep())
}

// becomeListening begins the grace. No repeat follows a grace, since the far end has been gone for too long.
func (m *Machine) becomeListening(now Instant) {
	m.last.makeUnclear()
	m.lineOffHook(now)
	m.becomeChecking(checkListening, now.Add(m.policy.Listening))
}

// dropListening ends the grace when the second look can no longer say anything about the hold.
func (m *Machine) dropListening(now Instant) {
	if m.listening() {
		m.checked(now, sighting{})
	}
}
