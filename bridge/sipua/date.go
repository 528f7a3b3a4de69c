package sipua

import (
	"time"

	"github.com/emiago/sipgo/sip"

	"clearback/bridge/sipua/endpoint"
)

// dateGrain is the resolution of a Date header field: the difference of two whole seconds is off by less than one.
const dateGrain = time.Second

// clocksAgree is how far a message's Date may be from its arrival for the peer's clock to agree with ours: the whole
// second that a Date is rounded to, and a second for the way and for what clocks kept by NTP differ by. Our own number.
const clocksAgree = 2 * time.Second

// A calendar learns from the Date header fields of a leg's messages whose clocks agree with ours, and by them how late
// a message is: RFC 3261 section 20.17 has a Date say when a message was first sent, and a repeat keeps it. A Date is
// the peer's word, and a clearing that is late opens nothing; so it counts only if an earlier message of the same peer
// in the same dialog showed that its clock is right. Owned by the call's mailbox.
type clockOffset struct {
	// least is the smallest difference between an arrival and its Date, by the peer's tag: what the clocks differ by,
	// and the quickest way. Only peers whose clocks agree are in it.
	least map[string]time.Duration
}

// learn takes a message that arrived at.
func (d *clockOffset) learn(m sip.Message, at time.Time) {
	sent, ok := dateOf(m)
	took := at.Sub(sent)
	if !ok || took.Abs() > clocksAgree {
		return
	}
	tag := peerTag(m)
	least, known := d.least[tag]
	switch {
	case known:
		d.least[tag] = min(least, took)
	case d.least == nil:
		d.least = map[string]time.Duration{tag: took}
	case len(d.least) < maxForks:
		d.least[tag] = took
	}
}

// late is how long ago a message that arrived at was surely sent; 0 if it has no Date, or if nothing showed that its
// sender's clock agrees with ours. More than longest, after which nobody repeats a request any more, tells that a clock
// was set meanwhile, and counts as 0.
func (d *clockOffset) late(m sip.Message, at time.Time, longest time.Duration) time.Duration {
	sent, ok := dateOf(m)
	least, known := d.least[peerTag(m)]
	if !ok || !known {
		return 0
	}
	late := at.Sub(sent) - least - dateGrain
	if late < 0 || late > longest {
		return 0
	}
	return late
}

// byeLate is how late the peer's BYE is; 0 also if it was heard after the moment at which it says that it hung up.
func (l *leg) byeLate(bye sip.Message) time.Duration {
	late := l.clockOffset.late(bye, l.c.a.now(), l.c.a.times.final)
	if l.c.path.lastHeard(l.side).After(time.Now().Add(-late)) {
		return 0
	}
	return late
}

// minAge is the age below which a message counts as new: so long a busy machine may take. Our own number.
const minAge = 500 * time.Millisecond

// age is how long ago a request came to this machine.
func age(r *endpoint.Request) time.Duration {
	if d := r.Endpoint.Age(r.Arrival); d >= minAge {
		return d
	}
	return 0
}

// peerTag is the tag of who sent a message: that of From in a request, that of To in a response.
func peerTag(m sip.Message) string {
	if res, ok := m.(*sip.Response); ok {
		if to := res.To(); to != nil {
			return to.Params.GetOr("tag", "")
		}
		return ""
	}
	return m.From().Params.GetOr("tag", "")
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

// now is the wall clock as it was at the agent's start, carried on by the monotonic one: setting the clock makes nobody
// late.
func (a *Agent) now() time.Time {
	return a.epoch.Round(0).Add(time.Since(a.epoch))
}
