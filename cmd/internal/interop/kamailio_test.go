//go:build linux

package interop

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"clearback/bridge/programtest"
)

// kamailio is an independent SIP server in the place of the service. It is a registrar and a proxy that challenges,
// records its route in every call, and writes down all messages that it sends and receives.
type kamailio struct {
	r    *testBed
	port int    // the last port that it opens
	dump string // the folder of its trace
	*programtest.Process
}

// serviceRules configure such a service, in kamailio's own language.
const serviceRules = `debug=1
log_stderror=yes
fork=yes
children=2
tcp_children=2
dns=no
rev_dns=no
auto_aliases=no
server_header="Server: service.millrace.example"
listen=udp:%[1]s
listen=tcp:%[1]s
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
loadmodule "sipdump.so"
modparam("auth", "algorithm", "%[3]s")
modparam("auth", "qop", "auth")
modparam("sipdump", "enable", 1)
modparam("sipdump", "mode", 1)
modparam("sipdump", "wait", 20)
modparam("sipdump", "folder", "%[2]s")
modparam("tm", "fr_timer", 5000)

request_route {
	if (!mf_process_maxfwd_header("10")) { sl_send_reply("483", "Too Many Hops"); exit; }
	if (is_method("CANCEL")) {
		if (t_check_trans()) { t_relay(); }
		exit;
	}
	if (has_totag()) {
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
		if ($fU != "5550110" && !pv_www_authenticate("millrace.example", "%[4]s", "0")) { www_challenge("millrace.example", "1"); exit; }
		save("location");
		exit;
	}
	if (is_method("INVITE")) {
		if ($fU != "5550110" && !pv_proxy_authenticate("millrace.example", "%[4]s", "0")) { proxy_challenge("millrace.example", "1"); exit; }
		if (is_present_hf("Proxy-Authorization")) { consume_credentials(); }
		record_route();
		if (!lookup("location")) { sl_send_reply("404", "Not Found"); exit; }
		t_relay();
		exit;
	}
	sl_send_reply("405", "Method Not Allowed");
}
`

// startKamailio starts kamailio at the service's port. Every user has the password of the lines. The telephone 5550110
// is local and not challenged, because it supports no algorithm but MD5.
func startKamailio(r *testBed, algorithm string) *kamailio {
	r.t.Helper()
	return newKamailio(r, func(dump string) string {
		return fmt.Sprintf(serviceRules, at(r.far), dump, algorithm, password)
	}, r.far)
}

// newKamailio starts kamailio with rules, which may name the folder of its trace. Kamailio is up when it serves port.
func newKamailio(r *testBed, rules func(dump string) string, port int) *kamailio {
	t := r.t
	t.Helper()
	need(t, "kamailio")
	k := &kamailio{r: r, port: port, dump: filepath.Join(r.dir, "service")}
	require.NoError(t, os.Mkdir(k.dump, 0o700))
	require.NoError(t, os.WriteFile(k.rules(), []byte(rules(k.dump)), 0o600))
	t.Cleanup(func() {
		k.stop()
		if t.Failed() {
			t.Logf("kamailio:\n%s", k.Output())
			for _, m := range k.messages() {
				t.Logf("kamailio, %s sent: %t\n%s", m.at.Format("15:04:05.000000"), m.sent, m.text)
			}
		}
	})
	k.start()
	return k
}

func (k *kamailio) rules() string { return filepath.Join(k.dump, "rules") }

// start starts kamailio, for the first time or again.
func (k *kamailio) start() {
	k.r.t.Helper()
	cmd := exec.Command("kamailio", "-DD", "-E", "-m", "16", "-M", "2", "-f", k.rules(), "-Y", k.dump, "-P",
		filepath.Join(k.dump, "pid"))
	cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true} // it starts several processes
	k.Process = programtest.Launch(k.r.t, cmd)            // stop ends it
	eventually(k.r.t, 10*time.Second, "kamailio has its ports",
		func() bool { return bound("udp", k.port) && bound("tcp", k.port) })
}

// stop ends kamailio, and by force what has not ended within 3 s.
func (k *kamailio) stop() {
	k.Stop(3 * time.Second)
	k.Kill()
}

var (
	dumpHead  = regexp.MustCompile(`(?s)====================\ntag: (\w+)\n.*?\ntime: (\d+)\.(\d+)\n.*?\nsrcport: (\d+)\n.*?\ndstport: (\d+)\n~~~~~~~~~~~~~~~~~~~~\n(.*?)\|\|\|\|\|\|\|\|\|\|\|\|\|\|\|\|\|\|\|\|\n`)
	viaSentBy = regexp.MustCompile(`^SIP/2\.0/\w+ [^;]*:(\d+)`)
)

// messages returns all messages so far between kamailio and the daemon.
func (k *kamailio) messages() []message {
	var text strings.Builder
	files, _ := filepath.Glob(filepath.Join(k.dump, "kamailio*"))
	for _, f := range files {
		b, _ := os.ReadFile(f)
		text.Write(b)
	}
	daemons := map[string]bool{strconv.Itoa(k.r.servicePort): true} // with the ports of its own connections
	var all []message
	for _, m := range dumpHead.FindAllStringSubmatch(text.String(), -1) {
		sec, _ := strconv.ParseInt(m[2], 10, 64)
		usec, _ := strconv.ParseInt(m[3], 10, 64)
		is := message{time.Unix(sec, usec*1000), m[1] == "snd", m[6]}
		peer := m[4]
		if is.sent {
			peer = m[5]
		} else if by := viaSentBy.FindStringSubmatch(is.header("Via")); by != nil && daemons[by[1]] {
			daemons[peer] = true
		}
		if daemons[peer] {
			all = append(all, is)
		}
	}
	return all
}

// await waits for a message between kamailio and the daemon whose first line begins with begin and whose CSeq ends with
// cseq.
func (k *kamailio) await(what string, sent bool, begin, cseq string) message {
	k.r.t.Helper()
	var found message
	eventually(k.r.t, 10*time.Second, "kamailio: "+what, func() bool {
		for _, m := range k.messages() {
			if m.sent == sent && strings.HasPrefix(m.text, begin) && strings.HasSuffix(m.header("CSeq"), cseq) {
				found = m
				return true
			}
		}
		return false
	})
	return found
}

// requireLint checks all messages that the daemon sent to kamailio. Package conformance checks the route of each
// request within a dialog (RFC 3261 section 12.2.1.1). requireLint checks that there were such requests.
func (k *kamailio) requireLint(byes int) {
	t := k.r.t
	t.Helper()
	all := k.messages()
	require.Empty(t, traceOf(all).Faults())
	within := map[string]int{}
	for _, m := range all {
		if !m.sent && group(tagOf, m.header("To")) != "" && strings.Contains(m.header("Route"), at(k.r.far)) {
			method, _, _ := strings.Cut(m.text, " ")
			within[method]++
		}
	}
	require.GreaterOrEqual(t, within["BYE"], byes, "BYE with a route: %v", within)
	require.NotZero(t, within["INVITE"], "re-INVITE with a route: %v", within)
	require.NotZero(t, within["ACK"], "ACK with a route: %v", within)
}

// TestThroughKamailio: the daemon's line is an account at a proxy that requires digest authentication and stays in the
// route of its calls.
func TestThroughKamailio(t *testing.T) {
	for name, s := range map[string]struct {
		tcp       bool
		algorithm string
	}{"udp": {false, "MD5"}, "tcp": {true, "SHA-256"}} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			var k *kamailio
			r := newTestBed(t, setup{tcp: s.tcp, before: func(r *testBed) { k = startKamailio(r, s.algorithm) },
				lines: []lineSetup{{name: boxOffice, register: true, interval: 300 * time.Millisecond,
					policy: quickPolicy}}})
			parameter := ";transport=" + name
			k.await("the line is registered", true, "SIP/2.0 200", "REGISTER")
			require.Contains(t, k.await("with digest", false, "REGISTER", "2 REGISTER").header("Authorization"),
				"algorithm="+s.algorithm)
			phone := r.startPhone("telephone", fmt.Sprintf("<sip:5550110@%s%s>;regint=60;audio_codecs=pcmu", at(r.far),
				parameter))
			r.calledThroughKamailio(k, phone)
			r.callsThroughKamailio(k, phone)
			k.requireLint(1)
		})
	}
}

// calledThroughKamailio makes calls from the far end: one that it holds and clears, a rejected one and a cancelled one.
func (r *testBed) calledThroughKamailio(k *kamailio, phone *baresip) {
	r.t.Helper()
	near := r.adapterWaits(boxOffice, heldAnswered(0))
	phone.do("dial", boxOffice)
	phone.event("CALL_ESTABLISHED")
	near.gave("ACK", "ACK") // the ACK of the hold
	phone.do("hangup", "")
	near.ok()
	o := r.board.once(r.t, 0)
	requireInterval(r.t, 300*time.Millisecond, o)
	require.Less(r.t, o.begin.Sub(near.gave("SIP/2.0 200", "BYE").at), r.soon(), "opened late")
	bye := k.await("the far end's BYE goes to the line", true, "BYE", "BYE")
	require.Less(r.t, o.begin.Sub(bye.at), r.soon(), "from the BYE to the opening")
	eventually(r.t, 5*time.Second, "the guard time is over", func() bool {
		return strings.Contains(r.d.Output(),
			"report interrupted")
	})

	near = r.adapterWaits(boxOffice, offered(0), rejects(486, "Busy Here"))
	phone.do("dial", boxOffice)
	near.ok()
	phone.event("CALL_CLOSED")
	k.await("486 to the far end", false, "SIP/2.0 486", "INVITE")

	near = r.adapterWaits(boxOffice, offered(0), cancelled())
	phone.do("dial", boxOffice)
	near.gave("SIP/2.0 180", "INVITE")
	phone.event("CALL_RINGING")
	phone.do("hangup", "")
	near.ok()
	k.await("487 to the far end", false, "SIP/2.0 487", "INVITE")
	require.Len(r.t, r.board.openings(r.t, 0), 1)
}

// callsThroughKamailio makes calls from the near end. The proxy challenges them with 407.
func (r *testBed) callsThroughKamailio(k *kamailio, phone *baresip) {
	r.t.Helper()
	near := r.adapter(boxOffice, callsChallenged("5550110"), connected(2), holds(3), pause(50*time.Millisecond),
		clears(4))
	phone.event("CALL_INCOMING")
	phone.do("accept", "")
	phone.event("CALL_ESTABLISHED")
	near.ok()
	phone.event("CALL_CLOSED")
	asked := k.await("407 to the line", true, "SIP/2.0 407", "INVITE")
	require.Contains(r.t, asked.header("Proxy-Authenticate"), "millrace.example")
	k.await("credentials", false, "INVITE sip:5550110", "2 INVITE")

	near = r.adapter(boxOffice, callsChallenged("5550110"), optional(100), response(180), sendCancelOf("5550110", 2),
		response(200), response(487), ackRejection("5550110", 2))
	phone.event("CALL_INCOMING")
	near.ok()
	phone.event("CALL_CLOSED")
	near = r.adapter(boxOffice, callsChallenged("5550110"), rejected("5550110", 486, 2))
	phone.event("CALL_INCOMING")
	phone.do("hangup", "")
	near.ok()
	require.Len(r.t, r.board.openings(r.t, 0), 1)
}
