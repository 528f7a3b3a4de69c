package sipua

import (
	"sync/atomic"

	"clearback/bridge/media"
	"clearback/bridge/sipua/endpoint"
	"clearback/bridge/sipua/registration"
)

// counters are the agent's own. Safe for concurrent use.
type counters struct {
	wrongSources                                      atomic.Uint64
	unknownSources, tooManyCalls, failovers, silences atomic.Uint64
	messagesTaken, messagesRefused, messagesNotified  atomic.Uint64
}

// Counts of the agent since its start.
type Counts struct {
	// Endpoint is the sum over all sockets, Media what the relay counted.
	Endpoint endpoint.Counts
	Media    media.Counts
	// Registrar is what was counted of the adapters' passwords.
	Registrar registration.Counts

	// UnknownSources are requests on the service's side that were dropped because of where they came from.
	UnknownSources uint64
	// WrongSources are requests inside a dialog on the adapter's side that did not come from where the adapter is; they
	// were refused or challenged.
	WrongSources uint64
	// TooManyCalls were refused because as many were up as may be.
	TooManyCalls uint64
	// Failovers are calls that were passed to another service than the first one tried.
	Failovers uint64
	// Silences are how often a service did not answer a call or a registration at all.
	Silences uint64
	// MessagesTaken and MessagesRefused are what the services said of waiting messages; MessagesTold are what adapters
	// took.
	MessagesTaken, MessagesRefused, MessagesNotified uint64
}

// Counts returns what was counted since the start.
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
