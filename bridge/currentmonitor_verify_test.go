package bridge

import (
	"fmt"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"

	"clearback/bridge/relay"
	"clearback/supervision"
)

// However slow the controller is, a hold that stayed is not taken for cleared, not even after the shortest guard time:
// readings from while the loop was open do not count. If an answer comes before the adapter surely recognises on hook,
// the interruption is judged by it.
func TestSenseUsesReadingsAfterTheClosing(t *testing.T) {
	for _, guard := range []time.Duration{100 * time.Millisecond, 400 * time.Millisecond} {
		for _, stayed := range []bool{false, true} {
			for slow := time.Duration(0); slow <= 240*time.Millisecond; slow += 5 * time.Millisecond {
				synctest.Test(t, func(t *testing.T) {
					s := newCurrentTestBed(slow, true)
					p := s.Policy()
					p.GuardTime = guard
					s.SetPolicy(p)
					s.after(2 * time.Second)
					s.answeredCall()
					s.confirmed()
					<-time.After(700 * time.Millisecond) // the loop is open
					s.pair.offHook.Store(stayed)
					s.after(10 * time.Second)
					text, which := s.texts(), fmt.Sprintf("guard time %v, answers after %v, %v", guard, slow, stayed)
					assert.Contains(t, text, "report interrupted", which)
					if stayed {
						assert.NotContains(t, text, "hook=on", which)
					} else {
						assert.NotContains(t, text, "report incident", which)
					}
					if slow <= 150*time.Millisecond {
						assert.Equal(t, !stayed, strings.Contains(text, "hook=on"), which)
						assert.Equal(t, stayed, strings.Contains(text, "report incident"), which)
					}
					s.Stop()
				})
			}
		}
	}
}

// A controller that does not answer does not delay a waiting call: the call is offered when the adapter recognises on
// hook.
func TestSenseDelaysNoCall(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := newCurrentTestBed(0, false)
		s.after(2 * time.Second)
		s.answeredCall()
		s.confirmed()
		hang := make(chan struct{})
		s.contact.SenseBy(func(bool) (relay.Level, error) { <-hang; return relay.LevelUnknown, errInput })
		s.after(3 * time.Second) // closed again, in the guard time
		s.Post(supervision.Event{Kind: supervision.CallArrived, Call: 2})
		s.after(2*time.Second + s.Policy().OnHookRecognition - 1)
		assert.NotContains(t, s.texts(), "offer-call call=2")
		assert.NotContains(t, s.texts(), "report interrupted")
		s.after(2*time.Second + s.Policy().OnHookRecognition)
		assert.Contains(t, s.texts(), "offer-call call=2")
		assert.Contains(t, s.texts(), "report interrupted")
		assert.NotContains(t, s.texts(), "hook=on")
		close(hang)
		s.Stop()
	})
}
