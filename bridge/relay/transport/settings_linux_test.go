package transport_test

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"encoding/pem"
	"errors"
	"math/big"
	"net"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"clearback/bridge/relay"
	"clearback/bridge/relay/transport"

	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"
)

func TestCheckPointer(t *testing.T) {
	for p, ok := range map[string]bool{
		"": true, "/": true, "/a/0": true, "/~0~1": true, "/a~1": true, "a": false, "~": false, "/~": false,
		"/a~": false, "/~2": false, "/~~": false, "/~/": false,
	} {
		require.Equal(t, ok, transport.CheckPointer(p) == nil, p)
	}
	elements := "[" + strings.Repeat("0,", 11) + "7]"
	for p, want := range map[string]string{"/11": "7", "/10": "0", "/1": "0", "/0": "0"} {
		got, err := transport.Value([]byte(elements), p)
		require.NoError(t, err)
		require.Equal(t, want, got)
	}
	for _, p := range []string{"/12", "/", "/1x", "/:", "/000011", "/0000000", "/1000000"} {
		_, err := transport.Value([]byte(elements), p)
		require.ErrorIs(t, err, transport.ErrValue)
	}
	many, err := transport.Value([]byte("["+strings.Repeat("0,", 100_000)+"7]"), "/100000")
	require.NoError(t, err)
	require.Equal(t, "7", many, "six digits are allowed")
}

// TestTLSSettings checks the TLS configuration, and that the error for a file that cannot be read names the file's
// purpose.
func TestTLSSettings(t *testing.T) {
	dir := t.TempDir()
	write := func(name, kind string, der []byte) string {
		path := filepath.Join(dir, name)
		require.NoError(t, os.WriteFile(path, pem.EncodeToMemory(&pem.Block{Type: kind, Bytes: der}), 0o600))
		return path
	}
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	require.NoError(t, err)
	der, err := x509.CreateCertificate(rand.Reader, &x509.Certificate{SerialNumber: big.NewInt(1)},
		&x509.Certificate{SerialNumber: big.NewInt(1)}, &key.PublicKey, key)
	require.NoError(t, err)
	private, err := x509.MarshalPKCS8PrivateKey(key)
	require.NoError(t, err)
	certificate, secret := write("certificate.pem", "CERTIFICATE", der), write("key.pem", "PRIVATE KEY", private)
	empty, none := write("empty.pem", "NOTHING", nil), filepath.Join(dir, "none.pem")

	for _, c := range []struct {
		tls    transport.TLS
		secure bool
		want   []relay.Fault
	}{
		{transport.TLS{}, false, nil}, {transport.TLS{}, true, nil},
		{transport.TLS{CA: "c", ServerName: "s", Certificate: "c", Key: "k"}, true, nil},
		{transport.TLS{CA: "c"}, false, []relay.Fault{{Key: "url", Problem: "certificates need https://; write that, or remove them"}}},
		{transport.TLS{ServerName: "s"}, false, []relay.Fault{{Key: "url", Problem: "certificates need https://; write that, or remove them"}}},
		{transport.TLS{Key: "k"}, true, []relay.Fault{{Problem: "certificate and key belong together; add the other one"}}},
		{transport.TLS{Certificate: "c"}, true, []relay.Fault{{Problem: "certificate and key belong together; add the other one"}}},
	} {
		require.Equal(t, c.want, c.tls.Check(c.secure, "url", "https://"))
	}
	c, err := transport.TLS{}.Config("relays.example")
	require.NoError(t, err)
	require.Equal(t, "relays.example", c.ServerName)
	require.EqualValues(t, tls.VersionTLS12, c.MinVersion)
	require.Nil(t, c.RootCAs)
	require.Empty(t, c.Certificates)
	c, err = transport.TLS{CA: certificate, Certificate: certificate, Key: secret,
		ServerName: "millrace.example"}.Config("relays.example")
	require.NoError(t, err)
	require.Equal(t, "millrace.example", c.ServerName)
	require.NotNil(t, c.RootCAs)
	require.Len(t, c.Certificates, 1)
	require.Equal(t, der, c.Certificates[0].Certificate[0])
	for want, s := range map[string]transport.TLS{
		"certificate and key: open": {Certificate: certificate}, "certificate and key: ": {Key: secret}, "ca: ": {CA: none},
		"has no certificate; it must be a PEM file": {CA: empty},
		"none.pem":                 {Certificate: certificate, Key: none},
		"certificate and key: tls": {Certificate: certificate, Key: empty},
	} {
		_, err := s.Config("relays.example")
		require.ErrorContains(t, err, want)
	}
}

// TestSocketSettings checks that the kernel has the requested limit of a socket, and that a failure to set it is an
// error where it matters.
func TestSocketSettings(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	defer l.Close()
	for timeout, want := range map[time.Duration]int{350 * time.Millisecond: 350, 10 * time.Second: 500} {
		c, err := transport.Dial(timeout)(t.Context(), l.Addr().String())
		require.NoError(t, err)
		defer c.Close()
		transport.AcknowledgeAtOnce(c)
		raw, err := c.(*net.TCPConn).SyscallConn()
		require.NoError(t, err)
		require.NoError(t, raw.Control(func(fd uintptr) {
			limit, err := unix.GetsockoptInt(int(fd), unix.IPPROTO_TCP, unix.TCP_USER_TIMEOUT)
			require.NoError(t, err)
			require.Equal(t, want, limit)
		}))
	}
	one, other := net.Pipe()
	transport.AcknowledgeAtOnce(one) // a pipe has no such setting
	one.Close()
	other.Close()
	udp, err := net.ListenPacket("udp", "127.0.0.1:0")
	require.NoError(t, err)
	raw, err := udp.(*net.UDPConn).SyscallConn()
	require.NoError(t, err)
	set := transport.LimitUnacknowledged(time.Second)
	require.Error(t, set("udp", "", raw), "no TCP")
	require.NoError(t, udp.Close())
	require.ErrorIs(t, set("udp", "", raw), net.ErrClosed)
	require.ErrorIs(t, set("tcp", "", brokenConn{}), errBroken)
}

var errBroken = errors.New("broken")

type brokenConn struct{ syscall.RawConn }

func (brokenConn) Control(func(uintptr)) error { return errBroken }
