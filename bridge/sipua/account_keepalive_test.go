package sipua

import (
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"clearback/bridge/sipua/uatest"
)

// A service that restarts and loses its registrations gets a new REGISTER, long before the refresh is due. One question
// without an answer shows no restart.
func TestServiceThatLosesTheRegistration(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t, registeringAtServices, func(_ *Options, times *times) {
			times.keepAlive = 20 * time.Second
		})
		register := func(m uatest.Message) {
			h.service.Respond(m, 200, "reg", "", "Contact: "+m.Get("Contact")+";expires=3600")
		}
		next := func(want string) uatest.Message {
			m := <-h.service.In
			if !m.Is(want) {
				t.Fatalf("want %s, got %s", want, m)
			}
			return m
		}
		register(next("REGISTER"))
		began := time.Now()
		h.service.Respond(next("OPTIONS"), 404, "x", "")
		require.LessOrEqual(t, time.Since(began), 20*time.Second)
		began = time.Now()
		next("OPTIONS")                                  // lost on the way
		h.service.Respond(next("OPTIONS"), 200, "x", "") // once more
		require.Less(t, time.Since(began), 25*time.Second)
		require.False(t, h.line.accounts[0].lost())
		h.service.Respond(next("OPTIONS"), 200, "x", "")

		next("OPTIONS") // now it restarts
		began = time.Now()
		next("OPTIONS")
		ask := next("OPTIONS")
		require.True(t, h.line.accounts[0].lost())
		h.service.Respond(ask, 200, "x", "")
		register(next("REGISTER"))
		require.Less(t, time.Since(began), 30*time.Second)
		require.False(t, h.line.accounts[0].lost())
		for range 3 {
			h.service.Respond(next("OPTIONS"), 200, "x", "") // and no second REGISTER
		}
		go h.service.Serve(register) // the un-registration
	})
}

// A service that never answers OPTIONS is not lost.
func TestServiceThatIgnoresOptions(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t, registeringAtServices, func(_ *Options, times *times) {
			times.keepAlive = 20 * time.Second
		})
		asked := 0
		h.service.Serve(func(m uatest.Message) {
			if m.Is("REGISTER") {
				h.service.Respond(m, 200, "reg", "", "Contact: "+m.Get("Contact")+";expires=3600")
				return
			}
			asked++
			if h.line.accounts[0].lost() {
				t.Error("the service counts as lost")
			}
		})
		<-time.After(10 * time.Minute)
		synctest.Wait()
		require.Greater(t, asked, 20)
		require.False(t, h.line.accounts[0].lost())
	})
}
