package registration

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/emiago/sipgo/sip"
	"github.com/stretchr/testify/require"

	"clearback/bridge/loopbacktest"
)

// sipp starts a scenario of SIPp, with the line's user and a password.
func sipp(t *testing.T, scenario, password string, args ...string) *loopbacktest.SIPp {
	t.Helper()
	return loopbacktest.StartSIPp(t, scenario, append([]string{"-key", "user", "stage-door", "-key", "word", password,
		"-au", "stage-door", "-ap", password}, args...)...)
}

// SIPp as the adapter, over UDP and TCP.
func TestAdapterBySIPp(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		scenario, password string
		bound              bool
		generation         uint64
	}{
		{"adapter.xml", secret, false, 1}, {"adapter_wrong.xml", "wrong", false, 0},
		{"adapter_brief.xml", secret, true, 1},
	} {
		for _, transport := range []string{"u1", "t1"} {
			t.Run(c.scenario+" "+transport, func(t *testing.T) {
				t.Parallel()
				d := newTestRegistrar(t, stageDoor())
				sipp(t, c.scenario, c.password, "-t", transport, d.e.Addr().String()).Await()
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

// SIPp as the service: 503 with Retry-After, 423, digest, refresh, un-registering.
func TestServiceBySIPp(t *testing.T) {
	t.Parallel()
	pbx := sipp(t, "service.xml", secret)
	c := run(t, func(o *ClientOptions) {
		o.Destination, o.AuthUser = pbx.At().String(), "stage-door"
	})
	s := <-c.changed
	require.True(t, s.Registered)
	require.InDelta(t, 2, s.Until.Sub(s.Since).Seconds(), 0.1)
	require.Eventually(t, func() bool { return time.Until(c.Status().Until) > 30*time.Second }, testTimeout,
		5*time.Millisecond, "refreshed")
	c.stop()
	pbx.Await()
	require.Len(t, c.seen.FilterMessageSnippet("cannot register").All(), 1)
	require.Len(t, c.seen.FilterMessageSnippet("registered at the service again").All(), 1)
	require.Empty(t, c.seen.FilterMessageSnippet("un-register").All())
}

// SIPp as a service that rejects our password.
func TestRefusedBySIPp(t *testing.T) {
	t.Parallel()
	pbx := sipp(t, "service_strict.xml", "another")
	c := run(t, func(o *ClientOptions) {
		o.Destination, o.AuthUser = pbx.At().String(), "stage-door"
		o.Registrar = sip.Uri{Scheme: "sip", Host: "pbx.example"}
	})
	pbx.Await()
	require.Eventually(t, func() bool { return strings.Contains(c.Status().Problem, "403") }, testTimeout,
		5*time.Millisecond, fmt.Sprint(c.Status()))
	require.False(t, c.Status().Registered)
}
