package cli

import (
	"crypto/md5"
	"fmt"
	"io"
	"net"
	"net/netip"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/icholy/digest"
	"github.com/stretchr/testify/require"

	"clearback/bridge/loopbacktest"
	"clearback/bridge/relay/modbus/modbustest"
	"clearback/bridge/sipua/uatest"
)

// The passwords of the test bed. They must appear nowhere but in the files of the secrets.
const (
	accountPassword = "matinee-7-aisle"
	adapterPassword = "evening-9-stalls"
)

// setupBed is what a setup meets: a service with accounts and digest authentication, a relay board, and addresses.
type setupBed struct {
	t       *testing.T
	network *loopbacktest.Network
	service *uatest.Peer
	board   *modbustest.Board
	path    string         // the configuration file
	address netip.AddrPort // the daemon's, towards the adapter

	mu      sync.Mutex
	hold    chan struct{} // if not nil, the service answers REGISTER once it is closed
	methods []string      // of the requests at the service
}

func newSetupBed(t *testing.T) *setupBed {
	b := &setupBed{t: t, network: loopbacktest.Own(t)}
	own := b.network.Address(1)
	b.address = netip.AddrPortFrom(own, loopbacktest.Ports(t, own, 11)) // and the service's side 10 above it
	b.service = uatest.NewAt(t, "service", net.IP(b.network.Address(2).AsSlice()))
	b.service.Serve(b.serve)
	b.board = modbustest.NewBoard(t, modbustest.BoardOptions{OpenOn: true,
		Timers: []modbustest.Timer{{Register: 16, Coil: 0, Unit: 100 * time.Millisecond}}})
	dir := t.TempDir()
	require.NoError(t, os.Chmod(dir, 0o700))
	b.path = filepath.Join(dir, "clearback.yaml")
	return b
}

func hash(s string) string { return fmt.Sprintf("%x", md5.Sum([]byte(s))) }

// serve is the registrar (RFC 3261 section 22, digest of RFC 2069 without qop). It accepts 5550101.
func (b *setupBed) serve(m uatest.Message) {
	if m.IsResponse() {
		return
	}
	_, method := m.CSeq()
	b.mu.Lock()
	b.methods = append(b.methods, method)
	hold := b.hold
	b.mu.Unlock()
	if hold != nil && method == "REGISTER" {
		<-hold
	}
	authorization := m.Get("Authorization")
	field := func(name string) string {
		_, v, _ := strings.Cut(authorization, name+`="`)
		v, _, _ = strings.Cut(v, `"`)
		return v
	}
	user := field("username")
	want := hash(hash(user+":millrace:"+accountPassword) + ":1:" + hash("REGISTER:"+field("uri")))
	switch {
	case method == "ACK":
	case method == "INVITE":
		b.service.Respond(m, 200, "millrace", uatest.Offer(b.service.At.Addr().String(), 4000, "sendrecv"))
	case method != "REGISTER":
		b.service.Respond(m, 200, "millrace", "")
	case authorization == "":
		b.service.Respond(m, 401, "millrace", "", `WWW-Authenticate: Digest realm="millrace", nonce="1"`)
	case field("response") != want || user != "5550101":
		b.service.Respond(m, 403, "millrace", "")
	default:
		b.service.Respond(m, 200, "millrace", "", "Contact: "+m.Get("Contact"), "Expires: 600")
	}
}

// asked returns the methods of the requests that the service has had.
func (b *setupBed) asked() []string {
	b.mu.Lock()
	defer b.mu.Unlock()
	return append([]string(nil), b.methods...)
}

// phone returns a party at the adapter's address.
func (b *setupBed) phone(user string) *uatest.Peer {
	return uatest.NewAt(b.t, user, net.IP(b.network.Address(3).AsSlice()))
}

// authorization returns the header field that answers a challenge (RFC 7616).
func (b *setupBed) authorization(challenge uatest.Message, method, uri, user, password string) string {
	b.t.Helper()
	c, err := digest.ParseChallenge(challenge.Get("WWW-Authenticate"))
	require.NoError(b.t, err)
	answer, err := digest.Digest(c, digest.Options{Method: method, URI: uri, Username: user, Password: password,
		Count: 1})
	require.NoError(b.t, err)
	return "Authorization: " + answer.String()
}

// callForHelp makes an emergency call from the adapter, which is not registered, with a password. It expects the
// final answer.
func (b *setupBed) callForHelp(password, code string) (adapter *uatest.Peer, call *uatest.Dialog,
	answer uatest.Message) {
	b.t.Helper()
	adapter = b.phone("box-office")
	sdp := uatest.Offer(adapter.At.Addr().String(), 4002, "sendrecv")
	call = adapter.Call("sip:999@"+b.address.String(), "<sip:box-office@"+b.address.String()+">", b.address, sdp)
	challenge := adapter.ExpectFinal("401")
	call.AckFailure(challenge)
	call.Request("INVITE", sdp, b.authorization(challenge, "INVITE", call.Target, "box-office", password))
	return adapter, call, adapter.ExpectFinal(code)
}

// help makes an emergency call that is answered.
func (b *setupBed) help() (adapter *uatest.Peer, call *uatest.Dialog) {
	b.t.Helper()
	adapter, call, answer := b.callForHelp(adapterPassword, "200")
	call.Established(answer).Ack("")
	return adapter, call
}

// register registers an adapter and returns the final answer.
func (b *setupBed) register(user, password string) (adapter *uatest.Peer, code int) {
	b.t.Helper()
	adapter = b.phone(user)
	send := func(cseq int, more ...string) uatest.Message {
		adapter.Send(b.address, append([]string{"REGISTER sip:clearback SIP/2.0", adapter.Via(), "Max-Forwards: 70",
			"From: <sip:" + user + "@clearback>;tag=1", "To: <sip:" + user + "@clearback>",
			"Call-ID: boot-" + adapter.At.String(),
			fmt.Sprintf("CSeq: %d REGISTER", cseq), adapter.Contact()}, append(more, "")...)...)
		return adapter.Next()
	}
	return adapter, send(2, b.authorization(send(1), "REGISTER", "sip:clearback", user, password)).Code()
}

// dialogue is a person at a terminal who reads and answers.
type dialogue struct {
	t       *testing.T
	in      io.WriteCloser
	signals chan os.Signal
	code    chan int // one exit code

	mu        sync.Mutex
	text      strings.Builder
	seen      int           // how much of the text the person has read, without white space
	more      chan struct{} // gets a value when there is more text; one is enough
	questions int           // how often the person was asked
}

// Write implements [io.Writer].
func (d *dialogue) Write(p []byte) (int, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.text.Write(p)
	select {
	case d.more <- struct{}{}:
	default:
	}
	return len(p), nil
}

func (d *dialogue) output() string {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.text.String()
}

// begin starts a setup.
func (b *setupBed) begin(args ...string) *dialogue { return b.beginFrom(nil, args...) }

// beginFrom starts a setup with an input other than the dialogue's, unless that is nil.
func (b *setupBed) beginFrom(terminal io.Reader, args ...string) *dialogue {
	in, w := io.Pipe()
	d := &dialogue{t: b.t, in: w, signals: make(chan os.Signal, 2), code: make(chan int, 1),
		more: make(chan struct{}, 1)}
	if terminal == nil {
		terminal = in
	}
	go func() {
		d.code <- Main(append([]string{"setup", "--config", b.path, "--wait", "20s"}, args...),
			Streams{In: terminal, Out: d, Err: d}, d.signals)
	}()
	b.t.Cleanup(func() { _ = w.Close() })
	return d
}

// through answers the questions from one step to another, and registers the adapter when its turn comes.
func (b *setupBed) through(d *dialogue, from, to int) {
	b.t.Helper()
	for _, step := range b.steps()[from:to] {
		d.answer(step[0], step[1])
		if step[1] == adapterPassword {
			d.expect("Waiting at most")
			_, code := b.register("box-office", adapterPassword)
			require.Equal(b.t, 200, code)
		}
	}
}

// flat removes the white space, since the output is wrapped.
func flat(s string) string { return strings.Join(strings.Fields(s), "") }

// expect waits until the output has a text behind what was expected before.
func (d *dialogue) expect(text string) *dialogue {
	d.t.Helper()
	limit := time.After(30 * time.Second)
	for {
		all := flat(d.output())
		if i := strings.Index(all[d.seen:], flat(text)); i >= 0 {
			d.seen += i + len(flat(text))
			return d
		}
		select {
		case <-d.more:
		case <-limit:
			d.t.Fatalf("no %q in what follows %d of:\n%s", text, d.seen, d.output())
		}
	}
}

// answer waits for a prompt and types an answer.
func (d *dialogue) answer(prompt, text string) *dialogue {
	d.t.Helper()
	d.expect(prompt)
	d.questions++
	_, err := io.WriteString(d.in, text+"\n")
	require.NoError(d.t, err)
	return d
}

// end waits for the end and returns the exit code.
func (d *dialogue) end() int {
	d.t.Helper()
	select {
	case code := <-d.code:
		return code
	case <-time.After(30 * time.Second):
		d.t.Fatalf("setup does not end:\n%s", d.output())
		return 0
	}
}

// steps are the prompts of one line on a board that times its openings, with right answers, in their order.
func (b *setupBed) steps() [][2]string {
	return [][2]string{
		{"Country:", "GB"},
		{"Server of the service:", b.service.At.String()},
		{"Address of this machine", b.address.String()},
		{"Name of the line", "box-office"},
		{"User at the service", "5550101"},
		{"Password at the service (it is not shown):", accountPassword},
		{"Password for the adapter (it is not shown; Enter makes one up):", adapterPassword},
		{"Relay board", b.board.Address()},
		{"Coil:", "0"},
		{"Timed output:", "16"},
	}
}

// interrupt types Ctrl-C, which ends setup.
func (d *dialogue) interrupt() {
	d.t.Helper()
	d.signals <- os.Interrupt
	require.Equal(d.t, ExitFailed, d.end(), d.output())
}

// interruptedAtTheBoard makes a first run that ends at the question of the relay board.
func (b *setupBed) interruptedAtTheBoard() {
	b.t.Helper()
	d := b.begin()
	b.through(d, 0, 7)
	d.expect("Relay board").interrupt()
}

// flags are the flags that answer every question about one line.
func (b *setupBed) flags() map[string]string {
	write := func(name, secret string) string {
		path := filepath.Join(b.t.TempDir(), name)
		require.NoError(b.t, os.WriteFile(path, []byte(secret+"\n"), 0o600))
		return path
	}
	return map[string]string{"country": "GB", "server": b.service.At.String(), "address": b.address.String(),
		"line": "box-office", "user": "5550101", "password-file": write("service", accountPassword),
		"adapter-password-file": write("adapter", adapterPassword), "relay": b.board.Address(), "contact": "0",
		"timed": "16/100ms"}
}

func asArgs(flags map[string]string, without string) (args []string) {
	for name, v := range flags {
		if name != without {
			args = append(args, "--"+name+"="+v)
		}
	}
	return append(args, "--batch")
}
