package endpoint

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"clearback/bridge/sipua/endpoint/endpointtest"
)

// In a full queue only a BYE in a dialog and an emergency call find reserved places. Any other request gets 503, in a
// dialog or not; so does a BYE outside a dialog.
func TestReservedPlacesOfQueue(t *testing.T) {
	for name, c := range map[string]struct {
		b        []byte
		reserved bool
	}{
		"INFO":             {from(hostile, "INFO", "up"), false},
		"INFO in a dialog": {tagged(from(hostile, "INFO", "up")), false},
		"BYE":              {from(hostile, "BYE", "up"), false},
		"BYE in a dialog":  {tagged(from(hostile, "BYE", "up")), true},
		"call":             {from(hostile, "INVITE", "up"), false},
		"call in a dialog": {tagged(from(hostile, "INVITE", "up")), false},
		"emergency call":   {emergencyInvite(hostile, "up"), true},
	} {
		var gate chan struct{}
		h := testHandler{request: func(r *Request) { <-gate }}
		bubble(t, h, func(o *Options) { limitedOptions(o); o.InDialog = nil }, func(t *testing.T, e *Endpoint,
			n *endpointtest.Network, sent func() []endpointtest.Packet) {
			gate = make(chan struct{})
			defer close(gate)
			n.Send(hostile, victim, from(hostile, "ACK", "up"))
			require.Empty(t, sent()) // it runs, and the others wait
			for range maxWaiting {
				n.Send(hostile, victim, from(hostile, "ACK", "up"))
			}
			n.Send(hostile, victim, c.b)
			got := sent()
			require.Equal(t, c.reserved, len(got) == 0, name)
			require.Equal(t, !c.reserved, e.Counts().Overloaded == 1, name)
			if !c.reserved {
				require.True(t, strings.HasPrefix(string(got[0].Data), "SIP/2.0 503"), name)
			}
		})
	}
}

// The queue of a Call-ID stays while it has something to run. When it ends, it takes only itself from the share of its
// source.
func TestQueueRelease(t *testing.T) {
	var q queues
	newQueue := func(id string) *queue {
		c := &queue{Serial: NewSerial(func(func()) {}, nil), from: hostile.Addr()}
		q.byID.put(id, c)
		q.sources.add(c.from, 1)
		return c
	}
	one, other := newQueue("one"), newQueue("other")
	one.Post(func() {})
	q.release("one", one)
	require.Equal(t, []int{2, 2}, []int{q.size(), q.sources.get(hostile.Addr())}, "one has something to run")
	q.release("one", other)
	require.Equal(t, []int{2, 2}, []int{q.size(), q.sources.get(hostile.Addr())}, "another queue has that Call-ID")
	q.release("other", other)
	require.Equal(t, []int{1, 1}, []int{q.size(), q.sources.get(hostile.Addr())})
	require.Same(t, one, q.byID.get("one"))
}
