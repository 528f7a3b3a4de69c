package endpoint

import (
	"net/netip"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/emiago/sipgo/sip"
	"github.com/stretchr/testify/require"

	"clearback/bridge/sipua/endpoint/endpointtest"
)

// cancelCase is a CANCEL, its source address, and whether it cancels the call.
type cancelCase struct {
	at     netip.AddrPort
	cancel []byte
	ends   bool
}

// cancelCases returns CANCELs of an INVITE from ours. Each differs from a valid one in one thing.
func cancelCases(t *testing.T, ours, second netip.AddrPort) map[string]cancelCase {
	right := from(ours, "CANCEL", "rings")
	changed := func(was, is string) []byte {
		b := strings.Replace(string(right), was, is, 1)
		require.NotEqual(t, string(right), b)
		return []byte(b)
	}
	return map[string]cancelCase{
		"right":          {ours, right, true},
		"another port":   {netip.AddrPortFrom(ours.Addr(), 40000), right, true},
		"the same side":  {second, right, true},
		"a third":        {source(3), right, false},
		"another branch": {ours, changed("branch=z9hG4bK", "branch=z9hG4bKx"), false},
		"sent-by":        {ours, changed("UDP "+ours.Addr().String(), "UDP 192.0.2.77"), false},
		"sent-by's port": {ours, changed(ours.String()+";branch", ours.Addr().String()+":5099;branch"), false},
		"Call-ID":        {ours, changed("Call-ID: rings", "Call-ID: other"), false},
		"From tag":       {ours, changed("tag=near", "tag=far"), false},
		"CSeq":           {ours, changed("CSeq: 1 ", "CSeq: 2 "), false},
	}
}

// A CANCEL cancels a call only if it comes from the INVITE's address (any port) or from another address of the same
// side, and only if its branch, sent-by, Call-ID, From tag and CSeq number are those of the INVITE. This holds whether
// it arrives after the INVITE or before. Any other CANCEL is answered 481, leaves no state, and does not affect a valid
// one.
func TestCancelMatching(t *testing.T) {
	ours, second := source(1), netip.AddrPortFrom(source(2).Addr(), 5062)
	invite, right := from(ours, "INVITE", "rings"), from(ours, "CANCEL", "rings")
	for name, c := range cancelCases(t, ours, second) {
		for _, early := range []bool{false, true} {
			var l log
			h := testHandler{request: func(r *Request) { l.add(r.Method.String()) }, cancelled: func(r *Request) {
				l.add("cancelled")
				r.Reply(487, "Request Terminated")
			}}
			change := func(o *Options) {
				o.SameSide = func(invite, cancel netip.Addr) bool {
					return invite == ours.Addr() &&
						cancel == second.Addr()
				}
			}
			bubble(t, h, change, func(t *testing.T, e *Endpoint, n *endpointtest.Network,
				sent func() []endpointtest.Packet) {
				first := []endpointtest.Packet{{From: ours, Data: invite}, {From: c.at, Data: c.cancel}}
				if early {
					first[0], first[1] = first[1], first[0]
				}
				for _, p := range first {
					n.Send(p.From, victim, p.Data)
				}
				<-time.After(cancelWait)
				codes := map[string]int{}
				for _, p := range sent() {
					codes[string(p.Data[8:11])]++
				}
				if c.ends {
					require.Equal(t, []string{"INVITE", "cancelled"}, l.all(), "%s, early %v", name, early)
					require.Equal(t, 1, codes["200"])
					require.GreaterOrEqual(t, codes["487"], 1)
					return
				}
				require.Equal(t, map[string]int{"481": 1}, codes, "%s, early %v", name, early)
				require.Equal(t, []string{"INVITE"}, l.all(), "%s, early %v", name, early)
				require.Equal(t, 1, e.Counts().Servers, "only that of the INVITE")
				n.Send(ours, victim, right)
				sent()
				require.Equal(t, []string{"INVITE", "cancelled"}, l.all(), "%s, early %v: the valid CANCEL", name,
					early)
			})
		}
	}
}

// An invalid CANCEL that overtakes the valid one, which overtakes its INVITE, does not replace the valid one.
func TestEarlyCancels(t *testing.T) {
	var l log
	h := testHandler{cancelled: func(r *Request) { l.add("cancelled") }}
	bubble(t, h, nil, func(t *testing.T, e *Endpoint, n *endpointtest.Network, sent func() []endpointtest.Packet) {
		cancel := from(source(1), "CANCEL", "early")
		for _, at := range []netip.AddrPort{source(3), source(1), source(1)} {
			n.Send(at, victim, cancel)
		}
		require.Empty(t, sent())
		require.Equal(t, 2, e.Counts().Cancels, "a repeat waits only once")
		n.Send(source(1), victim, from(source(1), "INVITE", "early"))
		got := sent()
		require.Len(t, got, 2)
		require.Equal(t, []string{"cancelled"}, l.all())
		for _, p := range got {
			require.Equal(t, p.To.Addr() == source(1).Addr(), strings.HasPrefix(string(p.Data), "SIP/2.0 200"),
				"%s: %s", p.To, p.Data)
		}
		require.Zero(t, e.Counts().Cancels)
		require.Zero(t, e.t.waitingCancels.sources.len()+e.t.waitingCancels.byInvite.len())
	})
}

// On a stream, a CANCEL ends with its response: Timer J is zero (RFC 3261 section 17.2.2).
func TestCancelOnAStreamDoesNotLinger(t *testing.T) {
	bubble(t, testHandler{}, nil, func(t *testing.T, e *Endpoint, _ *endpointtest.Network,
		_ func() []endpointtest.Packet) {
		c := piped(e, source(1))
		for _, method := range []string{"INVITE", "CANCEL"} {
			_, err := c.Write(from(source(1), method, "stream"))
			require.NoError(t, err)
		}
		_, err := c.Read(make([]byte, 4096))
		require.NoError(t, err)
		synctest.Wait()
		require.Equal(t, 1, e.Counts().Servers, "the INVITE")
	})
}

// Of two CANCELs that overtook their INVITE, from two addresses of one side, the first cancels it.
func TestEarlyCancelsOfOneSide(t *testing.T) {
	var l log
	h := testHandler{cancelled: func(r *Request) { l.add("cancelled") }}
	bubble(t, h, func(o *Options) { o.SameSide = func(_, _ netip.Addr) bool { return true } },
		func(t *testing.T, e *Endpoint, n *endpointtest.Network, sent func() []endpointtest.Packet) {
			for _, at := range []netip.AddrPort{source(2), source(1)} {
				n.Send(at, victim, from(source(1), "CANCEL", "early"))
			}
			n.Send(source(1), victim, from(source(1), "INVITE", "early"))
			codes := map[netip.Addr]string{}
			for _, p := range sent() {
				codes[p.To.Addr()] += string(p.Data[8:11])
			}
			require.Equal(t, map[netip.Addr]string{source(2).Addr(): "200", source(1).Addr(): "481"}, codes)
			require.Equal(t, []string{"cancelled"}, l.all())
			require.Equal(t, 2, e.Counts().Servers, "the INVITE and one CANCEL")
		})
}

// A CANCEL that no longer waits for its INVITE leaves no state.
func TestExpiredCancelLeavesNoState(t *testing.T) {
	var w waitingCancels
	waiting := func(id string) incoming {
		m, err := newParser().ParseSIP(from(hostile, "CANCEL", id))
		require.NoError(t, err)
		return incoming{Request: &Request{Request: m.(*sip.Request), From: hostile}}
	}
	one, other := waiting("a"), waiting("b")
	require.True(t, w.add("invite", one))
	require.True(t, w.add("invite", other))
	require.True(t, w.remove("invite", one))
	require.False(t, w.remove("invite", one))
	require.Equal(t, []int{1, 1, 1}, []int{w.byInvite.len(), w.n, w.sources.get(hostile.Addr())})
	require.True(t, w.remove("invite", other))
	require.Zero(t, w.byInvite.len())
	require.Zero(t, w.n)
	require.Zero(t, w.sources.get(hostile.Addr()))
	require.True(t, w.add("invite", one))
	require.True(t, w.add("another", other))
	require.Len(t, w.take("invite"), 1)
	require.Equal(t, []int{1, 1}, []int{w.n, w.sources.get(hostile.Addr())})
	require.Empty(t, w.take("invite"))
}

// A CANCEL of a call finds room, however many transactions there are.
func TestCancelInAFlood(t *testing.T) {
	var l log
	bubble(t, testHandler{cancelled: func(*Request) { l.add("cancelled") }}, nil,
		func(t *testing.T, e *Endpoint, n *endpointtest.Network, sent func() []endpointtest.Packet) {
			n.Send(source(1), victim, from(source(1), "INVITE", "rings"))
			sent()
			e.t.mu.Lock()
			e.t.ordinary += maxServersHard
			e.t.mu.Unlock()
			n.Send(source(1), victim, from(source(1), "CANCEL", "rings"))
			require.Len(t, sent(), 1)
			require.Equal(t, []string{"cancelled"}, l.all())
			n.Send(source(1), victim, from(source(1), "CANCEL", "rings"))
			require.Len(t, sent(), 1, "its repeat is answered too")
			e.t.mu.Lock()
			defer e.t.mu.Unlock()
			require.Equal(t, maxServersHard+1, e.t.ordinary, "it replaces no other transaction")
			require.Zero(t, e.t.reserved.len(), "it takes no reserved place")
		})
}
