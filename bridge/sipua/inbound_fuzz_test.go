package sipua

import (
	"bytes"
	"context"
	"fmt"
	"net"
	"net/netip"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/emiago/sipgo/sip"
	"go.uber.org/zap"
	"go.uber.org/zap/zapcore"
	"go.uber.org/zap/zaptest/observer"

	"clearback/bridge/sipua/endpoint"
	"clearback/bridge/sipua/endpoint/endpointtest"
	"clearback/bridge/sipua/uatest"
	"clearback/supervision"
)

// fuzzParties are the parties of FuzzInbound. The first byte of a datagram selects its sender.
var fuzzParties = map[byte]netip.AddrPort{
	'a': netip.MustParseAddrPort("192.0.2.10:5060"), 's': netip.MustParseAddrPort("192.0.2.2:5060"),
	'x': netip.MustParseAddrPort("192.0.2.99:5060"),
}

// fuzzSeeds returns datagrams with placeholders for values that only the agent knows: {id}, {own} and {peer} are the
// Call-ID and tags of the call that is up, on the sender's side.
func fuzzSeeds() [][]byte {
	head := func(start, to, cseq string, more ...string) string {
		return strings.Join(append([]string{start, "Via: SIP/2.0/UDP 192.0.2.10:5060;branch=z9hG4bK1;rport",
			"From: <sip:p@192.0.2.10>;tag={peer}", "To: <sip:u@192.0.2.1>" + to,
			"Call-ID: {id}", "CSeq: " + cseq, "Max-Forwards: 70", "Contact: <sip:p@192.0.2.10>"}, more...), "\r\n") +
			"\r\n"
	}
	body := uatest.Offer("192.0.2.10", 40000, "sendonly")
	sdp := fmt.Sprintf("Content-Type: application/sdp\r\nContent-Length: %d\r\n\r\n%s", len(body), body)
	in := ";tag={own}"
	var seeds [][]byte
	for _, s := range []string{
		"a" + head("BYE sip:u@192.0.2.1 SIP/2.0", in, "9 BYE") + "\r\n",
		"s" + head("BYE sip:u@192.0.2.1 SIP/2.0", in, "9 BYE", "Reason: Q.850;cause=16") + "\r\n",
		"x" + head("BYE sip:u@192.0.2.1 SIP/2.0", in, "9 BYE") + "\r\n",
		"a" + head("INVITE sip:u@192.0.2.1 SIP/2.0", in, "9 INVITE") + sdp,
		"a" + head("UPDATE sip:u@192.0.2.1 SIP/2.0", in, "9 UPDATE", "Session-Expires: 90") + sdp + "\x00s" +
			head("UPDATE sip:u@192.0.2.1 SIP/2.0", in, "9 UPDATE") + "\r\n",
		"a" + head("REFER sip:u@192.0.2.1 SIP/2.0", in, "9 REFER",
			"Refer-To: <sip:5550102@192.0.2.1?Replaces={id}%3Bto-tag%3D{own}%3Bfrom-tag%3D{peer}>") + "\r\n",
		"s" + head("NOTIFY sip:u@192.0.2.1 SIP/2.0", in, "9 NOTIFY", "Event: refer", "Subscription-State: active") +
			"\r\n",
		"a" + head("INFO sip:u@192.0.2.1 SIP/2.0", in, "9 INFO", "Content-Type: application/dtmf-relay",
			"Content-Length: 9") + "\r\nSignal=16",
		"a" + head("PRACK sip:u@192.0.2.1 SIP/2.0", in, "9 PRACK", "RAck: 1 1 INVITE") + "\r\n",
		"a" + head("INVITE sip:5550102@192.0.2.1 SIP/2.0", "", "1 INVITE", "Supported: 100rel, timer",
			"Session-Expires: 90") + sdp + "\x00a" + head("CANCEL sip:5550102@192.0.2.1 SIP/2.0", "", "1 CANCEL") +
			"\r\n",
		"s" + head("INVITE sip:5550100@192.0.2.1 SIP/2.0", "", "1 INVITE") + sdp,
		"s" + head("NOTIFY sip:5550100@192.0.2.1 SIP/2.0", "", "1 NOTIFY", "Event: message-summary",
			"Subscription-State: active", "Content-Type: application/simple-message-summary", "Content-Length: 21") +
			"\r\nMessages-Waiting: yes",
		"a" + head("REGISTER sip:192.0.2.1 SIP/2.0", "", "1 REGISTER", "Expires: 60",
			`Authorization: Digest username="u", realm="r", nonce="n", uri="sip:192.0.2.1", response="0"`) + "\r\n",
		"a" + head("SUBSCRIBE sip:u@192.0.2.1 SIP/2.0", "", "1 SUBSCRIBE", "Event: message-summary", "Expires: 60") +
			"\r\n",
		"s" + head("SIP/2.0 200 OK", in, "1 INVITE") + sdp,
	} {
		seeds = append(seeds, []byte(s))
	}
	return seeds
}

// FuzzInbound sends datagrams from any party, also into a call that is up, through the whole inbound path in virtual
// time. Nothing panics, a stranger ends no call, and after a long silence nothing is left of the datagrams.
func FuzzInbound(f *testing.F) {
	for _, s := range fuzzSeeds() {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		if len(data) > 8000 {
			return
		}
		synctest.Test(t, func(t *testing.T) { fuzzInbound(t, data) })
	})
}

// fuzzBed is an agent on a network in memory, with a call that is up.
type fuzzBed struct {
	agent  *Agent
	ledger *eventLedger
	logged *observer.ObservedLogs
	net    *endpointtest.Network
	ends   map[byte]*endpointtest.Socket
	to     map[byte]netip.AddrPort
	places map[byte]map[string]string
}

func newFuzzBed(t *testing.T, settings ...setting) *fuzzBed {
	core, logged := observer.New(zapcore.ErrorLevel)
	r := &fuzzBed{logged: logged, net: &endpointtest.Network{}, ends: map[byte]*endpointtest.Socket{}}
	host := netip.MustParseAddr("192.0.2.1")
	r.ledger = &eventLedger{open: map[supervision.CallID]supervision.EventKind{}, posted: map[singleEvent]bool{}}
	adapter, service := fuzzParties['a'], fuzzParties['s']
	o, times := Options{
		Realm: "millrace.example", Numbers: numbers(t), Logger: zap.New(core),
		packets: func(at netip.AddrPort) endpoint.Packets { return r.net.Listen(at) },
		lookup: func(_ context.Context, _, host string) ([]netip.Addr, error) {
			return nil, &net.DNSError{Name: host, IsNotFound: true}
		},
		Lines: []LineOptions{{
			Name: "box-office", Events: r.ledger, MaxCalls: 4, MessageWaiting: MessagesPass,
			SessionExpires: 30 * time.Minute,
			AdapterSocket:  Socket{Listen: netip.AddrPortFrom(host, 5060), UDP: true},
			ServiceSocket:  Socket{Listen: netip.AddrPortFrom(host, 5070), UDP: true},
			AdapterUser:    "port", AdapterFixed: &sip.Uri{Scheme: "sip", User: "port", Host: adapter.Addr().String(),
				Port: 5060},
			Registrar: sip.Uri{Scheme: "sip", Host: service.Addr().String(), Port: 5060}, ServiceUser: serviceUser,
			ServiceSecret: serviceSecret,
		}},
	}, defaultTimes()
	for _, s := range settings {
		s(&o, &times)
	}
	agent, err := start(o, times)
	if err != nil {
		t.Fatal(err)
	}
	r.agent, r.ledger.line = agent, agent.Line("box-office")
	r.to = map[byte]netip.AddrPort{'a': netip.AddrPortFrom(host, 5060), 's': netip.AddrPortFrom(host, 5070),
		'x': netip.AddrPortFrom(host, 5060)}
	for who, at := range fuzzParties {
		r.ends[who] = r.net.Listen(at)
	}
	r.places = fuzzCall(t, r.net, r.ends, r.to)
	return r
}

// close ends the remaining calls, and fails if anything stays.
func (r *fuzzBed) close(t *testing.T) {
	for _, c := range r.agent.up() {
		if !c.emergency { // an emergency call ends only by its ends, or when they vanish
			c.post(c.abandon)
		}
	}
	<-time.After(16 * time.Minute) // two checks of an emergency call's ends, and its BYEs
	synctest.Wait()
	r.agent.mu.Lock()
	for id := range r.agent.calls {
		t.Errorf("call %d stays", id)
	}
	if len(r.agent.calls) == 0 && len(r.agent.dialogs)+len(r.agent.invites)+len(r.agent.merged) > 0 {
		t.Errorf("left behind: %d dialogs, %d invites, %d merged", len(r.agent.dialogs), len(r.agent.invites),
			len(r.agent.merged))
	}
	r.agent.mu.Unlock()
	if err := r.agent.Close(); err != nil {
		t.Error(err)
	}
	for _, e := range r.ends {
		e.Close()
	}
	for _, e := range r.logged.All() {
		t.Errorf("%s: %v", e.Message, e.ContextMap())
	}
}

func fuzzInbound(t *testing.T, data []byte) {
	r := newFuzzBed(t)
	strangersOnly := true
	for one := range bytes.SplitSeq(data, []byte{0}) {
		if len(one) == 0 || !r.to[one[0]].IsValid() {
			continue
		}
		who := one[0]
		strangersOnly = strangersOnly && who == 'x'
		text := string(one[1:])
		for name, value := range r.places[who] {
			text = strings.ReplaceAll(text, name, value)
		}
		r.net.Send(fuzzParties[who], r.to[who], []byte(text))
		synctest.Wait()
		<-time.After(time.Millisecond)
	}
	<-time.After(2 * time.Hour) // every wait has ended
	synctest.Wait()
	if up := r.agent.call(1) != nil; strangersOnly && !up {
		t.Error("a stranger with the call's tags ended it")
	}
	r.close(t)
}

// FuzzDialog sends requests into a call that is up, from either side and from elsewhere. Each of their values is right
// or wrong independently. Six bytes are one request: sender, method, Call-ID, our tag, the peer's tag (even: right;
// otherwise the other side's or an invented one), CSeq. Only a request with all values right has an effect: the first
// right BYE ends the call, and nothing ends it earlier.
func FuzzDialog(f *testing.F) {
	f.Add([]byte{0, 0, 0, 0, 0, 9})
	f.Add([]byte{1, 0, 1, 0, 0, 9, 1, 0, 0, 3, 0, 9, 1, 0, 0, 0, 1, 9, 2, 0, 0, 0, 0, 9, 0, 0, 0, 0, 0, 9})
	f.Add([]byte{1, 2, 0, 0, 0, 9, 0, 3, 0, 0, 0, 1, 0, 4, 0, 0, 0, 200, 1, 5, 3, 0, 0, 9, 1, 0, 0, 0, 0, 1})
	f.Fuzz(func(t *testing.T, data []byte) {
		if len(data) > 6*50 {
			return
		}
		synctest.Test(t, func(t *testing.T) { fuzzDialog(t, data) })
	})
}

func fuzzDialog(t *testing.T, data []byte) {
	r := newFuzzBed(t)
	methods := []string{"BYE", "BYE", "INFO", "UPDATE", "MESSAGE", "CANCEL", "PRACK", "REFER", "NOTIFY", "ACK"}
	ended := false
	for n := 0; len(data) >= 6; n++ {
		who, method := "asx"[data[0]%3], methods[int(data[1])%len(methods)]
		other := map[byte]byte{'a': 's', 's': 'a', 'x': 's'}[who]
		right := who != 'x' && data[2]%2 == 0 && data[3]%2 == 0 && data[4]%2 == 0
		word := func(name string, how byte) string {
			switch {
			case how%2 == 0:
				return r.places[who][name]
			case how%4 == 1:
				return r.places[other][name]
			}
			return "nobodys"
		}
		from, text := fuzzParties[who], ""
		for _, line := range []string{
			method + " sip:u@192.0.2.1 SIP/2.0", fmt.Sprintf("Via: SIP/2.0/UDP %s;branch=z9hG4bKd%d;rport", from, n),
			"From: <sip:p@192.0.2.10>;tag=" + word("{peer}", data[4]),
			"To: <sip:u@192.0.2.1>;tag=" + word("{own}", data[3]), "Call-ID: " + word("{id}", data[2]),
			fmt.Sprintf("CSeq: %d %s", data[5], method),
			"Max-Forwards: 70", "Contact: <sip:p@" + from.String() + ">", "Refer-To: <sip:5550102@192.0.2.1>",
			"Event: refer", "RAck: 1 1 INVITE", "Content-Length: 0", "", "",
		} {
			text += line + "\r\n"
		}
		r.net.Send(from, r.to[who], []byte(strings.TrimSuffix(text, "\r\n")))
		synctest.Wait()
		ended = ended || right && method == "BYE"
		r.ledger.mu.Lock()
		cleared := r.ledger.cleared
		r.ledger.mu.Unlock()
		if cleared != ended {
			t.Errorf("request %d: the call's end was posted: %v; a right BYE came: %v", n, cleared, ended)
		}
		data = data[6:]
	}
	r.close(t)
}

// fuzzCall sets up an answered call from the service. It returns the values of the placeholders for each side.
func fuzzCall(t *testing.T, net *endpointtest.Network, ends map[byte]*endpointtest.Socket,
	to map[byte]netip.AddrPort) map[byte]map[string]string {
	say := func(who byte, lines []string, body string) {
		text := strings.Join(append(lines, "Content-Type: application/sdp",
			fmt.Sprintf("Content-Length: %d", len(body))), "\r\n") + "\r\n\r\n" + body
		net.Send(fuzzParties[who], to[who], []byte(text))
		synctest.Wait()
	}
	last := func(who byte) uatest.Message {
		var m uatest.Message
		for _, p := range ends[who].Waiting() {
			m = uatest.Parse(string(p.Data), p.From)
		}
		return m
	}
	sdp := uatest.Offer("192.0.2.10", 40000, "sendrecv")
	service := fuzzParties['s'].String()
	from, called, via := "From: <sip:5550150@"+service+">;tag=far", "<sip:"+serviceUser+"@192.0.2.1:5070>",
		"Via: SIP/2.0/UDP "+service+";branch=z9hG4bK"
	say('s', []string{"INVITE sip:" + serviceUser + "@192.0.2.1:5070 SIP/2.0", via + "call", from, "To: " + called,
		"Call-ID: up", "CSeq: 1 INVITE", "Contact: <sip:f@" + service + ">"}, sdp)
	inv := last('a')
	if !inv.Is("INVITE") {
		t.Fatalf("no call was offered: %v", inv)
	}
	say('a', []string{"SIP/2.0 200 OK", "Via: " + inv.Get("Via"), "From: " + inv.Get("From"), "To: " + inv.Get("To") +
		";tag=near", "Call-ID: " + inv.Get("Call-ID"),
		"CSeq: " + inv.Get("CSeq"), "Contact: <sip:p@" + fuzzParties['a'].String() + ">"}, sdp)
	ok := last('s')
	if !ok.Is("200") {
		t.Fatalf("no call was answered: %v", ok)
	}
	say('s', []string{"ACK " + uatest.URI(ok.Get("Contact")) + " SIP/2.0", via + "ack", from, "To: " + ok.Get("To"),
		"Call-ID: up", "CSeq: 1 ACK"}, "")
	tag := func(h string) string { _, v, _ := strings.Cut(h, ";tag="); return v }
	far := map[string]string{"{id}": "up", "{own}": tag(ok.Get("To")), "{peer}": "far"}
	near := map[string]string{"{id}": inv.Get("Call-ID"), "{own}": tag(inv.Get("From")), "{peer}": "near"}
	return map[byte]map[string]string{'s': far, 'a': near, 'x': near}
}
