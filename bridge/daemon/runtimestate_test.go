package daemon

import (
	"fmt"
	"net"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/icholy/digest"
	"github.com/stretchr/testify/require"
	"go.uber.org/zap"

	"clearback/bridge/daemon/daemontest"
)

// A daemon that starts again knows where the adapter is registered, and which software it has.
func TestRegistrationOutlivesARestart(t *testing.T) {
	path := daemontest.File(t, daemontest.Serve(t, &daemontest.Board{}), daemontest.Answering(t, "200 OK"), "192.0.2.2")
	text, err := os.ReadFile(path)
	require.NoError(t, err)
	registers := strings.Replace(string(text), `contact: "sip:box-office@192.0.2.2"`,
		"password: {env: MILLRACE_SERVICE}", 1) +
		"control: {socket: " + filepath.Join(t.TempDir(), "control") + "}\njournal: {file: none}\n"
	require.NoError(t, os.WriteFile(path, []byte(registers), 0o600))
	c := daemontest.Load(t, path)
	d, err := Start(c, Options{Logger: zap.NewNop()})
	require.NoError(t, err)
	adapter, err := net.Dial("udp", d.AdapterAddr("box-office").String())
	require.NoError(t, err)
	defer adapter.Close()
	challenge, err := digest.ParseChallenge(headerOf(t, registerAt(t, adapter, 1, ""), "WWW-Authenticate: "))
	require.NoError(t, err)
	answer, err := digest.Digest(challenge, digest.Options{Method: "REGISTER", URI: "sip:clearback",
		Username: "box-office", Password: os.Getenv("MILLRACE_SERVICE"), Count: 1})
	require.NoError(t, err)
	require.Contains(t, registerAt(t, adapter, 2, "Authorization: "+answer.String()+"\r\n"), "200 OK")
	require.NoError(t, d.Close())

	d, err = Start(c, Options{Logger: zap.NewNop()})
	require.NoError(t, err)
	s := d.Line("box-office").SIP().Status()
	require.True(t, s.Bound)
	require.Equal(t, adapter.LocalAddr().String(), s.Binding.Destination.String())
	require.Equal(t, "box 1", d.Line("box-office").UserAgents())
	require.Contains(t, registerAt(t, adapter, 3, "Authorization: "+answer.String()+"\r\n"), "stale=true")
	require.NoError(t, d.Close())
}

// registerAt sends a REGISTER (RFC 3261 section 10.2) and returns the response.
func registerAt(t *testing.T, adapter net.Conn, cseq int, authorization string) string {
	t.Helper()
	_, err := fmt.Fprintf(adapter,
		"REGISTER sip:clearback SIP/2.0\r\nVia: SIP/2.0/UDP %[1]s;branch=z9hG4bK-%[2]d;rport\r\n"+
			"Max-Forwards: 70\r\nFrom: <sip:box-office@clearback>;tag=1\r\nTo: <sip:box-office@clearback>\r\n"+
			"Call-ID: boot-1\r\nCSeq: %[2]d REGISTER\r\nContact: <sip:box-office@%[1]s>\r\nUser-Agent: box 1\r\n%[3]s"+
			"Content-Length: 0\r\n\r\n", adapter.LocalAddr(), cseq, authorization)
	require.NoError(t, err)
	require.NoError(t, adapter.SetReadDeadline(time.Now().Add(10*time.Second)))
	b := make([]byte, 4096)
	n, err := adapter.Read(b)
	require.NoError(t, err)
	return string(b[:n])
}

func headerOf(t *testing.T, message, name string) string {
	t.Helper()
	_, value, ok := strings.Cut(message, name)
	require.True(t, ok, message)
	value, _, _ = strings.Cut(value, "\r\n")
	return value
}
