package rehearsal

import (
	"crypto/rand"
	"fmt"
	"net/netip"
	"strings"
	"time"
)

// Timers of RFC 3261 section 17, table 4.
const (
	t1 = 500 * time.Millisecond
	t2 = 4 * time.Second
)

// client is a client transaction: RFC 3261 section 17.1.
type client struct {
	req   *message
	to    netip.AddrPort
	on    func(res *message)
	quiet bool // answered: no more retransmissions
	final bool // a final response has arrived
}

// server is a server transaction: RFC 3261 section 17.2.
type server struct {
	req  *message
	from netip.AddrPort
	last *message
}

// uaOwner is the owner of a user agent: a far-end telephone, or a port of the adapter. The methods run in the user
// agent's inbox.
type uaOwner interface {
	// offered: a new call has arrived.
	offered(c *call)
	// ringing: the far end of our call rings. answered: it has answered.
	ringing(c *call)
	answered(c *call)
	// ended: the call was ended, but not by us. how is BYE, CANCEL or the status code.
	ended(c *call, how string)
	// available returns the status for an OPTIONS request, which is that for a new call (RFC 3261 section 11.2).
	available() int
	// notified: a NOTIFY arrived outside any dialog.
	notified()
}

// ua is a SIP user agent with its own socket: transactions, and the dialogs of its calls. The goroutine of the socket's
// inbox owns its state.
type ua struct {
	*socket
	owner uaOwner
	user  string
	// say, if not nil, receives a text for each message sent or received.
	say     func(text string)
	clients map[string]*client
	servers map[string]*server
	calls   map[string]*call // by Call-ID and our tag
	asked   int              // OPTIONS received inside dialogs
	login   credentials
	// a BYE is answered after byeAfter, or never if byeSilent
	byeAfter  time.Duration
	byeSilent bool
	// ignoresAll: received messages are discarded
	ignoresAll bool
	// sendsDate: messages carry a Date header (RFC 3261 section 20.17)
	sendsDate bool
}

// credentials are the user and password for a challenge.
type credentials struct{ user, password string }

func openUA(user string, owner uaOwner, say func(string)) (*ua, error) {
	u := &ua{
		owner: owner, user: user, say: say,
		clients: map[string]*client{}, servers: map[string]*server{}, calls: map[string]*call{},
	}
	ready := make(chan struct{}) // a datagram may arrive before u.socket is set
	s, err := openSocket(func(m *message, from netip.AddrPort) { <-ready; u.take(m, from) })
	if err != nil {
		return nil, err
	}
	u.socket = s
	close(ready)
	return u, nil
}

func token() string { return strings.ToLower(rand.Text()) }

func (u *ua) via() string {
	return fmt.Sprintf("SIP/2.0/UDP %s;branch=z9hG4bK%s;rport", u.addr, token())
}

func (u *ua) contact() string { return fmt.Sprintf("<sip:%s@%s>", u.user, u.addr) }

func (u *ua) report(format string, a ...any) {
	if u.say != nil {
		u.say(fmt.Sprintf(format, a...))
	}
}

// start begins a client transaction. on receives every provisional response, one final response, and every repetition
// of a 2xx to an INVITE (RFC 3261 sections 17.1.1.2, 17.1.2.2 and 13.2.2.4).
func (u *ua) start(req *message, to netip.AddrPort, on func(res *message)) {
	c := &client{req: req, to: to, on: on}
	u.clients[req.branch()+req.method()] = c
	u.date(req)
	u.reportRequest("sends", req)
	u.repeat(c, 0)
}

// date sets the Date header to the time at which a message is first sent (RFC 3261 section 20.17).
func (u *ua) date(m *message) {
	if u.sendsDate {
		m.set("Date", time.Now().UTC().Format("Mon, 02 Jan 2006 15:04:05 GMT"))
	}
}

// repeat sends the request, and retransmits it until it is answered.
func (u *ua) repeat(c *client, interval time.Duration) {
	if c.quiet {
		return
	}
	if interval > 0 && interval <= t1 {
		u.report("repeats %s", c.req.method())
	}
	u.send(c.req, c.to)
	next := max(t1, 2*interval)
	if c.req.method() != "INVITE" {
		next = min(next, t2)
	}
	if interval < 64*t1/2 { // in all about 64*T1
		u.after(next, func() { u.repeat(c, next) })
	}
}

func (u *ua) take(m *message, from netip.AddrPort) {
	if u.ignoresAll {
		return
	}
	if m.isResponse() {
		u.response(m)
		return
	}
	key := m.branch() + m.method()
	if t := u.servers[key]; t != nil {
		if t.last != nil {
			u.send(t.last, t.from)
		}
		return
	}
	u.reportRequest("gets", m)
	t := &server{req: m, from: from}
	if m.method() != "ACK" {
		u.servers[key] = t
	}
	u.request(t)
}

func (u *ua) response(m *message) {
	c := u.clients[m.branch()+m.method()]
	if c == nil {
		return
	}
	if m.method() == "INVITE" && m.status() >= 300 {
		u.ackFailure(c, m)
	}
	repeated := c.final
	c.quiet = c.quiet || m.status() >= 200 || m.method() == "INVITE"
	c.final = c.final || m.status() >= 200
	if repeated && (m.method() != "INVITE" || m.status()/100 != 2) {
		return
	}
	if m.status() > 100 && m.status() != 401 && m.status() != 407 && m.method() != "REGISTER" {
		u.report("gets %d to %s", m.status(), m.method())
	}
	c.on(m)
}

// ackFailure acknowledges a final response other than 2xx within the transaction: RFC 3261 section 17.1.1.3.
func (u *ua) ackFailure(c *client, res *message) {
	ack := &message{start: strings.Replace(c.req.start, "INVITE", "ACK", 1)}
	n, _ := c.req.cseq()
	ack.add("Via", c.req.get("Via"))
	ack.add("Max-Forwards", "70")
	ack.add("From", c.req.get("From"))
	ack.add("To", res.get("To"))
	ack.add("Call-ID", c.req.get("Call-ID"))
	ack.add("CSeq", fmt.Sprintf("%d ACK", n))
	for _, r := range c.req.all("Route") {
		ack.add("Route", r)
	}
	u.send(ack, c.to)
}

// respondBye responds to a BYE according to the adapter's habit.
func (u *ua) respondBye(t *server, res *message) {
	switch {
	case u.byeSilent:
		u.report("does not answer it")
	case u.byeAfter > 0:
		u.after(u.byeAfter, func() { u.respond(t, res) })
	default:
		u.respond(t, res)
	}
}

// respond answers a request. The response is repeated for each retransmission of the request.
func (u *ua) respond(t *server, res *message) {
	t.last = res
	u.date(res)
	u.report("sends %d to %s", res.status(), res.method())
	u.send(res, t.from)
}

func (u *ua) request(t *server) {
	m := t.req
	tag := param(m.get("To"), "tag")
	c := u.calls[m.get("Call-ID")+tag]
	switch {
	case m.method() == "OPTIONS" && tag == "":
		code := u.owner.available()
		u.respond(t, m.reply(code, reason(code), token()))
	case m.method() == "CANCEL":
		u.cancelled(t)
	case tag == "" && m.method() == "INVITE":
		u.invited(t)
	case c != nil:
		if m.method() == "OPTIONS" {
			u.asked++
		}
		c.handleInDialog(t)
	case tag == "" && m.method() == "NOTIFY":
		u.respond(t, m.reply(200, reason(200), token()))
		u.owner.notified()
	case m.method() != "ACK":
		u.respond(t, m.reply(481, reason(481), token()))
	}
}

func (u *ua) cancelled(t *server) {
	of := u.servers[t.req.branch()+"INVITE"]
	if of == nil {
		u.respond(t, t.req.reply(481, reason(481), token()))
		return
	}
	u.respond(t, t.req.reply(200, "OK", token()))
	if of.last == nil || of.last.status() < 200 {
		for _, c := range u.calls {
			if c.in == of {
				c.refuse(487)
				u.owner.ended(c, "CANCEL")
				return
			}
		}
	}
}

// reportRequest reports a request with the user that it comes from or goes to. A registration is reported by the code
// that starts it.
func (u *ua) reportRequest(does string, m *message) {
	switch m.method() {
	case "REGISTER", "ACK":
	case "INVITE":
		if param(m.get("To"), "tag") != "" {
			u.report("%s re-INVITE", does)
			return
		}
		if does == "gets" {
			u.report("gets INVITE from %s", userOf(uriOf(m.get("From"))))
			return
		}
		if m.get("Authorization") == "" && m.get("Proxy-Authorization") == "" {
			u.report("sends INVITE to %s", userOf(m.uri()))
		}
	default:
		u.report("%s %s", does, m.method())
	}
}

func reason(code int) string {
	switch code {
	case 100:
		return "Trying"
	case 180:
		return "Ringing"
	case 200:
		return "OK"
	case 401:
		return "Unauthorized"
	case 403:
		return "Forbidden"
	case 404:
		return "Not Found"
	case 407:
		return "Proxy Authentication Required"
	case 480:
		return "Temporarily Unavailable"
	case 481:
		return "Call/Transaction Does Not Exist"
	case 483:
		return "Too Many Hops"
	case 486:
		return "Busy Here"
	case 487:
		return "Request Terminated"
	case 488:
		return "Not Acceptable Here"
	default:
		return "Response"
	}
}
