package sipua

import (
	"cmp"
	"context"
	"slices"
	"sync"
	"time"

	"github.com/emiago/sipgo/sip"

	"clearback/bridge/media"
	"clearback/supervision"
)

// ClearOrdinary clears every call except emergency calls on both sides, with EvidenceShutdown. The calls of one line
// are cleared in turn, unanswered calls first, each after the adapter's leg of the previous call is over. Otherwise a
// held call's line would stay held: a clearing opens nothing while another call is on the line (invariant 1). An
// adapter that does not answer delays this for times.clearPerLine at most. For the same reason answered calls are not
// cleared while their line has an emergency call: call ClearOrdinary again when that has ended (AwaitEnd).
// ClearOrdinary returns when every clearing has been posted, so a caller that then waits for the lines to come to rest
// waits for these clearings too.
func (a *Agent) ClearOrdinary() {
	lines, emergency := map[*Line][]*call{}, map[*Line]bool{}
	for _, c := range a.up() {
		if c.emergency {
			emergency[c.line] = true
		} else {
			lines[c.line] = append(lines[c.line], c)
		}
	}
	var all sync.WaitGroup
	for line, calls := range lines {
		all.Go(func() { clearInTurn(calls, emergency[line], time.Now().Add(a.times.clearPerLine)) })
	}
	all.Wait()
}

// EmergencyUp reports whether an emergency call is up that has not been left to another process.
func (a *Agent) EmergencyUp() bool { return !a.leaving.Load() && len(a.EmergencyCalls()) > 0 }

// EmergencyCalls returns the emergency calls that are up.
func (a *Agent) EmergencyCalls() []supervision.CallID {
	var all []supervision.CallID
	for _, c := range a.up() {
		if c.emergency {
			all = append(all, c.id)
		}
	}
	return all
}

// AwaitEnd returns when one of these calls or ctx has ended; at once if calls is empty.
func (a *Agent) AwaitEnd(ctx context.Context, calls []supervision.CallID) {
	a.await(ctx, func() bool {
		return len(calls) == 0 ||
			slices.ContainsFunc(calls, func(id supervision.CallID) bool { return a.calls[id] == nil })
	})
}

// clearInTurn clears the calls of one line. During an emergency call it clears only unanswered ones. After the instant
// by, no call waits for another.
func clearInTurn(calls []*call, emergency bool, by time.Time) {
	answered := map[*call]int{}
	for _, c := range calls {
		rank := 0
		if c.runInMailbox(func() {
			if c.answered {
				rank = 1
			}
		}) {
			answered[c] = rank
		}
	}
	slices.SortFunc(calls, func(x, y *call) int {
		return cmp.Or(answered[x]-answered[y], cmp.Compare(x.id, y.id))
	})
	if emergency {
		calls = slices.DeleteFunc(calls, func(c *call) bool { return answered[c] > 0 })
	}
	for i, c := range calls {
		c.awaitHeard(by)
		c.runInMailbox(func() {
			c.code = sip.StatusServiceUnavailable
			c.farEndCleared(supervision.EvidenceShutdown, 0)
		})
		if i < len(calls)-1 {
			c.awaitNear(by)
		}
	}
}

// awaitNear returns when the adapter's leg is over, or at the instant by. Whatever follows is posted after
// AdapterLegCleared.
func (c *call) awaitNear(by time.Time) {
	c.awaitInMailbox(by, func() bool { return c.legs[media.AdapterSide].state == legOver })
}

// awaitInMailbox returns when until, which runs in the mailbox, reports true, or at the instant by.
func (c *call) awaitInMailbox(by time.Time, until func() bool) {
	look := time.NewTicker(5 * time.Millisecond)
	defer look.Stop()
	var is bool
	for ; time.Now().Before(by); <-look.C {
		if !c.runInMailbox(func() { is = until() }) || is {
			return
		}
	}
}

// runInMailbox runs f in the call's mailbox and waits for it. It reports false if the agent was closed meanwhile.
func (c *call) runInMailbox(f func()) bool {
	done := make(chan struct{}) // closed when f has returned
	c.post(func() {
		defer close(done)
		f()
	})
	select {
	case <-done:
		return true
	case <-c.a.ctx.Done():
		return false
	}
}
