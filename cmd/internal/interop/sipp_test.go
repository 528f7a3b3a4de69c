//go:build linux

package interop

import (
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"clearback/bridge/programtest"
	"clearback/bridge/sipua/rawtest"
)

// party is one run of SIPp.
type party struct {
	t    testing.TB
	name string
	base string // first part of the names of its files
	port int
	to   int // the port that it calls; 0: it waits
	// behind means that the party is behind a proxy, so that the messages it receives are not the daemon's.
	behind bool
	*programtest.Process
}

// message is one SIP message as SIPp recorded it.
type message struct {
	at   time.Time
	sent bool // SIPp sent it
	text string
}

// sipp starts SIPp with a scenario at a port. It acts for user. to is the port of its first request, 0 for a party that
// waits. SIPp gets ports of its own for media and for commands: of 200 runs, eight at a time, none failed. Without
// them, 172 of 200 ended at once with 254.
func (r *testBed) sipp(name, user string, port, to int, steps ...step) *party {
	r.t.Helper()
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.begin(name, user, port, to, steps...)
}

func (r *testBed) begin(name, user string, port, to int, steps ...step) *party {
	r.t.Helper()
	return r.beginMany(name, user, port, to, 1, steps...)
}

// beginMany starts SIPp for a number of calls. If it calls, it makes one call after another.
func (r *testBed) beginMany(name, user string, port, to, number int, steps ...step) *party {
	r.t.Helper()
	p := &party{t: r.t, name: name, port: port, to: to, base: filepath.Join(r.dir,
		fmt.Sprintf("%02d-%s", len(r.parties), name))}
	// For audio, for commands (SIPp's own choice is 8888 at all addresses) and for video.
	media := freePorts(r.t, 4)
	r.parties = append(r.parties, p)
	file := "<?xml version=\"1.0\" encoding=\"ISO-8859-1\"?>\n<scenario name=\"" + name + "\">\n" +
		references(string(join(steps...))) + "</scenario>\n"
	require.NoError(r.t, os.WriteFile(p.base+".xml", []byte(file), 0o600))
	args := []string{"-sf", p.base + ".xml", "-i", testAddress().String(), "-mi", testAddress().String(), "-ci",
		testAddress().String(),
		"-p", strconv.Itoa(port), "-mp", strconv.Itoa(media),
		"-cp", strconv.Itoa(media + 1),
		"-m", strconv.Itoa(number), "-s", user, "-au", user, "-ap", password, "-nostdin", "-timeout", "25",
		"-timeout_error",
		"-trace_msg", "-message_file", p.base + ".msg", "-trace_err", "-error_file", p.base + ".err"}
	if r.tcp {
		args = append(args, "-t", "t1")
	}
	if r.echo {
		args = append(args, "-rtp_echo")
	}
	if number > 1 {
		args = append(args, "-l", "1", "-r", "50", "-timeout", "60")
	}
	if r.lasting > 0 {
		args = append(args, "-timeout", strconv.Itoa(int(r.lasting.Seconds())))
	}
	if to != 0 {
		args = append([]string{at(to)}, args...)
	}
	p.start(args)
	eventually(r.t, 10*time.Second, name+" has its port", func() bool { return p.ready(r.tcp, to) || p.Ended() })
	return p
}

// references mentions every variable of a scenario a second time, because SIPp rejects a variable that is used only
// once.
func references(text string) string {
	for _, v := range []string{"target", "me", "peer", "junk", "ok", "via", "number"} {
		if strings.Contains(text, `assign_to="`+v+`"`) {
			text += `<Reference variables="` + v + `"/>` + "\n"
		}
	}
	return text
}

// start starts SIPp.
func (p *party) start(args []string) {
	cmd := exec.Command("sipp", args...)
	cmd.Dir = filepath.Dir(p.base)
	cmd.Env = append(os.Environ(), "TERM=dumb")
	p.Process = programtest.Launch(p.t, cmd) // finish ends it
}

// ready reports whether SIPp itself has its port; another process may have had it until now. Over TCP, SIPp has the
// port only if it waits for calls.
func (p *party) ready(tcp bool, to int) bool {
	if tcp {
		return to != 0 || boundBy(p.Cmd.Process.Pid, "tcp", p.port)
	}
	return boundBy(p.Cmd.Process.Pid, "udp", p.port)
}

// ok waits until the scenario has ended as written.
func (p *party) ok() *party {
	p.t.Helper()
	p.wait()
	if err := p.Err(); err != nil {
		errs, _ := os.ReadFile(p.base + ".err")
		p.t.Fatalf("%s: %v\n%s", p.name, err, errs)
	}
	return p
}

func (p *party) wait() {
	p.t.Helper()
	select {
	case <-p.Done():
	case <-time.After(30 * time.Second):
		p.t.Fatalf("%s does not end", p.name)
	}
}

func (p *party) trace() string {
	b, _ := os.ReadFile(p.base + ".msg")
	return string(b)
}

var traceHead = regexp.MustCompile(`(?m)^-{20,} (\d{4}-\d\d-\d\d \d\d:\d\d:\d\d\.\d{6})\r?\n(?:UDP|TCP) message (sent|received) [(\[](\d+)(?: bytes\)|\] bytes ):\r?\n\r?\n`)

// messages returns the messages that SIPp has sent and received so far, without cues.
func (p *party) messages() []message {
	text := p.trace()
	var all []message
	for _, m := range traceHead.FindAllStringSubmatchIndex(text, -1) {
		at, err := time.ParseInLocation("2006-01-02 15:04:05.000000", text[m[2]:m[3]], time.Local)
		n, err2 := strconv.Atoi(text[m[6]:m[7]])
		if err != nil || err2 != nil {
			p.t.Errorf("%s: a trace that cannot be read: %v %v", p.name, err, err2)
		}
		one := message{at, text[m[4]:m[5]] == "sent", text[m[1]:min(m[1]+n, len(text))]}
		if !strings.HasPrefix(one.text, cueMethod+" ") {
			all = append(all, one)
		}
	}
	return all
}

// find returns the messages of one direction whose first line begins with begin and whose CSeq names method ("": any).
func (p *party) find(sent bool, begin, method string) []message {
	var all []message
	for _, m := range p.messages() {
		if m.sent == sent && strings.HasPrefix(m.text, begin) && strings.HasSuffix(m.header("CSeq"), method) {
			all = append(all, m)
		}
	}
	return all
}

// got and gave return the first matching message that the party received, or sent.
func (p *party) got(begin, method string) message {
	p.t.Helper()
	return p.first(false, begin, method)
}

func (p *party) gave(begin, method string) message {
	p.t.Helper()
	return p.first(true, begin, method)
}

func (p *party) first(sent bool, begin, method string) message {
	p.t.Helper()
	var m []message
	eventually(p.t, 10*time.Second, fmt.Sprintf("%s: %q of %s", p.name, begin, method), func() bool {
		m = p.find(sent, begin, method)
		return len(m) > 0
	})
	return m[0]
}

// cue ends the step cued of a party over UDP. It sends the party's first message again with the method cueMethod, which
// SIPp recognises by its Call-ID. The other header fields stay, because SIPp copies those of the last message into its
// next response.
func (p *party) cue() {
	p.t.Helper()
	all := p.find(false, "INVITE ", "INVITE")
	if len(all) == 0 {
		all = p.find(true, "INVITE ", "INVITE")
	}
	require.NotEmpty(p.t, all, "%s has no call", p.name)
	_, rest, _ := strings.Cut(all[0].text, " ")
	c, err := net.Dial("udp4", at(p.port))
	require.NoError(p.t, err)
	defer c.Close()
	_, err = c.Write([]byte(cueMethod + " " + rest))
	require.NoError(p.t, err)
}

// header returns the value of the first header field of that name, "" if there is none.
func (m message) header(name string) string { return rawtest.Message(m.text).Get(name) }

// adapter and service start a party at the port of a line's adapter, or of the service.
func (r *testBed) adapter(line string, steps ...step) *party {
	r.t.Helper()
	return r.sipp("adapter-"+line, line, r.adapters[line], r.adapterPort, steps...)
}

func (r *testBed) adapterWaits(line string, steps ...step) *party {
	r.t.Helper()
	return r.sipp("adapter-"+line, line, r.adapters[line], 0, steps...)
}

// farCalls and farWaits start the far end, behind the service's address. user is the caller, SIPp's [service].
func (r *testBed) farCalls(steps ...step) *party {
	r.t.Helper()
	return r.sipp("far", "555-0101", r.far, r.servicePort, steps...)
}

func (r *testBed) farWaits(steps ...step) *party {
	r.t.Helper()
	return r.sipp("far", "555-0101", r.far, 0, steps...)
}
