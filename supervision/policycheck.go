package supervision

import (
	"fmt"
	"time"
)

// A Fault is one setting or relation that is out of bounds. Field is the configuration key. Problem says what is wrong,
// what is allowed and what to do.
type Fault struct{ Field, Problem string }

// String returns "field: problem".
func (f Fault) String() string { return f.Field + ": " + f.Problem }

// Check returns all faults; a sound policy has none. A faulty relation is reported at the field that is most likely to
// be changed.
func (p Policy) Check() []Fault {
	var c checker
	c.within("interval", p.Interval, IntervalFloor, IntervalCeiling,
		"shorter breaks can be read as dial pulses or recalls")
	c.within("lead", p.Lead, leadFloor, leadCeiling,
		"the adapter's answer needs some time, and an opening must fit behind it")
	c.within("guard_time", p.GuardTime, guardFloor, guardCeiling, "the line must settle, and calls wait meanwhile")
	c.within("onhook_recognition", p.OnHookRecognition, IntervalFloor, recognitionCeiling,
		"calls wait until it has passed")
	c.within("max_interval", p.MaxInterval, IntervalFloor, IntervalCeiling,
		"no opening is longer than that, by hand too")
	c.within("flash_max", p.FlashMax, 0, flashCeiling,
		"no flash window is wider (RFC 5098); 0 where flash detection is off")
	c.within("callback_window", p.CallbackWindow, 0, callbackCeiling, "0 for none")
	if p.Watch != 0 {
		c.within("watch", p.Watch, watchFloor, watchCeiling, "0 for never")
	}
	c.within("listening", p.Listening, 0, listeningCeiling, "0 where the first look decides")
	if p.Repeats < 0 || p.Repeats > repeatsCeiling {
		c.add("repeats", "%d is out of bounds; allowed is 0 to %d (each may cut into somebody's dialling)", p.Repeats,
			repeatsCeiling)
	}
	switch {
	case p.OpeningsPerMinute < 1 || p.OpeningsPerMinute > openingsCeiling:
		c.add("openings_per_minute", "%d is out of bounds; allowed is 1 to %d (people make a few)", p.OpeningsPerMinute,
			openingsCeiling)
	case p.OpeningsPerMinute <= p.Repeats:
		c.add("openings_per_minute",
			"%d is not enough for one clearing with repeats: %d; raise it to at least %d, or lower repeats",
			p.OpeningsPerMinute, p.Repeats, p.Repeats+1)
	}
	longest := p.checkSteps(&c)
	if p.Interval+intervalMargin > p.MaxInterval {
		c.add("interval", "%v and the %v that the controller may take are longer than max_interval, %v; shorten interval or raise max_interval",
			p.Interval, intervalMargin, p.MaxInterval)
	}
	p.checkEnd(&c, "interval", p.Interval)
	if p.OnHookRecognition < longest {
		c.add("onhook_recognition",
			"%v is shorter than the longest interval of the line, %v; the adapter cannot recognise on hook before the loop closes again: raise it to at least %[2]v",
			p.OnHookRecognition, longest)
	}
	p.checkFlash(&c)
	return c.faults
}

// checkSteps checks the steps and returns the longest interval of the line.
func (p Policy) checkSteps(c *checker) time.Duration {
	last := p.Interval
	for i, step := range p.Steps {
		if step <= last {
			c.add("steps", "step %d, %v, is no longer than what comes before it, %v; let the steps rise, the first above interval",
				i+1, step, last)
		}
		c.within("steps", step, IntervalFloor, IntervalCeiling, "a step is an interval")
		if step+intervalMargin > p.MaxInterval {
			c.add("steps", "step %d, %v, and the %v that the controller may take are longer than max_interval, %v; shorten the step or raise max_interval",
				i+1, step, intervalMargin, p.MaxInterval)
		}
		p.checkEnd(c, "steps", step)
		last = max(last, step)
	}
	return last
}

// checkEnd checks one interval against invariant 11. (leadCeiling ensures that the shortest intervals leave room for
// the delay of the contact.)
func (p Policy) checkEnd(c *checker, field string, interval time.Duration) {
	if interval >= 0 && p.Lead >= 0 && p.Lead+interval > dialWindow {
		c.add(field, "lead %v and an interval of %v end %v after the BYE to the adapter; at most %v is allowed, since somebody may lift and dial by then: shorten lead or the interval",
			p.Lead, interval, p.Lead+interval, dialWindow)
	}
}

// checkFlash checks that an interval lengthened for invariant 3 keeps within invariant 11 and max_interval.
func (p Policy) checkFlash(c *checker) {
	if p.FlashMax <= 0 {
		return
	}
	need := p.FlashMax + flashMargin
	if need+p.Lead > dialWindow {
		c.add("flash_max", "if the adapter does not answer its BYE the interval must be flash_max + %v = %v, which after lead %v ends beyond %v; switch the adapter's flash detection off and set 0, or shorten lead",
			flashMargin, need, p.Lead, dialWindow)
	}
	if need+intervalMargin > p.MaxInterval {
		c.add("flash_max", "if the adapter does not answer its BYE the interval must be flash_max + %v = %v, which with the %v that the controller may take is longer than max_interval, %v; switch the adapter's flash detection off and set 0, or raise max_interval",
			flashMargin, need, intervalMargin, p.MaxInterval)
	}
}

type checker struct{ faults []Fault }

func (c *checker) add(field, format string, args ...any) {
	c.faults = append(c.faults, Fault{Field: field, Problem: fmt.Sprintf(format, args...)})
}

func (c *checker) within(field string, v, low, high time.Duration, why string) {
	if v < low || v > high {
		c.add(field, "%v is out of bounds; allowed is %v to %v (%s)", v, low, high, why)
	}
}
