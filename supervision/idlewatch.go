package supervision

// idleWatch is what is known of a line without a call. It never opens the loop.
type idleWatch struct {
	looked   bool    // a look was made since the line became idle
	lookBy   Instant // when the next look is due; 0: Policy.Watch after the line becomes idle
	offSince Instant // since when the line has been seen off hook without a call; Never: not off hook
}

// idle reports whether the line has nothing to do. It then has no call (not even one that waits or is being cleared),
// its loop is closed, and no interruption is pending or being checked.
func (m *Machine) idle() bool {
	return len(m.calls) == 0 && m.loop == StateClosed && m.pendingOpening.wait == waitNothing && !m.verifying() &&
		!m.listening()
}

// watchIdle plans the next look at an idle line. It cancels the look when the line has something else to do, since that
// shows the line's state better.
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

// planNextLook makes watchIdle plan the next look again.
func (m *Machine) planNextLook() {
	if m.check.kind == checkOffHook {
		m.check = check{by: Never}
	}
}

// planLook plans the next look at an idle line. The look is early if an incident is pending or if the emergency centre
// may call back; otherwise one is made every Policy.Watch. What a trusted sensor will report by itself needs no look.
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
		m.lineOnHook() // the line may have gone on hook while it was not idle
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
	if !w.looked { // the adapter may not yet recognise a handset that was just hung up
		soon := now.Add(p.OnHookRecognition)
		if m.pendingIsUrgent() || m.incident == IncidentAdopted || m.inCallbackWindow(now) {
			at = soon
		}
		at = max(at, soon)
	}
	if at != Never {
		m.becomeChecking(checkOffHook, max(at, m.recognisedAt))
	}
}

// noteLook handles the result of a look at an idle line. HookUnknown changes nothing.
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

// lineOnHook: nothing is held, and no handset is off hook.
func (m *Machine) lineOnHook() {
	m.watch.offSince = Never
	m.pendingIncident = pendingIncident{}
	m.endIncident()
}

// lineOffHook notes since when the line has been off hook.
func (m *Machine) lineOffHook(now Instant) {
	m.watch.offSince = min(m.watch.offSince, now)
}

// beginOffHook begins the incident of a line that is off hook without a call, with the reason if one is known.
func (m *Machine) beginOffHook() {
	d := m.pendingIncident
	m.pendingIncident = pendingIncident{}
	if d.why == IncidentNone {
		d.why = IncidentOffHookWithoutCall
	}
	m.beginLineIncident(Effect{Call: d.call, Incident: d.why, Suppression: d.rule})
}

// lineHasCall is called when the line carries a call. What was seen of the line before, and a pending incident, no
// longer matter.
func (m *Machine) lineHasCall() {
	m.watch = idleWatch{offSince: Never}
	m.pendingIncident = pendingIncident{}
}

// leftOffHook: the adapter reports that the line was left off hook, after a timeout of its own. Whoever configures the
// number for that trusts the report.
func (m *Machine) leftOffHook(now Instant) {
	if m.otherOnLine(0) || m.loop != StateClosed || m.pendingOpening.wait != waitNothing || m.verifying() ||
		m.listening() {
		return // something else will show the state of the line
	}
	m.lineOffHook(now)
	m.beginOffHook()
	if !m.check.asked {
		m.planNextLook()
	}
}

// inCallbackWindow reports whether the emergency centre may be about to call back.
func (m *Machine) inCallbackWindow(now Instant) bool { return now < m.callbackBy }

// openCallbackWindow is called when a call leaves the line. An emergency call opens the call-back window, unless the
// centre cannot know of the call. An open window is never shortened. In the window the line is checked soon after each
// call, since a line left off hook cannot be called back.
func (m *Machine) openCallbackWindow(now Instant, c *call) {
	known := c.answered || c.reached || !c.requested
	if c.emergency && known && m.policy.CallbackWindow > 0 {
		m.callbackBy = max(m.callbackBy, now.Add(m.policy.CallbackWindow))
		m.dropListening(now)
	}
}
