package endpoint

import (
	"net/netip"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"clearback/bridge/sipua/endpoint/endpointtest"
)

// A TCP peer that does not read delays no message over UDP, not even one with the branch of its own request.
func TestTransportsAreIndependent(t *testing.T) {
	h := testHandler{request: func(r *Request) { go r.answer(200, "OK") }}
	bubble(t, h, nil, func(t *testing.T, e *Endpoint, n *endpointtest.Network, sent func() []endpointtest.Packet) {
		c := piped(e, source(1))
		_, err := c.Write(from(source(1), "INVITE", "cross"))
		require.NoError(t, err)
		synctest.Wait() // the 200 is being written, and nobody reads it
		n.Send(source(2), victim, from(source(1), "INVITE", "cross"))
		n.Send(source(3), victim, from(source(3), "OPTIONS", "plain"))
		synctest.Wait()
		require.NotEmpty(t, sent())
	})
}

// A link-local address carries the name of its interface, which no prefix has.
func TestKnownWithAZone(t *testing.T) {
	t.Parallel()
	var g sourceLimiter
	g.init(Options{LimitUnknown: true, Known: []netip.Prefix{netip.MustParsePrefix("fe80::/10")}})
	require.False(t, g.isUnknown(netip.MustParseAddr("fe80::1%eth0"), time.Now()))
	require.True(t, g.isUnknown(netip.MustParseAddr("2001:db8::1"), time.Now()))
}
