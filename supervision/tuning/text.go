package tuning

import (
	"fmt"
	"time"

	"clearback/supervision/window"
)

// clock writes a length the way the configuration does: 800ms, 1.4s.
func clock(d time.Duration) string {
	d = d.Round(ms)
	if d >= time.Second && d%(10*ms) == 0 {
		return d.String()
	}
	return fmt.Sprintf("%dms", d.Milliseconds())
}

func holds(n int) string {
	if n == 1 {
		return "1 hold"
	}
	return fmt.Sprintf("%d holds", n)
}

func (s *Session) caught(c counts) (Verdict, string) {
	if c.catchCleared >= 2 {
		return AdapterClears,
			fmt.Sprintf("%s cleared although the loop was not opened: the adapter itself interrupts the current when the far end clears (its own disconnect signal), or the hold was not held. "+
				"This line may need no contact at all; look for that signal among the adapter's settings, switch it off and tune again if the contact is to do it.",
				holds(c.catchCleared))
	}
	if c.catchStayed >= 2 {
		return Contradictory,
			"One hold cleared although the loop was not opened, and two stayed: either one answer was a slip, or the adapter interrupts by itself now and then. " +
				"No threshold can be told from that; see that each call is really held before its trial, and begin again."
	}
	return TooFew, "One hold cleared although the loop was not opened; further trials without an opening have to show whether the adapter interrupts by itself."
}

func (s *Session) noneCleared(c counts) string {
	return fmt.Sprintf("None of %s cleared, not even at %s, the longest that was tried. Either the contact does not open the loop (see that it moves, and that it is in the pair between adapter and line card), "+
		"or this card does not let go on an open loop.", holds(c.stayed), clock(s.plan.Longest))
}

func (s *Session) allCleared(c counts, w window.Result) string {
	text := fmt.Sprintf("All of %s cleared, already at %s, the shortest that was tried: the card's release time lies below that and cannot be told more exactly, so there is no figure from the trials.",
		holds(c.cleared), clock(s.plan.Shortest))
	if w.Recommended > 0 {
		text += fmt.Sprintf(" What the line's window recommends, %s, is well above it.", clock(w.Recommended))
	}
	return text
}

func (s *Session) upsideDown(c counts) string {
	return fmt.Sprintf("Holds stayed at intervals up to %s and cleared at shorter ones, more often than chance allows: that is no threshold. See that every call is really held before its trial, that nobody else touches the line, and that the contact opens each time; then begin again.",
		clock(c.longestStayed))
}

func (s *Session) scattered(c counts) string {
	return fmt.Sprintf("%d cleared and %d stayed, but with no clear threshold: the answers scatter over more than a quarter of the length. See that every call is really held before its trial and that the contact opens each time; if it stays so, the line card is at fault.",
		c.cleared, c.stayed)
}

func (s *Session) noDependence(c counts) string {
	return fmt.Sprintf("%d cleared and %d stayed, and long openings cleared no more of them than short ones: the length is not the cause, and another interval will not help. "+
		"See that every call is really held before its trial and that the contact opens each time. If it does, this card does not let go for an opening "+
		"(one that changes its state with each break clears every other hold): ask whoever knows the card how the exchange told it that the far end had gone.",
		c.cleared, c.stayed)
}

func (s *Session) tooFew(c counts) string {
	text := fmt.Sprintf("Of %s, %d cleared and %d stayed", holds(len(s.trials)), c.cleared, c.stayed)
	if c.unknown > 0 {
		text += fmt.Sprintf(", and %d had no answer that could be told", c.unknown)
	}
	text += ": too few for an estimate"
	if c.unknownRunning >= maxUnanswered {
		return text + ". Find out first why the answers cannot be told (probe, sense input, or the lamp)."
	}
	if c.catches() == 0 && c.cleared > 0 && c.stayed > 0 && c.cleared+c.stayed >= minAnswers {
		return text + " while no trial without an opening has shown that the adapter does not interrupt by itself."
	}
	if c.cleared == 0 || c.stayed == 0 {
		return text + "; it takes holds that cleared and holds that stayed. Go on with the session, or allow it more holds."
	}
	return text + fmt.Sprintf("; it takes at least %d. Go on with the session, or allow it more holds.", minAnswers)
}

// why returns what the recommendation is based on.
func (s *Session) why(c counts, need time.Duration) string {
	if need > afterFailure(c.longestStayed) {
		return fmt.Sprintf("it takes %s for 99 of 100 releases, at 95 %% confidence", clock(need))
	}
	return fmt.Sprintf("1.5 times the longest interval that failed (%s) is %s", clock(c.longestStayed), clock(need))
}

func (s *Session) noRoom(c counts, need time.Duration, r *Result) string {
	text := fmt.Sprintf("The card lets go at %s or so, but %s, and %s.", clock(r.Threshold), s.why(c, need),
		s.window.Why(need))
	if n := len(s.window.Spans); n > 0 {
		text += " To make room, change " + s.window.Spans[n-1].To.Reason.Change() + "."
	}
	return text + s.outlier(c)
}

// outlier returns a sentence on a single failure far from all others, or "".
func (s *Session) outlier(c counts) string {
	if c.longestStayed <= time.Duration(s.now.bound) {
		return ""
	}
	return fmt.Sprintf(" The failure at %s stands apart from all others; if that hold was not a hold or the answer a slip, begin again.",
		clock(c.longestStayed))
}

func (s *Session) ringsUp(c counts, recommended time.Duration) string {
	return fmt.Sprintf("It takes %s to be sure that holds clear, but the line rang up after the break in %d trials, from %s on: the card takes the current's return for ringing. "+
		"No shorter interval is long enough; see whether the card's ring detection can be made slower, then tune again.",
		clock(recommended), c.rangUp, clock(c.rangUpFrom))
}

func (s *Session) says(c counts, r *Result) string {
	need := s.need(c)
	text := fmt.Sprintf("The card lets go at %s on the average (%s to %s), spread %s; %s, hence %s%s.",
		clock(r.Threshold), clock(r.ThresholdLow), clock(r.ThresholdHigh), clock(r.Spread), s.why(c, need),
		clock(r.Recommended), recommendationRaised(need, r.Recommended))
	if r.Confirmed > 0 {
		text += fmt.Sprintf(" %s cleared at that length.", holds(r.Confirmed))
	} else {
		text += " No hold was tried at that length."
	}
	if c.rangUp > 0 {
		text += fmt.Sprintf(" The line rang up after the break in %s, from %s on.", trials(c.rangUp),
			clock(c.rangUpFrom))
	}
	return text + s.outlier(c)
}

// recommendationRaised says why the recommendation is longer than needed.
func recommendationRaised(need, recommended time.Duration) string {
	if recommended <= roundUp(need) {
		return ""
	}
	return ", the next that the line's window allows"
}

func trials(n int) string {
	if n == 1 {
		return "1 trial"
	}
	return fmt.Sprintf("%d trials", n)
}
