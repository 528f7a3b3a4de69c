package callrecord

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"clearback/supervision"
)

// heldCallScript is an incoming call that is held and then cleared by the far end, until the loop is closed again.
const heldCallScript = `
	+0s call-arrived call=1
	+0s offer-call call=1
	+4s call-answered call=1
	+30s far-end-cleared call=1 evidence=bye
	+30s clear-adapter-leg call=1
	+30.012s adapter-leg-cleared call=1 answer=confirmed
	+30.012s open-loop call=1 seq=1 interval=800ms not-after=+31.2s
	+30.017s loop-opened seq=1
	+30.820s loop-closed seq=1 took=803ms
`

func renderText(t *testing.T, text string) ([]Account, []Incident) {
	t.Helper()
	return feed(entriesOf(t, text))
}

// one returns the only account.
func one(t *testing.T, text string) Account {
	t.Helper()
	accounts, _ := renderText(t, text)
	require.Len(t, accounts, 1)
	return accounts[0]
}

func at(d time.Duration) time.Time { return zero.Add(d) }

func TestRecorderHeldCall(t *testing.T) {
	a := one(t, heldCallScript+`
		+31.62s probe-line
		+31.63s probe-answered hook=on
		+31.63s report interrupted call=1 seq=1 interval=800ms hook=on by=probe`)
	assert.Equal(t, Account{
		Line: "box-office", Call: 1, Direction: Incoming,
		Began: at(0), Answered: at(4 * time.Second), Cleared: at(30 * time.Second), Ended: at(31630 * time.Millisecond),
		ClearedBy: ClearedByFarEnd, Evidence: supervision.EvidenceBye, Answer: supervision.AnswerConfirmed,
		Openings: 1, Asked: 800 * time.Millisecond, Measured: 803 * time.Millisecond,
		Hook: supervision.HookOn, Verified: supervision.VerificationProbe, Outcome: OutcomeCleared,
	}, a)
	assert.False(t, a.Failed())
}

// TestRecorderVerification checks that the account says how the machine saw the hook state, and that a further opening
// resets this.
func TestRecorderVerification(t *testing.T) {
	const judged = heldCallScript + "+31.6s probe-line\n+31.63s report interrupted call=1 seq=1 interval=800ms hook="
	assert.Equal(t, supervision.VerificationSense, one(t, judged+"off by=sense").Verified)
	assert.Equal(t, supervision.VerificationProbe, one(t, judged+"off by=probe").Verified)
	assert.Equal(t, supervision.VerificationNone, one(t, judged+"unknown").Verified)
	again := one(t, judged+"off by=probe\n+31.63s open-loop call=1 seq=2 interval=1s not-after=+32.6s")
	assert.Equal(t, supervision.VerificationNone, again.Verified)
	assert.Equal(t, supervision.HookUnknown, again.Hook)
}

// TestRecorderFirstClearing checks that a BYE that crosses ours does not change which end cleared.
func TestRecorderFirstClearing(t *testing.T) {
	const up = "+0s call-requested call=1\n+1s call-answered call=1\n"
	far := "+2s far-end-cleared call=1 evidence=dialog-event late=300ms\n"
	near := "+2.1s near-end-cleared call=1\n"
	lost := "+2.2s adapter-lost call=1\n"
	a := one(t, up+far+near+"+2.1s report cancelled call=1\n"+lost)
	assert.Equal(t, ClearedByFarEnd, a.ClearedBy)
	assert.Equal(t, supervision.EvidenceDialogEvent, a.Evidence)
	assert.Equal(t, 300*time.Millisecond, a.Late)
	assert.Equal(t, OutcomeCancelled, a.Outcome)
	assert.Equal(t, at(2*time.Second), a.Cleared)

	a = one(t, up+near+far+lost)
	assert.Equal(t, ClearedByNearEnd, a.ClearedBy)
	assert.Equal(t, supervision.EvidenceNone, a.Evidence)
	assert.Equal(t, OutcomeNotNeeded, a.Outcome)

	a = one(t, up+lost+"+2.2s report suppressed call=1 rule=near-end\n"+near+far)
	assert.Equal(t, ClearedByLostAdapter, a.ClearedBy)
	assert.Equal(t, OutcomeSuppressed, a.Outcome)
	assert.Equal(t, supervision.SuppressedNearEnd, a.Rule)
	assert.True(t, a.Failed())

	a = one(t, up+far+"+3s far-end-cleared call=1 evidence=bye\n")
	assert.Equal(t, supervision.EvidenceDialogEvent, a.Evidence, "the first evidence")
}

// TestRecorderRepeatedOpenings checks that every opening counts, and that the lengths and the hook state are those of
// the last one.
func TestRecorderRepeatedOpenings(t *testing.T) {
	a := one(t, heldCallScript+`
		+31.62s probe-line
		+31.63s report interrupted call=1 seq=1 interval=800ms hook=off
		+31.63s report next-interval interval=1s
		+31.63s open-loop call=1 seq=2 interval=1s not-after=+32.6s`)
	assert.Equal(t, OutcomeInProgress, a.Outcome)
	assert.Zero(t, a.Ended)
	assert.Equal(t, 2, a.Openings)
	a = one(t, heldCallScript+`
		+31.63s report interrupted call=1 seq=1 interval=800ms hook=off
		+31.63s open-loop call=1 seq=2 interval=1s not-after=+32.6s
		+31.7s loop-opened seq=2
		+32.7s loop-closed seq=2 took=1.002s
		+33.5s report interrupted call=1 seq=2 interval=1s hook=on`)
	assert.Equal(t, OutcomeCleared, a.Outcome)
	assert.Equal(t, 1002*time.Millisecond, a.Measured)
	assert.Equal(t, "2x 1000/1002 ms", Row(a)[8])
}

// TestRecorderIncidentEndsLater checks that an incident can end, and can begin, long after the call.
func TestRecorderIncidentEndsLater(t *testing.T) {
	accounts, incidents := renderText(t, heldCallScript+`
		+31.63s report interrupted call=1 seq=1 interval=800ms hook=off
		+31.63s report incident call=1 reason=interval-short flash
		+9h released
		+9h report incident-ended reason=interval-short`)
	require.Len(t, accounts, 1)
	assert.Equal(t, OutcomeIncident, accounts[0].Outcome)
	assert.True(t, accounts[0].Flash)
	assert.Equal(t, at(9*time.Hour), accounts[0].IncidentEnded)
	assert.True(t, accounts[0].Failed(), "what is over was one all the same")
	assert.Equal(t, []Incident{{
		Line: "box-office", Call: 1, Reason: supervision.IncidentIntervalShort, Flash: true,
		Began: at(31630 * time.Millisecond), Ended: at(9 * time.Hour),
	}}, incidents)

	a := one(t, heldCallScript+`
		+31.62s report cancelled call=1
		+33m report incident call=1 reason=seized`)
	assert.Equal(t, OutcomeIncident, a.Outcome)
	assert.Equal(t, at(30*time.Second), a.Cleared, "the account was still there")
}

// TestRecorderLoopFault checks that a contact whose state is unknown is an incident separate from the line's own. Each
// ends with its own cause.
func TestRecorderLoopFault(t *testing.T) {
	_, incidents := renderText(t, `
		+0s report incident reason=off-hook-without-call
		+1s loop-unknown failure=unreachable
		+1s report incident reason=controller-unreachable
		+2s loop-closed
		+2s report incident-ended reason=controller-unreachable`)
	require.Len(t, incidents, 2)
	assert.Zero(t, incidents[0].Ended)
	assert.Equal(t, at(2*time.Second), incidents[1].Ended)
	_, incidents = renderText(t, `
		+1s report incident reason=controller-unreachable
		+2s report incident reason=off-hook-without-call
		+3s call-requested call=1
		+3s report incident-ended reason=off-hook-without-call`)
	assert.Zero(t, incidents[0].Ended, "the contact is not known closed by a call")
	assert.Equal(t, at(3*time.Second), incidents[1].Ended)
	_, incidents = renderText(t, `
		+1s report incident reason=controller-unreachable
		+2s report incident reason=off-hook-without-call
		+3s loop-closed
		+3s report incident-ended reason=controller-unreachable`)
	assert.Equal(t, at(3*time.Second), incidents[0].Ended)
	assert.Zero(t, incidents[1].Ended)
}

// TestRecorderPulseByHand checks that each operator's pulse has an account, identified by its time.
func TestRecorderPulseByHand(t *testing.T) {
	accounts, incidents := renderText(t, `
		+1s pulse-requested
		+1s open-loop seq=1 interval=800ms not-after=+2s
		+1.005s loop-opened seq=1
		+1.8s loop-closed seq=1 took=800ms
		+2.6s probe-line
		+2.61s probe-answered hook=on
		+2.61s report interrupted seq=1 interval=800ms hook=on
		+5s pulse-requested interval=250ms
		+5s report refused rule=loop-busy
		+8s pulse-requested
		+8s open-loop seq=2 interval=800ms not-after=+9s
		+8.1s loop-failed seq=2 failure=unreachable
		+8.1s report incident seq=2 reason=controller-unreachable
		+60s report incident reason=off-hook-without-call`)
	require.Len(t, accounts, 2)
	assert.NotEqual(t, accounts[0].ID(), accounts[1].ID())
	assert.Equal(t, ByHand, accounts[0].Direction)
	assert.Equal(t, OutcomeCleared, accounts[0].Outcome)
	assert.Equal(t, OutcomeIncident, accounts[1].Outcome)
	assert.Equal(t, supervision.IncidentUnreachable, accounts[1].Incident, "what comes later is not of it")
	assert.Zero(t, accounts[1].Openings)
	assert.Len(t, incidents, 2)
}

// TestRecorderPulseFaulted checks that an incident without a call belongs to the pulse that it names, and to no other.
func TestRecorderPulseFaulted(t *testing.T) {
	const pulse = "+1s open-loop seq=1 interval=800ms not-after=+2s\n"
	a := one(t, pulse+"+1.1s report incident seq=1 reason=controller-unreachable")
	assert.Equal(t, supervision.IncidentUnreachable, a.Incident)
	assert.Equal(t, OutcomeIncident, a.Outcome)
	assert.Equal(t, OutcomeInProgress, one(t, pulse+"+1.1s report incident reason=off-hook-without-call").Outcome)
	assert.Equal(t, OutcomeInProgress, one(t, pulse+"+1.1s report cancelled seq=2").Outcome)
	assert.Equal(t, OutcomeCancelled, one(t, pulse+"+1.1s report cancelled seq=1").Outcome)
	accounts, _ := renderText(t, heldCallScript+pulse+"+31s report incident seq=1 reason=controller-unreachable")
	assert.Equal(t, OutcomeInProgress, accounts[0].Outcome)
}

// TestRecorderTrials checks that the outcome of a trial is the hook state seen, and that the machine says whether a
// clearing is a trial.
func TestRecorderTrials(t *testing.T) {
	trial := "+0s call-requested call=1\n+1s call-answered call=1\n+2s trial-set call=1 interval=500ms\n"
	a := one(t, trial+`
		+3s far-end-cleared call=1 evidence=bye
		+3s open-loop call=1 seq=1 interval=500ms not-after=+4s trial
		+4.6s report interrupted call=1 seq=1 interval=500ms hook=off trial`)
	assert.True(t, a.Trial)
	assert.Equal(t, OutcomeHoldStayed, a.Outcome)
	assert.False(t, a.Failed())
	a = one(t, trial+`
		+3s far-end-cleared call=1 evidence=bye
		+4.6s probe-line
		+4.6s report interrupted call=1 hook=on trial by=probe`)
	assert.Equal(t, OutcomeCleared, a.Outcome)
	assert.Equal(t, supervision.VerificationProbe, a.Verified)
	assert.Zero(t, a.Openings)
	assert.Contains(t, a.Why(), "This trial opened nothing")
	assert.False(t, one(t, trial+"+2s report refused call=1 rule=out-of-bounds\n").Trial)
	assert.True(t, one(t, trial+"+3s far-end-cleared call=1 evidence=bye\n"+
		"+3s report suppressed call=1 interval=500ms rule=other-call trial").Trial)
	a = one(t, trial+"+3s far-end-cleared call=1 evidence=bye\n+4s report cancelled call=1 reason=missed-not-after trial")
	assert.Equal(t, "cancelled: missed-not-after", a.outcomeText())
	assert.False(t, a.Failed())
}

// TestRecorderSuppressed checks that Failed is true for the rules that may leave a hold behind.
func TestRecorderSuppressed(t *testing.T) {
	for rule, failed := range map[string]bool{
		"emergency": false, "life-safety": false, "no-contact": false, "callback-window": false, "unanswered": false,
		"other-call": true, "late": true, "unknown-call": true, "loop-busy": true, "loop-faulted": true,
		"out-of-bounds": true,
	} {
		text := "+0s call-requested call=1\n+1s call-answered call=1\n+2s far-end-cleared call=1 evidence=bye\n"
		a := one(t, text+"+2s report suppressed call=1 rule="+rule)
		assert.Equal(t, failed, a.Failed(), rule)
	}
	a := one(t, `
		+0s call-requested call=1
		+1s call-answered call=1
		+2s far-end-cleared call=1 evidence=bye
		+2s probe-line
		+2.1s probe-answered hook=on
		+2.1s report suppressed call=1 rule=unknown-call hook=on by=probe`)
	assert.False(t, a.Failed(), "it was seen on hook")
	assert.Equal(t, supervision.VerificationProbe, a.Verified)
}

// TestRecorderAnswerCrossesCancel checks a clearing that continues although it seemed over.
func TestRecorderAnswerCrossesCancel(t *testing.T) {
	text := `
		+0s call-arrived call=1
		+0s offer-call call=1
		+5s far-end-cleared call=1 evidence=bye
		+5s report suppressed call=1 rule=unanswered`
	a := one(t, text)
	assert.Equal(t, OutcomeNotNeeded, a.Outcome)
	a = one(t, text+"\n+5.02s call-answered call=1")
	assert.Equal(t, OutcomeInProgress, a.Outcome)
	assert.Zero(t, a.Ended)
	assert.Zero(t, a.Rule)
	assert.Zero(t, a.Length(at(time.Hour)))
	a = one(t, text+"\n+5.01s adapter-leg-cleared call=1 answer=confirmed\n+5.02s call-answered call=1")
	assert.Equal(t, OutcomeNotNeeded, a.Outcome, "the leg was gone")

	const late = "policy\ncall-arrived call=1\nafter 5s\nfar-end-cleared call=1 evidence=bye\nafter %s\ncall-answered call=1\nafter 10s\n----\n"
	accounts, _ := feed(playText(t, fmt.Sprintf(late, "65s"))[0])
	assert.Equal(t, OutcomeSuppressed, accounts[0].Outcome, "as long as the machine knows the leg")
	accounts, _ = feed(playText(t, fmt.Sprintf(late, "65.001s"))[0])
	assert.Equal(t, OutcomeNotNeeded, accounts[0].Outcome, "the machine has forgotten the leg")
}

// TestRecorderCallInfo checks that the party of a call may be given before or after the call's first entry.
func TestRecorderCallInfo(t *testing.T) {
	teller := NewRecorder("box-office")
	entries := entriesOf(t, heldCallScript)
	assert.Nil(t, teller.AddCallInfo(CallInfo{Call: 1, Direction: Outgoing, Test: true,
		Party: Party{Number: "555-0142"}}))
	accounts, _ := teller.Take(entries[0])
	require.Len(t, accounts, 1)
	assert.Equal(t, "555-0142", accounts[0].Party.Number)
	assert.Equal(t, Incoming, accounts[0].Direction, "what the line saw counts")
	assert.True(t, accounts[0].Trial)
	a := teller.AddCallInfo(CallInfo{Call: 1, Emergency: true,
		Party: Party{Name: "Box office", CallID: "a@millrace.example"}})
	require.NotNil(t, a)
	assert.Equal(t, Party{Number: "555-0142", Name: "Box office", CallID: "a@millrace.example"}, a.Party)
	assert.True(t, a.Emergency)
}

// TestAdoptedCallTimes checks that the account of an adopted call has the times of the earlier process, whether they
// become known before or after the line takes up the call.
func TestAdoptedCallTimes(t *testing.T) {
	info := CallInfo{Call: 7, Direction: Outgoing, Began: at(-time.Hour), Answered: at(-time.Hour + time.Minute)}
	entries := entriesOf(t, "0s call-adopted call=7 emergency\n2m near-end-cleared call=7\n2m clear-far-end call=7")
	for first := range 2 {
		r := NewRecorder("box-office")
		if first == 0 {
			assert.Nil(t, r.AddCallInfo(info))
		}
		accounts, _ := r.Take(entries[0])
		require.Len(t, accounts, 1)
		if first == 1 {
			assert.Equal(t, at(0), accounts[0].Began, "so far nothing else is known")
			assert.Equal(t, at(0), accounts[0].Answered)
			require.NotNil(t, r.AddCallInfo(info))
		}
		accounts, _ = r.Take(entries[1])
		require.Len(t, accounts, 1)
		a := accounts[0]
		assert.Equal(t, Outgoing, a.Direction)
		assert.True(t, a.Emergency)
		assert.Equal(t, info.Began, a.Began)
		assert.Equal(t, time.Hour+time.Minute, a.Length(a.Cleared))
		assert.Equal(t, OutcomeNotNeeded, a.Outcome)
	}
}

// TestRecorderWithoutBeginning checks that an effect begins an account if the beginning of its call was lost.
func TestRecorderWithoutBeginning(t *testing.T) {
	a := one(t, "+5s far-end-cleared call=7 evidence=bye\n+5s clear-adapter-leg call=7\n+5.1s open-loop call=7 seq=3 interval=800ms not-after=+6s")
	assert.Equal(t, DirectionUnknown, a.Direction)
	assert.Equal(t, 1, a.Openings)
	accounts, _ := renderText(t, "+5s call-ringing call=9\n+6s call-answered call=9")
	assert.Empty(t, accounts, "an event alone may be nonsense")
}

// TestRecorderMemoryIsBounded checks that memory stays bounded, and that a clearing whose end was lost is broken off.
func TestRecorderMemoryIsBounded(t *testing.T) {
	teller := NewRecorder("box-office")
	broken := 0
	take := func(e Entry) {
		as, _ := teller.Take(e)
		for i := range as {
			if as[i].Outcome == OutcomeBrokenOff {
				broken++
				assert.False(t, as[i].Ended.IsZero())
			}
		}
	}
	for i := range 1000 {
		now := at(time.Duration(i) * time.Second)
		call := supervision.CallID(i + 1)
		take(Entry{At: now, Event: supervision.Event{Kind: supervision.CallRequested, Call: call}})
		take(Entry{At: now, Event: supervision.Event{Kind: supervision.CallAnswered, Call: call}})
		take(Entry{At: now, Event: supervision.Event{Kind: supervision.FarEndCleared, Call: call,
			Evidence: supervision.EvidenceBye}})
		take(Entry{At: now, Effect: supervision.Effect{Kind: supervision.Report, Report: supervision.ReportIncident,
			Incident: supervision.IncidentSeized}})
		teller.AddCallInfo(CallInfo{Call: 1_000_000 + call})
	}
	assert.LessOrEqual(t, len(teller.all), maxAccounts)
	assert.Len(t, teller.open, 1, "no two of the same reason")
	assert.LessOrEqual(t, len(teller.callInfos), maxCallInfos)
	assert.Equal(t, 1000-len(teller.all), broken)
	take(Entry{At: at(time.Hour)})
	take(Entry{At: at(2 * time.Hour)})
	assert.Equal(t, 1000, broken)
	assert.Len(t, teller.all, minAccounts)
}

// TestRecorderKeepsPendingIncidents checks a clearing that the near end cut short or that a rule suppressed. It can
// become an incident of its own account, however many callers found the line busy since. Only the latest such account
// is kept.
func TestRecorderKeepsPendingIncidents(t *testing.T) {
	const up = `
call-arrived call=1
after 40ms
call-ringing call=1
after 4s
call-answered call=1
after 30s
far-end-cleared call=1 evidence=bye
`
	callers := func(from, n int, gap string) string {
		var b strings.Builder
		for call := from; call < from+n; call++ {
			fmt.Fprintf(&b, "call-arrived call=%d\nnear-end-cleared call=%[1]d\nafter %s\n", call, gap)
		}
		return b.String()
	}
	some, flood := callers(2, minAccounts+2, "2s"), callers(2, maxAccounts+2, "100ms")
	const seized = "near-end-cleared call=1\n"
	const looks = "after 40s\nprobe-answered hook=off\nafter 1m\nprobe-answered hook=off\n----\n"
	const confirmed = "adapter-leg-cleared call=1 answer=confirmed\n"
	const left = "after 1m\nleft-off-hook\n----\n"
	for name, script := range map[string]string{
		"seized":             "policy probe_trusted" + up + seized + some + looks,
		"seized, in a flood": "policy" + up + seized + flood + left,
		"suppressed":         "policy life_safety" + up + confirmed + some + left,
		"suppressed, the contact unknown": "policy" + up + "loop-unknown\nloop-closed\nafter 2s\n" +
			confirmed + some + left,
	} {
		t.Run(name, func(t *testing.T) {
			entries := playText(t, script)[0]
			checkRendered(t, entries)
			accounts, incidents := feed(entries)
			require.Greater(t, len(accounts), 1+minAccounts)
			a := accounts[0]
			assert.Equal(t, Incoming, a.Direction)
			assert.Equal(t, at(0), a.Began)
			assert.Equal(t, at(4040*time.Millisecond), a.Answered)
			assert.Equal(t, at(34040*time.Millisecond), a.Cleared)
			assert.Equal(t, OutcomeIncident, a.Outcome)
			require.NotEmpty(t, incidents)
			last := incidents[len(incidents)-1]
			assert.Equal(t, supervision.CallID(1), last.Call)
			assert.Equal(t, last.Reason, a.Incident)
			assert.Greater(t, last.Began.Sub(a.Cleared), accountLifetime)
		})
	}
	const another = "call-requested call=50\ncall-answered call=50\nfar-end-cleared call=50 evidence=bye\n" +
		"near-end-cleared call=50\n"
	teller := NewRecorder("box-office")
	for _, e := range playText(t, "policy"+up+seized+some+another+callers(60, minAccounts+2, "2s")+
		"after 2m\nseized\n----\n")[0] {
		teller.Take(e)
	}
	assert.Nil(t, teller.find(1), "since then another clearing may become an incident")
	assert.NotNil(t, teller.find(50))
}

// TestRecorderReusedCallNumber checks that a dropped call does not affect another call with the same number, either in
// the account or in checkRendered.
func TestRecorderReusedCallNumber(t *testing.T) {
	text := heldCallScript +
		"+31.6s report interrupted call=1 seq=1 interval=800ms hook=off\n+31.6s report incident call=1 reason=interval-short\n"
	for call := 2; call < 2+minAccounts; call++ {
		text += fmt.Sprintf("+40s call-requested call=%d\n", call)
	}
	text += "+40s report incident-ended reason=interval-short\n+5m call-requested call=1\n"
	entries := entriesOf(t, text)
	checkRendered(t, entries)
	accounts, _ := feed(entries)
	require.Len(t, accounts, 1+minAccounts)
	assert.Equal(t, Account{Line: "box-office", Call: 1, Direction: Outgoing, Began: at(5 * time.Minute)}, accounts[0])
}

// TestRecorderReusesNoState checks that the state of a dropped account does not affect the next one.
func TestRecorderReusesNoState(t *testing.T) {
	teller := NewRecorder("box-office")
	for _, e := range entriesOf(t,
		heldCallScript+"\n+31.6s report interrupted call=1 seq=1 interval=800ms hook=unknown") {
		teller.Take(e)
	}
	for i := range supervision.CallID(minAccounts + 1) {
		teller.Take(Entry{At: at(40 * time.Second), Event: supervision.Event{Kind: supervision.CallRequested, Call: 10 +
			i}})
	}
	teller.Take(Entry{At: at(5 * time.Minute)})
	require.Len(t, teller.spare, 1)
	accounts, _ := teller.Take(Entry{At: at(6 * time.Minute), Event: supervision.Event{Kind: supervision.CallArrived,
		Call: 2}})
	require.Len(t, accounts, 1)
	assert.Equal(t, Account{Line: "box-office", Call: 2, Direction: Incoming, Began: at(6 * time.Minute)}, accounts[0])
	accounts, _ = teller.Take(Entry{At: at(6 * time.Minute), Event: supervision.Event{Kind: supervision.LoopClosed,
		Seq: 1, Took: time.Second}})
	assert.Empty(t, accounts)
}
