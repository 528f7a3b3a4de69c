package httprelay

import (
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"math/big"
	"os"
	"path/filepath"
	"testing"
	"time"

	"clearback/bridge/relay"

	"github.com/stretchr/testify/require"
)

// authority is a certificate authority.
type authority struct {
	t    *testing.T
	dir  string
	cert *x509.Certificate
	key  *ecdsa.PrivateKey
	file string // its own certificate
}

func newAuthority(t *testing.T) *authority {
	a := &authority{t: t, dir: t.TempDir()}
	a.file = a.issue("ca", nil)
	return a
}

// issue writes a certificate and its key to one PEM file.
func (a *authority) issue(name string, hosts []string) string {
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	require.NoError(a.t, err)
	c := &x509.Certificate{SerialNumber: big.NewInt(time.Now().UnixNano()), Subject: pkix.Name{CommonName: name},
		DNSNames:  hosts,
		NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour), BasicConstraintsValid: true}
	if a.key == nil {
		c.IsCA, c.KeyUsage = true, x509.KeyUsageCertSign
		a.cert, a.key = c, key
	}
	der, err := x509.CreateCertificate(rand.Reader, c, a.cert, &key.PublicKey, a.key)
	require.NoError(a.t, err)
	if c.IsCA {
		a.cert, err = x509.ParseCertificate(der)
		require.NoError(a.t, err)
	}
	secret, err := x509.MarshalPKCS8PrivateKey(key)
	require.NoError(a.t, err)
	text := append(pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der}),
		pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: secret})...)
	file := filepath.Join(a.dir, name+".pem")
	require.NoError(a.t, os.WriteFile(file, text, 0o600))
	return file
}

// TestTLS uses Python's ssl module on the device's side, which is OpenSSL.
func TestTLS(t *testing.T) {
	t.Parallel()
	cases := map[string]func(*testing.T){}
	ours, theirs := newAuthority(t), newAuthority(t)
	server := ours.issue("server", []string{"relays.example"})
	client := ours.issue("client", nil)
	stranger := theirs.issue("stranger", nil)
	open := order{"certificate": server}
	closed := order{"certificate": server, "ca": ours.file}
	for _, c := range []struct {
		name   string
		device order
		o      Options
		// A regular expression for the error of the lost link; empty if it works. A reset may overtake the TLS alert.
		err string
	}{
		{"CA and name", open, Options{CA: ours.file, ServerName: "relays.example"}, ""},
		{"the system's CAs", open, Options{ServerName: "relays.example"}, "certificate signed by unknown authority"},
		{"another CA", open, Options{CA: theirs.file, ServerName: "relays.example"},
			"certificate signed by unknown authority"},
		{"another name", open, Options{CA: ours.file, ServerName: "other.example"}, "other.example"},
		{"the URL's name", open, Options{CA: ours.file}, "127.0.0.1"},
		{"a certificate of ours", closed, Options{CA: ours.file, ServerName: "relays.example", Certificate: client,
			Key: client}, ""},
		{"no certificate of ours", closed, Options{CA: ours.file, ServerName: "relays.example"},
			"certificate required|reset by peer"},
		{"a stranger's certificate", closed, Options{CA: ours.file, ServerName: "relays.example", Certificate: stranger,
			Key: stranger}, "unknown certificate authority|reset by peer"},
	} {
		cases[c.name] = func(t *testing.T) {
			d := newDevice(t, c.device)
			c.o.Timeout = 5 * time.Second // under the race detector, reading the system's certificates takes time
			lost := make(chan error, 100) // far more than the test needs
			c.o.Notify = func(n relay.Notice) {
				if n.Kind == relay.LinkLost {
					lost <- n.Err
				}
			}
			contact := newIdleContact(t, d, c.o, ContactOptions{})
			contact.board.Start()
			if c.err == "" {
				ctx, cancel := context.WithTimeout(t.Context(), 5*time.Second)
				defer cancel()
				require.NoError(t, contact.board.Ready(ctx))
				require.Equal(t, relay.Done, pulse(t, contact.Contact, 20*time.Millisecond).Outcome)
				require.Equal(t, 1, d.openings())
				d.fault(raw(true, "HTTP/1.1 200 OK\r\nContent-Length: 2\r\n\r\n{", ""))
				require.Equal(t, relay.Unknown, pulse(t, contact.Contact, 20*time.Millisecond).Outcome,
					"half an answer, also here")
				return
			}
			require.Regexp(t, c.err, <-lost)
			ctx, cancel := context.WithTimeout(t.Context(), testTimeout/3)
			defer cancel()
			require.Equal(t, relay.Refused,
				pulseWithin(t, contact.Contact, 20*time.Millisecond, 50*time.Millisecond).Outcome)
			require.Len(t, contact.board.Shutdown(ctx), 1)
			require.Zero(t, d.openings())
		}
	}
	cases["plain HTTP at a TLS port"] = func(t *testing.T) {
		d := newDevice(t, open)
		contact := newIdleContact(t, d, Options{URL: "http" + d.url[len("https"):]}, ContactOptions{})
		contact.board.Start()
		ctx, cancel := context.WithTimeout(t.Context(), testTimeout)
		defer cancel()
		require.Error(t, contact.board.Ready(ctx))
		require.Len(t, contact.board.Shutdown(ctx), 1)
	}
	together(t, cases)
}
