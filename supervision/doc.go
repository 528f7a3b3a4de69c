// Package supervision decides about the loop of one line. It is pure: it starts no goroutine, keeps no
// clock, writes no log and opens no socket. Time goes in as an [Instant], effects and the next deadline
// come out as data, and whatever the world did with an effect comes back as the next [Event].
//
// What a later event may still stop is a later step: no two effects are handed out together if the second has to wait
// for the first.
//
// # What ends a call, and what follows
//
// DEVELOPERS.md has the invariants by number. These rules stand beside them.
//
// A call is answered when the near end is off hook: by the adapter's own 200 for a call to it, also one that crosses a
// CANCEL, and by the 200 passed to it for a call of its own. A call not yet offered to the adapter is not on the line.
//
// A hook flash can be read only when current comes back inside the flash window, that is, when the hold stayed. If a leg
// of an answered call was not confirmed cleared, the interval is at least the flash maximum and 100 ms (invariant 3).
//
// max_interval is 200 ms longer than every interval. No command is written so late that max_interval, or the 2 s of
// invariant 11, cuts the opening short by more than the contact moves late (invariant 4).
//
// Off hook after an interruption may mean that somebody is just listening to a dead line. So it counts as a hold that
// stayed only if it is seen again after listening, 10 s (invariant 7).
//
// An adapter that is lost in a call (it registers anew, or BYE or OPTIONS stay unanswered) ends the call towards the far
// end and opens nothing. A 481 from the adapter to our BYE means that it knows no call: probe, and open only on a
// trusted off hook. How an end that vanished without a word is noticed is in liveness.go, loss.go and vanished.go of
// package sipua.
package supervision
