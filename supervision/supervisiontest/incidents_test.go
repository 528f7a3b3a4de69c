package supervisiontest

import (
	"sync/atomic"
	"testing"

	"clearback/supervision"
)

// reportedIncidents is a machine that compares the incidents in its reports with those in its view.
type reportedIncidents struct {
	*supervision.Machine
	open    uint32 // the reasons of those that have not ended, one bit each
	problem *atomic.Pointer[string]
}

func (r *reportedIncidents) Step(now supervision.Instant, ev supervision.Event) ([]supervision.Effect,
	supervision.Instant) {
	effects, deadline := r.Machine.Step(now, ev)
	r.compare(effects, ev.String())
	return effects, deadline
}

func (r *reportedIncidents) compare(effects []supervision.Effect, after string) {
	for i := range effects {
		switch ef := &effects[i]; {
		case isReport(ef, supervision.ReportIncident):
			r.open |= 1 << ef.Incident
		case isReport(ef, supervision.ReportIncidentEnded):
			r.open &^= 1 << ef.Incident
		}
	}
	v := r.View()
	shown := uint32(1)<<v.Incident | 1<<v.Fault
	if v.NoOpeningBy != 0 {
		shown |= 1 << supervision.IncidentTooManyOpenings
	}
	if r.open|1 != shown|1 { // bit 0 is IncidentNone
		text := "after " + after
		r.problem.CompareAndSwap(nil, &text)
	}
}

// TestReportsMatchView: whoever follows the reports of incidents and of their ends knows which incidents of the line
// last, without a look at the machine.
func TestReportsMatchView(t *testing.T) {
	var problem atomic.Pointer[string]
	seed := firstSeed(t)
	Orders(max(1, orderCount(t)/20), seed, func(p supervision.Policy) Stepper {
		return &reportedIncidents{Machine: supervision.New(p), problem: &problem}
	})
	if p := problem.Load(); p != nil {
		t.Errorf("CLEARBACK_SEED=%d: %s the reports disagree with the view", seed, *p)
	}
}
