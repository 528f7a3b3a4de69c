package cli

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
func (k *lineState) userAgentSeen(agent string) {
	k.mu.Lock()
	k.userAgent = agent
	if !slices.Contains(k.userAgents, agent) {
		k.userAgents = append(k.userAgents, agent)
	}
	was := k.trust.UserAgent
	// No User-Agent is a value too. If the adapter sent none when its answers were checked, one that appears is a
	// change.
	distrust := k.trust.Probe && !slices.Contains(strings.Split(was, nameSeparator), agent)
	if distrust {
		k.trust.Probe = false
	}
	k.mu.Unlock()
	if !distrust {
		return
	}
	k.dropTrust()
	k.log.Warn("the adapter's User-Agent has changed since its answers were checked; they are not trusted until `clearback check --live --states "+k.c.Name+"` has confirmed the line again",
		zap.String("was", cmp.Or(strings.ReplaceAll(was, nameSeparator, " and "), "no name")), zap.String("is", agent))
}

// dropTrust removes the trust in the adapter's answers from the line's policy, except what the file itself grants.
func (k *lineState) dropTrust() {
	k.setting.Lock()
	defer k.setting.Unlock()
	p := k.line.Policy()
	p.ProbeTrusted = k.c.Policy.ProbeTrusted
	k.line.SetPolicy(p)
}

// trustAfter is the time from the answer of a call to the first query whether the line is off hook, and from that to
// the second. It is our own figure. It is long enough for an adapter that reports its hook late, or that hangs up and
// whose BYE is lost once.
const trustAfter = 2 * time.Second

// testTrust queries the adapter in an answered call. The port is then certainly off hook, so the answer should be 486.
// An adapter that answers 200 twice does not report its hook, and the trust in its answers is withdrawn for good. Call
// it with mu held, on the line's goroutine.
func (k *lineState) testTrust(call supervision.CallID) {
	if k.ending || !k.trust.Probe || k.c.Verify.By != "options" {
		return
	}
	k.work.Go(func() {
		for range 2 {
			select {
			case <-time.After(k.trustAfter):
			case <-k.ctx.Done():
				return
			}
			if code, _, err := k.port.Ask(k.ctx); err != nil || code != http.StatusOK || !k.answeredCall(call) {
				return
			}
		}
		k.withdrawTrust(call)
	})
}

// answeredCall reports whether the call is an ordinary call that is answered and not being cleared.
func (k *lineState) answeredCall(call supervision.CallID) bool {
	return slices.ContainsFunc(k.line.View().Calls, func(c supervision.CallView) bool {
		return c.Call == call && c.Answered && !c.Clearing && !c.Emergency
	})
}

// withdrawTrust withdraws the trust, in the journal too.
func (k *lineState) withdrawTrust(call supervision.CallID) {
	k.mu.Lock()
	was := k.trust.Probe
	k.trust = journal.Trust{At: time.Now()}
	if was && k.journal != nil {
		state := k.journal.SavedLine(k.c.Name)
		state.Trust = k.trust
		k.journal.SaveLine(state)
	}
	k.mu.Unlock()
	if !was {
		return
	}
	k.dropTrust()
	k.log.Warn("the adapter says on hook (200 to OPTIONS) in an answered call; its answers are not trusted until `clearback check --live --states "+k.c.Name+"` has confirmed the line again",
		zap.Uint64("call", uint64(call)))
}

// userAgentNames returns all User-Agents of the adapter, in the form of [journal.Trust].
func (k *lineState) userAgentNames() string {
	k.mu.Lock()
	defer k.mu.Unlock()
	return strings.Join(slices.Sorted(slices.Values(k.userAgents)), nameSeparator)
}
