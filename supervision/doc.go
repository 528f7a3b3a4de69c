// Package supervision decides when the loop of one line opens. It is pure: it starts no goroutine, keeps no clock,
// writes no log and opens no socket. Time goes in as an [Instant]. Effects and the next deadline come out as data, and
// the outcome of each effect comes back as an [Event].
//
// Step never returns two effects together if the second has to wait for the outcome of the first. The second follows in
// a later step, so that an event between the two can still prevent it.
//
// # The files
//
// The numbers in brackets are those of the invariants in DEVELOPERS.md.
//
//	machine.go            the states of the loop, with a diagram; Step
//	calls.go              the calls of a line: clearings, offering a call that waited (5), near-end clearings (6, 8)
//	interruption.go       from a clearing to the closed loop: the rules that forbid it (1, 2), the adapter's leg first
//	                      (3), the bounds of the interval (4), the end within 2 s (11), the not-after time (12);
//	                      seizures (6); an operator's pulse
//	opening.go            what is known of one opening
//	breaker.go            storms (13)
//	verification.go       whether the hold has cleared (7); repetitions
//	listening.go          the second look, 10 s later: at the first, somebody may still be listening
//	idlewatch.go          a line without a call
//	pendingincident.go    a clearing for which the loop was not opened: is the line still held?
//	loopcurrent.go        the loop-current input
//	trust.go              answers to probes that are shown to be wrong
//	trial.go              the clearings of a tuning session
//	adopted.go            calls that were answered before a restart
//	incident.go           the incidents; a line has one at a time
//	policy.go             the settings and constants, each with the source of its number
//	policycheck.go        the bounds of the settings
//	emergencynumbers.go   emergency numbers
//	event.go, effect.go   the input and the output of Step
//	text.go, words.go     the text form of both
//	view.go               what other packages may look at; the state that outlives the process
//	instant.go            the machine's time
//
// # Beside the invariants
//
// A call counts as answered when the near end is off hook. For a call to the adapter, the adapter's own 200 shows that,
// even a 200 that crosses a CANCEL. For a call from the adapter, it is the 200 that the user agent passes to the
// adapter. A call not yet offered to the adapter is not on the line.
//
// If the hold stays, current returns after the interruption. An adapter whose flash window has not ended by then takes
// the interruption for a hook flash. So if the adapter has not confirmed our BYE, the interval is at least flash_max
// plus 100 ms (invariant 3).
//
// max_interval is at least 200 ms longer than every interval. A command that comes too late for its full interval, by
// max_interval or by the 2 s of invariant 11, is not written. Only the contact's own delay may shorten an opening
// (invariant 4).
//
// A line that is off hook after an interruption may just have somebody listening to a dead line. So a hold counts as
// stayed only if the line is still off hook at a second look, 10 s later by default (Policy.Listening, invariant 7).
//
// If the adapter is lost during a call (it registers anew, or does not answer BYE or OPTIONS), the call to the far end
// is ended and nothing is opened. A 481 from the adapter to our BYE means that the adapter does not know the call. The
// line is then probed, and opened only if a trusted probe says off hook. Package sipua detects ends that vanish without
// a BYE.
package supervision
