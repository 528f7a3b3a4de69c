package supervision

// idleWatch is what the machine knows of a line without a call. It never opens the loop.
type idleWatch struct {
	looked   bool    // since the line became idle
	hook     Hook    // what was seen last; unknown once the line carries a call
	lookBy   Instant // when the next look is due; 0: Watch after the line becomes idle
	offSince Instant // since when the line is seen off hook without a call; Never: it is not
}

// idle reports whether the line has nothing to do: no call, not even one that waits or whose leg is being cleared, the
// loop closed, nothing wanted or judged, not in a second look either.
func (m *Machine) idle() bool {
	return len(m.calls) == 0 && m.loop == loopClosed && m.pendingOpening.wait == waitNothing && !m.verifying() &&
		!m.listening()
}

// watchIdle keeps the next look at an idle line due, and gives it up as soon as the line has something else to do,
// which shows its state better.
func (m *Machine) watchIdle(now Instant) {
	if !m.idle() {
		m.watch.looked = false
		m.planNextLook()
		return
	}
	if m.check.kind == checkNothing && m.trusted() {
		m.planLook(now)
	}
}

// planNextLook makes watchIdle plan the next look anew.
func (m *Machine) planNextLook() {
	if m.check.kind == checkOffHook {
		m.check = check{by: Never}
	}
}

// planLook plans the next look at an idle line: soon after it became idle if something is in doubt or the emergency
// centre may call back, else every Watch. What the sensor will tell by itself needs no look.
func (m *Machine) planLook(now Instant) {
	w, p := &m.watch, &m.policy
	h := m.sensorHook()
	if h == HookOn {
		w.offSince = Never
	}
	switch {
	case h == HookOff && w.offSince == Never:
		w.offSince = now
	case h == HookOn && m.incident == IncidentNone && m.pendingIncident.why == IncidentNone:
		m.lineOnHook() // perhaps while the line had something else to do
		return
	case h == HookOff && m.incident != IncidentNone,
		h == HookUnknown && !p.ProbeTrusted:
		return
	}
	at := Never
	if p.Watch > 0 {
		if w.lookBy == 0 {
			w.lookBy = now.Add(p.Watch)
		}
		at = w.lookBy
		if h == HookOff {
			at = w.offSince.Add(p.Watch)
		}
	}
	if !w.looked { // whoever hung up just now may not be recognised yet
		soon := now.Add(p.OnHookRecognition)
		if m.pendingIsUrgent() || m.inCallbackWindow(now) {
			at = soon
		}
		at = max(at, soon)
	}
	if at != Never {
		m.becomeChecking(checkOffHook, max(at, m.recognisedAt))
	}
}

// noteLook takes what a look found; unknown changes nothing.
func (m *Machine) noteLook(now Instant, h Hook) {
	w := &m.watch
	w.looked, w.lookBy = true, now.Add(m.policy.Watch)
	switch h {
	case HookOn:
		m.lineOnHook()
	case HookOff:
		m.lineOffHook(now)
		long := m.policy.Watch > 0 && now >= w.offSince.Add(m.policy.Watch)
		if long || m.pendingIsUrgent() || m.inCallbackWindow(now) {
			m.beginOffHook()
		}
	}
}

// lineOnHook: nothing is held, and nobody has a handset off.
func (m *Machine) lineOnHook() {
	m.watch.hook, m.watch.offSince = HookOn, Never
	m.pendingIncident = pendingIncident{}
	m.endIncident()
}

// lineOffHook notes since when.
func (m *Machine) lineOffHook(now Instant) {
	m.watch.hook, m.watch.offSince = HookOff, min(m.watch.offSince, now)
}

// beginOffHook begins the incident of a line that is off hook without a call, with the reason that is known.
func (m *Machine) beginOffHook() {
	d := m.pendingIncident
	m.pendingIncident = pendingIncident{}
	if d.why == IncidentNone {
		d.why = IncidentOffHookWithoutCall
	}
	m.beginLineIncident(Effect{Call: d.call, Incident: d.why, Suppression: d.rule})
}

// lineHasCall is called when the line carries a call: what was seen and in doubt before is of no account any more.
func (m *Machine) lineHasCall() {
	m.watch = idleWatch{offSince: Never}
	m.pendingIncident = pendingIncident{}
}

// leftOffHook: the adapter itself says so, after a time of its own; that is trusted by configuration.
func (m *Machine) leftOffHook(now Instant) {
	if m.otherOnLine(0) || m.loop != loopClosed || m.pendingOpening.wait != waitNothing || m.verifying() ||
		m.listening() {
		return // the line shows its state otherwise
	}
	m.lineOffHook(now)
	m.beginOffHook()
	if !m.check.asked {
		m.planNextLook()
	}
}

// inCallbackWindow reports whether the emergency centre may be about to call back.
func (m *Machine) inCallbackWindow(now Instant) bool { return m.callbackBy > 0 && now <= m.callbackBy }

// openCallbackWindow is called when a call leaves the line. An emergency call opens the call-back window, unless the
// centre cannot know of it; in the window the line is looked at soon after each call, since a line left off hook cannot
// be called back. It never shortens one.
func (m *Machine) openCallbackWindow(now Instant, c *call) {
	known := c.answered || c.reached || !c.requested
	if c.emergency && known && m.policy.CallbackWindow > 0 {
		m.callbackBy = max(m.callbackBy, now.Add(m.policy.CallbackWindow))
		m.dropListening(now)
	}
}
