package sipua

import (
	"fmt"
	"math/rand/v2"
	"net/netip"
	"strings"
	"sync"
	"testing"
	"time"

	"clearback/bridge/sipua/endpoint/endpointtest"
	"clearback/bridge/sipua/uatest"
)

// randomPeerT1 is T1 as TestMain sets it.
const randomPeerT1 = 25 * time.Millisecond

// randomPeer is a party that acts at random: it answers calls, or lets them ring, holds, hangs up, or waits for the
// other end to hang up. Its network may lose packets. It shares no code with the code under test.
type randomPeer struct {
	t    testing.TB
	name string
	sock *endpointtest.Socket
	to   netip.AddrPort // the agent
	all  sync.WaitGroup // the goroutines of all calls

	mu       sync.Mutex
	dice     *rand.Rand
	n        int
	calls    map[string]*randomCall // by Call-ID
	closed   bool
	answered int // answered calls, in either direction
	lost     int // transactions of ours without an answer
	callCounts
}

func newRandomPeer(t testing.TB, n *endpointtest.Network, name string, at, to netip.AddrPort, seed uint64) *randomPeer {
	r := &randomPeer{t: t, name: name, sock: n.Listen(at), to: to, dice: rand.New(rand.NewPCG(seed, 1)),
		calls: map[string]*randomCall{}}
	r.all.Go(r.read)
	return r
}

// close waits for every call to end by itself.
func (r *randomPeer) close() {
	r.mu.Lock()
	r.closed = true
	r.mu.Unlock()
	r.sock.Close()
	r.all.Wait()
}

func (r *randomPeer) draw(n int) int {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.dice.IntN(n)
}

func (r *randomPeer) span(from, to time.Duration) time.Duration {
	return from + time.Duration(r.draw(int((to-from)/time.Millisecond)))*time.Millisecond
}

func (r *randomPeer) id() string {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.n++
	return fmt.Sprintf("%s-%d", r.name, r.n)
}

func (r *randomPeer) read() {
	for {
		p, ok := r.sock.Read()
		if !ok {
			return
		}
		m := uatest.Parse(string(p.Data), p.From)
		id := m.Get("Call-ID")
		r.mu.Lock()
		c := r.calls[id]
		if c == nil && m.Is("INVITE") && !strings.Contains(m.Get("To"), ";tag=") && !r.closed {
			c = r.newCallLocked(id)
			r.all.Go(func() { c.serve(m) })
			r.mu.Unlock()
			continue
		}
		r.mu.Unlock()
		switch {
		case c != nil:
			c.in <- m
		case strings.HasPrefix(m.Start, "SIP/2.0"), m.Is("ACK"):
		case m.Is("REGISTER"):
			r.respond(m, 200, "registrar", "", "Contact: "+m.Get("Contact")+";expires=3600")
		case m.Is("BYE"), m.Is("CANCEL"), strings.Contains(m.Get("To"), ";tag="):
			r.respond(m, 481, "robot", "")
		default:
			r.respond(m, 200, "robot", "")
		}
	}
}

func (r *randomPeer) newCallLocked(id string) *randomCall {
	// wide enough that the reader never waits for a call
	c := &randomCall{r: r, id: id, tag: "t" + id, in: make(chan uatest.Message, 1000)}
	r.calls[id] = c
	return c
}

func (r *randomPeer) send(lines []string, body string) {
	if _, err := r.sock.WriteToUDPAddrPort([]byte(uatest.Text(lines, body)), r.to); err != nil {
		r.mu.Lock()
		defer r.mu.Unlock()
		r.lost++
	}
}

func (r *randomPeer) contact() string { return fmt.Sprintf("<sip:%s@%s>", r.name, r.sock.Addr()) }

func (r *randomPeer) respond(req uatest.Message, code int, tag, body string, extra ...string) {
	lines := req.Response(code, "Robot", tag)
	if code > 100 && code < 300 && req.Is("INVITE") {
		lines = append(lines, "Contact: "+r.contact())
	}
	r.send(append(lines, extra...), body)
}

// randomCall is one dialog of a random peer, driven by its own goroutine.
type randomCall struct {
	r             *randomPeer
	id, tag       string
	local, remote string // From and To of our requests
	target        string
	cseq          int
	in            chan uatest.Message
	over          bool
	callOptions
}

func (c *randomCall) end() {
	c.r.mu.Lock()
	defer c.r.mu.Unlock()
	delete(c.r.calls, c.id)
}

// linger answers retransmissions for 64*T1, as transactions would.
func (c *randomCall) linger() {
	defer c.end()
	stop := time.After(64 * randomPeerT1)
	for {
		select {
		case m := <-c.in:
			switch {
			case strings.HasPrefix(m.Start, "SIP/2.0"):
				if n, method := m.CSeq(); method == "INVITE" && m.Is("200") { // our ACK was lost
					c.ack(n)
				}
			case m.Is("BYE"), m.Is("CANCEL"):
				c.respond(m, 200, c.tag, "")
			case m.Is("INVITE"):
				c.respond(m, 487, c.tag, "")
			case !m.Is("ACK"):
				c.respond(m, 481, c.tag, "")
			}
		case <-stop:
			return
		}
	}
}

// serve handles a call from the agent.
func (c *randomCall) serve(inv uatest.Message) {
	defer c.linger()
	r := c.r
	c.local, c.remote, c.target = inv.Get("To")+";tag="+c.tag, inv.Get("From"), uatest.URI(inv.Get("Contact"))
	habit := c.rings(inv)
	c.respond(inv, 180, c.tag, "", habit...)
	again, wait := time.After(randomPeerT1), randomPeerT1
	last := 180
	fate := r.draw(10)
	patience := r.span(100*time.Millisecond, 40*time.Second)
	if fate == 0 {
		patience = 4 * time.Minute // nobody answers the telephone
	}
	due := time.After(patience)
	for last == 180 {
		select {
		case m := <-c.in:
			switch {
			case m.Is("INVITE"):
				c.respond(m, last, c.tag, "", habit...)
			case m.Is("CANCEL"):
				c.respond(m, 200, c.tag, "")
				last = 487
			case m.Is("PRACK"):
				c.respond(m, 200, c.tag, "")
				again = nil
			case m.Is("UPDATE"), m.Is("OPTIONS"):
				c.respond(m, 200, c.tag, "")
			}
		case <-again:
			if wait *= 2; habit != nil && wait < 64*randomPeerT1 {
				again = time.After(wait)
				c.respond(inv, 180, c.tag, "", habit...)
			}
		case <-due:
			last = 200
			if fate < 3 {
				last = 486
			}
		}
	}
	if !c.final(inv, last) || last != 200 {
		return
	}
	c.talk()
}

// final retransmits a final response until its ACK. It reports whether an ACK came.
func (c *randomCall) final(inv uatest.Message, code int) bool {
	body, extra := "", []string(nil)
	if code == 200 {
		body, extra = uatest.Offer(c.r.sock.Addr().Addr().String(), 40000, "sendrecv"), c.agree(inv)
	}
	c.respond(inv, code, c.tag, body, extra...)
	_, wanted := 0, inv.Get("CSeq")
	for wait, until := randomPeerT1, time.Now().Add(64*randomPeerT1); time.Now().Before(until); {
		select {
		case m := <-c.in:
			switch {
			case m.Is("ACK") && strings.Fields(m.Get("CSeq"))[0] == strings.Fields(wanted)[0]:
				return true
			case m.Is("INVITE"):
				c.respond(inv, code, c.tag, body, extra...)
			case m.Is("BYE"):
				c.respond(m, 200, c.tag, "")
				c.over = true
				return true
			case m.Is("CANCEL"):
				c.respond(m, 200, c.tag, "")
			}
		case <-time.After(wait):
			wait = min(2*wait, 8*randomPeerT1)
			c.respond(inv, code, c.tag, body, extra...)
		}
	}
	return false
}

// talk plays an answered call, with hold and resume, until one end hangs up.
func (c *randomCall) talk() {
	c.r.mu.Lock()
	c.r.answered++
	c.r.mu.Unlock()
	for i := 0; i < 3 && !c.over; i++ {
		pause := c.r.span(time.Second, time.Minute)
		if c.r.draw(2) == 0 { // sometimes at the same instant as the other end
			pause = time.Until(time.Now().Add(pause).Truncate(20 * time.Second).Add(20 * time.Second))
		}
		if c.listen(pause); !c.over && c.r.draw(3) == 0 {
			c.invite(uatest.Offer(c.r.sock.Addr().Addr().String(), 40000, []string{"sendonly", "sendrecv"}[i%2]))
		}
	}
	c.transfer()
	if c.r.draw(2) == 0 {
		c.listen(10 * time.Minute) // the other end hangs up first
	}
	if !c.over {
		c.over = true
		c.transaction("BYE", "")
	}
}

// listen answers requests for the duration d.
func (c *randomCall) listen(d time.Duration) {
	until := time.After(d)
	for !c.over {
		select {
		case m := <-c.in:
			c.take(m)
		case <-c.due:
			c.refresh()
		case <-until:
			return
		}
	}
}

func (c *randomCall) take(m uatest.Message) {
	switch {
	case strings.HasPrefix(m.Start, "SIP/2.0"):
		if n, method := m.CSeq(); method == "INVITE" && m.Is("200") {
			c.ack(n)
		}
	case m.Is("BYE"):
		c.respond(m, 200, c.tag, "")
		c.over = true
	case m.Is("INVITE") && c.inviting: // RFC 3261 section 14.2
		c.r.count(&c.r.glares)
		c.final(m, 491)
	case m.Is("INVITE"):
		if !c.final(m, 200) {
			c.over = c.transaction("BYE", "") != 0
		}
	case m.Is("REFER"):
		c.referred(m)
	case m.Is("UPDATE"):
		c.respond(m, 200, c.tag, "", c.agree(m)...)
	case m.Is("ACK"):
	default:
		c.respond(m, 200, c.tag, "")
	}
}

// call calls through the agent, and sometimes hangs up before an answer.
func (r *randomPeer) call(target, from string) {
	id := r.id()
	r.mu.Lock()
	if r.closed {
		r.mu.Unlock()
		return
	}
	c := r.newCallLocked(id)
	r.mu.Unlock()
	r.all.Go(func() {
		defer c.linger()
		c.local, c.remote, c.target = from+";tag="+c.tag, "<"+target+">", target
		c.chooseExtensions()
		if c.invite(uatest.Offer(r.sock.Addr().Addr().String(), 40000, "sendrecv")) == 200 && !c.over {
			c.talk()
		}
	})
}

func (c *randomCall) lines(method string, n int, branch string) []string {
	return []string{
		method + " " + c.target + " SIP/2.0", "Via: SIP/2.0/UDP " + c.r.sock.Addr().String() + ";branch=" + branch +
			";rport",
		"From: " + c.local, "To: " + c.remote, "Call-ID: " + c.id, fmt.Sprintf("CSeq: %d %s", n, method),
		"Max-Forwards: 70", "Contact: " + c.r.contact(),
	}
}

func (c *randomCall) branch() string { return "z9hG4bK" + c.r.id() }

func (c *randomCall) ack(n int) { c.send(c.lines("ACK", n, c.branch()), "") }

// transaction sends a request and returns the code of its final response, or 0 if none came.
func (c *randomCall) transaction(method, body string, extra ...string) int {
	c.cseq++
	lines, n := append(c.lines(method, c.cseq, c.branch()), extra...), c.cseq
	c.send(lines, body)
	for wait, until := randomPeerT1, time.Now().Add(64*randomPeerT1); time.Now().Before(until); {
		select {
		case m := <-c.in:
			if got, what := 0, ""; strings.HasPrefix(m.Start, "SIP/2.0") {
				if got, what = m.CSeq(); got == n && what == method && !m.Is("100") {
					return m.Code()
				}
			}
			c.take(m)
		case <-time.After(wait):
			wait = min(2*wait, 8*randomPeerT1)
			c.send(lines, body)
		}
	}
	c.r.mu.Lock()
	c.r.lost++
	c.r.mu.Unlock()
	return 0
}

// invite sends an INVITE, cancels it when its patience ends, and returns the final code.
func (c *randomCall) invite(body string) int {
	c.cseq++
	n, branch := c.cseq, c.branch()
	lines := append(c.lines("INVITE", n, branch), c.knows...)
	c.send(lines, body)
	c.inviting = c.remote != "" && strings.Contains(c.remote, ";tag=")
	defer func() { c.inviting = false }()
	heard, cancelled := false, false
	wait, patience := randomPeerT1, time.Now().Add(c.r.span(5*time.Second, 5*time.Minute))
	for again := time.After(wait); ; {
		select {
		case m := <-c.in:
			if !strings.HasPrefix(m.Start, "SIP/2.0") {
				c.take(m)
				continue
			}
			if got, what := m.CSeq(); got != n || what != "INVITE" {
				continue
			}
			heard = true
			switch code := m.Code(); {
			case code < 200:
				c.acknowledge(m, n)
				continue
			case code < 300:
				c.agreed(m)
				c.remote = m.Get("To")
				c.target = uatest.URI(m.Get("Contact"))
				c.ack(n)
				if cancelled { // the 200 crossed the CANCEL
					c.over = c.transaction("BYE", "") != 0 || true
				}
				return code
			default:
				nack := c.lines("ACK", n, branch)
				nack[3] = "To: " + m.Get("To")
				c.send(nack, "")
				return code
			}
		case <-again:
			wait = min(2*wait, 8*randomPeerT1)
			again = time.After(wait)
			switch {
			case !heard:
				c.send(lines, body)
			case time.Now().After(patience):
				cancelled = true
				c.send(c.lines("CANCEL", n, branch)[:7], "")
			}
			if time.Now().After(patience.Add(64 * randomPeerT1)) {
				return 0
			}
		}
	}
}
