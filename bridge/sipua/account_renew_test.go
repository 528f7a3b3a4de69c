package sipua

import (
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
