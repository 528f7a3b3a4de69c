package supervisiontest

import "clearback/supervision"

// Tally counts what occurred in a number of orders.
type Tally struct {
	Orders, Steps, Opened int
	Seizures, Calls       [Phases]int // orders with one in that phase

	// orders with these occurrences
	Repeated, Tried, Caught, Watched, Pending, Stuck, Flashed, Changed, Listened, HungUp, Stormed, Calmed, Awaited int
	Distrusted, Adopted, Withheld                                                                                  int
}

// Add adds another tally.
func (t *Tally) Add(o Tally) {
	t.Orders, t.Steps, t.Opened = t.Orders+o.Orders, t.Steps+o.Steps, t.Opened+o.Opened
	for i := range t.Seizures {
		t.Seizures[i] += o.Seizures[i]
		t.Calls[i] += o.Calls[i]
	}
	t.Repeated, t.Tried, t.Caught, t.Watched = t.Repeated+o.Repeated, t.Tried+o.Tried, t.Caught+o.Caught,
		t.Watched+o.Watched
	t.Listened, t.HungUp = t.Listened+o.Listened, t.HungUp+o.HungUp
	t.Stormed, t.Calmed, t.Awaited = t.Stormed+o.Stormed, t.Calmed+o.Calmed, t.Awaited+o.Awaited
	t.Distrusted += o.Distrusted
	t.Adopted, t.Withheld = t.Adopted+o.Adopted, t.Withheld+o.Withheld
	t.Pending, t.Stuck, t.Flashed, t.Changed = t.Pending+o.Pending, t.Stuck+o.Stuck, t.Flashed+o.Flashed,
		t.Changed+o.Changed
}

// occurrences is what occurred in one order.
type occurrences struct {
	seen                                                               [2][Phases]bool
	opened                                                             supervision.CallID // of the last opening
	repeated, tried, caught, watched, pending, stuck, flashed, changed bool
	any, listened, hungUp, stormed, calmed, awaited, distrusted        bool
	adopted, withheld                                                  bool // an adopted call opened the loop, or did not
}

// take notes one effect.
func (o *occurrences) take(ef *supervision.Effect) {
	switch {
	case ef.Kind == supervision.OpenLoop:
		o.repeated = o.repeated || ef.Call != 0 && ef.Call == o.opened
		o.opened, o.any = ef.Call, true
	case isReport(ef, supervision.ReportInterrupted) && ef.Trial:
		o.tried, o.caught = o.tried || ef.Seq != 0, o.caught || ef.Seq == 0
	case isReport(ef, supervision.ReportIncident):
		o.watched = o.watched || ef.Incident == supervision.IncidentOffHookWithoutCall
		o.pending = o.pending || ef.Incident == supervision.IncidentSuppressed ||
			ef.Incident == supervision.IncidentSeized
		o.stuck = o.stuck || ef.Incident == supervision.IncidentContactStuck
		o.flashed = o.flashed || ef.Flash
		o.withheld = o.withheld || ef.Incident == supervision.IncidentAdopted
		o.stormed = o.stormed || ef.Incident == supervision.IncidentTooManyOpenings
	case isReport(ef, supervision.ReportTrustWithdrawn):
		o.distrusted = true
	case isReport(ef, supervision.ReportIncidentEnded):
		o.calmed = o.calmed || ef.Incident == supervision.IncidentTooManyOpenings
	}
}

func (t *Tally) count(o *occurrences) {
	add := func(n *int, is bool) {
		if is {
			*n++
		}
	}
	add(&t.Opened, o.any)
	for i := range o.seen[0] {
		add(&t.Seizures[i], o.seen[0][i])
		add(&t.Calls[i], o.seen[1][i])
	}
	add(&t.Repeated, o.repeated)
	add(&t.Tried, o.tried)
	add(&t.Caught, o.caught)
	add(&t.Watched, o.watched)
	add(&t.Pending, o.pending)
	add(&t.Stuck, o.stuck)
	add(&t.Flashed, o.flashed)
	add(&t.Changed, o.changed)
	add(&t.Listened, o.listened)
	add(&t.HungUp, o.hungUp)
	add(&t.Stormed, o.stormed)
	add(&t.Calmed, o.calmed)
	add(&t.Awaited, o.awaited)
	add(&t.Distrusted, o.distrusted)
	add(&t.Adopted, o.adopted)
	add(&t.Withheld, o.withheld)
}
