package sipua

import (
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/emiago/sipgo/sip"

	"clearback/bridge/media"
)

// adoptedSilence is how long after a restart a call is still up of which one end is silent in its dialog.
const adoptedSilence = 35 * time.Second

// answeredLate stands for 481, sent when the next request comes.
const answeredLate = -1

// silentInCall plays a service that answers OPTIONS outside calls, and in the call only what answer returns a status
// code for. It returns the methods of the call's requests, without repetitions, until the call is over, and the time
// between the first request and the BYE. It returns 0 if no BYE has come within a minute.
func (r *restartable) silentInCall(answer func(method string) int) (asked []string, cleared time.Duration) {
	r.t.Helper()
	began, over := time.Time{}, time.After(short(time.Minute)+farEndAfter)
	var late func()
	for {
		select {
		case m := <-r.service.In:
			_, method := m.CSeq()
			switch {
			case m.Is("ACK"), m.Is("CANCEL"), m.IsResponse():
			case !strings.Contains(m.Get("To"), ";tag="):
				r.service.Respond(m, 200, "x", "")
			case m.Is("BYE"):
				r.service.Respond(m, 481, "", "")
				return asked, time.Since(began)
			default:
				if asked == nil {
					began = time.Now()
				}
				asked = append(asked, method)
				if late != nil {
					late()
					late = nil
				}
				switch code := answer(method); {
				case code == answeredLate:
					late = func() { r.service.Respond(m, 481, "", "") }
				case code > 0:
					body := ""
					if method == "INVITE" {
						body = far()
					}
					r.service.Respond(m, code, "", body)
				}
			}
		case <-over:
			return asked, 0
		}
	}
}

// A far end that hung up while the process was down, at a service that answers nothing about it: the hold is cleared
// within 35 s. A service that answers a re-INVITE keeps its call, whatever else it ignores (common practice). One that
// answers at once is asked once.
func TestSilentFarEndAfterRestart(t *testing.T) {
	t.Parallel()
	no := func(string) int { return 0 }
	for name, c := range map[string]struct {
		update bool
		change func(*savedCall)
		answer func(method string) int
		asked  string
		ends   bool
	}{
		"OPTIONS and re-INVITE": {answer: no, asked: "OPTIONS INVITE", ends: true},
		"UPDATE too":            {update: true, answer: no, asked: "OPTIONS INVITE", ends: true},
		"UPDATE, answered before": {update: true, answer: no, asked: "UPDATE OPTIONS", ends: true, change: func(s *savedCall) {
			s.Legs[media.ServiceSide].Support = map[sip.RequestMethod]methodSupport{sip.UPDATE: supportConfirmed}
		}},
		"only OPTIONS": {answer: no, asked: "OPTIONS OPTIONS", ends: true, change: func(s *savedCall) {
			s.Sent[media.ServiceSide].Body = nil
		}},
		"answers a re-INVITE": {answer: func(method string) int { return map[string]int{"INVITE": 200}[method] },
			asked: "OPTIONS INVITE"},
		"refuses a re-INVITE": {answer: func(method string) int { return map[string]int{"INVITE": 488}[method] },
			asked: "OPTIONS INVITE"},
		"481, the first one late": {answer: func(method string) int {
			return map[string]int{"OPTIONS": answeredLate, "INVITE": 481}[method]
		}, asked: "OPTIONS INVITE", ends: true},
		"answers at once": {answer: func(string) int { return 200 }, asked: "OPTIONS"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			synctest.Test(t, func(t *testing.T) {
				r := newRestartable(t, inShort, func(_ *Options, t *times) { t.firstLivenessCheck = time.Hour })
				allow := "Allow: INVITE, ACK, BYE, OPTIONS"
				if c.update {
					allow = knowsUpdate
				}
				r.answered(allow)
				r.kill()
				if c.change != nil {
					r.changeSaved(c.change)
				}
				r.start()
				r.machine.saw("1 adopted")
				r.asksAdapter(0, 0) // the far end is asked after a second
				asked, cleared := r.silentInCall(c.answer)
				if got := strings.Join(asked, " "); got != c.asked {
					t.Errorf("asked by %s, want %s", got, c.asked)
				}
				if c.ends != (cleared > 0) || cleared > short(adoptedSilence-farEndAfter) {
					t.Fatalf("cleared %v after the first question", cleared)
				}
			})
		})
	}
}
