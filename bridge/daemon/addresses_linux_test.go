package daemon

import (
	"flag"
	"net"
	"os"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"go.uber.org/zap"

	"clearback/bridge/daemon/daemontest"
	"clearback/bridge/loopbacktest"
)

var namespaces = flag.Bool("namespace", false, "make a network namespace and change its addresses")

// A daemon that starts before its network is up opens its sockets, says which address is missing, and serves as soon as
// the address comes. So it does when the address goes and comes back later. The network is that of a namespace of its
// own.
func TestAddressComesAndGoes(t *testing.T) {
	if !loopbacktest.InNamespace(t, *namespaces) {
		return
	}
	path := daemontest.File(t, daemontest.Serve(t, &daemontest.Board{}), daemontest.Answering(t, "200 OK"), "127.0.0.1")
	c := daemontest.Load(t, path)
	text, err := os.ReadFile(path)
	require.NoError(t, err)
	changed := strings.NewReplacer(c.SIP.AdapterSide.Listen.String(), "192.0.2.10:5060",
		c.SIP.ServiceSide.Listen.String(), "192.0.2.10:5070").Replace(string(text))
	require.NoError(t, os.WriteFile(path, []byte(changed), 0o600))
	c = daemontest.Load(t, path)
	require.Len(t, MissingAddresses(c), 1, "what check says")

	d, err := Start(c, Options{Logger: zap.NewNop()})
	require.NoError(t, err)
	defer d.Close()
	await := func(want string, reached func() bool) {
		t.Helper()
		require.Eventually(t, reached, 20*time.Second, 10*time.Millisecond, want)
	}
	registered := func() bool { return d.Line("box-office").SIP().Status().Service.Registered }
	problem := func() string { return strings.Join(d.Backend().Daemon().Problems, "\n") }
	require.Contains(t, problem(), "this machine does not have the address 192.0.2.10")
	await("why it cannot register", func() bool {
		return strings.Contains(d.Line("box-office").SIP().Status().Service.Problem,
			"this machine does not have the address 192.0.2.10 now")
	})
	require.False(t, registered())
	for range 2 {
		loopbacktest.SetAddress(t, "lo:1", [4]byte{192, 0, 2, 10})
		await("registered", registered)
		await("no problem any more", func() bool { return problem() == "" })
		adapter, err := net.Dial("udp", "192.0.2.10:5060")
		require.NoError(t, err)
		require.Contains(t, registerAt(t, adapter, 1, ""), "SIP/2.0 ", "it hears the adapter")
		require.NoError(t, adapter.Close())
		loopbacktest.SetInterface(t, "lo:1", false) // takes the address away
		await("the problem", func() bool { return problem() != "" })
	}
}
