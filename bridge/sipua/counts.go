package sipua

import (
	"sync/atomic"

	"clearback/bridge/media"
	"clearback/bridge/sipua/endpoint"
	"clearback/bridge/sipua/registration"
)

// counters are the agent's own. Safe for concurrent use.
type counters struct {
	misplaced                                    atomic.Uint64
	strangers, tooManyCalls, switched, silences  atomic.Uint64
	messagesTaken, messagesRefused, messagesTold atomic.Uint64
}

// Counts of the agent since its start.
type Counts struct {
	// Endpoint is the sum over all sockets, Media what the relay counted.
	Endpoint endpoint.Counts
	Media    media.Counts
	// Registrar is what was counted of the adapters' passwords.
	Registrar registration.Counts

	// Strangers are requests on the service's side that were dropped because of where they came from.
	Strangers uint64
	// Misplaced are requests inside a dialog on the adapter's side that did not come from where the adapter is; they were refused or
	// challenged.
	Misplaced uint64
	// TooManyCalls were refused because as many were up as may be.
	TooManyCalls uint64
	// Switched are calls that were passed to another service than the first one tried.
	Switched uint64
	// Silences are how often a service did not answer a call or a registration at all.
	Silences uint64
	// MessagesTaken and MessagesRefused are what the services said of waiting messages; MessagesTold are what adapters took.
	MessagesTaken, MessagesRefused, MessagesTold uint64
}

// Counts returns what was counted since the start.
func (a *Agent) Counts() Counts {
	c := &a.counts
	out := Counts{
		Misplaced: c.misplaced.Load(), Strangers: c.strangers.Load(), TooManyCalls: c.tooManyCalls.Load(), Switched: c.switched.Load(), Silences: c.silences.Load(),
		MessagesTaken: c.messagesTaken.Load(), MessagesRefused: c.messagesRefused.Load(), MessagesTold: c.messagesTold.Load(),
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
