package alarms

import (
	"bufio"
	"bytes"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"io"
	"math/big"
	"net"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"clearback/bridge/relay/transport"

	"github.com/stretchr/testify/require"
)

// certificate returns a certificate for the host, and the file of the authority that signed it.
func certificate(t *testing.T, host string, until time.Time) (tls.Certificate, string) {
	t.Helper()
	caKey, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	require.NoError(t, err)
	ca := &x509.Certificate{SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: "Test CA"}, IsCA: true,
		NotBefore: until.Add(-48 * time.Hour), NotAfter: time.Now().Add(48 * time.Hour), BasicConstraintsValid: true,
		KeyUsage: x509.KeyUsageCertSign}
	caDER, err := x509.CreateCertificate(rand.Reader, ca, ca, &caKey.PublicKey, caKey)
	require.NoError(t, err)
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	require.NoError(t, err)
	leaf := &x509.Certificate{SerialNumber: big.NewInt(2), DNSNames: []string{host},
		NotBefore: until.Add(-24 * time.Hour), NotAfter: until, KeyUsage: x509.KeyUsageDigitalSignature}
	der, err := x509.CreateCertificate(rand.Reader, leaf, ca, &key.PublicKey, caKey)
	require.NoError(t, err)
	file := filepath.Join(t.TempDir(), "ca.pem")
	require.NoError(t, os.WriteFile(file, pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: caDER}), 0o600))
	return tls.Certificate{Certificate: [][]byte{der}, PrivateKey: key}, file
}

// mailServer is an SMTP server (RFC 5321, RFC 3207, RFC 4954) that follows a script. Set its fields before start.
type mailServer struct {
	replies    map[string]string // by verb, or "." for the end of the data: what it answers instead
	implicit   bool              // TLS at once
	noSTARTTLS bool
	cut        string // "data": it ends the connection within the data; ".": after the final dot, without an answer
	hang       string // the verb that it never answers

	mu        sync.Mutex
	cert      tls.Certificate
	clear     bytes.Buffer // everything that arrived without TLS
	delivered []string     // complete messages
	end       chan struct{}
}

// start starts the server until the test ends and returns its port.
func (s *mailServer) start(t *testing.T) int {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	s.end = make(chan struct{}) // closed at the test's end
	var served sync.WaitGroup
	served.Go(func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			served.Go(func() { s.serve(c) })
		}
	})
	t.Cleanup(func() {
		close(s.end)
		l.Close()
		served.Wait()
	})
	return l.Addr().(*net.TCPAddr).Port
}

// seen returns what arrived in clear, and the messages that were delivered.
func (s *mailServer) seen() (inClear string, delivered []string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.clear.String(), slices.Clone(s.delivered)
}

func (s *mailServer) setCert(c tls.Certificate) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.cert = c
}

// tls returns the settings of the server's side.
func (s *mailServer) tls() *tls.Config {
	s.mu.Lock()
	defer s.mu.Unlock()
	return &tls.Config{Certificates: []tls.Certificate{s.cert}}
}

// options returns the options of a way to the server.
func (s *mailServer) options(t *testing.T, port int) MailOptions {
	cert, ca := certificate(t, "localhost", time.Now().Add(time.Hour))
	s.setCert(cert)
	return MailOptions{Host: "localhost", Port: port, StartTLS: !s.implicit, TLS: transport.TLS{CA: ca}, User: "alarms",
		Password: "correct horse", From: "alarms@millrace.example", To: "stage-door@millrace.example"}
}

type tee struct {
	net.Conn
	s *mailServer
}

func (t tee) Read(b []byte) (int, error) {
	n, err := t.Conn.Read(b)
	t.s.mu.Lock()
	defer t.s.mu.Unlock()
	t.s.clear.Write(b[:n])
	return n, err
}

func (s *mailServer) serve(conn net.Conn) {
	defer conn.Close()
	stop := make(chan struct{}) // closed when this connection has ended
	defer close(stop)
	go func() {
		select {
		case <-s.end:
			conn.Close()
		case <-stop:
		}
	}()
	secure := s.implicit
	var c net.Conn = tee{conn, s}
	if secure {
		c = tls.Server(conn, s.tls())
	}
	in := bufio.NewReader(c)
	say := func(text string) { io.WriteString(c, text+"\r\n") }
	say("220 mail.example ESMTP")
	for {
		line, err := in.ReadString('\n')
		if err != nil {
			return
		}
		verb := strings.ToUpper(strings.Fields(line + " x")[0])
		reply, scripted := s.replies[verb]
		switch {
		case s.hang == verb:
			<-s.end
			return
		case scripted:
			say(reply)
		case verb == "EHLO" && (secure || s.noSTARTTLS):
			say("250-mail.example\r\n250-AUTH PLAIN LOGIN\r\n250 8BITMIME")
		case verb == "EHLO":
			say("250-mail.example\r\n250-AUTH PLAIN LOGIN\r\n250 STARTTLS")
		case verb == "STARTTLS":
			say("220 go ahead")
			t := tls.Server(conn, s.tls())
			c, in, secure = t, bufio.NewReader(t), true
		case verb == "AUTH":
			say("235 welcome")
		case verb == "QUIT":
			say("221 bye")
			return
		case verb == "DATA":
			say("354 go ahead")
			if !s.data(in, say) {
				return
			}
		default:
			say("250 OK")
		}
	}
}

// data reads a message. It reports whether the connection goes on.
func (s *mailServer) data(in *bufio.Reader, say func(string)) bool {
	var text strings.Builder
	for {
		line, err := in.ReadString('\n')
		if err != nil || s.cut == "data" {
			return false
		}
		if line == ".\r\n" {
			break
		}
		text.WriteString(line)
	}
	if reply, ok := s.replies["."]; ok {
		say(reply)
		return true
	}
	s.mu.Lock()
	s.delivered = append(s.delivered, text.String())
	s.mu.Unlock()
	if s.cut == "." {
		return false
	}
	say("250 queued as 4711")
	return true
}
