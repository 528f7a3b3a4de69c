package sipua

import (
	"time"

	"github.com/emiago/sipgo/sip"

	"clearback/bridge/sipua/endpoint"
)

// dateGrain is the resolution of a Date header field. The difference of two whole seconds is off by less than one
// second.
const dateGrain = time.Second

// clocksAgree is how far a message's Date may be from its arrival for the peer's clock to agree with ours: the whole
// second that a Date is rounded to, and a second for the transmission and for the difference of clocks kept by NTP. Our
// own number.
const clocksAgree = 2 * time.Second

// clockOffset learns from the Date header fields of a leg's messages whether the peer's clock agrees with ours. From
// that it computes how late a message is: by RFC 3261 section 20.17 Date says when a message was first sent, and a
// retransmission keeps it. Anybody can write a Date, and a late clearing opens nothing. So a Date counts only if an
// earlier message of the same peer in the same dialog showed that its clock is right. Owned by the call's mailbox.
type clockOffset struct {
	// least is the smallest difference between an arrival and its Date, by the peer's tag: the difference of the clocks
	// plus the shortest transmission. It has only peers whose clocks agree with ours.
	least map[string]time.Duration
}

// learn learns from a message that arrived at the time at.
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

// late returns the least time that a message which arrived at the time at was under way. It is 0 if the message has no
// Date, or if nothing showed that the sender's clock agrees with ours. More than longest, after which no request is
// retransmitted, means that a clock was set meanwhile. Then late is 0 too.
func (d *clockOffset) late(m sip.Message, at time.Time, longest time.Duration) time.Duration {
	sent, ok := dateOf(m)
	least, known := d.least[peerTag(m)]
	if !ok || !known {
		return 0
	}
	late := at.Sub(sent) - least - dateGrain
	if late > longest {
		return 0
	}
	return max(late, 0)
}

// byeLate is how late the peer's BYE is. It is 0 if media of the peer came after the time at which its Date says that
// it hung up.
func (l *leg) byeLate(bye sip.Message) time.Duration {
	late := l.clockOffset.late(bye, l.c.a.now(), l.c.a.times.final)
	if l.c.path.lastHeard(l.side).After(time.Now().Add(-late)) {
		return 0
	}
	return late
}

// minAge is the age below which a message counts as new: a busy machine may take so long. Our own number.
const minAge = 500 * time.Millisecond

// age is how long ago a request reached this machine; 0 if it is less than minAge.
func age(r *endpoint.Request) time.Duration {
	if d := r.Endpoint.Age(r.Arrival); d >= minAge {
		return d
	}
	return 0
}

// peerTag is the tag of a message's sender: the From tag of a request, the To tag of a response.
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
	t, err := time.Parse(rfc1123Date, first(m, "Date"))
	return t, err == nil
}

// now is the wall clock at the agent's start, advanced by the monotonic clock. Setting the clock makes no message
// late.
func (a *Agent) now() time.Time {
	return a.epoch.Round(0).Add(time.Since(a.epoch))
}
