//go:build linux

package interop

import (
	"bytes"
	"flag"
	"fmt"
	"net"
	"net/netip"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

var vanishing = flag.Bool("vanishing", false,
	"192 calls through kamailio whose far ends are killed, or whose service is cut off or restarted; takes 7 min")

// cable acts as the network between the daemon and its service, and can be cut. It is a NAT that rewrites SIP too:
// kamailio sees the daemon at the cable's inner port, and the daemon sees kamailio at the outer one. All ports here
// have five digits, so no message changes its length.
type cable struct {
	outer, inner *net.UDPConn
	isCut        atomic.Bool
	lost         atomic.Int64 // datagrams that were not forwarded
	registered   atomic.Int64 // answers 200 to REGISTER
}

// newCable places a cable between the service's port as the daemon knows it, and kamailio's real port.
func newCable(r *testBed, inner, service int) *cable {
	t := r.t
	t.Helper()
	listen := func(port int) *net.UDPConn {
		c, err := net.ListenUDP("udp4", net.UDPAddrFromAddrPort(netip.MustParseAddrPort(at(port))))
		require.NoError(t, err)
		return c
	}
	c := &cable{outer: listen(r.far), inner: listen(inner)}
	var carrying sync.WaitGroup
	carry := func(from, to *net.UDPConn, target int, old, now string) {
		carrying.Go(func() {
			for b, target := make([]byte, 65535), netip.MustParseAddrPort(at(target)); ; {
				n, err := from.Read(b)
				switch {
				case err != nil && !isTemporary(err):
					return
				case err != nil:
				case c.isCut.Load():
					c.lost.Add(1)
				default:
					if m := (message{text: string(b[:n])}); m.is("SIP/2.0 200", "REGISTER") {
						c.registered.Add(1)
					}
					// Nothing may listen there.
					_, _ = to.WriteToUDPAddrPort(bytes.ReplaceAll(b[:n], []byte(old), []byte(now)), target)
				}
			}
		})
	}
	carry(c.outer, c.inner, service, at(r.servicePort), at(inner))
	carry(c.inner, c.outer, r.servicePort, at(inner), at(r.servicePort))
	t.Cleanup(func() { c.outer.Close(); c.inner.Close(); carrying.Wait() })
	return c
}

// betweenRules make kamailio a proxy with digest authentication that stays in the route of every call. The number
// dialled is 55501NM. M selects the far end, and N the proxy's own answer to OPTIONS in a call, whatever the far end
// does.
const betweenRules = `debug=1
log_stderror=yes
fork=yes
children=2
tcp_children=1
dns=no
rev_dns=no
auto_aliases=no
server_header="Server: service.millrace.example"
listen=udp:%[1]s advertise %[2]s
listen=udp:%[3]s
listen=tcp:%[3]s
loadmodule "tm.so"
loadmodule "sl.so"
loadmodule "rr.so"
loadmodule "pv.so"
loadmodule "maxfwd.so"
loadmodule "textops.so"
loadmodule "siputils.so"
loadmodule "usrloc.so"
loadmodule "registrar.so"
loadmodule "auth.so"
modparam("auth", "qop", "auth")
modparam("tm", "fr_timer", 5000)

request_route {
	if (!mf_process_maxfwd_header("10")) { sl_send_reply("483", "Too Many Hops"); exit; }
	if (is_method("CANCEL")) {
		if (t_check_trans()) { t_relay(); }
		exit;
	}
	if (has_totag()) {
		if (is_method("OPTIONS") && $(tU{s.substr,5,1}) == "1") { sl_send_reply("481", "Call/Transaction Does Not Exist"); exit; }
		if (is_method("OPTIONS") && $(tU{s.substr,5,1}) == "2") { sl_send_reply("405", "Method Not Allowed"); exit; }
		if (is_method("OPTIONS") && $(tU{s.substr,5,1}) == "3") { sl_send_reply("408", "Request Timeout"); exit; }
		if (loose_route()) {
			t_relay();
		} else if (is_method("ACK") && t_check_trans()) {
			t_relay();
		} else if (!is_method("ACK")) {
			sl_send_reply("404", "Not here");
		}
		exit;
	}
	t_check_trans();
	if (is_method("REGISTER")) {
		if (!pv_www_authenticate("millrace.example", "%[4]s", "0")) { www_challenge("millrace.example", "1"); exit; }
		save("location");
		exit;
	}
	if (is_method("INVITE")) {
		if (!pv_proxy_authenticate("millrace.example", "%[4]s", "0")) { proxy_challenge("millrace.example", "1"); exit; }
		consume_credentials();
		$fs = "udp:%[3]s";
		record_route();
		$rd = "%[5]s";
		$rp = %[6]d + $(rU{s.substr,6,1}{s.int});
		t_relay();
		exit;
	}
	sl_send_reply("405", "Method Not Allowed");
}
`

// sessionHabits are the far ends' reactions to the session timer that is offered to them (RFC 4028): they accept it,
// refuse it by 422, or do not support it. The first also support UPDATE.
var sessionHabits = []string{"takes a timer", "refuses a timer", "knows no timer"}

// inCallForLong is a far end that accepts a call and then every request that a service's leg may get in it.
func inCallForLong(habit string) step {
	invited := step(`<recv request="INVITE"/>` + "\n")
	allow, session := "Allow: INVITE, ACK, BYE, CANCEL, OPTIONS\n", ""
	switch habit {
	case sessionHabits[0]:
		allow = "Allow: INVITE, ACK, BYE, CANCEL, OPTIONS, UPDATE\n"
		session = "Require: timer\nSession-Expires: 240;refresher=uac\n"
	case sessionHabits[1]:
		invited = join(invited, send("SIP/2.0 422 Session Interval Too Small\n"+fmt.Sprintf(copied,
			ownTag)+"Min-SE: 90\n"+noBody),
			request("ACK"), step(`<recv request="INVITE"/>`+"\n"))
	}
	ok := func(tag, more string) string {
		return "SIP/2.0 200 OK\n" + fmt.Sprintf(copied, tag) + ownContact + allow + more
	}
	recorded := strings.Replace(ok(ownTag, session), ownContact, "[last_Record-Route:]\n"+ownContact, 1)
	on := func(text string) step { return step("<send next=\"up\"><![CDATA[\n" + text + "\n]]></send>\n") }
	return join(invited, sendRepeated(recorded+sdp("sendrecv", 1)), request("ACK"),
		`<label id="up"/>`+"\n<nop/>\n",
		`<recv request="ACK" optional="true" next="up"/>`+"\n",
		`<recv request="OPTIONS" optional="true" next="plain"/>`+"\n",
		`<recv request="UPDATE" optional="true" next="update"/>`+"\n",
		`<recv request="INVITE" optional="true" next="again"/>`+"\n",
		request("BYE"), send("SIP/2.0 200 OK\n"+fmt.Sprintf(copied, "")+noBody), `<nop next="end"/>`+"\n",
		`<label id="plain"/>`+"\n", on(ok("", "")+noBody),
		`<label id="update"/>`+"\n", on(ok("", session)+noBody),
		`<label id="again"/>`+"\n", on(ok("", session)+sdp("sendrecv", 1)),
		`<label id="end"/>`+"\n<nop/>\n")
}

// A heldCall is a call of the near end, held at a key telephone: its adapter signals nothing and keeps sending media.
type heldCall struct {
	line, habit string
	dies        bool
	talk        *callSide
	voice       *voice         // nil: media passes directly
	to          netip.AddrPort // the destination of its sound

	mu    sync.Mutex
	ended time.Time // when the adapter got the BYE
	heard int       // packets from the far end, at the last check
}

// vanishingTest is one daemon behind one kamailio, with 48 calls, and the faults that happen to them. Times count from
// the moment when all calls are up.
type vanishingTest struct {
	dies         time.Duration // when half of the far ends die
	cut, back    time.Duration // when the cable is cut, and when it is back
	restart      time.Duration // when kamailio restarts
	r            *testBed
	k            *kamailio
	cable        *cable
	parties      map[bool][]*party // the far ends; true: those that die
	calls        []*heldCall
	began, freed time.Time // when all calls were up; when the 200 s began
}

// optionsSays are the answers to OPTIONS in the call; "": that of the far end.
var optionsSays = []string{"", "481", "405", "408"}

// vanishedBound is the bound of SAFETY.md S95.
const vanishedBound = 200 * time.Second

// TestVanishing: half of the far ends are killed, in calls of each kind: media relayed and direct, session timers
// accepted, refused and not supported, a service that answers OPTIONS in calls or rejects it with 481, 405 or 408.
// Meanwhile kamailio, which stands between, is restarted or cut off. No hold is left 200 s after the far end died or
// the service came back, and no other call is ended.
func TestVanishing(t *testing.T) {
	if !*vanishing {
		t.Skip("takes 7 min; -vanishing runs it")
	}
	for name, w := range map[string]vanishingTest{
		"far ends killed":    {dies: 20 * time.Second},
		"cut off for 30 s":   {dies: 30 * time.Second, cut: 15 * time.Second, back: 45 * time.Second},
		"cut off for 120 s":  {dies: 60 * time.Second, cut: 15 * time.Second, back: 135 * time.Second},
		"kamailio restarted": {dies: 25 * time.Second, restart: 30 * time.Second},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			w.begin(t)
			w.run()
			w.check()
			w.r.d.Signal(syscall.SIGTERM)
			require.Zero(t, w.r.ended(20*time.Second))
		})
	}
}

// begin makes all calls.
func (w *vanishingTest) begin(t *testing.T) {
	var lines []lineSetup
	for i := range 16 { // the number of the board's coils
		lines = append(lines, lineSetup{name: fmt.Sprintf("%s-%d", boxOffice, i), coil: i, register: true,
			direct:   i&1 != 0,
			interval: 300 * time.Millisecond, policy: quickPolicy, more: unwatched})
	}
	w.parties = map[bool][]*party{}
	w.r = newTestBed(t, setup{lines: lines, quiet: true, media: 160, before: w.between})
	eventually(t, 10*time.Second, "every line is registered",
		func() bool { return int(w.cable.registered.Load()) == len(lines) })
	for i, l := range lines {
		w.hold(l, optionsSays[i>>1&3], i>>1&3, i&8 != 0)
	}
	w.began = time.Now()
}

// between starts the cable, kamailio and the far ends.
func (w *vanishingTest) between(r *testBed) {
	// The cable's inner port, kamailio's two, and the far ends'.
	first := freePorts(r.t, 10)
	w.r, r.echo, r.lasting = r, true, 10*time.Minute
	w.cable = newCable(r, first, first+1)
	w.k = newKamailio(r, func(string) string {
		return fmt.Sprintf(betweenRules, at(first+1), at(r.far), at(first+2), password, testAddress(), first+4)
	}, first+2)
	for i, habit := range sessionHabits {
		for _, dies := range []bool{true, false} {
			port := first + 4 + i
			if dies {
				port += len(sessionHabits)
			}
			r.mu.Lock()
			p := r.beginMany(strings.ReplaceAll(habit, " ", "-"), "555-0101", port, 0, 1000, inCallForLong(habit))
			r.mu.Unlock()
			p.behind = true
			w.parties[dies] = append(w.parties[dies], p)
		}
	}
}

// hold makes the calls of one line, one to each far end.
func (w *vanishingTest) hold(l lineSetup, options string, n int, dies bool) {
	r, from := w.r, len(w.calls)
	near := r.peer("near", 1, r.adapters[l.name], r.adapterPort)
	for i, habit := range sessionHabits {
		c := &heldCall{line: l.name, habit: fmt.Sprintf("%s, direct %t, OPTIONS %s", habit, l.direct, options),
			dies: dies}
		if dies {
			i += len(sessionHabits)
		}
		at := near.at
		if !l.direct {
			c.voice = r.voice(1, uint32(len(w.calls)+1))
			at = c.voice.at
		}
		c.talk = near.begins(l.name, fmt.Sprintf("sip:55501%d%d@%s", n, i, near.to))
		c.talk.request("INVITE", described(at))
		challenge := c.talk.response("INVITE")
		require.Equal(r.t, "401", c.talk.refused(challenge))
		c.talk.request("INVITE", described(at), answersChallenge(challenge, "INVITE", c.talk.uri, l.name, password))
		c.to = c.talk.up(c.talk.response("INVITE")).media(r.t)
		w.calls = append(w.calls, c)
	}
	var attending sync.WaitGroup
	own := w.calls[from:]
	attending.Go(func() { attend(near, own) })
	r.t.Cleanup(func() { near.conn.Close(); attending.Wait() })
}

// attend plays the adapter in its calls, until its socket is closed.
func attend(near *peer, calls []*heldCall) {
	for m := range near.in {
		if strings.HasPrefix(m.text, "SIP/2.0") || m.is("ACK", "ACK") {
			continue
		}
		near.replies(m, "200 OK", "")
		if !m.is("BYE", "BYE") {
			continue
		}
		for _, c := range calls {
			if c.talk.mine(m) {
				c.mu.Lock()
				if c.ended.IsZero() {
					c.ended = m.at
				}
				c.mu.Unlock()
			}
		}
	}
}

// run causes the faults and waits until 20 s after the last hold must have cleared.
func (w *vanishingTest) run() {
	happens := map[time.Duration]func(){
		w.dies: func() {
			for _, p := range w.parties[true] {
				p.Kill()
			}
		},
		w.cut:     func() { w.cable.isCut.Store(true) },
		w.back:    func() { w.cable.isCut.Store(false) },
		w.restart: func() { w.k.Kill(); w.k.start() },
	}
	delete(happens, 0)
	last := max(w.dies, w.back, w.restart)
	end := last + vanishedBound + 20*time.Second
	for tick := time.NewTicker(100 * time.Millisecond); ; <-tick.C { // the adapters send sound at each tick
		now := time.Since(w.began)
		for at, f := range happens {
			if now >= at {
				delete(happens, at)
				if f(); at == last {
					w.freed = time.Now()
				}
			}
		}
		for _, c := range w.calls {
			if c.voice != nil {
				c.voice.says(1, c.to)
			}
		}
		switch {
		case now < end-10*time.Second:
			for _, c := range w.calls {
				if c.voice != nil {
					c.heard = c.voice.of(nil)
				}
			}
		case now >= end:
			tick.Stop()
			return
		}
	}
}

func (w *vanishingTest) check() {
	t := w.r.t
	var took []time.Duration
	for i, c := range w.calls {
		c.mu.Lock()
		ended := c.ended
		c.mu.Unlock()
		switch {
		case !c.dies && !ended.IsZero():
			t.Errorf("%s (%s) was ended %v after the beginning, though its far end is there", c.line, c.habit,
				ended.Sub(w.began))
		case !c.dies && c.voice != nil && c.voice.of(nil) == c.heard:
			t.Errorf("%s (%s): the far end's sound no longer arrives", c.line, c.habit)
		case c.dies && ended.IsZero():
			t.Errorf("%s (%s): the hold stayed", c.line, c.habit)
		case c.dies && ended.Before(w.began.Add(w.dies)):
			t.Errorf("%s (%s) was ended %v before its far end died", c.line, c.habit, w.began.Add(w.dies).Sub(ended))
		case c.dies && ended.Sub(w.freed) > vanishedBound:
			t.Errorf("%s (%s) was ended after %v", c.line, c.habit, ended.Sub(w.freed))
		case c.dies:
			took = append(took, ended.Sub(w.freed))
		}
		if i%len(sessionHabits) == 0 {
			if n := len(w.r.board.openings(t, i/len(sessionHabits))); c.dies != (n > 0) {
				t.Errorf("%s, whose far ends die: %t, was opened %d times", c.line, c.dies, n)
			}
		}
	}
	slices.Sort(took)
	if len(took) > 0 {
		t.Logf("%d calls, %d far ends died; cleared %v to %v later, half within %v; %d datagrams lost", len(w.calls),
			len(took),
			took[0].Round(time.Second), took[len(took)-1].Round(time.Second), took[len(took)/2].Round(time.Second),
			w.cable.lost.Load())
	}
}
