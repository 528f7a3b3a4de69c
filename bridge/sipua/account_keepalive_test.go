package sipua

import (
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"
	"go.uber.org/zap/zaptest/observer"

	"clearback/bridge/sipua/uatest"
)

func keepingAlive(_ *Options, times *times) { times.keepAlive = 20 * time.Second }

func grantAnHour(p *uatest.Peer, register uatest.Message) {
	p.Respond(register, 200, "reg", "", "Contact: "+register.Get("Contact")+";expires=3600")
}

// A service that restarts and loses its registrations gets a new REGISTER, long before the refresh is due. One lost
// question, any response (also a 404 to a call), and a request of its own show that the service is there.
func TestServiceThatLosesTheRegistration(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		var logs *observer.ObservedLogs
		h := newVirtualTestBed(t, registeringAtServices, keepingAlive, observed(&logs))
		said := func() int { return logs.FilterMessageSnippet("the service left OPTIONS unanswered").Len() }
		next := func(want string) uatest.Message {
			m := <-h.service.In
			if !m.Is(want) {
				t.Fatalf("want %s, got %s", want, m)
			}
			return m
		}
		for began := time.Now(); time.Since(began) < 25*time.Second; { // no OPTIONS before it is registered
			h.service.Respond(next("REGISTER"), 500, "reg", "")
		}
		grantAnHour(h.service, next("REGISTER"))
		began := time.Now()
		h.service.Respond(next("OPTIONS"), 404, "x", "")
		require.LessOrEqual(t, time.Since(began), 20*time.Second)
		synctest.Wait()
		status := h.line.Status().Service
		require.Zero(t, time.Since(status.Heard), "an answer to OPTIONS")
		require.Equal(t, []time.Time{began, began.Add(time.Hour)}, []time.Time{status.Since, status.Until})
		for range 5 { // it is there, even if it cannot serve; and the least time between two REGISTERs passes
			h.service.Respond(next("OPTIONS"), 503, "x", "")
		}
		next("OPTIONS")                                  // lost on the way
		h.service.Respond(next("OPTIONS"), 200, "x", "") // once more
		next("OPTIONS")
		h.line.accounts[0].noteResponse() // a message of its own comes before it could answer
		next("OPTIONS")
		h.service.Respond(next("OPTIONS"), 200, "x", "")

		require.Zero(t, said())
		next("OPTIONS") // now it restarts
		began = time.Now()
		next("OPTIONS")
		grantAnHour(h.service, next("REGISTER"))
		require.Less(t, time.Since(began), 10*time.Second)
		require.False(t, h.line.accounts[0].lost())
		require.Equal(t, 1, said())
		for range 10 {
			h.service.Respond(next("OPTIONS"), 200, "x", "") // and no second REGISTER
		}

		// A misdialled call is no sign: the far end's number is not found, and the line is.
		near := h.request("5550159", uatest.Offer("127.0.0.1", nearSDP, "sendrecv"))
		h.service.Respond(next("INVITE"), 404, "far", "")
		next("ACK")
		near.AckFailure(h.adapter.Expect("404"))
		for range 10 {
			h.service.Respond(next("OPTIONS"), 404, "x", "") // and no REGISTER
		}
		go h.service.Serve(func(m uatest.Message) { grantAnHour(h.service, m) }) // the un-registration
	})
}

// A service that ignores OPTIONS, from the beginning or after some answers, is neither lost nor registered at again and
// again.
func TestServiceThatIgnoresOptions(t *testing.T) {
	t.Parallel()
	for answers, want := range map[int]int{0: 1, 3: 2} {
		synctest.Test(t, func(t *testing.T) {
			h := newVirtualTestBed(t, registeringAtServices, keepingAlive)
			asked, registered := 0, 0
			h.service.Serve(func(m uatest.Message) {
				switch {
				case m.Is("REGISTER"):
					registered++
					grantAnHour(h.service, m)
				case asked < answers:
					h.service.Respond(m, 200, "x", "")
					fallthrough
				default:
					asked++
				}
				if h.line.accounts[0].lost() {
					t.Error("the service counts as lost")
				}
			})
			<-time.After(50 * time.Minute)
			synctest.Wait()
			require.Greater(t, asked, 100)
			require.Equal(t, want, registered, "%d answers", answers)
		})
	}
}

// The end of the daemon does not wait for an answer to OPTIONS.
func TestUnregisterWhileOptionsIsUnanswered(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t, registeringAtServices, keepingAlive)
		asked := make(chan struct{}, 16) // more than come
		h.service.Serve(func(m uatest.Message) {
			if m.Is("REGISTER") {
				grantAnHour(h.service, m)
				return
			}
			asked <- struct{}{}
		})
		<-asked
		began := time.Now()
		h.agent.Unregister()
		require.Zero(t, time.Since(began))
	})
}
