package sipua

import (
	"strings"
	"testing"
	"testing/synctest"
	"time"
)

// On a line that protects life only a 481 to the check after the restart ends an adopted call. The silence of a service
// that answers others does not, nor does anything later.
func TestLifeSafetyCallAfterRestart(t *testing.T) {
	t.Parallel()
	for _, silent := range []bool{true, false} {
		synctest.Test(t, func(t *testing.T) {
			r := newRestartable(t, func(o *Options, _ *times) { o.Lines[0].LifeSafety = true })
			call := r.incoming()
			r.restart()
			r.machine.saw("1 adopted")
			r.asksAdapter(481, 200)
			r.machine.saw("1 adapter leg heard")
			for until := time.Now().Add(3 * time.Minute); time.Now().Before(until); {
				select {
				case m := <-r.service.In:
					if !silent || !strings.Contains(m.Get("To"), ";tag=") {
						r.service.Respond(m, 200, "x", "")
					}
				case <-time.After(time.Second):
				}
			}
			for _, code := range []int{481, 408} {
				call.near.Request("INFO", "Signal=5\r\n", "Content-Type: application/dtmf-relay")
				r.service.Respond(r.service.ExpectAfter("OPTIONS", "INFO"), code, "", "")
				r.adapter.ExpectOf("491", "INFO")
			}
			<-time.After(10 * time.Minute)
			r.service.ExpectNothing(r.toService)
			r.hangUp(call.near)
		})
	}
}
