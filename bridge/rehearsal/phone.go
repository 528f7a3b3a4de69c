package rehearsal

import "sync"

// phone is a far end: a subscriber whose address the PBX knows. Its methods may be called from any goroutine.
type phone struct {
	ua     *ua
	number string
	pbx    *pbx

	mu    sync.Mutex
	state phoneState // guarded by mu
	last  string     // guarded by mu: how the last call ended

	call *call // owned by the goroutine of the user agent's inbox
}

type phoneState uint8

const (
	phoneIdle phoneState = iota
	phoneCalling
	phoneRinging // the other side rings
	phoneTalking
	phoneCleared // the other side, or the network, ended the call
)

func openPhone(number string, p *pbx, say func(string)) (*phone, error) {
	f := &phone{number: number, pbx: p}
	u, err := openUA(number, f, say)
	if err != nil {
		return nil, err
	}
	f.ua = u
	u.ask(func() { u.sendsDate = true })
	p.addFarEnd(number, u.addr)
	return f, nil
}

func (f *phone) set(s phoneState, how string) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.state, f.last = s, how
}

// is reports whether the phone is in that state.
func (f *phone) is(s phoneState) bool {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.state == s
}

// ending returns how the last call ended: BYE, CANCEL or a status code.
func (f *phone) ending() string {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.last
}

// dial calls a number.
func (f *phone) dial(number string) (err error) {
	f.set(phoneCalling, "")
	f.ua.ask(func() { f.call, err = f.ua.invite(number, domain, f.pbx.addr) })
	return err
}

// hangUp ends the call that is up.
func (f *phone) hangUp() {
	f.ua.ask(func() {
		if f.call != nil && !f.call.over {
			f.call.hangUp()
			f.set(phoneIdle, "")
		}
	})
}

// heard returns how many RTP packets were received in the current call.
func (f *phone) heard() (n uint64) {
	f.ua.ask(func() {
		if f.call != nil && f.call.audio != nil {
			n = f.call.audio.heard.Load()
		}
	})
	return n
}

func (f *phone) close() {
	f.ua.ask(func() {
		if f.call != nil && !f.call.over {
			f.call.hangUp()
		}
	})
	f.ua.close()
}

func (f *phone) offered(c *call) {
	if f.call != nil && !f.call.over {
		c.refuse(486)
		return
	}
	f.call = c
	c.ring()
	c.answer()
	f.set(phoneTalking, "")
}

func (f *phone) ringing(*call)  { f.set(phoneRinging, "") }
func (f *phone) answered(*call) { f.set(phoneTalking, "") }

func (f *phone) ended(c *call, how string) {
	if f.call == c {
		f.set(phoneCleared, how)
	}
}

func (f *phone) available() int { return 200 }
func (f *phone) notified()      {}
