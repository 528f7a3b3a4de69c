package endpoint

import (
	"bytes"
	"fmt"
	"net/netip"
	"runtime"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/emiago/sipgo/sip"
	"github.com/stretchr/testify/require"

	"clearback/bridge/sipua/endpoint/endpointtest"
	"clearback/bridge/sipua/rawtest"
)

// requestLog counts the requests that reached the handler, by method and Call-ID.
type requestLog struct {
	mu  sync.Mutex
	all map[string]int
}

func (c *requestLog) note(r *Request) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.all == nil {
		c.all = map[string]int{}
	}
	c.all[r.Method.String()+" "+callID(r)]++
}

func (c *requestLog) count(what string) int {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.all[what]
}

// limitedOptions are the options of an endpoint with one dialog, "up", and an adapter that is bound at source(0). Calls
// to "999" are emergency calls.
func limitedOptions(o *Options) {
	o.InDialog = func(r *Request) *Dialog {
		if callID(r) == "up" && r.To().Params.GetOr("tag", "") == "ours" {
			return &Dialog{}
		}
		return nil
	}
	o.Urgent = func(r *sip.Request) bool { return r.IsInvite() && r.Recipient.User == "999" }
	o.Bound = func() []netip.AddrPort { return []netip.AddrPort{source(0)} }
}

// flood returns the number of requests of a flood.
func flood() int {
	if testing.Short() {
		return 5500
	}
	return 17500
}

// emergencyInvite returns the INVITE of an emergency call.
func emergencyInvite(at netip.AddrPort, id string) []byte {
	return []byte(strings.Replace(string(from(at, "INVITE", id)), "stage-door@", "999@", 1))
}

// again returns a request with the branch of another transaction.
func again(b []byte, i int) []byte {
	return []byte(strings.Replace(string(b), "branch=z9hG4bK", fmt.Sprintf("branch=z9hG4bK%d-", i), 1))
}

// 17,500 requests without a dialog, from the address of an adapter, are answered and leave no state. During the flood,
// an emergency call of another line, an emergency call of the same line, and the BYE of a call are served.
func TestFloodWithoutDialog(t *testing.T) {
	var c requestLog
	h := testHandler{request: func(r *Request) {
		c.note(r)
		if r.Method == sip.BYE {
			r.Reply(200, "OK")
		}
	}}
	bubble(t, h, limitedOptions, func(t *testing.T, e *Endpoint, n *endpointtest.Network,
		sent func() []endpointtest.Packet) {
		at := source(0)
		kinds := [][]byte{tagged(from(at, "BYE", "none")), from(at, "BYE", "none"), tagged(from(at, "INVITE", "none")),
			from(at, "INFO", "none"), tagged(from(at, "BYE", "up"))}
		kinds[4] = bytes.Replace(kinds[4], []byte("tag=ours"), []byte("tag=guessed"), 1)
		for i := range flood() {
			n.Send(at, victim, again(kinds[i%len(kinds)], i))
			if i == 5000 {
				n.Send(source(1), victim, emergencyInvite(source(1), "other line"))
				n.Send(at, victim, emergencyInvite(at, "same line"))
				n.Send(source(2), victim, tagged(from(source(2), "BYE", "up")))
			}
		}
		answers := map[string]int{}
		for _, p := range sent() {
			answers[string(p.Data[:11])]++
		}
		require.Equal(t, map[string]int{"SIP/2.0 481": flood(), "SIP/2.0 200": 1}, answers)
		require.Equal(t, []int{1, 1, 1}, []int{c.count("INVITE other line"), c.count("INVITE same line"),
			c.count("BYE up")})
		require.Equal(t, 3, e.Counts().Servers)
		require.EqualValues(t, flood(), e.Counts().Strays)
		require.Zero(t, e.Counts().Overloaded)
	})
}

// A stateless response is the same for each retransmission. Its tag depends on the request, and only this endpoint can
// compute it (RFC 3261 section 8.2.7).
func TestStrayAnswers(t *testing.T) {
	tagOf := func(b []byte) string { return rawtest.Message(b).Tag() }
	var tags []string
	for range 2 {
		bubble(t, testHandler{request: func(r *Request) { t.Error(r.Method) }}, limitedOptions,
			func(t *testing.T, e *Endpoint, n *endpointtest.Network, sent func() []endpointtest.Packet) {
				for _, method := range []string{"BYE", "CANCEL", "INFO", "UPDATE", "PRACK"} {
					for _, id := range []string{"one", "two"} {
						var got [][]byte
						for range 2 {
							n.Send(hostile, victim, from(hostile, method, id))
							<-time.After(cancelWait)
							all := sent()
							require.Len(t, all, 1, method)
							got = append(got, all[0].Data)
						}
						require.Equal(t, string(got[0]), string(got[1]), method)
						require.True(t, bytes.HasPrefix(got[0], []byte("SIP/2.0 481 ")), "%s", got[0])
						require.Len(t, tagOf(got[0]), 32)
						if method == "BYE" {
							tags = append(tags, tagOf(got[0]))
						}
					}
				}
				for change, same := range map[string]bool{"tag=near>tag=far": false,
					"branch=z9hG4bK>branch=z9hG4bKx": false, "Call-ID: >Call-ID: x": false, "CSeq: 1>CSeq: 2": true} {
					was, is, _ := strings.Cut(change, ">")
					n.Send(hostile, victim, []byte(strings.Replace(string(from(hostile, "BYE", "one")), was, is, 1)))
					require.Equal(t, same, tagOf(sent()[0].Data) == tags[len(tags)-2], change)
				}
				n.Send(hostile, victim, tagged(from(hostile, "BYE", "one")))
				require.Equal(t, "ours", tagOf(sent()[0].Data), "an existing tag stays")
				n.Send(hostile, victim, tagged(from(hostile, "REFER", "one")))
				require.Len(t, sent(), 1)
				require.Zero(t, e.Counts().Servers)
			})
	}
	slices.Sort(tags)
	require.Len(t, slices.Compact(tags), 4, "two requests at two endpoints")
	bubble(t, testHandler{},
		func(o *Options) { limitedOptions(o); o.Answers = func(r *Request) bool { return r.From != hostile } },
		func(t *testing.T, e *Endpoint, n *endpointtest.Network, sent func() []endpointtest.Packet) {
			n.Send(hostile, victim, tagged(from(hostile, "BYE", "one")))
			require.Empty(t, sent(), "an intruder gets no answer")
			n.Send(source(1), victim, tagged(from(source(1), "BYE", "one")))
			require.Len(t, sent(), 1)
		})
}

// However full the ordinary room is, a BYE, another request in a dialog, and an emergency call find a place. Nothing
// else does.
func TestReservations(t *testing.T) {
	var c requestLog
	h := testHandler{request: func(r *Request) {
		if c.note(r); !r.IsInvite() {
			r.Reply(486, "Busy Here")
		}
	}}
	bubble(t, h, limitedOptions, func(t *testing.T, e *Endpoint, n *endpointtest.Network,
		sent func() []endpointtest.Packet) {
		fill := func(to int) { e.t.mu.Lock(); defer e.t.mu.Unlock(); e.t.ordinary = to }
		fill(maxServersHard)
		defer fill(0)
		served := func(at netip.AddrPort, b []byte) bool {
			before := e.Counts().Overloaded
			n.Send(at, victim, b)
			sent()
			return e.Counts().Overloaded == before
		}
		near := netip.AddrPortFrom(source(0).Addr(), 5999)
		require.False(t, served(source(1), from(source(1), "INVITE", "ordinary")))
		// the emergency calls of an adapter use the reservation of the adapter, then that of its address, then the
		// general one; never that of another adapter
		fillUp := func(at netip.AddrPort, id string, places int) {
			for i := range places {
				require.True(t, served(at, emergencyInvite(at, fmt.Sprint(id, i))), "%s %d", id, i)
			}
			require.False(t, served(at, emergencyInvite(at, id+"one more")), id)
		}
		fillUp(source(5), "nowhere", maxReservedCallers)
		fillUp(near, "near", maxReserved)
		fillUp(source(0), "bound", maxReserved)
		// a dialog has its own places, and others for BYE; answered transactions give theirs up
		for i := range 10 * maxReserved {
			require.True(t, served(source(5), again(tagged(from(source(5), "INFO", "up")), i)))
			require.True(t, served(source(5), again(tagged(from(source(5), "BYE", "up")), i)))
		}
		require.Equal(t, 10*maxReserved, c.count("BYE up"))
		require.Equal(t, maxReservedCallers+2*maxReserved+2*maxReserved, e.Counts().Servers)
		// so does an answered emergency call
		e.t.mu.Lock()
		for _, s := range e.t.reserved.get(reservation{kind: ofCallers})[:1] {
			defer s.r.Reply(487, "Request Terminated")
			s.done.Store(200)
		}
		e.t.mu.Unlock()
		require.False(t, served(source(5), emergencyInvite(source(5), "two")),
			"the 200 of a call is repeated by the user")
		e.t.mu.Lock()
		e.t.reserved.get(reservation{kind: ofCallers})[0].done.Store(486)
		e.t.mu.Unlock()
		require.True(t, served(source(5), emergencyInvite(source(5), "three")))
		require.False(t, served(source(5), emergencyInvite(source(5), "four")))
	})
}

// The emergency calls of an unknown source have no reserved places. The BYE of a dialog has, from any source.
func TestUnknownSourcesTakeNoReservations(t *testing.T) {
	var c requestLog
	h := testHandler{request: func(r *Request) { c.note(r); r.Reply(486, "Busy Here") }}
	bubble(t, h, func(o *Options) { limitedOptions(o); limited(o) },
		func(t *testing.T, e *Endpoint, n *endpointtest.Network, sent func() []endpointtest.Packet) {
			e.t.mu.Lock()
			e.t.ordinary = maxServersHard
			e.t.mu.Unlock()
			n.Send(source(0), victim, emergencyInvite(source(0), "strange"))
			n.Send(source(0), victim, tagged(from(source(0), "INFO", "up")))
			n.Send(source(0), victim, tagged(from(source(0), "BYE", "up")))
			require.Len(t, sent(), 1)
			require.Zero(t, c.count("INVITE strange"))
			require.Zero(t, c.count("INFO up"))
			require.Equal(t, 1, c.count("BYE up"))
			<-time.After(70 * t1)
			e.t.mu.Lock()
			defer e.t.mu.Unlock()
			require.Zero(t, e.t.reserved.len()+e.t.servers.len())
		})
}

// 17,500 answered emergency calls from one known address leave room for an emergency call from elsewhere, for one from
// the adapter bound at that address, and for the BYE of a call.
func TestFloodOfEmergencyCalls(t *testing.T) {
	var c requestLog
	h := testHandler{request: func(r *Request) {
		if c.note(r); strings.HasPrefix(callID(r), "flood") {
			r.Reply(503, "Service Unavailable")
		}
	}}
	bubble(t, h, limitedOptions, func(t *testing.T, e *Endpoint, n *endpointtest.Network,
		sent func() []endpointtest.Packet) {
		at := netip.AddrPortFrom(source(0).Addr(), 5999)
		for i := range flood() {
			n.Send(at, victim, emergencyInvite(at, fmt.Sprint("flood-", i)))
			if i%100 == 0 {
				synctest.Wait() // otherwise the limit of the queues would be reached
			}
		}
		sent()
		require.LessOrEqual(t, e.Counts().Servers, maxServersSource+maxReserved+maxReservedCallers)
		refused := e.Counts().Overloaded
		n.Send(at, victim, emergencyInvite(at, "same place"))
		n.Send(source(1), victim, emergencyInvite(source(1), "elsewhere"))
		n.Send(source(0), victim, emergencyInvite(source(0), "bound"))
		for i := range maxReserved + 1 { // which nobody answers
			n.Send(source(0), victim, again(tagged(from(source(0), "BYE", "up")), i))
		}
		answers := sent()
		require.Equal(t, []int{1, 1, 1, maxReserved + 1}, []int{c.count("INVITE same place"),
			c.count("INVITE elsewhere"), c.count("INVITE bound"), c.count("BYE up")})
		require.EqualValues(t, refused, e.Counts().Overloaded)
		for _, p := range answers {
			require.False(t, strings.Contains(string(p.Data), "BYE"), "%s", p.Data)
		}
		<-time.After(70 * t1)
		require.Equal(t, 3+maxReserved+1, e.Counts().Servers)
		e.t.mu.Lock()
		defer e.t.mu.Unlock()
		require.Less(t, e.t.servers.most+e.t.sources.most+e.queues.byID.most+e.queues.sources.most, 4*shrinkFrom,
			"the tables of the flood have gone")
	})
}

// After a flood the tables free their memory, and lose no entry.
func TestTableShrinks(t *testing.T) {
	heap := func() uint64 {
		runtime.GC()
		var m runtime.MemStats
		runtime.ReadMemStats(&m)
		return m.HeapAlloc
	}
	var tab table[int, [64]byte]
	before := heap()
	const many, few = 200_000, 100
	for i := range many {
		tab.put(i, [64]byte{1})
	}
	require.Greater(t, heap()-before, uint64(many*64))
	for i := few; i < many; i++ {
		tab.remove(i)
	}
	require.Less(t, int64(heap())-int64(before), int64(1<<20))
	require.Equal(t, few, tab.len())
	for i := range few {
		require.EqualValues(t, 1, tab.get(i)[0])
	}
	var n count[string]
	n.add("x", 2)
	n.add("x", -1)
	require.Equal(t, 1, n.get("x"))
	n.add("x", -1)
	n.add("y", -1)
	require.Zero(t, n.len())
}
