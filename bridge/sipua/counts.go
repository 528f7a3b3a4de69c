package sipua

import (
	"sync/atomic"

	"clearback/bridge/media"
	"clearback/bridge/sipua/endpoint"
	"clearback/bridge/sipua/registration"
)

// counters are the agent's own counters. Safe for concurrent use.
type counters struct {
	wrongSources                                      atomic.Uint64
	unknownSources, tooManyCalls, failovers, silences atomic.Uint64
	messagesTaken, messagesRefused, messagesNotified  atomic.Uint64
}

// Counts are the agent's counts since its start.
type Counts struct {
	// Endpoint is the sum over all sockets. Media are the counts of the relay.
	Endpoint endpoint.Counts
	Media    media.Counts
	// Registrar are the counts of the adapters' logins.
	Registrar registration.Counts

	// UnknownSources are requests on the service's side that were dropped because of their source address.
	UnknownSources uint64
	// WrongSources are requests inside a dialog on the adapter's side that did not come from the adapter's address.
	// They were refused or challenged.
	WrongSources uint64
	// TooManyCalls are calls that were refused because too many were up.
	TooManyCalls uint64
	// Failovers are calls that were passed to another service after the first one tried.
	Failovers uint64
	// Silences is how often a service did not answer a call or a registration at all.
	Silences uint64
	// MessagesTaken and MessagesRefused are the services' notifications of waiting messages. MessagesNotified are the
	// notifications that adapters accepted.
	MessagesTaken, MessagesRefused, MessagesNotified uint64
}

// Counts returns the counts since the start.
func (a *Agent) Counts() Counts {
	c := &a.counts
	out := Counts{
		WrongSources: c.wrongSources.Load(), UnknownSources: c.unknownSources.Load(),
		TooManyCalls: c.tooManyCalls.Load(), Failovers: c.failovers.Load(), Silences: c.silences.Load(),
		MessagesTaken: c.messagesTaken.Load(), MessagesRefused: c.messagesRefused.Load(),
		MessagesNotified: c.messagesNotified.Load(),
	}
	for _, s := range a.sockets {
		out.Endpoint = out.Endpoint.Plus(s.ep.Counts())
	}
	out.Registrar = a.registrar.Counts()
	if a.media != nil {
		out.Media = a.media.Counts()
	}
	return out
}
