package registration

import (
	"bytes"
	"context"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/emiago/sipgo/sip"
	"github.com/stretchr/testify/require"
)

// sipp starts a scenario of an outside tool (SIPp, Debian package sip-tester). The function waits for its end and fails the test if
// it did not go as the scenario says.
func sipp(t *testing.T, scenario, password string, args ...string) (await func()) {
	t.Helper()
	path, err := exec.LookPath("sipp")
	if err != nil {
		if os.Getenv("CI") != "" {
			t.Fatal("sipp is missing; install the Debian package sip-tester")
		}
		t.Skip("sipp is not installed (Debian package sip-tester)")
	}
	file, err := filepath.Abs(filepath.Join("testdata", scenario))
	require.NoError(t, err)
	ctx, cancel := context.WithTimeout(context.Background(), 30*time.Second)
	cmd := exec.CommandContext(ctx, path, append([]string{"-sf", file, "-i", "127.0.0.1", "-m", "1", "-nostdin", "-timeout", "10", "-timeout_error",
		"-key", "user", "stage-door", "-key", "word", password, "-au", "stage-door", "-ap", password}, args...)...)
	cmd.Dir, cmd.WaitDelay = t.TempDir(), time.Second
	cmd.Env = append(os.Environ(), "TERM=dumb")
	var out bytes.Buffer
	cmd.Stdout, cmd.Stderr = &out, &out
	require.NoError(t, cmd.Start())
	t.Cleanup(cancel)
	return func() {
		t.Helper()
		if err := cmd.Wait(); err != nil {
			text := out.String()
			t.Fatalf("sipp %s: %v\n%s", scenario, err, text[max(0, len(text)-3000):])
		}
	}
}

func freePort(t *testing.T) string {
	l, err := net.ListenPacket("udp", "127.0.0.1:0")
	require.NoError(t, err)
	defer l.Close()
	_, port, err := net.SplitHostPort(l.LocalAddr().String())
	require.NoError(t, err)
	return port
}

// SIPp as the adapter, over UDP and TCP.
func TestAdapterBySIPp(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		scenario, password string
		bound              bool
		generation         uint64
	}{
		{"adapter.xml", secret, false, 1}, {"adapter_wrong.xml", "wrong", false, 0}, {"adapter_brief.xml", secret, true, 1},
	} {
		for _, transport := range []string{"u1", "t1"} {
			t.Run(c.scenario+" "+transport, func(t *testing.T) {
				t.Parallel()
				d := newDesk(t, stageDoor())
				sipp(t, c.scenario, c.password, "-t", transport, d.e.Addr().String())()
				_, bound := d.Binding("stage-door")
				require.Equal(t, c.bound, bound)
				if c.generation > 0 {
					b := <-d.renewed
					require.Equal(t, c.generation, b.Generation)
					require.Equal(t, "a box with two ports", b.UserAgent)
				}
			})
		}
	}
}

// listening waits until something has the UDP port.
func listening(t *testing.T, port string) {
	t.Helper()
	require.Eventually(t, func() bool {
		l, err := net.ListenPacket("udp", "127.0.0.1:"+port)
		if err == nil {
			l.Close()
		}
		return err != nil
	}, patience, 5*time.Millisecond)
}

// SIPp as the service: 503 with Retry-After, 423, digest, refresh, un-registering.
func TestServiceBySIPp(t *testing.T) {
	t.Parallel()
	port := freePort(t)
	await := sipp(t, "service.xml", secret, "-p", port)
	listening(t, port)
	c := run(t, func(o *ClientOptions) {
		o.Destination, o.AuthUser = "127.0.0.1:"+port, "stage-door"
	})
	s := <-c.changed
	require.True(t, s.Registered)
	require.InDelta(t, 2, s.Until.Sub(s.Since).Seconds(), 0.1)
	require.Eventually(t, func() bool { return time.Until(c.Status().Until) > 30*time.Second }, patience, 5*time.Millisecond, "refreshed")
	c.stop()
	await()
	require.Len(t, c.seen.FilterMessageSnippet("cannot register").All(), 1)
	require.Len(t, c.seen.FilterMessageSnippet("registered at the service again").All(), 1)
	require.Empty(t, c.seen.FilterMessageSnippet("un-register").All())
}

// SIPp as a service that does not take our password.
func TestRefusedBySIPp(t *testing.T) {
	t.Parallel()
	port := freePort(t)
	await := sipp(t, "service_strict.xml", "another", "-p", port)
	listening(t, port)
	c := run(t, func(o *ClientOptions) {
		o.Destination, o.AuthUser = "127.0.0.1:"+port, "stage-door"
		o.Registrar = sip.Uri{Scheme: "sip", Host: "pbx.example"}
	})
	await()
	require.Eventually(t, func() bool { return strings.Contains(c.Status().Problem, "403") }, patience, 5*time.Millisecond, fmt.Sprint(c.Status()))
	require.False(t, c.Status().Registered)
}
