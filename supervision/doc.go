// Package supervision decides about the loop of one line. It is pure: it starts no goroutine, keeps no
// clock, writes no log and opens no socket. Time goes in as an [Instant], effects and the next deadline
// come out as data, and whatever the world did with an effect comes back as the next [Event].
//
// What a later event may still stop is a later step: no two effects are handed out together if the second has to wait
// for the first.
//
// # The files
//
// The numbers in brackets are those of the invariants in DEVELOPERS.md.
//
//	machine.go            the loop's states, drawn; Step
//	calls.go              the calls of a line: clearings, offering a call that waited (5), near-end clearings (6, 8)
//	interruption.go       from a clearing to the closed loop: what forbids it (1, 2), the adapter's leg first (3), the
//	                      interval's bounds (4), the end within 2 s (11), the not-after (12); seizures (6); by hand
//	breaker.go            storms (13)
//	verification.go, listening.go   did the hold clear? (7) Repetitions; somebody who is just listening
//	idlewatch.go, pendingincident.go    a line without a call; clearings that opened nothing and may have left it held
//	loopcurrent.go              the loop-current input
//	trial.go              the clearings of a tuning session
//	incident.go           one incident of a line at a time
//	policy.go             the settings, every constant with its source; policycheck.go: their bounds
//	emergencynumbers.go            emergency numbers
//	event.go, effect.go   what goes in and comes out; text.go and words.go: their text form
//	view.go, instant.go   what others may look at, and what outlives the process; the machine's time
//
// # Beside the invariants
//
// A call is answered when the near end is off hook: by the adapter's own 200 for a call to it, also one that crosses a
// CANCEL, and by the 200 passed to it for a call of its own. A call not yet offered to the adapter is not on the line.
//
// An adapter can read a flash only when current comes back inside the flash window, that is, when the hold stayed. If
// a leg of an answered call was not confirmed cleared, the interval is at least the flash maximum and 100 ms
// (invariant 3).
//
// max_interval is 200 ms longer than every interval. No command is written so late that max_interval, or the 2 s of
// invariant 11, cuts the opening short by more than the contact moves late (invariant 4).
//
// Off hook after an interruption may mean that somebody is just listening to a dead line. So it counts as a hold that
// stayed only if it is seen again after listening, 10 s (invariant 7).
//
// An adapter that is lost in a call (it registers anew, or leaves BYE or OPTIONS unanswered) ends the call towards the
// far end and opens nothing. A 481 from the adapter to our BYE means that it knows no call: the line is probed, and
// opened only on a trusted off hook. Package sipua notices ends that vanish without a BYE.
package supervision
