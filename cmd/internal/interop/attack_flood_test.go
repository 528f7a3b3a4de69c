//go:build linux

package interop

import (
	"fmt"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// floodAhead is the number of unanswered requests of a flood at one time. It is less than a socket's receive buffer
// holds, so the daemon reads every request.
const floodAhead = 64

// flood sends n requests, each as soon as an earlier one has got any answer.
func (p *peer) flood(n int, text func(i int) string) {
	quiet := time.NewTimer(time.Hour)
	defer quiet.Stop()
	for i, ahead := 0, 0; i < n; {
		for ; i < n && ahead < floodAhead; i, ahead = i+1, ahead+1 {
			p.send(text(i))
		}
		quiet.Reset(20 * time.Millisecond)
		select {
		case <-p.in:
			ahead--
		case <-quiet.C: // requests without an answer are not awaited
			ahead = 0
		}
	}
}

// stray returns a request that belongs to no call and claims to come from the workshop.
func (p *peer) stray(method, uri, toTag string, i int) string {
	body, kind := "", ""
	if method == "INVITE" {
		body, kind = described(p.at), "Content-Type: application/sdp\r\n"
	}
	return fmt.Sprintf("%[1]s %[2]s SIP/2.0\r\nVia: SIP/2.0/UDP %[3]v;branch=z9hG4bK%[4]s%[5]d;rport\r\nMax-Forwards: 70\r\n"+
		"From: <sip:%[6]s@%[3]v>;tag=%[5]d\r\nTo: <%[2]s>%[7]s\r\n"+
		"Call-ID: %[4]s-%[5]d\r\nCSeq: 1 %[1]s\r\nContact: <sip:x@%[3]v>\r\n%[8]sContent-Length: %[9]d\r\n\r\n%[10]s",
		method, uri, p.at, p.name, i, workshop, toTag, kind, len(body), body)
}

// workshop is a line without real emergency calls. Forged emergency calls keep the loop of their line closed, so the
// flood uses a line of its own.
const workshop = "workshop"

// arrivedCall is an answered call from the far end, as both ends have it.
type arrivedCall struct{ near, far *callSide }

// callArrives makes a call from the far end to a line, with further header lines. The line answers.
func callArrives(near, far *peer, line string, more ...string) arrivedCall {
	near.t.Helper()
	c := far.begins("555-0101", "sip:"+line+"@"+far.to.String())
	c.request("INVITE", append(more, described(far.at))...)
	invite := near.expect("INVITE", "INVITE")
	near.replies(invite, "200 OK", "near"+line, described(near.at))
	c.up(c.response("INVITE"))
	near.expect("ACK", "ACK")
	return arrivedCall{near.taken(invite, "near"+line), c}
}

// farClears ends the call from the far end. The adapter's leg is cleared.
func (c arrivedCall) farClears() {
	c.far.p.t.Helper()
	c.far.request("BYE")
	bye := c.near.expect("BYE", "BYE")
	c.near.p.replies(bye, "200 OK", "")
	require.Equal(c.far.p.t, "200", c.far.response("BYE").code())
}

// requireEmergencyCall makes an emergency call, which must pass: the service answers, and the call stays up until the
// near end hangs up.
func requireEmergencyCall(near, far *peer, line string) {
	near.t.Helper()
	c := near.begins(line, "sip:112@"+near.to.String())
	c.request("INVITE", described(near.at))
	fits := func(m message) bool {
		return m.is("INVITE sip:112@", "INVITE") && strings.Contains(m.header("From"), "sip:"+line+"@")
	}
	invite := far.next("the call for help of "+line, fits)
	far.replies(invite, "200 OK", "help", described(far.at))
	c.up(c.response("INVITE"))
	c.request("BYE")
	require.Equal(near.t, "200", c.response("BYE").code())
	bye := far.next("its end", func(m message) bool {
		return m.is("BYE", "BYE") &&
			m.header("Call-ID") == invite.header("Call-ID")
	})
	far.replies(bye, "200 OK", "")
}

// TestAttackFlood: two known addresses, one on each side, send requests that fill every table of a daemon that keeps
// state for them: BYE and CANCEL without a call, emergency calls, calls without a password, calls to unknown users.
// During the flood and right after it, an emergency call on each line passes, and the BYE of each far end clears the
// adapter's leg and opens the loop.
func TestAttackFlood(t *testing.T) {
	t.Parallel()
	brief := "    calls: 2\n" + unwatched
	r := newTestBed(t, setup{quiet: true, settled: true, lines: []lineSetup{{name: boxOffice,
		interval: 300 * time.Millisecond, policy: quickPolicy, more: brief},
		{name: stageDoor, coil: 1, interval: 300 * time.Millisecond, policy: quickPolicy, more: brief},
		{name: workshop, coil: 2}}})
	near := map[string]*peer{}
	for _, line := range []string{boxOffice, stageDoor} {
		near[line] = r.peer("near-"+line, 1, r.adapters[line], r.adapterPort)
	}
	far := r.peer("far", 1, r.far, r.servicePort)
	first, second := callArrives(near[boxOffice], far, boxOffice), callArrives(near[stageDoor], far, stageDoor)

	times := 1
	if *full {
		times = 3
	}
	inside, outside := r.peer("inside", 1, 0, r.adapterPort), r.peer("outside", 1, 0, r.servicePort)
	var floods sync.WaitGroup
	midst := make(chan struct{}, 2) // one value from each flood
	type kind struct {
		n                 int
		method, user, tag string
	}
	run := func(p *peer, kinds ...kind) {
		floods.Go(func() {
			sent := 0
			for i, k := range kinds {
				p.flood(times*k.n, func(int) string {
					sent++
					return p.stray(k.method, "sip:"+k.user+"@"+p.to.String(), k.tag, sent)
				})
				if i == 0 {
					midst <- struct{}{}
				}
			}
		})
	}
	run(inside, kind{15000, "BYE", "far", ";tag=x"}, kind{1000, "INVITE", "112", ""}, kind{1000, "CANCEL", "112", ""},
		kind{500, "INVITE", "5550101", ""}, kind{500, "BYE", "far", ";tag=y"})
	run(outside, kind{15000, "BYE", boxOffice, ";tag=x"}, kind{1500, "CANCEL", boxOffice, ""},
		kind{500, "INVITE", "nobody", ""},
		kind{500, "OPTIONS", boxOffice, ""}, kind{500, "BYE", boxOffice, ";tag=y"})
	<-midst
	<-midst
	requireEmergencyCall(near[stageDoor], far, stageDoor)
	first.farClears()
	r.board.awaitCoil(t, 0, 1)
	floods.Wait()
	requireEmergencyCall(near[boxOffice], far, boxOffice)
	second.farClears()
	r.board.awaitCoil(t, 1, 1)
	requireInterval(t, 300*time.Millisecond, r.board.once(t, 1))
	forged := map[string]bool{}
	for _, m := range far.arrived() {
		if m.is("INVITE", "INVITE") && !forged[m.header("Call-ID")] {
			forged[m.header("Call-ID")] = true
			far.replies(m, "486 Busy Here", "far")
		}
	}
	// Anybody at the adapter's address can make three emergency calls at once. Each of the two real ones may have
	// replaced a forged one, and another forged one took that place when the real call was over.
	require.GreaterOrEqual(t, len(forged), 3)
	require.LessOrEqual(t, len(forged), 3+2)
}

// TestAttackForgedFlood: somebody sends forged requests in the name of the service and of the adapter, which are
// answered at once. If answered requests kept their place in the table, 130 a second would fill an address's share. The
// adapter's registration must still be refreshed, and calls must pass in both directions.
func TestAttackForgedFlood(t *testing.T) {
	t.Parallel()
	r := newTestBed(t, setup{quiet: true, settled: true, lines: []lineSetup{{name: boxOffice, roaming: true},
		{name: stageDoor, coil: 1}}})
	near, door := r.peer("near", 1, r.adapters[boxOffice], r.adapterPort),
		r.peer("door", 1, r.adapters[stageDoor], r.adapterPort)
	far := r.peer("far", 1, r.far, r.servicePort)
	binding := near.registration(boxOffice)
	require.Equal(t, "200", binding.register())
	for _, p := range []*peer{r.peer("inside", 1, 0, r.adapterPort), r.peer("outside", 1, 0, r.servicePort)} {
		p.flood(4500, func(i int) string { return p.stray("OPTIONS", "sip:"+boxOffice+"@"+p.to.String(), "", i) })
	}
	require.Equal(t, "200", binding.register())
	callArrives(near, far, boxOffice).farClears()
	r.board.awaitCoil(t, 0, 1)
	call := door.begins(stageDoor, "sip:5550101@"+door.to.String())
	call.request("INVITE", described(door.at))
	challenge := call.response("INVITE")
	call.refused(challenge)
	call.request("INVITE", described(door.at), answersChallenge(challenge, "INVITE", call.uri, stageDoor, password))
	far.replies(far.expect("INVITE sip:5550101@", "INVITE"), "486 Busy Here", "far")
	require.Equal(t, "486", call.refused(call.response("INVITE")))
}
