package daemon

import (
	"context"
	"net/netip"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"clearback/bridge/sipua/uatest"
	"clearback/config"
	"clearback/supervision"
)

// marked calls the line as a service without a registration would, with the mark of a call-back (RFC 7090 section 3,
// from memory). It reports whether the machine saw the call as a call-back, and ends the daemon.
func marked(t *testing.T, d *Daemon) bool {
	t.Helper()
	to := d.ServiceAddr("box-office")
	p := uatest.New(t, "centre")
	call := p.Call("sip:555-0101@"+to.String(), "<sip:999@"+p.At.String()+">", to, "", "Priority: psap-callback")
	line := d.Line("box-office")
	var calls []supervision.CallView
	told := func() bool { calls = line.View().Calls; return len(calls) > 0 }
	require.Eventually(t, told, 5*time.Second, time.Millisecond)
	call.Established(p.Expect("200")).Ack("") // the adapter answers at once

	hurry, cancel := context.WithCancel(context.Background())
	cancel()                     // so that the shutdown does not wait for emergency calls either
	ended := make(chan struct{}) // closed when the daemon has ended
	go func() { defer close(ended); d.Shutdown(hurry) }()
	p.Respond(p.Expect("BYE"), 200, "", "")
	<-ended
	return calls[0].Emergency
}

// The mark of a call-back counts from a configured source, and after a restart for the rest of an emergency call's
// window.
func TestCallbackConfigured(t *testing.T) {
	t.Parallel()
	begin := func(set func(c *config.Config)) *Daemon {
		c, _ := stage(t)
		c.Lines[0].Service.Register = false
		set(c)
		d, _ := startTestDaemon(t, c)
		return d
	}
	assert.False(t, marked(t, begin(func(*config.Config) {})))
	assert.True(t, marked(t, begin(func(c *config.Config) {
		c.Emergency.CallbackFrom = []netip.Prefix{netip.MustParsePrefix("127.0.0.0/8")}
	})))
	assert.True(t, marked(t, begin(func(c *config.Config) {
		before, _ := startTestDaemon(t, c)
		k := before.Line("box-office")
		k.save(supervision.SavedState{CallbackBy: supervision.Instant(time.Since(k.epoch) + 10*time.Minute)})
		before.Shutdown(context.Background())
	})))
}
