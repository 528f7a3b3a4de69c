package sipua

import (
	"net/netip"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"
	"go.uber.org/zap/zaptest/observer"

	"clearback/bridge/sipua/uatest"
)

// The timers of a process do not count the time that the machine sleeps, so the refresh of a registration that was
// granted for an hour may come hours after its end. The line registers again as soon as the machine wakes. A stall
// without a suspend causes no REGISTER.
func TestRegistersAfterASuspend(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		var logs *observer.ObservedLogs
		h, sleep := stalling(t, registeringAtServices, observed(&logs))
		said := func() int {
			return logs.FilterMessageSnippet("the machine has slept, or its clock was set forward").Len()
		}
		next := func() uatest.Message {
			m := <-h.service.In
			require.True(t, m.Is("REGISTER"), m)
			return m
		}
		grantAnHour(h.service, next())
		<-time.After(2 * time.Minute)
		sleep(9 * time.Second) // less than any registration lasts
		<-time.After(2 * time.Minute)
		require.Empty(t, h.service.In)
		require.Zero(t, said())
		began := time.Now()
		sleep(8 * time.Hour)
		grantAnHour(h.service, next())
		require.Less(t, time.Since(began), 6*time.Second)
		require.Positive(t, said())

		sleep(8 * time.Hour)
		for range 8 { // the pauses grow to at least 30 s
			h.service.Respond(next(), 500, "reg", "")
		}
		began = time.Now()
		sleep(8 * time.Hour)
		m := next()
		require.Less(t, time.Since(began), time.Second, "the pause after a failure ends too")
		grantAnHour(h.service, m)
		go h.service.Serve(func(m uatest.Message) { grantAnHour(h.service, m) })
	})
}

// A service that ends the TCP connection, as at a restart, gets a new REGISTER within 5 s, but not within a minute of
// the last one. A connection to somebody else does not count, nor one that was short.
func TestRegistersAfterALostConnection(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t, registeringAtServices)
		register := func() {
			m := <-h.service.In
			require.True(t, m.Is("REGISTER"), m)
			grantAnHour(h.service, m)
		}
		register()
		synctest.Wait()
		<-time.After(10 * time.Minute)
		s := h.line.service
		s.disconnected(netip.MustParseAddrPort("127.0.0.9:5060"), time.Hour)
		s.disconnected(h.service.At, 59*time.Second)
		<-time.After(time.Minute)
		require.Empty(t, h.service.In)
		for _, atLeast := range []time.Duration{0, time.Minute} {
			began := time.Now()
			s.disconnected(h.service.At, time.Minute)
			s.disconnected(h.service.At, time.Minute)
			register()
			synctest.Wait()
			require.Zero(t, time.Since(h.line.Status().Service.Heard))
			require.GreaterOrEqual(t, time.Since(began), atLeast)
			require.Less(t, time.Since(began), atLeast+5*time.Second)
		}
		<-time.After(10 * time.Minute)
		require.Empty(t, h.service.In)
		go h.service.Serve(func(m uatest.Message) { grantAnHour(h.service, m) })
	})
}

// The end of a TCP connection reaches the account.
func TestLostConnectionIsNoticed(t *testing.T) {
	t.Parallel()
	var logs *observer.ObservedLogs
	h := streaming(t, registeringAtServices, observed(&logs), func(_ *Options, times *times) {
		times.lastingConnection = 0
	})
	grantAnHour(h.service, h.service.Expect("REGISTER"))
	eventually(t, "the registration", h.line.accounts[0].registered)
	h.service.Connections.Drop(-1)
	eventually(t, "the loss of the connection", func() bool {
		return logs.FilterMessageSnippet("the connection to the service has ended").Len() > 0
	})
	h.service.Serve(func(m uatest.Message) { grantAnHour(h.service, m) })
}

// While the machine sleeps, an adapter's registration expires as at any other time, and no sooner.
func TestBindingExpiresDuringASuspend(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h, sleep := stalling(t, registering, quickDateCheck)
		h.register(h.adapter)
		require.True(t, h.line.Status().Bound)
		sleep(9 * time.Second)
		require.True(t, h.line.Status().Bound)
		sleep(2 * time.Minute)
		require.False(t, h.line.Status().Bound)
	})
}
