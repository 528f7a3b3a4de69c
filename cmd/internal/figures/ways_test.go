//go:build linux

package figures

import (
	"bufio"
	"crypto/tls"
	"encoding/pem"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"net/textproto"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"clearback/bridge/relay/mqtt/brokertest"
)

// This file has the four ways by which the daemon tells people, with the other side of each: a mail server, a web
// server, mosquitto and a program.

// The ways' names in the file.
const (
	wayMail    = "manager"
	wayWebhook = "hook"
	wayMQTT    = "broker"
	wayProgram = "horn"

	mailUser, mailPassword = "alarms", "curtain-7"
	alarmTopic             = "clearback/millrace"
)

// access says how new connections are treated.
type access int

const (
	serves  access = iota
	refuses        // it closes them at once
	hangs          // it accepts them, and reads and writes nothing
)

// door is a listener whose access changes. Accept returns only connections that are served.
type door struct {
	net.Listener
	mu    sync.Mutex
	now   access
	tried int // connections in all
	open  []net.Conn
}

func newDoor(t testing.TB, now access) *door {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	d := &door{Listener: l, now: now}
	t.Cleanup(d.shut)
	if now == hangs {
		var hanging sync.WaitGroup
		hanging.Go(func() { _, _ = d.Accept() })
		t.Cleanup(func() { l.Close(); hanging.Wait() })
	}
	return d
}

func (d *door) Accept() (net.Conn, error) {
	for {
		c, err := d.Listener.Accept()
		if err != nil {
			return nil, err
		}
		d.mu.Lock()
		d.tried++
		now := d.now
		if now != refuses {
			d.open = append(d.open, c)
		}
		d.mu.Unlock()
		switch now {
		case serves:
			return c, nil
		case refuses:
			c.Close()
		}
	}
}

func (d *door) cut() {
	d.mu.Lock()
	defer d.mu.Unlock()
	for _, c := range d.open {
		c.Close()
	}
	d.open = nil
}

func (d *door) shut() {
	d.Close()
	d.cut()
}

func (d *door) attempts() int {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.tried
}

// notice is an alarm as it arrived.
type notice struct {
	id   string
	text string // all of the mail, or the JSON
	at   time.Time
}

// inbox is what has arrived by one way.
type inbox struct {
	mu    sync.Mutex
	all   []notice
	loses int // the acknowledgements that get lost next

	arrived chan notice // room for all that a test does not read
}

func newInbox() *inbox { return &inbox{arrived: make(chan notice, 4096)} }

// take takes an alarm, and reports whether it is acknowledged.
func (b *inbox) take(id, text string) (acknowledged bool) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.all = append(b.all, notice{id, text, time.Now()})
	if b.loses > 0 {
		b.loses--
		return false
	}
	return true
}

// acknowledged tells the test that the last alarm was acknowledged, just now.
func (b *inbox) acknowledged() {
	b.mu.Lock()
	defer b.mu.Unlock()
	last := b.all[len(b.all)-1]
	last.at = time.Now()
	b.arrived <- last
}

// mailServer is an SMTP server (RFC 5321) that demands STARTTLS (RFC 3207) and AUTH PLAIN (RFC 4954).
type mailServer struct {
	*door
	*inbox
	tls *tls.Config
}

func (s *mailServer) serve() {
	var serving sync.WaitGroup
	defer serving.Wait()
	for {
		c, err := s.Accept()
		if err != nil {
			return
		}
		serving.Go(func() {
			defer c.Close()
			s.talk(c)
		})
	}
}

func (s *mailServer) talk(c net.Conn) {
	in := textproto.NewReader(bufio.NewReader(c))
	var out io.Writer = c
	say := func(text string) { _, _ = io.WriteString(out, text+"\r\n") }
	secure, known := false, false
	for say("220 mail.example ESMTP"); ; {
		line, err := in.ReadLine()
		if err != nil {
			return
		}
		verb, _, _ := strings.Cut(strings.ToUpper(line), " ")
		switch {
		case verb == "EHLO" && secure:
			say("250-mail.example\r\n250-8BITMIME\r\n250 AUTH PLAIN")
		case verb == "EHLO":
			say("250-mail.example\r\n250 STARTTLS")
		case verb == "STARTTLS":
			say("220 go ahead")
			over := tls.Server(c, s.tls)
			in, out, secure = textproto.NewReader(bufio.NewReader(over)), over, true
		case verb == "AUTH" && secure:
			known = true
			say("235 welcome")
		case verb == "QUIT":
			say("221 bye")
			return
		case !known:
			say("530 authentication required")
		case verb == "DATA":
			say("354 go ahead")
			text, err := in.ReadDotBytes()
			if err != nil || !s.take(messageID(string(text)), string(text)) {
				return
			}
			say("250 queued")
			s.acknowledged()
		default:
			say("250 OK")
		}
	}
}

// messageID returns what is before the @ of the Message-ID (RFC 5322, section 3.6.4).
func messageID(mail string) string {
	_, rest, _ := strings.Cut(mail, "\nMessage-ID: <")
	id, _, _ := strings.Cut(rest, "@")
	return id
}

// ServeHTTP takes what the webhook posts. A lost acknowledgement ends the connection.
func (b *inbox) ServeHTTP(_ http.ResponseWriter, r *http.Request) {
	body, err := io.ReadAll(r.Body)
	if err != nil || !b.take(r.Header.Get("Idempotency-Key"), string(body)) {
		panic(http.ErrAbortHandler)
	}
	b.acknowledged() // the server writes the response at once
}

// ways are the other sides of the four ways.
type ways struct {
	dir            string
	mail           *mailServer
	webhook        *inbox
	web, brokers   *door
	mosquitto      *brokertest.Broker // nil: nobody answers at brokers
	ca             string             // the file of the certificates' authority
	program        string             // the path of the program
	programRefuses string             // while this file exists, the program says: try again
	programRuns    string             // a file to which each run of the program adds what it was given
}

// hangingWays accept connections and messages, and never answer.
func hangingWays(t testing.TB) *ways {
	t.Helper()
	w := &ways{dir: t.TempDir(), web: newDoor(t, hangs), brokers: newDoor(t, hangs)}
	w.mail = &mailServer{door: newDoor(t, hangs)}
	w.writeProgram(t, "echo >>"+w.dir+"/runs; exec sleep 1000")
	w.writeCertificate(t, httptestCertificate(t))
	return w
}

// newWays returns ways that accept everything.
func newWays(t testing.TB) *ways {
	t.Helper()
	brokertest.Tools(t)
	w := &ways{dir: t.TempDir(), webhook: newInbox(), web: newDoor(t, serves), brokers: newDoor(t, serves)}
	pair := httptestCertificate(t)
	w.writeCertificate(t, pair)
	settings := &tls.Config{Certificates: []tls.Certificate{pair}}
	w.mail = &mailServer{door: newDoor(t, serves), inbox: newInbox(), tls: settings}
	server := &http.Server{Handler: w.webhook, TLSConfig: settings.Clone()}
	w.mosquitto = brokertest.Own(t, brokertest.Anybody)
	w.programRefuses = filepath.Join(w.dir, "refuses")
	w.writeProgram(t, "[ ! -e "+w.dir+"/refuses ] || exit 75\n(cat; echo) >>"+w.dir+"/runs")
	var serving sync.WaitGroup
	serving.Go(w.mail.serve)
	serving.Go(func() { _ = server.ServeTLS(w.web, "", "") }) // it ends with an error always
	serving.Go(w.passToBroker)
	t.Cleanup(func() {
		for _, d := range []*door{w.mail.door, w.web, w.brokers} {
			d.shut()
		}
		server.Close()
		serving.Wait()
	})
	return w
}

// httptestCertificate returns the certificate of package httptest: for example.com, signed by itself.
func httptestCertificate(t testing.TB) tls.Certificate {
	t.Helper()
	server := httptest.NewTLSServer(nil)
	defer server.Close()
	return server.TLS.Certificates[0]
}

func (w *ways) writeCertificate(t testing.TB, pair tls.Certificate) {
	t.Helper()
	w.ca = filepath.Join(w.dir, "ca.pem")
	require.NoError(t, os.WriteFile(w.ca,
		pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: pair.Certificate[0]}), 0o600))
	require.NoError(t, os.WriteFile(filepath.Join(w.dir, "password"), []byte(mailPassword), 0o600))
}

func (w *ways) writeProgram(t testing.TB, text string) {
	t.Helper()
	w.program, w.programRuns = filepath.Join(w.dir, "program"), filepath.Join(w.dir, "runs")
	require.NoError(t, os.WriteFile(w.program, []byte("#!/bin/sh\n"+text+"\n"), 0o700))
}

// passToBroker connects each connection of the door with mosquitto.
func (w *ways) passToBroker() {
	var passing sync.WaitGroup
	defer passing.Wait()
	for {
		c, err := w.brokers.Accept()
		if err != nil {
			return
		}
		to, err := net.Dial("tcp", w.mosquitto.Address())
		if err != nil {
			c.Close()
			continue
		}
		for _, pair := range [][2]net.Conn{{c, to}, {to, c}} {
			passing.Go(func() {
				_, _ = io.Copy(pair[0], pair[1])
				pair[0].Close()
				pair[1].Close()
			})
		}
	}
}

// file returns the mapping `alarms:` of the daemon's file.
func (w *ways) file() string {
	port := func(d *door) int { return d.Addr().(*net.TCPAddr).Port }
	return fmt.Sprintf(`alarms:
  site: Millrace Playhouse
  folder: alarms
  per_hour: 60
  ways:
    - name: %s
      mail: {host: 127.0.0.1, port: %d, starttls: true, server_name: example.com, ca: %s, user: %s,
        password: {file: %s}, from: clearback@millrace.example, to: manager@millrace.example}
    - name: %s
      webhook: {url: "https://127.0.0.1:%d/alarms", server_name: example.com, ca: %s}
    - name: %s
      mqtt: {address: "mqtt://127.0.0.1:%d", topic: %s}
    - name: %s
      program: {path: %s}
`, wayMail, port(w.mail.door), w.ca, mailUser, filepath.Join(w.dir, "password"), wayWebhook, port(w.web), w.ca,
		wayMQTT, port(w.brokers), alarmTopic, wayProgram, w.program)
}
