package supervision

// watching is what the machine knows of a line without a call. It never opens the loop.
type watching struct {
	looked   bool    // since the line became idle
	hook     Hook    // what was seen last; unknown once the line carries a call
	lookBy   Instant // when the next look is due; 0: Watch after the line becomes idle
	offSince Instant // since when the line is seen off hook without a call; Never: it is not
}

// idle tells whether the line has nothing to do: no call, not even one that waits or whose leg is being cleared, the loop
// closed, nothing wanted or judged, not in a second look either.
func (m *Machine) idle() bool {
	return len(m.calls) == 0 && m.loop == loopClosed && m.wanted.wait == waitNothing && !m.judging() && !m.listening()
}

// watchIdle keeps the next look at an idle line due, and gives it up as soon as the line has something else to do, which shows
// its state better.
func (m *Machine) watchIdle(now Instant) {
	if !m.idle() {
		m.watch.looked = false
		m.look()
		return
	}
	if m.check.of == checkNothing && m.trusted() {
		m.planLook(now)
	}
}

// look makes watchIdle plan the next look anew.
func (m *Machine) look() {
	if m.check.of == checkOffHook {
		m.check = check{by: Never}
	}
}

// planLook plans the next look at an idle line: soon after it became idle if something is in doubt or the emergency centre may
// call back, else every Watch. What the sensor will tell by itself needs no look.
func (m *Machine) planLook(now Instant) {
	w, p := &m.watch, &m.policy
	h := m.sensed()
	if h == HookOn {
		w.offSince = Never
	}
	switch {
	case h == HookOff && w.offSince == Never:
		w.offSince = now
	case h == HookOn && m.incident == IncidentNone && m.doubt.why == IncidentNone:
		m.seenOn() // perhaps while the line had something else to do
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
		if m.doubtPresses() || m.inCallbackWindow(now) {
			at = soon
		}
		at = max(at, soon)
	}
	if at != Never {
		m.becomeChecking(checkOffHook, max(at, m.recognisedAt))
	}
}

// looked takes what a look found; unknown changes nothing.
func (m *Machine) looked(now Instant, h Hook) {
	w := &m.watch
	w.looked, w.lookBy = true, now.Add(m.policy.Watch)
	switch h {
	case HookOn:
		m.seenOn()
	case HookOff:
		m.sawOff(now)
		long := m.policy.Watch > 0 && now >= w.offSince.Add(m.policy.Watch)
		if long || m.doubtPresses() || m.inCallbackWindow(now) {
			m.beginOffHook()
		}
	}
}

// seenOn: nothing is held, and nobody has a handset off.
func (m *Machine) seenOn() {
	m.watch.hook, m.watch.offSince = HookOn, Never
	m.doubt = doubt{}
	m.endIncident()
}

// sawOff notes since when.
func (m *Machine) sawOff(now Instant) {
	m.watch.hook, m.watch.offSince = HookOff, min(m.watch.offSince, now)
}

// beginOffHook begins the incident of a line that is off hook without a call, with the reason that is known.
func (m *Machine) beginOffHook() {
	d := m.doubt
	m.doubt = doubt{}
	if d.why == IncidentNone {
		d.why = IncidentOffHookWithoutCall
	}
	m.beginLineIncident(Effect{Call: d.call, Incident: d.why, Suppression: d.rule})
}

// carries is called when the line carries a call: what was seen and in doubt before is of no account any more.
func (m *Machine) carries() {
	m.watch = watching{offSince: Never}
	m.doubt = doubt{}
}

// leftOffHook: the adapter itself says so, after a time of its own; that is trusted by configuration.
func (m *Machine) leftOffHook(now Instant) {
	if m.otherOnLine(0) || m.loop != loopClosed || m.wanted.wait != waitNothing || m.judging() || m.listening() {
		return // the line shows its state otherwise
	}
	m.sawOff(now)
	m.beginOffHook()
	if !m.check.asked {
		m.look()
	}
}

// inCallbackWindow tells whether the emergency centre may be about to call back.
func (m *Machine) inCallbackWindow(now Instant) bool { return m.callbackBy > 0 && now <= m.callbackBy }

// callbackFrom is called when a call leaves the line. An emergency call opens the call-back window, unless the centre cannot know of it; in
// the window the line is looked at soon after each call, since a line left off hook cannot be called back. It never shortens one.
func (m *Machine) callbackFrom(now Instant, c *call) {
	known := c.answered || c.reached || !c.requested
	if c.emergency && known && m.policy.CallbackWindow > 0 {
		m.callbackBy = max(m.callbackBy, now.Add(m.policy.CallbackWindow))
		m.dropListening(now)
	}
}
