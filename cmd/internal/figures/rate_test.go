//go:build linux

package figures

import (
	"bufio"
	"bytes"
	"fmt"
	"net"
	"net/netip"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"clearback/bridge/programtest"
)

// callers is a helper process that makes and takes calls as fast as possible, a fixed number at a time. Each call is
// answered at once, acknowledged, and cleared by the called party. That is the near end, so no loop opens.
type callers struct {
	*helper
	near netip.AddrPort // where it takes calls
	far  netip.AddrPort // where it makes calls from
}

func newCallers(t testing.TB, near, far netip.Addr) *callers {
	t.Helper()
	c := &callers{helper: startHelper(t, "callers", "x", near.String(), far.String())}
	_, err := fmt.Sscan(c.line(t), portOf(&c.near, near), portOf(&c.far, far))
	require.NoError(t, err)
	return c
}

// rate is the result of one round of calls.
type rate struct {
	calls, lost  int
	perSecond    float64
	setUp, worst time.Duration // from INVITE to 200: median and 99th percentile
}

// run makes calls to that many lines at a time, for that long.
func (c *callers) run(t testing.TB, to netip.AddrPort, many int, length time.Duration) rate {
	t.Helper()
	fmt.Fprintln(c.Input, to, many, length.Milliseconds())
	var r rate
	_, err := fmt.Sscan(c.line(t), &r.calls, &r.lost, &r.perSecond, &r.setUp, &r.worst)
	require.NoError(t, err)
	return r
}

type calling struct {
	near, far *net.UDPConn

	mu      sync.Mutex
	to      netip.AddrPort
	begun   map[string]time.Time // when each unanswered call began, by Call-ID
	answers map[string][]byte    // near's answer to each call, by Call-ID
	byes    map[string]datagram  // near's BYE after the ACK, by Call-ID
	took    samples
	seq     int
	// Call-IDs of ended calls, with room for the largest number of calls at a time.
	freed chan string
}

type datagram struct {
	text []byte
	to   netip.AddrPort
}

const mostAtATime = 100

func callersHelper() int {
	listen := func(addr string) *net.UDPConn {
		c, err := net.ListenUDP("udp4", net.UDPAddrFromAddrPort(netip.AddrPortFrom(netip.MustParseAddr(addr), 0)))
		if err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
		_ = c.SetReadBuffer(1 << 20)
		return c
	}
	c := &calling{near: listen(os.Args[2]), far: listen(os.Args[3]), begun: map[string]time.Time{},
		answers: map[string][]byte{}, byes: map[string]datagram{}, freed: make(chan string, mostAtATime)}
	fmt.Println(c.near.LocalAddr().(*net.UDPAddr).Port, c.far.LocalAddr().(*net.UDPAddr).Port)
	go read(c.near, c.atNear)
	go read(c.far, c.atFar)
	for in := bufio.NewScanner(os.Stdin); in.Scan(); {
		var to string
		var many, length int
		_, _ = fmt.Sscan(in.Text(), &to, &many, &length)
		c.run(netip.MustParseAddrPort(to), many, time.Duration(length)*time.Millisecond)
	}
	return 0
}

func read(c *net.UDPConn, handle func(m []byte, from netip.AddrPort)) {
	buf := make([]byte, 65536)
	for {
		n, from, err := c.ReadFromUDPAddrPort(buf)
		if err != nil {
			return
		}
		handle(buf[:n], from)
	}
}

// mostCalls is the number of calls that ends a round. The daemon keeps answered transactions for 32 s, at most 4,096
// for one address, and the five rounds of a measurement must stay below that. It corresponds to 64 calls a second
// without an end.
const mostCalls = 350

// run keeps many calls up at a time, each on a line of its own.
func (c *calling) run(to netip.AddrPort, many int, length time.Duration) {
	c.mu.Lock()
	c.to, c.took = to, nil
	c.mu.Unlock()
	line := map[string]int{}
	begin := time.Now()
	for i := range many {
		line[c.call(i)] = i
	}
	end, lost, begun := time.After(length), 0, many
	for over := false; len(line) > 0; {
		select {
		case <-end:
			over = true
		case id := <-c.freed:
			i, ok := line[id]
			delete(line, id)
			if ok && !over {
				line[c.call(i)] = i
				begun++
				over = begun >= mostCalls
			}
		case <-time.After(3 * time.Second):
			lost = len(line)
			clear(line)
		}
	}
	spent := time.Since(begin)
	c.mu.Lock()
	defer c.mu.Unlock()
	if lost > 0 {
		spent -= 3 * time.Second
	}
	clear(c.begun)
	clear(c.answers)
	clear(c.byes)
	fmt.Println(len(c.took), lost, float64(len(c.took))/spent.Seconds(), int64(c.took.quantile(50)),
		int64(c.took.quantile(99)))
}

func (c *calling) call(line int) string {
	c.mu.Lock()
	c.seq++
	id, to := fmt.Sprintf("rate-%d-%d", os.Getpid(), c.seq), c.to
	c.begun[id] = time.Now()
	c.mu.Unlock()
	at := c.far.LocalAddr()
	body := description(netip.AddrPortFrom(at.(*net.UDPAddr).AddrPort().Addr(), 20000)) // nothing listens there
	_, _ = c.far.WriteToUDPAddrPort(fmt.Appendf(nil,
		"INVITE sip:%s@%v SIP/2.0\r\nVia: SIP/2.0/UDP %v;branch=z9hG4bK%s;rport\r\nMax-Forwards: 70\r\n"+
			"From: <sip:555-0199@%v>;tag=f\r\nTo: <sip:%s@%v>\r\nCall-ID: %s\r\nCSeq: 1 INVITE\r\nContact: <sip:far@%v>\r\nContent-Type: application/sdp\r\n"+
			"Content-Length: %d\r\n\r\n%s", user(line), to, at, id, at, user(line), to, id, at, len(body), body), to)
	return id
}

// within returns a request within a dialog. It goes along the route if there is one, otherwise to the dialog's target.
func within(method string, route []string, target, at, branch, from, to, id string, cseq int) datagram {
	next := target
	head := fmt.Sprintf("%s %s SIP/2.0\r\nVia: SIP/2.0/UDP %s;branch=z9hG4bK%s;rport\r\nMax-Forwards: 70\r\n", method,
		target, at, branch)
	for _, r := range route {
		head += "Route: " + r + "\r\n"
		next = strings.Trim(r, "<>")
	}
	_, next, _ = strings.Cut(next, ":")
	next, _, _ = strings.Cut(next, ";")
	_, after, ok := strings.Cut(next, "@")
	if ok {
		next = after
	}
	where, _ := netip.ParseAddrPort(next)
	return datagram{fmt.Appendf(nil, "%sFrom: %s\r\nTo: %s\r\nCall-ID: %s\r\nCSeq: %d %s\r\nContent-Length: 0\r\n\r\n",
		head, from, to, id, cseq, method), where}
}

// atFar acknowledges answers and answers BYEs.
func (c *calling) atFar(m []byte, from netip.AddrPort) {
	method, code := first(m)
	id := header(m, "Call-ID")
	switch {
	case method == "SIP/2.0" && code == "200" && strings.HasSuffix(header(m, "CSeq"), "INVITE"):
		c.mu.Lock()
		if at, ok := c.begun[id]; ok {
			c.took = append(c.took, time.Since(at))
			delete(c.begun, id)
		}
		c.mu.Unlock()
		ack := within("ACK", headers(m, "Record-Route"), bracketed(header(m, "Contact")), c.far.LocalAddr().String(),
			id+"a", header(m, "From"), header(m, "To"), id, 1)
		_, _ = c.far.WriteToUDPAddrPort(ack.text, ack.to)
	case method == "BYE":
		_, _ = c.far.WriteToUDPAddrPort(response(m, "200 OK", "", "", ""), from)
		select {
		case c.freed <- id:
		default: // a repetition of an ended call's message
		}
	}
}

// atNear answers calls at once and clears them when they are acknowledged.
func (c *calling) atNear(m []byte, from netip.AddrPort) {
	at := c.near.LocalAddr().String()
	id := header(m, "Call-ID")
	switch method, _ := first(m); method {
	case "INVITE":
		c.mu.Lock()
		defer c.mu.Unlock()
		answer, again := c.answers[id]
		if !again {
			route := headers(m, "Record-Route")
			answer = response(m, "200 OK", "n"+id, "sip:near@"+at, description(netip.MustParseAddrPort(at)))
			if len(route) > 0 {
				answer = bytes.Replace(answer, []byte("Contact: "), []byte("Record-Route: "+strings.Join(route,
					"\r\nRecord-Route: ")+"\r\nContact: "), 1)
			}
			c.answers[id] = answer
			c.byes[id] = within("BYE", route, bracketed(header(m, "Contact")), at, id+"b", header(m, "To")+";tag=n"+id,
				header(m, "From"), id, 1)
		}
		_, _ = c.near.WriteToUDPAddrPort(answer, from)
	case "ACK":
		c.mu.Lock()
		bye, ok := c.byes[id]
		delete(c.byes, id)
		c.mu.Unlock()
		if ok {
			_, _ = c.near.WriteToUDPAddrPort(bye.text, bye.to)
		}
	}
}

// proxyRules configure kamailio as the same hop: it keeps transactions, records its route and authenticates nobody.
const proxyRules = `debug=1
log_stderror=yes
fork=yes
children=2
disable_tcp=yes
dns=no
rev_dns=no
auto_aliases=no
listen=udp:%[1]v
loadmodule "tm.so"
loadmodule "sl.so"
loadmodule "rr.so"
loadmodule "pv.so"
loadmodule "maxfwd.so"
loadmodule "siputils.so"
request_route {
	if (!mf_process_maxfwd_header("10")) { exit; }
	if (has_totag()) {
		if (loose_route()) { t_relay(); }
		exit;
	}
	if (method == "OPTIONS") { sl_send_reply("200", "OK"); exit; }
	record_route();
	$du = "sip:%[2]v";
	t_relay();
}
`

// startKamailio starts kamailio as a proxy that sends calls to next. It returns no processes if kamailio is not
// installed.
func startKamailio(t testing.TB, at, next netip.AddrPort) (pids []int) {
	t.Helper()
	if _, err := exec.LookPath("kamailio"); err != nil && os.Getenv("CI") == "" {
		t.Log("kamailio is missing, so its figures are too")
		return nil
	}
	programtest.Need(t, "kamailio", "kamailio")
	dir := t.TempDir()
	file := filepath.Join(dir, "rules")
	require.NoError(t, os.WriteFile(file, fmt.Appendf(nil, proxyRules, at, next), 0o600))
	cmd := exec.Command("kamailio", "-DD", "-E", "-m", "256", "-M", "8", "-f", file, "-Y", dir, "-P",
		filepath.Join(dir, "pid"))
	cmd.SysProcAttr = &syscall.SysProcAttr{Setsid: true} // it starts several processes
	p := programtest.Launch(t, cmd)
	t.Cleanup(func() {
		p.Stop(testTimeout)
		p.Kill() // what has not ended by then
		if t.Failed() {
			t.Logf("kamailio: %s", p.Output())
		}
	})
	c, err := net.ListenUDP("udp4", net.UDPAddrFromAddrPort(netip.AddrPortFrom(at.Addr(), 0)))
	require.NoError(t, err)
	defer c.Close()
	buf := make([]byte, 2048)
	for limit := time.Now().Add(testTimeout); time.Now().Before(limit); {
		_, _ = c.WriteToUDPAddrPort(fmt.Appendf(nil,
			"OPTIONS sip:%v SIP/2.0\r\nVia: SIP/2.0/UDP %v;branch=z9hG4bKhello\r\nFrom: <sip:a@b>;tag=1\r\nTo: <sip:a@b>\r\n"+
				"Call-ID: hello\r\nCSeq: 1 OPTIONS\r\nMax-Forwards: 5\r\nContent-Length: 0\r\n\r\n", at, c.LocalAddr()),
			at)
		_ = c.SetReadDeadline(time.Now().Add(50 * time.Millisecond))
		if _, _, err := c.ReadFromUDPAddrPort(buf); err == nil {
			return append(childrenOf(t, cmd.Process.Pid), cmd.Process.Pid)
		}
	}
	t.Fatal("kamailio does not answer")
	return nil
}

// childrenOf lists the child processes of a process (proc(5), /proc/PID/task/PID/children).
func childrenOf(t testing.TB, pid int) []int {
	b, err := os.ReadFile(fmt.Sprintf("/proc/%d/task/%d/children", pid, pid))
	require.NoError(t, err)
	var all []int
	for _, f := range strings.Fields(string(b)) {
		n, err := strconv.Atoi(f)
		require.NoError(t, err)
		all = append(all, n)
	}
	return all
}

// TestCalls measures calls a second, and the time that a hop adds until a call is up. It compares, in turns, the daemon
// (media direct), a bare proxy made of the SIP library's own parts, and kamailio. Limit: in the median of the rounds,
// the daemon makes 0.4 times the bare proxy's calls a second. It has no control socket, so it saves no calls.
func TestCalls(t *testing.T) {
	skipUnlessFigures(t)
	measureCalls(t, "calls a second, 32 at a time", "none", 0.4)
}

// TestCallsSaved is TestCalls for a daemon that saves each call in memory, as under the service unit, whose control
// socket is in /run.
func TestCallsSaved(t *testing.T) {
	skipUnlessFigures(t)
	measureCalls(t, "calls a second, 32 at a time, saved", socketInMemory(t), 0.3)
}

func measureCalls(t *testing.T, name, control string, least float64) {
	const lines = 100
	h := newTestBedOf(t, testBedSetup{lines: lines, journal: true, direct: true, byItself: true, control: control})
	c := h.callers
	proxy := startHelper(t, "proxy", "x", h.addr(9).String(), c.near.String())
	var proxyAt netip.AddrPort
	_, err := fmt.Sscan(proxy.line(t), portOf(&proxyAt, h.addr(9)))
	require.NoError(t, err)
	type hop struct {
		name          string
		at            netip.AddrPort
		one, many     []rate
		setUp, perSec float64 // medians
	}
	hops := []*hop{{name: "direct", at: c.near}, {name: "daemon", at: h.x.daemon}, {name: "bare proxy", at: proxyAt}}
	pids := []int{h.pid(), c.pid(), proxy.pid()}
	at := netip.AddrPortFrom(h.addr(10), 5062)
	if more := startKamailio(t, at, c.near); len(more) > 0 {
		hops = append(hops, &hop{name: "kamailio", at: at})
		pids = append(pids, more...)
	}
	w := newWatch(t, pids...)
	w.loaded = true
	length := time.Duration(count(1500, 400)) * time.Millisecond
	for range count(5, 3) {
		for _, p := range hops {
			p.one = append(p.one, c.run(t, p.at, 1, length/3))
			p.many = append(p.many, c.run(t, p.at, 32, length))
		}
	}
	v := w.verdict()
	for _, p := range hops {
		p.setUp = medianOf(p.one, func(r rate) float64 { return float64(r.setUp) / 1e3 })
		p.perSec = medianOf(p.many, func(r rate) float64 { return r.perSecond })
		lost := 0
		for _, r := range append(p.one, p.many...) {
			lost += r.lost
		}
		t.Logf("%-10s  %6.0f calls/s of 32 at a time; one at a time: INVITE to 200 p50 %4.0f us (+%.0f), p99 %5.0f us; %d calls lost",
			p.name, p.perSec, p.setUp, p.setUp-hops[0].setUp,
			medianOf(p.one, func(r rate) float64 { return float64(r.worst) / 1e3 }), lost)
		v.add(figure{name: "calls lost, " + p.name, value: float64(lost), bound: atMost(0), always: p.name == "daemon"})
	}
	daemon := hops[1]
	for i, p := range hops[2:] { // the bare proxy first
		var b bound
		if i == 0 {
			b = atLeastTimes(least)
		}
		v.add(figure{name: name, value: daemon.perSec, baseline: baseline{p.name, p.perSec},
			bound: b})
		v.add(figure{name: "INVITE to 200, one call at a time, p50", value: daemon.setUp, unit: "us",
			baseline: baseline{p.name, p.setUp}})
	}
}

func medianOf(all []rate, of func(rate) float64) float64 {
	var v []float64
	for _, r := range all {
		v = append(v, of(r))
	}
	slices.Sort(v)
	return v[len(v)/2]
}
