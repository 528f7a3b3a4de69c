package bridge

import (
	"fmt"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
)

// Whatever a controller needs for an answer, a hold that stayed is not taken for cleared, not even after the shortest guard time: what was seen
// while the loop was open says nothing of it. And where the answers come in time, it is judged.
func TestSenseJudgesWhatWasReadAfterTheClosing(t *testing.T) {
	for _, guard := range []time.Duration{100 * time.Millisecond, 400 * time.Millisecond} {
		for _, stayed := range []bool{false, true} {
			for slow := time.Duration(0); slow <= 240*time.Millisecond; slow += 5 * time.Millisecond {
				synctest.Test(t, func(t *testing.T) {
					s := newSenseRig(slow)
					s.pair.offHook.Store(true)
					p := s.Policy()
					p.GuardTime = guard
					s.SetPolicy(p)
					s.after(2 * time.Second)
					s.held()
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
					if slow <= guard/8 {
						assert.Equal(t, !stayed, strings.Contains(text, "hook=on"), which)
						assert.Equal(t, stayed, strings.Contains(text, "report incident"), which)
					}
					s.Stop()
				})
			}
		}
	}
}
