package rehearsal

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"net/netip"
	"strconv"
	"strings"
	"time"
)

// domain is the domain of the PBX and its digest realm.
const domain = "pbx.millrace.example"

// pbx is the service: a registrar (RFC 3261 section 10) and a record-routing stateless proxy (section 16.11). It
// identifies lines by their passwords and far ends by their addresses.
type pbx struct {
	*socket

	// owned by the goroutine of the inbox
	passwords map[string]string         // of the lines, by number
	bindings  map[string]string         // contact URI of a registered line
	elsewhere map[string]netip.AddrPort // far ends, by number
	nonces    map[string]bool
	slow      map[netip.AddrPort]time.Duration // delay of each BYE from that address
}

func openPBX() (*pbx, error) {
	p := &pbx{
		passwords: map[string]string{}, bindings: map[string]string{}, elsewhere: map[string]netip.AddrPort{},
		nonces: map[string]bool{}, slow: map[netip.AddrPort]time.Duration{},
	}
	ready := make(chan struct{})
	s, err := openSocket(func(m *message, from netip.AddrPort) { <-ready; p.take(m, from) })
	if err != nil {
		return nil, err
	}
	p.socket = s
	close(ready)
	return p, nil
}

func (p *pbx) addLine(number, password string) { p.ask(func() { p.passwords[number] = password }) }

func (p *pbx) addFarEnd(number string, at netip.AddrPort) { p.ask(func() { p.elsewhere[number] = at }) }

// bound reports whether the line is registered.
func (p *pbx) bound(number string) (ok bool) {
	p.ask(func() { _, ok = p.bindings[number] })
	return ok
}

// notify sends a port a notification of a waiting message (RFC 3842) without a subscription (common practice).
func (p *pbx) notify(at netip.AddrPort) {
	req := &message{start: fmt.Sprintf("NOTIFY sip:%s SIP/2.0", at), body: []byte("Messages-Waiting: yes\r\n")}
	req.add("Via", fmt.Sprintf("SIP/2.0/UDP %s;branch=z9hG4bK%s", p.addr, token()))
	req.add("Max-Forwards", "70")
	req.add("From", "<sip:messages@"+domain+">;tag="+token())
	req.add("To", fmt.Sprintf("<sip:%s>", at))
	req.add("Call-ID", token())
	req.add("CSeq", "1 NOTIFY")
	req.add("Contact", fmt.Sprintf("<sip:%s>", p.addr))
	req.add("Event", "message-summary")
	req.add("Subscription-State", "active")
	req.add("Content-Type", "application/simple-message-summary")
	p.ask(func() { p.send(req, at) })
}

func (p *pbx) take(m *message, from netip.AddrPort) {
	switch {
	case m.isResponse():
		p.back(m)
	case m.method() == "REGISTER":
		p.register(m, from)
	case m.method() == "BYE" && p.slow[from] > 0:
		p.after(p.slow[from], func() { p.forward(m, from) })
	default:
		p.forward(m, from)
	}
}

// delayBye delays each BYE of a far end.
func (p *pbx) delayBye(number string, d time.Duration) {
	p.ask(func() { p.slow[p.elsewhere[number]] = d })
}

// back sends a response back the way the request came (RFC 3261 section 16.7, RFC 3581).
func (p *pbx) back(m *message) {
	m.pop("Via")
	via := m.get("Via")
	if via == "" {
		return // the response was for the PBX itself
	}
	host := strings.TrimSpace(strings.SplitN(strings.TrimPrefix(via, "SIP/2.0/UDP "), ";", 2)[0])
	at, err := netip.ParseAddrPort(host)
	if port, err2 := strconv.ParseUint(param(via, "rport"), 10, 16); err2 == nil {
		if ip, err3 := netip.ParseAddr(param(via, "received")); err3 == nil {
			at, err = netip.AddrPortFrom(ip, uint16(port)), nil
		}
	}
	if err == nil {
		p.send(m, at)
	}
}

func (p *pbx) answer(m *message, from netip.AddrPort, code int, fields ...field) {
	res := m.reply(code, reason(code), "pbx")
	res.fields = append(res.fields, fields...)
	p.send(res, from)
}

func (p *pbx) password(user string) (string, bool) {
	s, ok := p.passwords[user]
	return s, ok
}

func (p *pbx) nonce() string {
	n := token()
	p.nonces[n] = true
	return n
}

func (p *pbx) register(m *message, from netip.AddrPort) {
	number := userOf(uriOf(m.get("To")))
	user, ok := authorized(m, domain, p.nonces, p.password)
	switch {
	case !ok:
		p.answer(m, from, 401, field{"WWW-Authenticate", challenge(domain, p.nonce())})
		return
	case user != number:
		p.answer(m, from, 403)
		return
	}
	contact := m.get("Contact")
	expires := param(contact, "expires")
	if expires == "" {
		expires = m.get("Expires")
	}
	if expires == "" {
		expires = "3600" // RFC 3261 section 10.2.1.1
	}
	if contact == "*" || expires == "0" {
		delete(p.bindings, number)
		p.answer(m, from, 200)
		return
	}
	p.bindings[number] = uriOf(contact)
	p.answer(m, from, 200, field{"Contact", "<" + uriOf(contact) + ">;expires=" + expires})
}

// forward forwards a request (RFC 3261 sections 16.3 to 16.6).
func (p *pbx) forward(m *message, from netip.AddrPort) {
	if m.method() == "ACK" && param(m.get("To"), "tag") == "pbx" {
		return // the ACK of a failure response that the PBX sent itself
	}
	hops, err := strconv.Atoi(m.get("Max-Forwards"))
	if err != nil {
		hops = 70
	}
	if hops == 0 {
		p.answer(m, from, 483)
		return
	}
	out := m.clone()
	out.set("Max-Forwards", fmt.Sprint(hops-1))
	if via := out.get("Via"); hasParam(via, "rport") {
		out.set("Via", strings.Replace(via, ";rport", fmt.Sprintf(";received=%s;rport=%d", from.Addr(), from.Port()),
			1))
	}
	if r := out.get("Route"); r != "" && hostOf(uriOf(r)) == p.addr.String() {
		out.pop("Route")
	}
	to, code := p.route(out, from)
	if code != 0 {
		if m.method() != "ACK" {
			var more []field
			if code == 407 {
				more = []field{{"Proxy-Authenticate", challenge(domain, p.nonce())}}
			}
			p.answer(m, from, code, more...)
		}
		return
	}
	// the same for a retransmission, its CANCEL and its ACK (section 16.11)
	sum := sha256.Sum256([]byte(m.branch() + to.String()))
	out.push("Via", fmt.Sprintf("SIP/2.0/UDP %s;branch=z9hG4bKp%s", p.addr, hex.EncodeToString(sum[:10])))
	if m.method() == "INVITE" {
		out.push("Record-Route", fmt.Sprintf("<sip:%s;lr>", p.addr))
	}
	p.send(out, to)
}

// route returns the next hop, and may rewrite the Request-URI. A code other than 0 means that the request has to be
// rejected with that status.
func (p *pbx) route(out *message, from netip.AddrPort) (to netip.AddrPort, code int) {
	if r := out.get("Route"); r != "" {
		if a, ok := addrOf(uriOf(r)); ok {
			return a, 0
		}
	}
	host := hostOf(out.uri())
	if host != domain && host != p.addr.String() {
		if a, ok := addrOf(out.uri()); ok {
			return a, 0
		}
		return to, 404
	}
	number := userOf(out.uri())
	if out.method() == "INVITE" && number != emergencyNumber && !p.known(out, from) {
		return to, 407
	}
	if a, ok := p.elsewhere[number]; ok {
		out.setURI(fmt.Sprintf("sip:%s@%s", number, a))
		return a, 0
	}
	if uri, ok := p.bindings[number]; ok {
		if a, literal := addrOf(uri); literal {
			out.setURI(uri)
			return a, 0
		}
	}
	if _, ok := p.passwords[number]; ok {
		return to, 480
	}
	return to, 404
}

// known reports whether the caller is a far end, or a line with the right password.
func (p *pbx) known(m *message, from netip.AddrPort) bool {
	for _, a := range p.elsewhere {
		if a == from {
			return true
		}
	}
	_, ok := authorized(m, domain, p.nonces, p.password)
	return ok
}
