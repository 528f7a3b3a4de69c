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
			fmt.Sprintf("%s cleared although the loop was not opened. Either the adapter itself interrupts the "+
				"current when the far end clears (its own disconnect signal), or the call was not on hold. With "+
				"that signal the line may need no contact at all. To let the contact clear the holds instead, "+
				"switch the signal off in the adapter's settings and tune again.",
				holds(c.catchCleared))
	}
	if c.catchStayed >= 2 {
		return Contradictory,
			"One hold cleared although the loop was not opened, and two stayed. Either one answer was wrong, or " +
				"the adapter sometimes interrupts the current itself. No threshold can be found that way. Make " +
				"sure that each call is really on hold before its trial, and begin again."
	}
	return TooFew, "One hold cleared although the loop was not opened. More trials without an opening have to show " +
		"whether the adapter interrupts the current itself."
}

func (s *Session) noneCleared(c counts) string {
	return fmt.Sprintf("None of %s cleared, not even at %s, the longest interval tried. Either the contact does "+
		"not open the loop (check that it moves, and that it is in the pair between adapter and line card), or "+
		"this card does not release a hold when the loop opens.", holds(c.stayed), clock(s.plan.Longest))
}

func (s *Session) allCleared(c counts, w window.Result) string {
	text := fmt.Sprintf("All of %s cleared, even at %s, the shortest interval tried. The card's release time is "+
		"shorter than that, so the trials give no figure for it.",
		holds(c.cleared), clock(s.plan.Shortest))
	if w.Recommended > 0 {
		text += fmt.Sprintf(" The recommendation of the line's window, %s, is well above that.", clock(w.Recommended))
	}
	return text
}

func (s *Session) upsideDown(c counts) string {
	return fmt.Sprintf("Holds stayed at intervals up to %s and cleared at shorter ones, more often than chance "+
		"explains, so there is no threshold. Make sure that every call is really on hold before its trial, that "+
		"nobody else touches the line, and that the contact opens each time; then begin again.",
		clock(c.longestStayed))
}

func (s *Session) scattered(c counts) string {
	return fmt.Sprintf("%d cleared and %d stayed, but with no clear threshold: the answers scatter over more than "+
		"a quarter of the length. Make sure that every call is really on hold before its trial and that the "+
		"contact opens each time. If the answers still scatter, the line card is at fault.",
		c.cleared, c.stayed)
}

func (s *Session) noDependence(c counts) string {
	return fmt.Sprintf("%d cleared and %d stayed, and long openings cleared no more of them than short ones. The "+
		"length is not the cause, and another interval will not help. Make sure that every call is really on hold "+
		"before its trial and that the contact opens each time. If both are so, this card does not release a hold "+
		"because the loop opens (a card that changes its state with each opening clears every second hold). Ask "+
		"somebody who knows the card how the exchange signals to it that the far end has cleared.",
		c.cleared, c.stayed)
}

func (s *Session) tooFew(c counts) string {
	text := fmt.Sprintf("Of %s, %d cleared and %d stayed", holds(len(s.trials)), c.cleared, c.stayed)
	if c.unknown > 0 {
		text += fmt.Sprintf(", and %d gave no answer", c.unknown)
	}
	text += ": too few for an estimate"
	if c.unknownRunning >= maxUnanswered {
		return text + ". Find out first why the trials give no answer (probe, sense input, or the lamp)."
	}
	if c.catches() == 0 && c.cleared > 0 && c.stayed > 0 && c.cleared+c.stayed >= minAnswers {
		return text + " until a trial without an opening has shown that the adapter does not interrupt the current " +
			"itself."
	}
	if c.cleared == 0 || c.stayed == 0 {
		return text + "; some holds must clear and some must stay. Continue the session, or allow it more holds."
	}
	return text + fmt.Sprintf("; at least %d are needed. Continue the session, or allow it more holds.", minAnswers)
}

// why returns what the recommendation is based on.
func (s *Session) why(c counts, need time.Duration) string {
	if need > afterFailure(c.longestStayed) {
		return fmt.Sprintf("99 of 100 releases take at most %s, at 95 %% confidence", clock(need))
	}
	return fmt.Sprintf("1.5 times the longest interval that failed (%s) is %s", clock(c.longestStayed), clock(need))
}

func (s *Session) noRoom(c counts, need time.Duration, r *Result) string {
	text := fmt.Sprintf("The card releases a hold after about %s, but %s, and %s.", clock(r.Threshold), s.why(c, need),
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
	return fmt.Sprintf(" The failure at %s is far from all others. If that call was not on hold, or the answer was "+
		"wrong, begin again.",
		clock(c.longestStayed))
}

func (s *Session) ringsUp(c counts, recommended time.Duration) string {
	return fmt.Sprintf("Holds surely clear at %s, but the line rang after the opening in %d trials, from %s on: "+
		"the card takes the return of the current for ringing. No shorter interval is long enough. Find out "+
		"whether the card's ring detection can be made slower, then tune again.",
		clock(recommended), c.rangUp, clock(c.rangUpFrom))
}

func (s *Session) says(c counts, r *Result) string {
	need := s.need(c)
	text := fmt.Sprintf("The card releases a hold after %s on average (%s to %s), with a spread of %s; %s, hence "+
		"%s%s.",
		clock(r.Threshold), clock(r.ThresholdLow), clock(r.ThresholdHigh), clock(r.Spread), s.why(c, need),
		clock(r.Recommended), recommendationRaised(need, r.Recommended))
	if r.Confirmed > 0 {
		text += fmt.Sprintf(" %s cleared at that length.", holds(r.Confirmed))
	} else {
		text += " No hold was tried at that length."
	}
	if c.rangUp > 0 {
		text += fmt.Sprintf(" The line rang after the opening in %s, from %s on.", trials(c.rangUp),
			clock(c.rangUpFrom))
	}
	return text + s.outlier(c)
}

// recommendationRaised says why the recommendation is longer than needed.
func recommendationRaised(need, recommended time.Duration) string {
	if recommended <= roundUp(need) {
		return ""
	}
	return ", the next length that the line's window allows"
}

func trials(n int) string {
	if n == 1 {
		return "1 trial"
	}
	return fmt.Sprintf("%d trials", n)
}
