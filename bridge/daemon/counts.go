package daemon

import (
	"clearback/bridge/control"
	"clearback/bridge/sipua"
)

// networkCounts converts the user agent's counts to those of the control socket. The fields' comments explain them.
func networkCounts(c *sipua.Counts) []control.Count {
	e, r, m := &c.Endpoint, &c.Registrar, &c.Media
	all := []control.Count{
		{Name: "calls passed to another service", Count: c.Failovers},
		{Name: "silences of a service", Count: c.Silences},
		{Name: "message-waiting notifications received", Count: c.MessagesTaken},
		{Name: "message-waiting notifications accepted by adapters", Count: c.MessagesNotified},
		{Name: "challenges", Count: r.Challenges},
		{Name: "media packets", Count: m.Packets},
		{Name: "media packets that could not be sent", Count: m.Unsent},
	}
	for _, away := range []control.Count{
		{Name: "calls from addresses not allowed", Count: c.UnknownSources},
		{Name: "requests in a call from another address", Count: c.WrongSources},
		{Name: "calls beyond the number of a line", Count: c.TooManyCalls},
		{Name: "message-waiting notifications refused", Count: c.MessagesRefused},
		{Name: "wrong passwords", Count: r.Wrong},
		{Name: "guesses not heard", Count: r.RateLimited},
		{Name: "right passwords from a wrong place", Count: r.WrongPlace},
		{Name: "right passwords for another destination", Count: r.WrongTarget},
		{Name: "registrations for another line", Count: r.WrongLine},
		{Name: "messages from addresses not allowed", Count: e.Refused},
		{Name: "messages of strangers beyond their rate", Count: e.Limited},
		{Name: "datagrams that are no SIP", Count: e.NoSIP},
		{Name: "malformed messages", Count: e.Malformed},
		{Name: "oversized messages", Count: e.Oversized},
		{Name: "responses to nothing", Count: e.Unmatched},
		{Name: "requests of no call", Count: e.Strays},
		{Name: "requests without room", Count: e.Overloaded},
		{Name: "cancels without room", Count: e.CancelsRefused},
		{Name: "connections without room", Count: e.ConnectionsRefused},
		{Name: "connections that made room", Count: e.ConnectionsEnded},
		{Name: "connections too slow", Count: e.Slow},
		{Name: "media packets of strangers", Count: m.UnknownSource},
		{Name: "media packets on probation", Count: m.Probation},
		{Name: "media streams that two unknown hosts claimed", Count: m.Contests},
		{Name: "media packets that are none", Count: m.Invalid},
	} {
		away.Rejected = true
		all = append(all, away)
	}
	return all
}
