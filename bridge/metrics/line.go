package metrics

import (
	"slices"
	"sync/atomic"
	"time"

	"clearback/supervision"
	"clearback/supervision/callrecord"
)

// wordsMost is more than any set of words that a label has; a test checks that.
const wordsMost = 32

// counts counts by the value of an enumeration.
type counts [wordsMost]atomic.Uint64

func (c *counts) add(word uint8) {
	if int(word) < len(c) {
		c[word].Add(1)
	}
}

// The sides that media comes from.
const (
	fromAdapter = iota
	fromFarEnd
	sides
)

var sideWords = [sides]string{fromAdapter: "adapter", fromFarEnd: "far-end"}

// lastCalls is how many calls a line remembers as counted. A recorder has no more accounts that can still change.
const lastCalls = 64

// Line counts what happens on one line. A nil Line counts nothing.
type Line struct {
	m *Metrics

	outcomes, evidence, results, suppressions, begun counts
	verifications                                    [wordsMost]atomic.Uint64 // by verification(hook, by)
	standing                                         [wordsMost]atomic.Bool   // by supervision.Incident
	emergencyCalls                                   atomic.Uint64
	packets, lost                                    [sides]atomic.Uint64

	// owned by Record
	last    opening
	counted [lastCalls]supervision.CallID // a ring
	next    int
}

// opening is the last opening that was asked for.
type opening struct {
	seq     supervision.Seq // 0: none, or its result has been counted
	cleared time.Time       // the far end's BYE; zero if it does not belong to the histogram
}

// NewLine returns the counts of a new line.
func (m *Metrics) NewLine() *Line {
	if m == nil {
		return nil
	}
	return &Line{m: m}
}

// Record counts an entry of the line, and the accounts and incidents that it changed. It does not block. It is for one
// goroutine at a time.
func (l *Line) Record(e *callrecord.Entry, accounts []callrecord.Account, incidents []callrecord.Incident) {
	if l == nil {
		return
	}
	l.event(e, accounts)
	l.effect(&e.Effect, accounts)
	for i := range accounts {
		if a := &accounts[i]; a.Call != 0 && !a.Trial && a.Outcome != callrecord.OutcomeInProgress && l.first(a.Call) {
			l.outcomes.add(uint8(a.Outcome))
			if a.Emergency {
				l.emergencyCalls.Add(1)
			}
		}
	}
	for i := range incidents {
		n := &incidents[i]
		if int(n.Reason) >= wordsMost {
			continue
		}
		if n.Ended.IsZero() {
			l.begun.add(uint8(n.Reason))
		}
		l.standing[n.Reason].Store(n.Ended.IsZero())
	}
}

// first reports whether the call has not been counted, and remembers it. Its outcome may still change into an incident,
// which is counted as such.
func (l *Line) first(call supervision.CallID) bool {
	if slices.Contains(l.counted[:], call) {
		return false
	}
	l.counted[l.next] = call
	l.next = (l.next + 1) % lastCalls
	return true
}

func (l *Line) event(e *callrecord.Entry, accounts []callrecord.Account) {
	ev := &e.Event
	switch ev.Kind {
	case supervision.FarEndCleared:
		a := of(accounts, ev.Call)
		if a != nil && a.ClearedBy == callrecord.ClearedByFarEnd && a.Cleared.Equal(e.At) && !a.Answered.IsZero() &&
			!a.Trial {
			l.evidence.add(uint8(ev.Evidence))
		}
	case supervision.LoopOpened:
		if ev.Seq != 0 && ev.Seq == l.last.seq && !l.last.cleared.IsZero() {
			l.m.byeToOpen.Observe(e.At.Sub(l.last.cleared).Seconds())
			l.last.cleared = time.Time{}
		}
	case supervision.LoopClosed, supervision.LoopFailed, supervision.LoopUnknown:
		if ev.Seq == 0 || ev.Seq != l.last.seq {
			return
		}
		l.last = opening{}
		l.results.add(uint8(ev.Failure))
		if ev.Took > 0 {
			l.m.measured.Observe(ev.Took.Seconds())
		}
	}
}

func (l *Line) effect(ef *supervision.Effect, accounts []callrecord.Account) {
	switch {
	case ef.Kind == supervision.OpenLoop:
		l.last = opening{seq: ef.Seq}
		l.m.asked.Observe(ef.Interval.Seconds())
		a := of(accounts, ef.Call)
		if a != nil && a.Evidence == supervision.EvidenceBye && a.Openings == 1 && !a.Trial {
			l.last.cleared = a.Cleared
		}
	case ef.Kind == supervision.Report && ef.Report == supervision.ReportInterrupted && !ef.Trial:
		if i := verification(ef.Hook, ef.Verified); i < wordsMost {
			l.verifications[i].Add(1)
		}
	case ef.Kind == supervision.Report && ef.Report == supervision.ReportSuppressed:
		l.suppressions.add(uint8(ef.Suppression))
	}
}

// verification returns the index of a pair of words.
func verification(hook supervision.Hook, by supervision.Verification) int {
	return int(hook)<<2 | int(by)
}

// of returns the account of a call, or nil.
func of(accounts []callrecord.Account, call supervision.CallID) *callrecord.Account {
	i := slices.IndexFunc(accounts, func(a callrecord.Account) bool { return call != 0 && a.Call == call })
	if i < 0 {
		return nil
	}
	return &accounts[i]
}

// Media counts what was received in a call that has ended. Safe for concurrent use.
func (l *Line) Media(m *callrecord.Media) {
	if l == nil {
		return
	}
	for side, r := range [sides]*callrecord.Reception{fromAdapter: &m.Adapter, fromFarEnd: &m.FarEnd} {
		l.packets[side].Add(r.Packets)
		l.lost[side].Add(uint64(max(0, r.Lost))) // negative if packets came twice
		l.m.late[side].Add(float64(r.Late))
		l.m.dropped[side].Add(float64(r.Dropped))
		if r.Packets > 0 {
			l.m.jitter[side].Observe(r.Jitter / 1000)
		}
	}
}
