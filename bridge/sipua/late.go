package sipua

import (
	"time"

	"github.com/emiago/sipgo/sip"
)

// dateGrain is the resolution of a Date header field: the difference of two whole seconds is off by less than one.
const dateGrain = time.Second

// A calendar learns from the Date header fields of one dialog how late one of its messages is: RFC 3261 section 20.17 has a Date
// say when a message was first sent, and a repeat keeps it. What the clocks of both ends differ by cancels out, since only
// the shortest way of an earlier message is compared with. Owned by the call's mailbox.
type calendar struct {
	known bool
	// least is the smallest difference between an arrival and its Date: the clocks' difference, and the quickest way.
	least time.Duration
}

// learn takes a message that arrived at.
func (d *calendar) learn(m sip.Message, at time.Time) {
	if sent, ok := dateOf(m); ok {
		if took := at.Sub(sent); !d.known || took < d.least {
			d.known, d.least = true, took
		}
	}
}

// late is how long ago a message that arrived at was surely sent; 0 if it or everything before it says no Date. More than
// longest, after which nobody repeats a request any more, tells that a clock was set meanwhile, and counts as 0.
func (d *calendar) late(m sip.Message, at time.Time, longest time.Duration) time.Duration {
	sent, ok := dateOf(m)
	if !ok || !d.known {
		return 0
	}
	late := at.Sub(sent) - d.least - dateGrain
	if late < 0 || late > longest {
		return 0
	}
	return late
}

// rfc1123Date is the form of a SIP-date (RFC 3261 section 25.1).
const rfc1123Date = "Mon, 02 Jan 2006 15:04:05 GMT"

// dateOf reads the Date of a message.
func dateOf(m sip.Message) (time.Time, bool) {
	v := first(m, "Date")
	if v == "" {
		return time.Time{}, false
	}
	t, err := time.Parse(rfc1123Date, v)
	return t, err == nil
}

// now is the wall clock as it was at the agent's start, carried on by the monotonic one: setting the clock makes nobody late.
func (a *Agent) now() time.Time {
	return a.epoch.Round(0).Add(time.Since(a.epoch))
}
