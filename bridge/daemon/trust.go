package daemon

import (
	"cmp"
	"net/http"
	"slices"
	"strings"
	"time"

	"go.uber.org/zap"

	"clearback/bridge/journal"
	"clearback/config"
	"clearback/supervision"
)

// trusted returns the line's policy, with the trust that the line's answers have earned. A policy that already trusts
// them keeps that trust.
func trusted(c *config.Line, t journal.Trust) supervision.Policy {
	p := c.Policy
	p.ProbeTrusted = p.ProbeTrusted || c.Verify.By == "options" && t.Probe
	p.SenseTrusted = p.SenseTrusted || c.Verify.By == "sense" && t.Sense
	return p
}

// nameSeparator separates the User-Agents of an adapter that uses different ones to register and to answer. No header
// field contains it.
const nameSeparator = "\n"

// checkedAs returns the User-Agents that the adapter had when its answers were checked, if the daemon trusts its
// answers because of that check. Otherwise it returns nil.
func checkedAs(c *config.Line, t journal.Trust) []string {
	if c.Policy.ProbeTrusted || !trusted(c, t).ProbeTrusted {
		return nil
	}
	return strings.Split(t.UserAgent, nameSeparator)
}

// userAgentSeen takes the User-Agent of a registration or an answer of the adapter. Another adapter, or another version
// of its software, has to be checked again before its answers count. The machine learns of the change before it gets
// the answer that shows it, so that answer does not count either.
func (l *Line) userAgentSeen(agent string) {
	l.mu.Lock()
	l.userAgent = agent
	if !slices.Contains(l.userAgents, agent) {
		l.userAgents = append(l.userAgents, agent)
	}
	was := l.checkedAs
	// No User-Agent is a value too. If the adapter sent none when its answers were checked, one that appears is a
	// change.
	changed := was != nil && !slices.Contains(was, agent)
	if changed {
		l.checkedAs = nil
		l.line.Post(supervision.Event{Kind: supervision.AdapterChanged})
	}
	l.mu.Unlock()
	if changed {
		l.log.Warn("the adapter's User-Agent has changed since its answers were checked; they are not trusted until `clearback check --live --states "+l.name+"` has confirmed the line again",
			zap.String("was", cmp.Or(strings.Join(was, " and "), "no name")), zap.String("is", agent))
	}
}

// trustAfter is the time from the answer of a call to the first query whether the line is off hook, and from that to
// the second. It is our own figure. It is long enough for an adapter that reports its hook late, or that hangs up and
// whose BYE is lost once.
const trustAfter = 2 * time.Second

// testTrust queries the adapter in an answered call. The port is then certainly off hook, so the answer should be 486.
// The machine learns of each answer that reports on hook. Call testTrust with mu held, on the line's goroutine.
func (l *Line) testTrust(call supervision.CallID) {
	if l.ending || l.checkedAs == nil {
		return
	}
	l.work.Go(func() {
		for range 2 {
			select {
			case <-time.After(l.trustAfter):
			case <-l.ctx.Done():
				return
			}
			if code, _, err := l.SIP().Ask(l.ctx); err != nil || code != http.StatusOK || !l.answeredCall(call) {
				return
			}
			l.line.Post(supervision.Event{Kind: supervision.OnHookInCall, Call: call})
		}
	})
}

// answeredCall reports whether the call is answered and not being cleared.
func (l *Line) answeredCall(call supervision.CallID) bool {
	return slices.ContainsFunc(l.line.View().Calls, func(c supervision.CallView) bool {
		return c.Call == call && c.Answered && !c.Clearing
	})
}

// trustWithdrawn is called when the machine no longer trusts the adapter's answers. The journal remembers that, so that
// after a restart the line still has to be checked again. call is the call that has shown that the answers are wrong,
// or 0 if the adapter has changed.
func (l *Line) trustWithdrawn(call supervision.CallID) {
	l.mu.Lock()
	l.checkedAs = nil
	if l.journal != nil {
		state := l.journal.SavedLine(l.name)
		state.Trust = journal.Trust{At: time.Now()}
		l.journal.SaveLine(state)
	}
	l.mu.Unlock()
	if call != 0 {
		l.log.Warn("the adapter reported on hook (200 to OPTIONS) in an answered call; its answers are not trusted until `clearback check --live --states "+l.name+"` has confirmed the line again",
			zap.Uint64("call", uint64(call)))
	}
}

// UserAgents returns all User-Agents of the adapter, sorted, one per line, as [journal.Trust] stores them.
func (l *Line) UserAgents() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return strings.Join(slices.Sorted(slices.Values(l.userAgents)), nameSeparator)
}
