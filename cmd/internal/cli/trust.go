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

// trusted returns the line's policy with the trust that its answers have earned. A policy that trusts already is left
// alone.
func trusted(c *config.Line, t journal.Trust) supervision.Policy {
	p := c.Policy
	p.ProbeTrusted = p.ProbeTrusted || c.Verify.By == "options" && t.Probe
	p.SenseTrusted = p.SenseTrusted || c.Verify.By == "sense" && t.Sense
	return p
}

// nameSeparator stands between the names of an adapter that registers by one and answers by another. No header has it
// within.
const nameSeparator = "\n"

// userAgentSeen takes what the adapter calls itself, when it registers or when it answers. Another adapter, or another
// version of its software, has to be seen anew before its answers count. The answer that says so does not count either:
// this returns before it is told.
func (k *lineState) userAgentSeen(agent string) {
	k.mu.Lock()
	k.userAgent = agent
	if !slices.Contains(k.userAgents, agent) {
		k.userAgents = append(k.userAgents, agent)
	}
	was := k.trust.UserAgent
	// No name is one too: where the adapter had none when its answers were checked, one that appears is news.
	distrust := k.trust.Probe && !slices.Contains(strings.Split(was, nameSeparator), agent)
	if distrust {
		k.trust.Probe = false
	}
	k.mu.Unlock()
	if !distrust {
		return
	}
	k.dropTrust()
	k.log.Warn("the adapter calls itself otherwise than when its answers were checked; they are not trusted until `clearback check --live --states "+k.c.Name+"` has seen the line again",
		zap.String("was", cmp.Or(strings.ReplaceAll(was, nameSeparator, " and "), "no name")), zap.String("is", agent))
}

// dropTrust makes the line's policy one that does not trust its answers.
func (k *lineState) dropTrust() {
	k.setting.Lock()
	defer k.setting.Unlock()
	p := k.line.Policy()
	p.ProbeTrusted = k.c.Policy.ProbeTrusted
	k.line.SetPolicy(p)
}

// trustAfter is how long after the answer of a call, and between two questions, the adapter is asked whether its line
// is off hook: our own figure, long enough for an adapter that notes its hook late, or that hangs up and whose BYE is
// lost once.
const trustAfter = 2 * time.Second

// testTrust asks the adapter in an answered call, in which its port is surely off hook, so 486 is due. One that says
// 200 twice tells nothing of the hook: trust in its answers is withdrawn for good. Called with mu held, on the line's
// goroutine.
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

// answeredCall reports whether the call is an ordinary one that is up and answered.
func (k *lineState) answeredCall(call supervision.CallID) bool {
	return slices.ContainsFunc(k.line.View().Calls, func(c supervision.CallView) bool {
		return c.Call == call && c.Answered && !c.Clearing && !c.Emergency
	})
}

// withdrawTrust takes the trust away, also from the journal.
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
	k.log.Warn("the adapter says on hook (200 to OPTIONS) in an answered call; its answers are not trusted until `clearback check --live --states "+k.c.Name+"` has seen the line again",
		zap.Uint64("call", uint64(call)))
}

// userAgentNames returns all names that the adapter has been heard by, as [journal.Trust] keeps them.
func (k *lineState) userAgentNames() string {
	k.mu.Lock()
	defer k.mu.Unlock()
	return strings.Join(slices.Sorted(slices.Values(k.userAgents)), nameSeparator)
}
