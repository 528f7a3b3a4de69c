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

// userAgentSeen takes the User-Agent of a registration or an answer of the adapter. Another adapter, or another version
// of its software, has to be checked again before its answers count. The answer that shows the change does not count
// either, because this method withdraws the trust before the answer is reported.
func (l *Line) userAgentSeen(agent string) {
	l.mu.Lock()
	l.userAgent = agent
	if !slices.Contains(l.userAgents, agent) {
		l.userAgents = append(l.userAgents, agent)
	}
	was := l.trust.UserAgent
	// No User-Agent is a value too. If the adapter sent none when its answers were checked, one that appears is a
	// change.
	distrust := l.trust.Probe && !slices.Contains(strings.Split(was, nameSeparator), agent)
	if distrust {
		l.trust.Probe = false
	}
	l.mu.Unlock()
	if !distrust {
		return
	}
	l.dropTrust()
	l.log.Warn("the adapter's User-Agent has changed since its answers were checked; they are not trusted until `clearback check --live --states "+l.c.Name+"` has confirmed the line again",
		zap.String("was", cmp.Or(strings.ReplaceAll(was, nameSeparator, " and "), "no name")), zap.String("is", agent))
}

// dropTrust removes the trust in the adapter's answers from the line's policy, except what the file itself grants.
func (l *Line) dropTrust() {
	l.setting.Lock()
	defer l.setting.Unlock()
	p := l.line.Policy()
	p.ProbeTrusted = l.c.Policy.ProbeTrusted
	l.line.SetPolicy(p)
}

// trustAfter is the time from the answer of a call to the first query whether the line is off hook, and from that to
// the second. It is our own figure. It is long enough for an adapter that reports its hook late, or that hangs up and
// whose BYE is lost once.
const trustAfter = 2 * time.Second

// testTrust queries the adapter in an answered call. The port is then certainly off hook, so the answer should be 486.
// An adapter that answers 200 twice does not report its hook, and the trust in its answers is withdrawn for good. Call
// it with mu held, on the line's goroutine.
func (l *Line) testTrust(call supervision.CallID) {
	if l.ending || !l.trust.Probe || l.c.Verify.By != "options" {
		return
	}
	l.work.Go(func() {
		for range 2 {
			select {
			case <-time.After(l.trustAfter):
			case <-l.ctx.Done():
				return
			}
			if code, _, err := l.port.Ask(l.ctx); err != nil || code != http.StatusOK || !l.answeredCall(call) {
				return
			}
		}
		l.withdrawTrust(call)
	})
}

// answeredCall reports whether the call is an ordinary call that is answered and not being cleared.
func (l *Line) answeredCall(call supervision.CallID) bool {
	return slices.ContainsFunc(l.line.View().Calls, func(c supervision.CallView) bool {
		return c.Call == call && c.Answered && !c.Clearing && !c.Emergency
	})
}

// withdrawTrust withdraws the trust, in the journal too.
func (l *Line) withdrawTrust(call supervision.CallID) {
	l.mu.Lock()
	was := l.trust.Probe
	l.trust = journal.Trust{At: time.Now()}
	if was && l.journal != nil {
		state := l.journal.SavedLine(l.c.Name)
		state.Trust = l.trust
		l.journal.SaveLine(state)
	}
	l.mu.Unlock()
	if !was {
		return
	}
	l.dropTrust()
	l.log.Warn("the adapter says on hook (200 to OPTIONS) in an answered call; its answers are not trusted until `clearback check --live --states "+l.c.Name+"` has confirmed the line again",
		zap.Uint64("call", uint64(call)))
}

// UserAgents returns all User-Agents of the adapter, sorted, one per line, as [journal.Trust] stores them.
func (l *Line) UserAgents() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return strings.Join(slices.Sorted(slices.Values(l.userAgents)), nameSeparator)
}
