package sipua

import (
	"strings"
	"sync/atomic"
	"time"

	"clearback/bridge/sipua/uatest"
)

// This file has further behaviour of random peers: session timers that are refreshed or not (RFC 4028), reliable
// provisional responses that are acknowledged or not (RFC 3262), transfers (RFC 3515), and restarts that lose all
// state.

// callCounts is what a random peer did, guarded by its lock.
type callCounts struct {
	refreshes, pracks, transfers, glares, restarts int
}

func (y *callCounts) add(x callCounts) {
	y.refreshes, y.pracks, y.transfers, y.glares, y.restarts = y.refreshes+x.refreshes, y.pracks+x.pracks,
		y.transfers+x.transfers, y.glares+x.glares, y.restarts+x.restarts
}

func (r *randomPeer) count(n *int) {
	r.mu.Lock()
	defer r.mu.Unlock()
	*n++
}

// callOptions are the options of one call, owned by its goroutine.
type callOptions struct {
	knows    []string         // header fields of the call's INVITEs
	due      <-chan time.Time // the next refresh; nil: none
	inviting bool             // a re-INVITE of its own is in progress
	racks    map[string][]string
	gone     atomic.Bool // the peer restarted and sends nothing more
}

func (c *randomCall) send(lines []string, body string) {
	if !c.gone.Load() {
		c.r.send(lines, body)
	}
}

func (c *randomCall) respond(req uatest.Message, code int, tag, body string, extra ...string) {
	if !c.gone.Load() {
		c.r.respond(req, code, tag, body, extra...)
	}
}

// restart loses every call.
func (r *randomPeer) restart() {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.restarts++
	for id, c := range r.calls {
		c.gone.Store(true)
		delete(r.calls, id)
	}
}

// chooseExtensions chooses the extensions that the caller supports.
func (c *randomCall) chooseExtensions() {
	if c.r.draw(2) == 0 {
		c.knows = append(c.knows, "Supported: 100rel")
	}
	if c.r.draw(2) == 0 {
		c.knows = append(c.knows, "Supported: timer")
	}
	if c.r.draw(2) == 0 {
		c.knows = append(c.knows, "Allow: INVITE, ACK, CANCEL, BYE, UPDATE")
	}
}

// owes makes the call refresh every 45 s, or not. One in six never refreshes.
func (c *randomCall) owes(refresh bool) {
	c.due = nil
	if refresh && c.r.draw(6) > 0 {
		c.due = time.After(45 * time.Second)
	}
}

// agree returns the session timer header fields of its 200.
func (c *randomCall) agree(m uatest.Message) []string {
	asked := m.Get("Session-Expires")
	if asked == "" {
		return nil
	}
	who := "uac"
	if strings.Contains(asked, "uas") || !strings.Contains(asked, "uac") && c.r.draw(2) == 0 {
		who = "uas"
	}
	c.owes(who == "uas")
	c.knows = []string{"Supported: timer"}
	said := []string{"Session-Expires: 90;refresher=" + who, "Require: timer"}
	if c.r.draw(2) == 0 {
		said = append(said, "Allow: INVITE, ACK, CANCEL, BYE, UPDATE")
	}
	return said
}

// agreed reads the session timer from a 200 to its own request.
func (c *randomCall) agreed(m uatest.Message) {
	if se := m.Get("Session-Expires"); se != "" {
		c.owes(strings.Contains(se, "uac"))
	}
}

func (c *randomCall) refresh() {
	c.r.count(&c.r.refreshes)
	c.transaction("UPDATE", "", "Supported: timer", "Session-Expires: 90;refresher=uac")
	c.owes(true)
}

// rings returns the header fields of a 180, which is reliable if the other end supports that.
func (c *randomCall) rings(inv uatest.Message) []string {
	if !strings.Contains(strings.Join(inv.All("Supported"), ","), "100rel") || c.r.draw(2) == 0 {
		return nil
	}
	return []string{"Require: 100rel", "RSeq: 7"}
}

// acknowledge sends the PRACK of a reliable response, and again for each retransmission. One in twenty never comes.
func (c *randomCall) acknowledge(m uatest.Message, invite int) {
	key := m.Get("RSeq") + m.Get("To")
	if m.Get("RSeq") == "" {
		return
	}
	if c.racks == nil {
		c.racks = map[string][]string{}
	}
	lines, known := c.racks[key]
	if !known && c.r.draw(20) > 0 {
		c.r.count(&c.r.pracks)
		c.cseq++
		lines = append(c.lines("PRACK", c.cseq, c.branch()), "RAck: "+m.Get("RSeq")+" "+num(invite)+" INVITE")
		lines[0], lines[3] = "PRACK "+uatest.URI(m.Get("Contact"))+" SIP/2.0", "To: "+m.Get("To")
	}
	if c.racks[key] = lines; lines != nil {
		c.send(lines, "")
	}
}

// transfer sometimes asks for a transfer.
func (c *randomCall) transfer() {
	if c.over || c.r.draw(8) > 0 {
		return
	}
	c.r.count(&c.r.transfers)
	c.transaction("REFER", "", "Refer-To: <sip:5550155@millrace.example>")
}

// referred accepts a transfer. Then it sends a NOTIFY and hangs up, or sends no NOTIFY.
func (c *randomCall) referred(m uatest.Message) {
	c.respond(m, 202, c.tag, "", "Contact: "+c.r.contact())
	if c.r.draw(3) == 0 {
		return
	}
	c.transaction("NOTIFY", "SIP/2.0 200 OK\r\n", "Event: refer", "Subscription-State: terminated;reason=noresource",
		"Content-Type: message/sipfrag")
	if !c.over {
		c.over = true
		c.transaction("BYE", "")
	}
}
