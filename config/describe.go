package config

import (
	"fmt"
	"strings"
	"time"

	"clearback/supervision"
	"clearback/supervision/window"
)

// commandTime is the time allowed for the lateness of a timer and the way to the board. Our own number.
const commandTime = 100 * time.Millisecond

// Warnings returns a sentence for each setting that is allowed but may surprise.
func Warnings(c *Config) []string {
	w := append(extensionWarnings(c), c.diallingWarnings()...)
	w = append(w, c.portWarnings()...)
	if c.Journal.File == "" {
		w = append(w, "journal.file is none, so nothing is recorded: nobody can find out later why a hold did not clear, and what a line has learnt is lost at a restart")
	}
	if s := c.Control.tooLong; s != "" {
		w = append(w, fmt.Sprintf("there is no control socket, because the path %s beside this file is longer than %d bytes, so `clearback lines`, `tune`, `keep` and `pulse` do not work; set control.socket",
			s, socketPathLimit))
	}
	for i := range c.Lines {
		l := &c.Lines[i]
		k := &l.Contact
		switch {
		case k.Driver == "none":
			w = append(w, fmt.Sprintf("line %s has no contact: it is only monitored, and no hold is cleared", l.Name))
			continue
		case l.Policy.LifeSafety:
			w = append(w, fmt.Sprintf("line %s is marked life_safety, so its contact is never opened; take the contact out of its loop",
				l.Name))
		}
		if p := &l.Policy; !p.LifeSafety && p.Lead+longest(p) > dialWindow-commandTime {
			w = append(w, fmt.Sprintf("line %s: lead %v and an interval of %v leave less than %v of the %v after the BYE for the command to the board, so the loop is not opened if the adapter does not answer its BYE: shorten lead or the interval",
				l.Name, p.Lead, longest(p), commandTime, dialWindow))
		}
		if !l.Policy.LifeSafety {
			w = append(w, l.windowWarnings()...)
			w = append(w, l.openingWarnings()...)
		}
		w = append(w, l.unbounded()...)
		if k.HasLevel() && k.OpenLevel == "off" {
			w = append(w, fmt.Sprintf("line %s: its loop opens, and its telephones are dead, whenever the %s has no power (accepted)",
				l.Name, k.driver().powered))
		}
	}
	return w
}

// windowWarnings returns warnings about intervals outside the line's window.
func (l *Line) windowWarnings() []string {
	r := window.Of(l.Window(), window.WorstCase)
	if r.Empty != "" {
		return []string{fmt.Sprintf("line %s: its interval is %v, but the window of its possible intervals is %s",
			l.Name, l.Policy.Interval, r.Empty)}
	}
	var w []string
	for i, v := range l.openingLengths() {
		what := "its interval"
		if i > 0 {
			what = fmt.Sprintf("step %d", i)
		}
		if why := r.Why(v); why != "" {
			w = append(w, fmt.Sprintf("line %s: %s may not work: %s; `clearback window %[1]s` shows what is possible",
				l.Name, what, why))
		}
	}
	return w
}

// Openings a minute. Above manyOpenings, people do not make that many; below fewOpenings, people may reach the limit.
// Our own numbers.
const (
	fewOpenings  = 3
	manyOpenings = 12
)

// openingWarnings warns of a limit that people may reach, or that only a storm reaches.
func (l *Line) openingWarnings() []string {
	n := l.Policy.OpeningsPerMinute
	switch {
	case n < fewOpenings:
		return []string{fmt.Sprintf("line %s: openings_per_minute %d is so low that people may reach it with short calls; after that no clearing opens the loop for %v",
			l.Name, n, supervision.BreakerPause)}
	case n > manyOpenings:
		return []string{fmt.Sprintf("line %s: openings_per_minute %d is more than people cause, so forged calls can operate its relay very often",
			l.Name, n)}
	}
	return nil
}

// extensionWarnings warns of emergency numbers, alone or after a digit for an outside line, that may also be an
// extension of the PBX. A call to that extension is then taken for an emergency call, or may be.
func extensionWarnings(c *Config) []string {
	numbers, err := c.numbers()
	if err != nil {
		return nil
	}
	var w []string
	for _, p := range c.Emergency.Extensions {
		for _, n := range numbers.List() {
			for _, prefix := range append([]string{""}, c.Emergency.Prefixes...) {
				if matches(p, prefix+n) {
					w = append(w, fmt.Sprintf("emergency number %s may also be an extension of the PBX (pattern %s): a call to that extension counts as an emergency call, and after it nothing is opened; renumber the extension",
						prefix+n, p))
				}
			}
			for digit := range strings.SplitSeq(supervision.UnlistedPrefixes, "") {
				if _, behindDigit := numbers.UnlistedDialString(digit + n); behindDigit && matches(p, digit+n) {
					w = append(w, fmt.Sprintf("emergency number %s after %s may also be an extension of the PBX (pattern %s): after a call to that extension nothing is opened, and on a line that may not dial it the call counts as an emergency call; renumber the extension",
						n, digit, p))
				}
			}
		}
	}
	return w
}

// matches reports whether a number matches a pattern, in which x stands for any digit.
func matches(pattern, number string) bool {
	if len(pattern) != len(number) {
		return false
	}
	for i := range len(pattern) {
		if pattern[i] != number[i] && pattern[i] != 'x' {
			return false
		}
	}
	return true
}

// DescribeFiles returns a sentence about the journal and one about the control socket: where they are, and who may use
// them.
func DescribeFiles(c *Config) (out []string) {
	if f := c.Journal.File; f != "" {
		out = append(out, fmt.Sprintf("journal: %s, for the daemon's user; its group may read it.", f))
	}
	if s := c.Control.Socket; s != "" {
		who := "the daemon's own group"
		if c.Control.Group != "" {
			who = "the group " + c.Control.Group
		}
		out = append(out, fmt.Sprintf("control socket: %s, for root, the daemon's user and %s. Whoever may use it can open a loop by hand.",
			s, who))
	}
	return out
}

// Describe returns a sentence or more for each line: what its contact is, what happens if the daemon, the power or the
// link fails, and what the user has accepted.
func Describe(c *Config) []string {
	var out []string
	for i := range c.Lines {
		out = append(out, c.Lines[i].describe())
	}
	return out
}

func (l *Line) describe() string {
	var b strings.Builder
	fmt.Fprintf(&b, "line %s: ", l.Name)
	k := &l.Contact
	if k.Driver == "none" {
		b.WriteString("no contact; openings are only logged, not made.")
		return b.String()
	}
	fmt.Fprintf(&b, "contact of kind %s, %s. ", k.Kind(), k.Place())
	b.WriteString(k.whenDaemonDies())
	b.WriteString(k.whenPowerFails())
	if l.Policy.LifeSafety {
		b.WriteString("The loop is never opened: life_safety.")
	} else {
		l.describeInterval(&b)
	}
	return b.String()
}

// describe says how the daemon finds out whether a hold has cleared.
func (v *Verify) describe() string {
	switch v.By {
	case "options":
		return "To check whether the hold has cleared, the adapter is asked with OPTIONS."
	case "sense":
		return "To check whether the hold has cleared, the loop-current input is read."
	}
	return "Whether the hold has cleared is not checked."
}

func (l *Line) describeInterval(b *strings.Builder) {
	fmt.Fprintf(b, "An interruption lasts %v. ", l.Policy.Interval)
	if n := len(l.Policy.Steps); n > 0 {
		fmt.Fprintf(b, "After holds that did not clear: %s. ", strings.Trim(fmt.Sprint(l.Policy.Steps), "[]"))
	}
	b.WriteString(l.Verify.describe())
	if l.Policy.Repeats > 0 {
		fmt.Fprintf(b, " While the hold stays, one clearing repeats the interruption up to %d times, which may cut into somebody's dialling (accepted: accept_cutting_into_dialling).",
			l.Policy.Repeats)
	}
}

// portWarnings warns if there are not enough ports for all calls that the lines may have.
func (c *Config) portWarnings() []string {
	calls := 0
	for i := range c.Lines {
		if c.Lines[i].Media == "relay" {
			calls += c.Lines[i].Calls
		}
	}
	if have := (int(c.Media.PortHigh) - int(c.Media.PortLow) + 1) / c.portsPerCall(); have < calls {
		return []string{fmt.Sprintf("media.ports is enough for %d calls at once, but all lines together may have %d (calls); a call without a port is refused",
			have, calls)}
	}
	return nil
}
