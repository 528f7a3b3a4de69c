package rehearsal

import (
	"fmt"
	"net/netip"
	"sync"
	"time"

	"clearback/supervision/keysystem"
)

// outbound is the server of a port: the port registers there and calls through it.
type outbound struct {
	at       netip.AddrPort
	domain   string
	user     string // of the address of record
	password string
}

// offHookNumber is the number that a port calls when the line is left off hook.
const offHookNumber = "555-0149"

// registerFor is the expiry that a port requests. A rehearsal ends before the port would have to refresh its
// registration.
const registerFor = 300 * time.Second

// port is one FXS port of the adapter. It detects the line's hook state by loop current and uses SIP with its server.
// Like a consumer adapter, it continues to feed the loop whatever happens to a call. Its methods may be called from any
// goroutine.
type port struct {
	ua        *ua
	out       outbound
	lineModel *lineModel
	habit     habit // set once
	// offHookAfter is how long the line may be off hook without a call before the port calls offHookNumber; 0: no
	// limit. Set once.
	offHookAfter time.Duration

	mu         sync.Mutex
	registered bool   // guarded by mu
	trouble    string // guarded by mu: why it could not register

	// owned by the goroutine of the user agent's inbox
	off     bool
	call    *call
	last    *call // the last call that the far end cleared
	waiting *call // a second call, offered beside call
	loseBye bool  // responses to BYE are lost on the way out
	// state of the habits, see habit.go
	busyBy   time.Time
	tone     tone
	clearing int // the number of the current treatment
	down     bool
	message  bool
	seizures int
}

func openPort(out outbound, r *lineModel, h habit, offHookAfter time.Duration, say func(string)) (*port, error) {
	p := &port{out: out, lineModel: r, habit: h, offHookAfter: offHookAfter}
	u, err := openUA(out.user, p, say)
	if err != nil {
		return nil, err
	}
	p.ua = u
	u.login = credentials{out.user, out.password}
	r.onHook(func(c keysystem.Change) { u.post(func() { p.hook(c) }) })
	u.ask(func() {
		u.byeAfter, u.byeSilent = h.byeAfter, h.byeSilent
		u.drop = func(m *message) bool {
			if p.loseBye && m.status() >= 200 && m.method() == "BYE" {
				u.report("this response is lost")
				return true
			}
			return false
		}
		p.register(registerFor)
	})
	return p, nil
}

// register registers, or with 0 removes the registration (RFC 3261 section 10.2).
func (p *port) register(expires time.Duration) {
	aor := fmt.Sprintf("<sip:%s@%s>", p.out.user, p.out.domain)
	req := &message{start: fmt.Sprintf("REGISTER sip:%s SIP/2.0", p.out.domain)}
	req.add("Via", p.ua.via())
	req.add("Max-Forwards", "70")
	req.add("From", aor+";tag="+token())
	req.add("To", aor)
	req.add("Call-ID", token())
	req.add("CSeq", "1 REGISTER")
	req.add("Contact", p.ua.contact())
	req.add("Expires", fmt.Sprint(int(expires.Seconds())))
	req.add("User-Agent", "adapter of the rehearsal")
	p.ua.start(req, p.out.at, func(res *message) { p.registerAnswer(req, res) })
}

func (p *port) registerAnswer(req, res *message) {
	switch code := res.status(); {
	case code == 401 || code == 407:
		again, err := authorize(req, res, p.ua.login)
		if err != nil {
			p.setRegistered(false, err.Error())
			return
		}
		again.set("Via", p.ua.via())
		again.set("CSeq", "2 REGISTER")
		p.ua.start(again, p.out.at, func(res *message) { p.registerAnswer(again, res) })
	case code >= 300:
		p.setRegistered(false, fmt.Sprintf("REGISTER was answered %d", code))
	case code >= 200:
		p.setRegistered(req.get("Expires") != "0", "")
	}
}

func (p *port) setRegistered(is bool, trouble string) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.registered, p.trouble = is, trouble
}

// bound reports whether the port is registered, and if not, why.
func (p *port) bound() (ok bool, trouble string) {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.registered, p.trouble
}

// dial calls a number with the digits that the near end dialled. It does so only while the port sees the line off hook.
func (p *port) dial(number string) error {
	err := fmt.Errorf("the port sees the line on hook, or in a call, or accepts no digits, when %s is dialled", number)
	p.ua.ask(func() {
		if p.off && p.call == nil && p.tone.takesDigits() {
			p.endTreatment()
			p.call, err = p.ua.invite(number, p.out.domain, p.out.at)
		}
	})
	return err
}

// loseByeResponses sets whether responses to BYE get lost. Once they no longer do, the response to the next
// retransmission arrives.
func (p *port) loseByeResponses(lose bool) { p.ua.ask(func() { p.loseBye = lose }) }

// inCall reports whether an answered call is up.
func (p *port) inCall() (ok bool) {
	p.ua.ask(func() { ok = p.call != nil && p.call.confirmed && !p.call.over })
	return ok
}

// heard returns how many RTP packets were received in the current call.
func (p *port) heard() (n uint64) {
	p.ua.ask(func() {
		if p.call != nil && p.call.audio != nil {
			n = p.call.audio.heard.Load()
		}
	})
	return n
}

// close stops the port. It does not unregister.
func (p *port) close() {
	p.lineModel.onHook(func(keysystem.Change) {})
	p.ua.ask(func() {
		if p.call != nil {
			p.ua.forget(p.call)
		}
	})
	p.ua.close()
}

// addr returns the port's current SIP address.
func (p *port) addr() (at netip.AddrPort) {
	p.ua.ask(func() { at = p.ua.addr })
	return at
}

// free reports whether a new call would ring.
func (p *port) free() (ok bool) {
	p.ua.ask(func() { ok = !p.busy() })
	return ok
}

// rings reports whether an incoming call is ringing.
func (p *port) rings() (ok bool) {
	p.ua.ask(func() { ok = p.call != nil && p.call.in != nil && !p.call.confirmed })
	return ok
}

// hook handles a change that the hook detector saw.
func (p *port) hook(c keysystem.Change) {
	if p.down {
		return
	}
	switch c.Kind {
	case keysystem.PortSeized:
		p.off = true
		if p.call != nil && p.call.in != nil && !p.call.confirmed {
			p.lineModel.ringing(false)
			p.call.answer()
			return
		}
		p.leftOffHook()
	case keysystem.PortOnHook:
		p.onHook()
	case keysystem.PortFlash:
		p.flashed(c)
	}
}

// leftOffHook calls offHookNumber if no number is dialled for offHookAfter.
func (p *port) leftOffHook() {
	p.seizures++
	of := p.seizures
	if p.offHookAfter == 0 {
		return
	}
	p.ua.after(p.offHookAfter, func() {
		if p.off && p.call == nil && p.seizures == of {
			p.ua.report("the line is left off hook: calls %s", offHookNumber)
			// if no socket can be opened, there is no call
			p.call, _ = p.ua.invite(offHookNumber, p.out.domain, p.out.at)
		}
	})
}

func (p *port) onHook() {
	p.off = false
	p.seizures++
	p.busyBy = time.Now().Add(p.habit.busyFor)
	p.endTreatment()
	if p.call != nil {
		p.call.hangUp()
		p.call = nil
	}
	if p.waiting != nil { // the waiting call rings now
		p.call, p.waiting = p.waiting, nil
		p.lineModel.ringing(true)
	}
	p.splash()
}

func (p *port) offered(c *call) {
	switch {
	case p.busy():
		c.refuse(486)
	case p.call != nil:
		p.waiting = c
		p.ua.report("signals call waiting to the near end")
		c.ring()
	default:
		p.call = c
		c.ring()
		p.lineModel.ringing(true)
	}
}

func (p *port) ringing(*call)  {}
func (p *port) answered(*call) {}

func (p *port) ended(c *call, how string) {
	switch {
	case p.waiting == c:
		p.waiting = nil
	case p.call == c:
		p.call, p.last = nil, c
		p.lineModel.ringing(false)
		if how == "BYE" && p.off {
			p.deny()
			p.beginTreatment()
		}
	}
}

// busy reports whether a new call would be refused.
func (p *port) busy() bool {
	if p.habit.waiting && p.call != nil && p.call.confirmed {
		return p.waiting != nil
	}
	return p.off || p.call != nil || time.Now().Before(p.busyBy)
}

func (p *port) available() int {
	switch {
	case p.habit.always != 0:
		return p.habit.always
	case p.busy():
		return 486
	default:
		return 200
	}
}
