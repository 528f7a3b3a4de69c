//go:build linux

package interop

import (
	"bufio"
	"encoding/binary"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"clearback/bridge/programtest"
)

// baresip is an independent SIP telephone in the adapter's place, controlled over its TCP control port.
type baresip struct {
	*programtest.Process
	t    testing.TB
	conn net.Conn
	in   *bufio.Reader
	port int // its SIP port
}

const baresipModules = "/usr/lib/baresip/modules" // where Debian installs them

// startBaresip starts a telephone that registers as the line's adapter, answers every call, and plays a tone instead of
// a microphone.
func (r *testBed) startBaresip(line string) *baresip {
	r.t.Helper()
	return r.startPhone("baresip",
		fmt.Sprintf("<sip:%s@%s>;auth_user=%s;auth_pass=%s;regint=60;answermode=auto;audio_codecs=pcmu",
			line, at(r.adapterPort), line, password))
}

// startPhone starts a baresip with one account, given in baresip's own format. It plays a tone instead of a microphone.
// name is its folder.
func (r *testBed) startPhone(name, account string) *baresip {
	r.t.Helper()
	need(r.t, "baresip")
	dir := filepath.Join(r.dir, name)
	require.NoError(r.t, os.Mkdir(dir, 0o700))
	first := freePorts(r.t, 20)
	control := first + 4 // baresip also takes the port after its own, for TLS
	require.NoError(r.t, os.WriteFile(filepath.Join(dir, "tone.wav"), toneWAV(), 0o600))
	for file, text := range map[string]string{"config": phoneConfig(dir, first, control), "accounts": account + "\n",
		"contacts": ""} {
		require.NoError(r.t, os.WriteFile(filepath.Join(dir, file), []byte(text), 0o600))
	}
	cmd := exec.Command("baresip", "-f", dir, "-t", "30")
	b := &baresip{Process: programtest.Start(r.t, cmd), t: r.t, port: first}
	r.t.Cleanup(func() {
		if b.conn != nil {
			b.conn.Close()
		}
		if r.t.Failed() {
			r.t.Logf("%s:\n%s", name, b.Output())
		}
	})
	ready := "200 OK"
	if strings.Contains(account, "regint=0") {
		ready = "baresip is ready"
	}
	eventually(r.t, 10*time.Second, name+" is ready", func() bool { return strings.Contains(b.Output(), ready) })
	var err error
	b.conn, err = net.Dial("tcp4", at(control))
	require.NoError(r.t, err)
	b.in = bufio.NewReader(b.conn)
	return b
}

func phoneConfig(dir string, sip, control int) string {
	return fmt.Sprintf(`sip_listen %s
audio_player aubridge,sink
audio_source aufile,%s
audio_alert aubridge,alert
ausrc_srate 8000
auplay_srate 8000
ausrc_channels 1
auplay_channels 1
net_interface %s
rtp_stats yes
rtp_ports %d-%d
module_path %s
module g711.so
module aufile.so
module aubridge.so
module_tmp uuid.so
module_tmp account.so
module_app contact.so
module_app menu.so
module_app ctrl_tcp.so
ctrl_tcp_listen %s
`, at(sip), filepath.Join(dir, "tone.wav"), testAddress(), sip+8, sip+17, baresipModules, at(control))
}

// do sends a command and waits for its answer.
func (b *baresip) do(command, params string) {
	b.t.Helper()
	text, err := json.Marshal(struct {
		Command string `json:"command"`
		Params  string `json:"params"`
	}{command, params})
	require.NoError(b.t, err)
	_, err = fmt.Fprintf(b.conn, "%d:%s,", len(text), text)
	require.NoError(b.t, err)
	b.await(command, func(m baresipMessage) bool { return m.Response })
}

// event waits for an event of that type.
func (b *baresip) event(kind string) {
	b.t.Helper()
	b.await(kind, func(m baresipMessage) bool { return m.Event && m.Type == kind })
}

type baresipMessage struct {
	Event, Response bool
	Type            string
}

// await reads netstrings of JSON until one matches.
func (b *baresip) await(what string, fits func(baresipMessage) bool) {
	b.t.Helper()
	require.NoError(b.t, b.conn.SetReadDeadline(time.Now().Add(10*time.Second)))
	for {
		head, err := b.in.ReadString(':')
		require.NoError(b.t, err, "baresip, waiting for %s", what)
		n, err := strconv.Atoi(strings.TrimSuffix(head, ":"))
		require.NoError(b.t, err)
		body := make([]byte, n+1) // with the comma
		_, err = io.ReadFull(b.in, body)
		require.NoError(b.t, err)
		var m baresipMessage
		if json.Unmarshal(body[:n], &m) == nil && fits(m) {
			return
		}
	}
}

// toneWAV returns ten seconds of 440 Hz, 8 kHz, 16 bit, one channel. baresip ends its call when the file ends.
func toneWAV() []byte {
	const rate, samples = 8000, 80_000
	w := []byte("RIFF\x00\x00\x00\x00WAVEfmt \x10\x00\x00\x00\x01\x00\x01\x00")
	w = binary.LittleEndian.AppendUint32(w, rate)
	w = binary.LittleEndian.AppendUint32(w, 2*rate)
	w = append(w, 2, 0, 16, 0)
	w = append(w, "data"...)
	w = binary.LittleEndian.AppendUint32(w, 2*samples)
	for i := range samples {
		w = binary.LittleEndian.AppendUint16(w, uint16(int16(8000*math.Sin(2*math.Pi*440*float64(i)/rate))))
	}
	binary.LittleEndian.PutUint32(w[4:], uint32(len(w)-8))
	return w
}

// TestBaresip: a telephone registers, is called, hears the echo of its tone, holds, and is cleared. Then it makes a
// call, holds, and is cleared.
func TestBaresip(t *testing.T) {
	t.Parallel()
	r := newTestBed(t, setup{lines: []lineSetup{{name: boxOffice, roaming: true}}})
	r.echo = true
	phone := r.startBaresip(boxOffice)

	far := r.farCalls(calls(boxOffice), connected(1), held(), pause(100*time.Millisecond), clears(2))
	phone.event("CALL_ESTABLISHED")
	eventually(t, 5*time.Second, "its own tone comes back through the relay",
		func() bool { return strings.Contains(phone.Output(), "incoming rtp for 'audio' established") })
	phone.do("hold", "")
	far.ok()
	phone.event("CALL_CLOSED")
	requireInterval(t, usual, r.board.once(t, 0))
	eventually(t, 5*time.Second, "the guard time is over", func() bool {
		return strings.Contains(r.d.Output(),
			"report interrupted")
	})

	far = r.farWaits(offered(0), answers(), held(), pause(100*time.Millisecond), clears(1))
	phone.do("dial", "555-0101")
	phone.event("CALL_ESTABLISHED")
	phone.do("hold", "")
	far.ok()
	phone.event("CALL_CLOSED")
	eventually(t, 5*time.Second, "the second interruption is over", func() bool {
		all := r.board.openings(t, 0)
		return len(all) == 2 && !all[1].end.IsZero()
	})
	requireInterval(t, usual, r.board.openings(t, 0)[1])
}

// TestHoldCrossesClearing: the telephone asks for hold when the far end has hung up, whose BYE is lost. The far end
// answers 481, and a 481 would make the telephone end its call (RFC 3261 section 12.2.1.2), which opens nothing.
func TestHoldCrossesClearing(t *testing.T) {
	t.Parallel()
	r := newTestBed(t, setup{lines: []lineSetup{{name: boxOffice, roaming: true}}})
	phone := r.startBaresip(boxOffice)
	denies := reply(481, "Call/Transaction Does Not Exist")
	far := r.farCalls(calls(boxOffice), connected(1), request("INVITE"), denies, request("ACK"),
		request("OPTIONS"), denies, request("BYE"), denies)
	phone.event("CALL_ESTABLISHED")
	phone.do("hold", "")
	far.ok()
	phone.event("CALL_CLOSED")
	requireInterval(t, usual, r.board.once(t, 0))
}
