package supervisiontest

import "clearback/supervision"

// mutantsOfTrust break the rules about answers of the adapter that are shown to be wrong.
func mutantsOfTrust() []Mutant {
	const still, none = "still trusts", "nothing contradicts"
	return []Mutant{
		{Invariant: 7, Name: "trusts an adapter that has changed", Build: withoutEvents(supervision.AdapterChanged),
			Problem: still},
		{Invariant: 7, Name: "trusts an adapter that reports on hook in calls",
			Build: withoutEvents(supervision.OnHookInCall), Problem: still},
		{Invariant: 7, Name: "distrusts an adapter after one report of on hook in a call", Build: wrap(twice, nil),
			Problem: none},
		{Invariant: 7, Name: "distrusts an adapter because of an emergency call", Build: event(func(ev *supervision.Event) {
			if ev.Kind == supervision.CallRequested || ev.Kind == supervision.CallArrived {
				ev.Emergency = false
			}
		}), Problem: none},
		{Invariant: 7, Name: "takes a call for another in which the adapter reports on hook",
			Build: effect(func(_ *Moment, ef *supervision.Effect) {
				if isReport(ef, supervision.ReportTrustWithdrawn) {
					ef.Call++
				}
			}), Problem: "because of another call"},
		{Invariant: 7, Name: "trusts an adapter again that has changed", Build: func(p supervision.Policy) Stepper {
			return &forgivingMutant{Machine: supervision.New(p), policy: p}
		}, Problem: "cannot be trusted to answer"},
		{Invariant: 7, Name: "trusts an adapter that changed before it was trusted", Build: func(p supervision.Policy) Stepper {
			return &latecomerMutant{Machine: supervision.New(p), trusted: p.ProbeTrusted}
		}, Problem: "cannot be trusted to answer"},
	}
}

// twice gives the machine each report of on hook in a call twice.
func twice(h *mutantHook, now supervision.Instant, ev *supervision.Event) bool {
	if ev.Kind == supervision.OnHookInCall {
		effects, _ := h.machine.Step(now, *ev)
		h.effects = append(h.effects, effects...)
	}
	return true
}

// forgivingMutant stops trusting an adapter that has changed, until the settings change.
type forgivingMutant struct {
	*supervision.Machine
	policy supervision.Policy
}

func (f *forgivingMutant) Step(now supervision.Instant, ev supervision.Event) ([]supervision.Effect,
	supervision.Instant) {
	if ev.Kind != supervision.AdapterChanged || !f.policy.ProbeTrusted {
		return f.Machine.Step(now, ev)
	}
	f.policy.ProbeTrusted = false
	deadline := f.Machine.SetPolicy(now, f.policy)
	return []supervision.Effect{{Kind: supervision.Report, Report: supervision.ReportTrustWithdrawn}}, deadline
}

// SetPolicy sets the policy, and with it the trust.
func (f *forgivingMutant) SetPolicy(now supervision.Instant, p supervision.Policy) supervision.Instant {
	f.policy = p
	return f.Machine.SetPolicy(now, p)
}

// latecomerMutant does not notice that an adapter changes while the policy does not trust it.
type latecomerMutant struct {
	*supervision.Machine
	trusted bool
}

func (l *latecomerMutant) Step(now supervision.Instant, ev supervision.Event) ([]supervision.Effect,
	supervision.Instant) {
	if ev.Kind == supervision.AdapterChanged && !l.trusted {
		ev = supervision.Event{Kind: supervision.TimePassed}
	}
	return l.Machine.Step(now, ev)
}

// SetPolicy sets the policy, and with it the trust.
func (l *latecomerMutant) SetPolicy(now supervision.Instant, p supervision.Policy) supervision.Instant {
	l.trusted = p.ProbeTrusted
	return l.Machine.SetPolicy(now, p)
}
