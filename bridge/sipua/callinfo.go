package sipua

import (
	"sync"
	"time"

	"github.com/emiago/sipgo/sip"

	"clearback/bridge/sipua/endpoint"
	"clearback/supervision"
	"clearback/supervision/callrecord"
)

// This file is what is told to people: who is in a call, and what the adapter calls itself.

// reportCallInfo tells who is in a call. The far party of an arrived call is its From, which an assertion of the
// service may contradict only where the caller wants to be private; then nobody is to be named.
func (a *Agent) reportCallInfo(l *Line, call supervision.CallID, direction callrecord.Direction, emergency bool,
	party callrecord.Party) {
	if a.callInfo != nil {
		a.callInfo(callrecord.CallInfo{At: time.Now(), Line: l.o.Name, Call: call, Direction: direction,
			Emergency: emergency, Party: party})
	}
}

// caller is the far party of an arrived call.
func caller(r *endpoint.Request) callrecord.Party {
	from := r.Request.From()
	return callrecord.Party{Number: numberOf(from.Address), Name: from.DisplayName, CallID: r.CallID().Value()}
}

// numberOf is the user part of a URI, or the whole of one that has none (urn:service:sos, RFC 5031).
func numberOf(u sip.Uri) string {
	if n := userOf(u); n != "" {
		return n
	}
	return u.String()
}

// userAgents are what an adapter calls itself. Some say one thing when they register and another when they answer: each
// source is compared with itself, so that such a one is told of twice and not for ever. Safe for concurrent use.
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

// learn reports whether a name is news.
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
