package sipua

import (
	"sync"

	"github.com/emiago/sipgo/sip"

	"clearback/bridge/sipua/endpoint"
	"clearback/supervision"
	"clearback/supervision/callrecord"
)

// This file reports what people want to know: the parties of a call, and the adapter's User-Agent.

// reportAdopted reports the parties of a call of an earlier process.
func (c *call) reportAdopted() {
	if c.a.callInfo == nil {
		return
	}
	direction := callrecord.Outgoing
	if c.arrived {
		direction = callrecord.Incoming
	}
	c.a.callInfo(callrecord.CallInfo{Line: c.line.o.Name, Call: c.id, Direction: direction, Emergency: c.emergency,
		Party: c.party, Began: c.began, Answered: c.answeredAt})
}

// reportCallInfo reports the parties of a call. The far party of an arrived call is its From. P-Asserted-Identity can
// differ only where the caller wants to stay private, and then the caller must not be named.
func (a *Agent) reportCallInfo(l *Line, call supervision.CallID, direction callrecord.Direction, emergency bool,
	party callrecord.Party) {
	if a.callInfo != nil {
		a.callInfo(callrecord.CallInfo{Line: l.o.Name, Call: call, Direction: direction,
			Emergency: emergency, Party: party})
	}
}

// caller is the far party of an arrived call.
func caller(r *endpoint.Request) callrecord.Party {
	from := r.Request.From()
	return callrecord.Party{Number: numberOf(from.Address), Name: from.DisplayName, CallID: r.CallID().Value()}
}

// numberOf is the user part of a URI, or the whole URI if it has none (urn:service:sos, RFC 5031).
func numberOf(u sip.Uri) string {
	if n := userOf(u); n != "" {
		return n
	}
	return u.String()
}

// userAgents are the User-Agents that an adapter has sent. Some adapters send one in REGISTER and another in answers.
// Each source is compared with itself, so that such an adapter is reported twice and then no more. Safe for concurrent
// use.
type userAgents struct {
	mu       sync.Mutex
	bySource [2]string
	reported string
}

// The sources of userAgents.
const (
	byRegistration = iota
	byAnswer
)

// learn reports whether the name has changed.
func (n *userAgents) learn(source int, name string) bool {
	n.mu.Lock()
	defer n.mu.Unlock()
	if name == "" || name == n.bySource[source] {
		return false
	}
	n.bySource[source] = name
	news := name != n.reported
	n.reported = name
	return news
}

func (l *Line) userAgentSeen(source int, name string) {
	if l.userAgents.learn(source, name) && l.a.userAgent != nil {
		l.a.userAgent(l.o.Name, name)
	}
}
