package sipua

import (
	"fmt"
	"net"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/emiago/sipgo/sip"

	"clearback/bridge/sipua/endpoint"
	"clearback/bridge/sipua/uatest"
	"clearback/supervision/dialplan"
)

// ask calls a whole URI from a peer on the adapter's side, without credentials unless extra has them.
func (h *testBed) ask(p *uatest.Peer, target string, extra ...string) *uatest.Dialog {
	h.t.Helper()
	return p.Call(target, "<sip:"+adapterUser+"@"+h.toAdapter.String()+">", h.toAdapter,
		uatest.Offer("127.0.0.1", nearSDP, "sendrecv"), extra...)
}

// withPassword calls a whole URI, and sends credentials after the challenge.
func (h *testBed) withPassword(p *uatest.Peer, target string) *uatest.Dialog {
	h.t.Helper()
	d := h.ask(p, target)
	m := p.ExpectFinal("401")
	d.AckFailure(m)
	d.Request("INVITE", uatest.Offer("127.0.0.1", nearSDP, "sendrecv"),
		authorization(h.t, "Authorization", m.Get("WWW-Authenticate"), "INVITE", target, adapterUser, adapterSecret))
	return d
}

// put checks that the next call at the service has only the number in its Request-URI, and ends the call.
func (h *testBed) put(near *uatest.Dialog, call int, number, event string) {
	h.t.Helper()
	near.P.ExpectOf("100", "INVITE")
	inv := h.service.Expect("INVITE")
	want := "sip:" + number + "@" + h.service.At.String()
	if strings.HasPrefix(number, "urn:") {
		want = number
	}
	if inv.Start != "INVITE "+want+" SIP/2.0" || inv.Get("To") != "<"+want+">" {
		h.t.Errorf("want %s, got %s, To: %s", want, inv.Start, inv.Get("To"))
	}
	h.service.Respond(inv, 486, "far", "")
	near.AckFailure(near.P.ExpectFinal("486"))
	h.service.Expect("ACK")
	h.machine.saw(fmt.Sprint(call, " requested", event), fmt.Sprint(call, " far end cleared: bye"),
		fmt.Sprint(call, " adapter leg cleared: confirmed"))
}

// refused checks that a call with credentials is refused.
func (h *testBed) refused(near *uatest.Dialog, call int) {
	h.t.Helper()
	near.AckFailure(near.P.ExpectFinal("403"))
	h.service.ExpectNothing(h.toService)
	h.machine.saw(fmt.Sprint(call, " requested"), fmt.Sprint(call, " far end cleared: not-allowed"),
		fmt.Sprint(call, " adapter leg cleared: confirmed"))
}

// few returns a dial plan without calls abroad.
func few(t *testing.T) setting {
	return dialPlan(t, dialplan.Options{Country: "GB", Allow: []string{"2xx", "555xxxx"}})
}

// A number that contains an emergency number is not one. It is challenged even from the line's own bound address, and
// refused. In contrast, a real emergency call passes without credentials, with only its digits.
func TestNumberContainingAnEmergencyNumber(t *testing.T) {
	t.Parallel()
	h := newTestBed(t, quickDateCheck, few(t), registering)
	h.register(h.adapter)
	at := "@" + h.toAdapter.String()
	call := 0
	for _, c := range []struct{ attack, need, digits string }{
		{"tel:+4930123456;rn=112", "tel:112;rn=+4930123456", "112"},
		{"sip:004930123456;rn=112" + at, "sip:112;rn=004930123456" + at, "112"},
		{"sip:004930123456%3Brn=112" + at, "sip:112%3Brn=004930123456" + at, "112"},
		{"sip:004930123456:112" + at, "sip:112:004930123456" + at + ";user=phone", "112"},
		{"sip:004930123456*112" + at, "sip:*82112" + at, "112"},
		{"sip:112*004930123456" + at, "sip:%31%31%32" + at, "112"},
		{"sip:112%23004930123456" + at, "sip:112%23" + at, "112"},
		{"sip:112#004930123456" + at, "sip:112#" + at, "112"},
		{"sip:*31*112%23004930123456" + at, "sip:*31*112%23" + at, "112"},
		{"sip:*31*112#004930123456" + at, "sip:*31#112" + at, "112"},
		{"sip:004930123456+44112" + at, "sip:+112" + at, "112"},
		{"sip:5559000*999" + at, "sip:9-9-9" + at, "999"},
		{"sip:141999*004930123456" + at, "sip:141999;user=x" + at, "999"},
		{"urn:service:sos;rn=004930123456", "URN:service:sos.Fire", "urn:service:sos.fire"},
	} {
		call++
		h.refused(h.withPassword(h.adapter, c.attack), call)
		call++
		h.put(h.ask(h.adapter, c.need), call, c.digits, " (emergency)")
	}
	h.done()
}

// Without a password at the adapter, a number that contains an emergency number is refused at once.
func TestNumberContainingAnEmergencyNumberWithoutPassword(t *testing.T) {
	t.Parallel()
	h := newTestBed(t, quickDateCheck, few(t), func(o *Options, _ *times) { o.Lines[0].AdapterSecret = "" })
	for i, attack := range []string{"sip:112*004930123456@", "sip:004930123456;rn=112@", "sip:5559000*999@",
		"sip:00999@"} {
		h.refused(h.ask(h.adapter, attack+h.toAdapter.String()), i+1)
	}
	h.done()
}

// An emergency number follows a digit that may be a missing prefix. If the line may not dial the whole number, it is an
// emergency call, with a note for the machine. If it may, the call is ordinary and the loop stays closed.
func TestEmergencyNumberBehindADigit(t *testing.T) {
	t.Parallel()
	h := newTestBed(t, quickDateCheck, few(t), registering)
	h.register(h.adapter)
	at := "@" + h.toAdapter.String()
	h.put(h.ask(h.adapter, "sip:9112;rn=+4930123456"+at), 1, "9112", " (emergency) number=unlisted-prefix")
	h.put(h.ask(h.adapter, "tel:0999"), 2, "0999", " (emergency) number=unlisted-prefix")
	h.refused(h.withPassword(h.adapter, "sip:9112*004930123456"+at), 3)
	h.refused(h.withPassword(h.adapter, "sip:99112"+at), 4)
	elsewhere := uatest.New(t, "elsewhere")
	h.put(h.withPassword(elsewhere, "sip:9112"+at), 5, "9112", " (emergency) number=unlisted-prefix")
	h.agent.Drain()
	h.put(h.ask(h.adapter, "sip:8112"+at), 6, "8112", " (emergency) number=unlisted-prefix")
	h.done()

	for _, plan := range []setting{dialPlan(t, dialplan.Options{Country: "GB", Allow: []string{"9xxx"}}),
		func(o *Options, _ *times) { o.Lines[0].Dial = nil }} {
		h = newTestBed(t, quickDateCheck, plan, registering)
		h.register(h.adapter)
		h.put(h.withPassword(h.adapter, "sip:9112@"+h.toAdapter.String()), 1, "9112", " number=resembles-emergency")
		h.put(h.ask(h.adapter, "sip:112@"+h.toAdapter.String()), 2, "112", " (emergency)")
		h.done()
	}
}

// A call to an allowed number that contains an emergency number is an ordinary call during which the loop stays closed.
// It needs credentials, takes one of the line's places, and is refused during shutdown.
func TestAllowedNumberContainingAnEmergencyNumber(t *testing.T) {
	t.Parallel()
	h := newTestBed(t, quickDateCheck, dialPlan(t, dialplan.Options{Country: "GB", Allow: []string{"555*"}}),
		registering, func(o *Options, _ *times) { o.Lines[0].MaxCalls = 1 })
	h.register(h.adapter)
	target := "sip:5559000*999@" + h.toAdapter.String()
	h.put(h.withPassword(h.adapter, target), 1, "5559000*999", " number=resembles-emergency")
	near := h.withPassword(h.adapter, target)
	h.adapter.ExpectOf("100", "INVITE")
	inv := h.service.Expect("INVITE")
	h.service.Respond(inv, 100, "", "")
	h.machine.saw("2 requested number=resembles-emergency")
	second := h.withPassword(h.adapter, target)
	second.AckFailure(h.adapter.ExpectFinal("486"))
	h.machine.saw("3 requested", "3 far end cleared: no-room", "3 adapter leg cleared: confirmed")
	h.service.Respond(inv, 486, "far", "")
	near.AckFailure(h.adapter.ExpectFinal("486"))
	h.service.Expect("ACK")
	h.machine.saw("2 far end cleared: bye", "2 adapter leg cleared: confirmed")
	h.agent.Drain()
	late := h.withPassword(h.adapter, target)
	late.AckFailure(h.adapter.ExpectFinal("503"))
	h.machine.saw("4 requested number=resembles-emergency", "4 far end cleared: shutdown",
		"4 adapter leg cleared: confirmed")
	h.done()
}

// A transfer to an emergency number passes as its digits. A number that contains one is left to the dial plan.
func TestTransferToEmergencyNumber(t *testing.T) {
	t.Parallel()
	h := newTestBed(t, few(t))
	c := h.incoming()
	for _, attack := range []string{"sip:004930123456;rn=112@pbx.example", "tel:+4930123456;rn=112",
		"sip:112*004930123456@pbx.example", "sip:5559000*999@pbx.example", "sip:9112@pbx.example"} {
		c.near.Request("REFER", "", "Refer-To: <"+attack+">")
		h.adapter.ExpectOf("403", "REFER")
	}
	for _, to := range []string{"sip:112;rn=+4930123456@pbx.example", "tel:112;rn=+4930123456",
		"sip:*31*112:0049@pbx.example;user=phone"} {
		refer := h.refer(c.near, "Refer-To: <"+to+">")
		is(t, refer, "Refer-To", "<sip:112@"+h.service.At.String()+">")
		h.service.Respond(refer, 486, "", "")
		h.adapter.ExpectOf("486", "REFER")
	}
	h.hangUp(c.near)
}

// Wrong passwords in emergency calls from another address count too, and soon even the right one is ignored. They get
// 503, at which an adapter tries its second server (RFC 3263 section 4.3); a second 401 would end the call. At the
// adapter's binding no password is asked for or checked. In contrast, at the adapter's host but another port, an
// emergency call passes without a password, even if guesses from there have blocked passwords.
func TestGuessingByEmergencyInvites(t *testing.T) {
	t.Parallel()
	h := newTestBed(t, quickDateCheck, registering)
	h.register(h.adapter)
	target := "sip:112@" + h.toAdapter.String()
	try := func(p *uatest.Peer, challenge uatest.Message, password string) *uatest.Dialog {
		return h.ask(p, target, authorization(t, "Authorization", challenge.Get("WWW-Authenticate"), "INVITE", target,
			adapterUser, password))
	}
	guess := func(p *uatest.Peer) uatest.Message {
		first := h.ask(p, target)
		challenge := p.ExpectFinal("401")
		first.AckFailure(challenge)
		for range 5 {
			d := try(p, challenge, "wrong")
			d.AckFailure(p.ExpectFinal("503"))
		}
		return challenge
	}
	next := uatest.New(t, "next port")
	h.put(try(next, guess(next), adapterSecret), 1, "112", " (emergency)")
	elsewhere := uatest.NewAt(t, "elsewhere", net.IPv4(127, 0, 0, 2))
	challenge := guess(elsewhere)
	if got := h.agent.Counts().Registrar.Wrong; got != 10 {
		t.Errorf("%d wrong passwords", got)
	}
	try(elsewhere, challenge, adapterSecret)
	elsewhere.ExpectNothing(h.toAdapter)
	h.service.ExpectNothing(h.toService)
	for call := range 6 {
		h.put(try(h.adapter, challenge, "wrong"), call+2, "112", " (emergency)")
	}
	h.register(h.adapter) // refreshes the registration
	if got := h.agent.Counts().Registrar.Wrong; got != 10 {
		t.Errorf("%d wrong passwords, want none where passwords are not checked", got)
	}
	h.done()
}

// Credentials for one number are not valid for another. An emergency call is not refused for that. From the adapter's
// binding credentials are not checked, and from elsewhere the right password suffices.
func TestEmergencyCallWithCredentialsForAnotherTarget(t *testing.T) {
	t.Parallel()
	h := newTestBed(t, quickDateCheck, registering)
	h.register(h.adapter)
	at := "@" + h.toAdapter.String()
	const captured = "sip:5550101"
	credentials := ""
	try := func(p *uatest.Peer, target string) *uatest.Dialog {
		d := h.ask(p, target)
		m := p.ExpectFinal("401")
		d.AckFailure(m)
		credentials = authorization(t, "Authorization", m.Get("WWW-Authenticate"), "INVITE", captured+at, adapterUser,
			adapterSecret)
		d.Request("INVITE", uatest.Offer("127.0.0.1", nearSDP, "sendrecv"), credentials)
		return d
	}
	d := try(h.adapter, "sip:5550102"+at)
	d.AckFailure(h.adapter.ExpectFinal("400"))
	h.service.ExpectNothing(h.toService)
	if n := h.agent.Counts().Registrar.WrongTarget; n != 1 {
		t.Errorf("%d counted", n)
	}
	h.put(try(h.adapter, captured+at), 1, "5550101", "")
	h.put(h.ask(h.adapter, "sip:112"+at, credentials), 2, "112", " (emergency)")
	h.put(try(uatest.New(t, "elsewhere"), "sip:112"+at), 3, "112", " (emergency)")
	h.done()
}

// A line may have three emergency calls at once from unverified addresses at the adapter's host. A fourth from the
// adapter's own address ends the newest that has neither rung nor been answered. The adapter's own always pass.
func TestEmergencyCallLimit(t *testing.T) {
	t.Parallel()
	h := newTestBed(t)
	forger := uatest.New(t, "forger")
	one, two, three := h.emergencyCallFrom(forger), h.emergencyCallFrom(forger), h.emergencyCallFrom(forger)
	h.machine.saw("1 requested (emergency)", "2 requested (emergency)", "3 requested (emergency)")
	full := func(call int) {
		t.Helper()
		d := h.ask(forger, "sip:112@"+h.toAdapter.String())
		m := forger.ExpectFinal("503")
		contains(t, m.String(), "Retry-After")
		d.AckFailure(m)
		h.machine.saw(fmt.Sprint(call, " requested (emergency)"), fmt.Sprint(call, " far end cleared: no-room"),
			fmt.Sprint(call, " adapter leg cleared: confirmed"))
		h.service.ExpectNothing(h.toService)
	}
	full(4)

	own := func(call int, givesWay *emergencyTestCall, other int) emergencyTestCall {
		t.Helper()
		d := h.ask(h.adapter, "sip:112@"+h.toAdapter.String())
		h.adapter.ExpectOf("100", "INVITE")
		if givesWay == nil {
			h.machine.saw(fmt.Sprint(call, " requested (emergency)"))
			inv := h.service.Expect("INVITE")
			h.service.Respond(inv, 100, "", "")
			h.service.ExpectNothing(h.toService)
			return emergencyTestCall{d, inv}
		}
		inv := h.preempted(givesWay)
		givesWay.near.AckFailure(forger.ExpectFinal("503"))
		h.machine.awaitEvent(fmt.Sprint(call, " requested (emergency)"), fmt.Sprint(other, " far end cleared: no-room"),
			fmt.Sprint(other, " adapter leg cleared: confirmed"))
		return emergencyTestCall{d, inv}
	}
	h.service.Respond(one.inv, 200, "far1", uatest.Offer("127.0.0.1", farSDP, "sendrecv"))
	h.service.Expect("ACK")
	one.near.Established(forger.Expect("200")).Ack("")
	h.machine.saw("1 answered")
	h.service.Respond(three.inv, 180, "far3", "")
	forger.Expect("180")
	calls := []emergencyTestCall{own(5, &two, 2), own(6, nil, 0), own(7, nil, 0), own(8, nil, 0)}
	full(9)

	// calls that have ended make room
	for i, c := range calls {
		h.service.Respond(c.inv, 486, "far", "")
		c.near.AckFailure(h.adapter.ExpectFinal("486"))
		h.service.Expect("ACK")
		h.machine.saw(fmt.Sprint(i+5, " far end cleared: bye"), fmt.Sprint(i+5, " adapter leg cleared: confirmed"))
	}
	ten := h.emergencyCallFrom(forger)
	h.machine.saw("10 requested (emergency)")
	own(11, &ten, 10)
	for _, c := range h.agent.up() {
		c.post(c.abandon) // nothing else ends an emergency call
	}
}

// A flood of refused emergency calls fills neither the record nor the log. The adapter's own call passes during the
// flood.
func TestReportsOfRefusedEmergencyCallsAreLimited(t *testing.T) {
	t.Parallel()
	h := newTestBed(t)
	forger := uatest.New(t, "forger")
	began := time.Now()
	var last emergencyTestCall
	for call := range maxEmergencyCalls {
		last = h.emergencyCallFrom(forger)
		h.machine.saw(fmt.Sprint(call+1, " requested (emergency)"))
	}
	const flood = 60
	for range flood {
		d := h.ask(forger, "sip:112@"+h.toAdapter.String())
		d.AckFailure(forger.ExpectFinal("503"))
	}
	h.ask(h.adapter, "sip:112@"+h.toAdapter.String())
	h.adapter.ExpectOf("100", "INVITE")
	h.preempted(&last)
	told, most := 0, maxUnknownReplies+1+int(time.Since(began)/unknownRepliesEvery)
	for {
		ev := <-h.machine.seen
		if strings.HasPrefix(ev, fmt.Sprint(maxEmergencyCalls+flood+1, " requested")) {
			break
		}
		if strings.HasSuffix(ev, "no-room") {
			told++
		}
	}
	if told < maxUnknownReplies || told > most {
		t.Errorf("%d of %d refused calls were reported, want %d to %d", told, flood, maxUnknownReplies, most)
	}
	if n := h.agent.Counts().TooManyCalls; n != flood {
		t.Errorf("%d counted, want %d", n, flood)
	}
	for _, c := range h.agent.up() {
		c.post(c.abandon)
	}
}

// An emergency call with credentials is never ended for another, whatever its source address.
func TestEmergencyCallWithCredentialsIsNotPreempted(t *testing.T) {
	t.Parallel()
	h := newTestBed(t, registering)
	h.register(h.adapter)
	elsewhere := uatest.New(t, "elsewhere")
	for call := range 5 {
		h.withPassword(elsewhere, "sip:112@"+h.toAdapter.String())
		elsewhere.ExpectOf("100", "INVITE")
		h.service.Respond(h.service.Expect("INVITE"), 100, "", "")
		h.machine.saw(fmt.Sprint(call+1, " requested (emergency)"))
	}
	h.service.ExpectNothing(h.toService)
	for _, c := range h.agent.up() {
		c.post(c.abandon)
	}
}

// A call that was to be ended for another stays if its 18x or 200 came meanwhile, and it still counts.
func TestPreemptionCrossesAnswer(t *testing.T) {
	t.Parallel()
	l := &Line{a: &Agent{}}
	posted := map[*call]func(){} // runs what was posted to a call
	waiting := func(trusted bool) *call {
		one := &call{a: l.a, line: l, emergency: true, trusted: trusted}
		one.mailbox = endpoint.NewSerial(func(run func()) { posted[one] = run }, func(v any) { t.Error(v) })
		one.mailbox.Begin()
		return one
	}
	a, b, c := waiting(false), waiting(false), waiting(false)
	for _, one := range []*call{a, b, c} {
		if !l.emergencyCalls.admit(one) {
			t.Fatal("not admitted")
		}
	}
	own := waiting(true)
	if l.emergencyCalls.admit(waiting(false)) || !l.emergencyCalls.admit(own) {
		t.Fatal("the wrong call was admitted")
	}
	if len(posted) != 1 || posted[c] == nil {
		t.Fatal("the call that is ended is not the newest")
	}
	c.progress.Store(true)
	posted[c]()
	if c.farCleared || !slices.Equal(l.emergencyCalls.calls, []*call{a, b, own, c}) {
		t.Fatalf("cleared: %v, calls: %d", c.farCleared, len(l.emergencyCalls.calls))
	}
	own.releasePlace()
	c.releasePlace()
	if !l.emergencyCalls.admit(waiting(false)) || l.emergencyCalls.admit(waiting(false)) {
		t.Fatal("a call that has ended does not make room for one")
	}
}

// Functions posted to a call before it begins wait for its first step. Once admitted the call may be ended for another,
// and the machine must learn of the call first.
func TestCallEventsWaitForItsBeginning(t *testing.T) {
	t.Parallel()
	h := newTestBed(t)
	c := h.agent.newCall(h.line, true, false)
	steps := make(chan string, 2) // one for each step
	c.post(func() { steps <- "posted" })
	leg := func() *leg { return &leg{c: c, s: h.line.adapter, callID: token(), dialog: &dialog{tag: token()}} }
	c.begin(&inviteForwarding{from: leg(), inviteAttempt: &inviteAttempt{to: leg()},
		r: &endpoint.Request{Request: sip.NewRequest(sip.INVITE, sip.Uri{})}}, func() { steps <- "first" })
	if first, second := <-steps, <-steps; first != "first" || second != "posted" {
		t.Errorf("%s, then %s", first, second)
	}
	h.agent.removeCall(c)
}

// Three forged emergency calls do not keep the adapter's own call from the line, in any order.
func TestCrossingEmergencyCalls(t *testing.T) {
	t.Parallel()
	h := newTestBed(t)
	forger := uatest.New(t, "forger")
	target := "sip:112@" + h.toAdapter.String()
	for range 6 {
		h.ask(forger, target)
		h.ask(h.adapter, target)
	}
	// a refused call gets no 100; the service is silent, so a failure may follow a 100
	for passed := 0; passed < 6; {
		if h.adapter.Next().Is("100") {
			passed++
		}
	}
	for _, c := range h.agent.up() {
		c.post(c.abandon)
	}
}
