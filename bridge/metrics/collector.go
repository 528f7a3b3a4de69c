package metrics

import (
	"fmt"

	"clearback/bridge/control"
	"clearback/supervision"
	"clearback/supervision/callrecord"
)

// The numbers of each line. They are read-only.
var (
	callsDesc = desc("calls_total", "Calls that have ended, by the first outcome of `clearback calls`, without trials.",
		"line", "outcome")
	emergencyDesc = desc("emergency_calls_total", "Calls to or from the emergency centre that have ended.", "line")
	activeDesc    = desc("active_calls", "Calls now.", "line")
	clearingsDesc = desc("clearings_total", "Answered calls whose far end cleared first, by how that was learnt.", "line",
		"evidence")
	interruptionsDesc = desc("interruptions_total",
		"Openings that were asked for, by why they failed. none: the loop opened and closed.", "line", "failure")
	suppressedDesc = desc("suppressed_total", "Clearings that opened no loop, by the rule that kept it closed.", "line",
		"rule")
	verificationsDesc = desc("verifications_total",
		"Interruptions by the hook state that was seen afterwards (on: the hold cleared), and how it was seen, without trials.",
		"line", "hook", "by")
	begunDesc      = desc("incidents_total", "Incidents that began.", "line", "reason")
	standingDesc   = desc("incident", "1 while an incident lasts.", "line", "reason")
	adapterDesc    = desc("adapter_registered", "1 if the adapter is registered or has a fixed contact.", "line")
	serviceDesc    = desc("service_registered", "1 if the line is registered at the service.", "line", "service")
	contactDesc    = desc("contact_trouble", "1 if something is wrong with the line's contact or its controller.", "line", "controller")
	faultedDesc    = desc("loop_faulted", "1 if the loop is open and does not close, or its state is unknown.", "line")
	intervalDesc   = desc("interval_seconds", "The interval that the next clearing uses.", "line")
	configuredDesc = desc("interval_configured_seconds", "The interval of the file, or as set later.", "line")
	packetsDesc    = desc("rtp_packets_total", "RTP packets of relayed calls that have ended.", "line", "from")
	lostDesc       = desc("rtp_lost_packets_total", "RTP packets missing in relayed calls that have ended.", "line", "from")
)

// The numbers of the daemon.
var (
	networkDesc  = desc("network_total", "What happened on the network, by its name in `clearback lines`.", "what")
	rejectedDesc = desc("rejected_total", "What was refused or dropped, by its name in `clearback lines`.", "what")
	problemsDesc = desc("missing_addresses", "Addresses of the file that the machine does not have.")
	waitingDesc  = desc("waiting_changes", "Lines whose change by a reload waits.")
	leftDesc     = desc("contacts_left", "Contacts that a reload took from their line and that are not known closed.")
	journalDesc  = desc("journal_healthy", "1 if the journal can be written.")
	writtenDesc  = desc("journal_written_records_total", "Records written to the journal.")
	lostRecords  = desc("journal_dropped_records_total", "Records that the journal lost.")
	queuedDesc   = desc("journal_queued_records", "Records that wait to be written to the journal.")
)

// collect takes the numbers of the state.
func (s sink) collect(state State) {
	for i := range state.Daemon.Lines {
		s.state(&state.Daemon.Lines[i])
		s.counts(state.Daemon.Lines[i].Name, state.Lines[i])
	}
	s.daemon(&state.Daemon)
	s.alarms(&state)
}

// state shows what a line is doing now.
func (s sink) state(l *control.Line) {
	s.gauge(activeDesc, float64(len(l.Calls)), l.Name)
	s.is(adapterDesc, l.Adapter.Bound, l.Name)
	if l.Service.Registers {
		s.is(serviceDesc, l.Service.Registered, l.Name, "first")
	}
	if l.Second != nil && l.Second.Registers {
		s.is(serviceDesc, l.Second.Registered, l.Name, "second")
	}
	if l.Contact.Controller != "" {
		s.is(contactDesc, l.Contact.Problem != "", l.Name, l.Contact.Controller)
	}
	s.is(faultedDesc, l.Fault != "", l.Name)
	s.gauge(intervalDesc, float64(l.Interval.Milliseconds)/1000, l.Name)
	s.gauge(configuredDesc, float64(l.Interval.Configured)/1000, l.Name)
}

// counts shows what has happened on a line.
func (s sink) counts(line string, l *Line) {
	s.counter(emergencyDesc, l.emergencyCalls.Load(), line)
	words(s, callsDesc, line, &l.outcomes, func(i uint8) fmt.Stringer { return callrecord.Outcome(i) })
	words(s, clearingsDesc, line, &l.evidence, func(i uint8) fmt.Stringer { return supervision.Evidence(i) })
	words(s, interruptionsDesc, line, &l.results, func(i uint8) fmt.Stringer { return supervision.Failure(i) })
	words(s, suppressedDesc, line, &l.suppressions, func(i uint8) fmt.Stringer { return supervision.Suppression(i) })
	for i := range l.verifications {
		if n := l.verifications[i].Load(); n > 0 {
			hook, by := supervision.Hook(i>>2), supervision.Verification(i&3)
			s.counter(verificationsDesc, n, line, hook.String(), by.String())
		}
	}
	for i := range l.begun {
		n, reason := l.begun[i].Load(), supervision.Incident(i)
		if n > 0 || reason.OfCall() { // one of a call ends at once, so only an increase from 0 shows it
			s.counter(begunDesc, n, line, reason.String())
		}
		if n > 0 && !reason.OfCall() {
			s.is(standingDesc, l.standing[i].Load(), line, reason.String())
		}
	}
	for side, word := range sideWords {
		s.counter(packetsDesc, l.packets[side].Load(), line, word)
		s.counter(lostDesc, l.lost[side].Load(), line, word)
	}
}

// words shows the counts that are not 0.
func words(s sink, f *family, line string, c *counts, word func(uint8) fmt.Stringer) {
	for i := range c {
		if n := c[i].Load(); n > 0 {
			s.counter(f, n, line, word(uint8(i)).String())
		}
	}
}

func (s sink) daemon(d *control.Daemon) {
	for _, c := range d.Counts {
		what := networkDesc
		if c.Rejected {
			what = rejectedDesc
		}
		s.counter(what, c.Count, c.Name)
	}
	s.gauge(problemsDesc, float64(len(d.Problems)))
	left := contactsLeft(d)
	s.gauge(waitingDesc, float64(len(d.Waiting)-left))
	s.gauge(leftDesc, float64(left))
	if j := &d.Journal; j.Path != "" {
		s.is(journalDesc, j.Problem == "")
		s.counter(writtenDesc, j.Written)
		s.counter(lostRecords, j.Dropped)
		s.gauge(queuedDesc, float64(j.Queued))
	}
}

// contactsLeft returns how many contacts have no line any more and are not known closed.
func contactsLeft(d *control.Daemon) (n int) {
	for i := range d.Waiting {
		if d.Waiting[i].Change == "contact" {
			n++
		}
	}
	return n
}
