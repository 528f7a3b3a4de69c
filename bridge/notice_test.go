package bridge

import (
	"fmt"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"go.uber.org/zap"

	"clearback/bridge/relay"
	"clearback/supervision"
)

// SAFETY.md S16, S92: a failing close on an idle line is an incident at once, and reported only once. A clearing opens
// nothing while the incident lasts. The incident ends when the contact is closed.
func TestCloseFailsOnAnIdleLine(t *testing.T) {
	for err, want := range map[error]supervision.Incident{
		fmt.Errorf("line box-office: closing: %w", relay.ErrReadBack): supervision.IncidentLoopOpen,
		fmt.Errorf("line box-office: closing: %w", relay.ErrNoAnswer): supervision.IncidentUnreachable,
	} {
		synctest.Test(t, func(t *testing.T) {
			r := newTestBed()
			r.after(time.Second)
			if want == supervision.IncidentLoopOpen {
				r.Notice(relay.Notice{Kind: relay.FoundOpen, Contact: "box-office", Err: err})
			}
			r.Notice(relay.Notice{Kind: relay.CloseFailing, Contact: "box-office", Err: err})
			synctest.Wait()
			v := r.View()
			assert.Equal(t, supervision.StateFaulted, v.Loop)
			assert.Equal(t, want, v.Fault)
			assert.Equal(t, want, v.Incident)
			assert.Contains(t, r.texts(), `why="`+err.Error()+`"`)
			r.Notice(relay.Notice{Kind: relay.CloseFailing, Contact: "box-office", Err: err})
			r.after(10 * time.Second) // longer than a call waits
			r.answeredCall()
			r.confirmed()
			r.after(15 * time.Second)
			assert.Empty(t, r.interruptions())
			assert.Contains(t, r.texts(), "rule=loop-faulted")
			assert.Equal(t, 1, strings.Count(r.texts(), "event loop-unknown"))
			assert.Equal(t, 1, strings.Count(r.texts(), "report incident reason="+want.String()))
			r.Notice(relay.Notice{Kind: relay.CloseConfirmed, Contact: "box-office"})
			r.after(20 * time.Second)
			assert.Equal(t, supervision.StateClosed, r.View().Loop)
			assert.Equal(t, supervision.IncidentNone, r.View().Incident)
			assert.NotZero(t, r.log.FilterMessage("incident is over").FilterField(zap.Stringer("reason", want)).Len())
			r.Stop()
		})
	}
}

// The controller's notices do not change what is known about the contact.
func TestLinkLossIsNoFault(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newTestBed()
		for _, k := range []relay.NoticeKind{relay.LinkLost, relay.LinkBack, relay.CloseConfirmed, relay.TimerFailed} {
			r.Notice(relay.Notice{Kind: k, Contact: "box-office"})
		}
		r.after(time.Second)
		assert.Equal(t, supervision.StateClosed, r.View().Loop)
		assert.Empty(t, r.texts())
		r.Stop()
	})
}
