package daemon

import (
	"context"
	"fmt"
	"net/netip"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"go.uber.org/zap"

	"clearback/bridge"
	"clearback/bridge/journal"
	"clearback/bridge/metrics"
	"clearback/bridge/relay"
	"clearback/bridge/sipua"
	"clearback/bridge/testcall"
	"clearback/config"
	"clearback/supervision"
	"clearback/supervision/alarm"
	"clearback/supervision/callrecord"
)

// Line is a line of the daemon. Beside the line's machine it keeps the line's calls and incidents, how far the
// adapter's answers can be trusted, and the tuning session. It passes to the journal what must be recorded. Its methods
// may be called from any goroutine.
type Line struct {
	parts atomic.Pointer[parts]

	// set once, before the line starts
	name    string
	line    *bridge.Line
	journal *journal.Journal   // nil if there is none
	tell    func(alarm.Report) // takes what people must know, and never blocks; nil: nobody does
	epoch   time.Time
	log     *zap.Logger
	metrics *metrics.Line // nil if nobody may read them

	ctx  context.Context // ends with end
	stop context.CancelFunc
	// trustAfter is the constant [trustAfter]. Tests use a shorter time.
	trustAfter time.Duration

	sensed bool // the contact's loop-current input is watched; owned by newLine and then by reloads

	// setting is held while the line's policy is read and replaced. Never lock it while mu is held.
	setting sync.Mutex

	// mu guards the fields below. Never hold it while querying the line, because the line's goroutine locks it.
	mu           sync.Mutex
	basis        string
	interval     time.Duration // as configured, or as set later
	recorder     *callrecord.Recorder
	callInfos    map[supervision.CallID]callrecord.CallInfo
	lastClearing callrecord.Account                           // the last far-end clearing; zero if there was none
	incidents    map[supervision.Incident]callrecord.Incident // those that have not ended
	fault        supervision.Incident                         // why the loop is open or unknown; IncidentNone: it is not
	faultedAt    time.Time                                    // since when
	stayed       bool                                         // a hold stayed, so a longer interval is in use
	controller   string                                       // the controller's present problem, "" if there is none
	troubled     time.Time                                    // since when
	userAgent    string
	userAgents   []string // every User-Agent of the adapter
	checkedAs    []string // those for which its answers are trusted; nil: they are not, or the file grants the trust
	session      *session
	beginning    bool   // a session is beginning
	stopped      string // why the last session was ended early, "" if its client ended it
	pulsing      bool   // a manual interruption is under way
	secondTest   *secondServerTest
	changing     bool // a reload is changing the line
	ending       bool // the daemon is ending: nothing begins

	// Goroutines beside the requests. Call Go only while mu is held and ending is false.
	work sync.WaitGroup
}

// parts are what a reload may replace. They are replaced as a whole and never modified.
type parts struct {
	c       *config.Line
	port    *sipua.Line // nil until the SIP sockets are open
	contact relay.Contact
}

// Config returns the line's configuration. The caller must not change it.
func (l *Line) Config() *config.Line { return l.parts.Load().c }

// View returns the state of the line's machine.
func (l *Line) View() supervision.View { return l.line.View() }

// SIP returns the line's user agent.
func (l *Line) SIP() *sipua.Line { return l.parts.Load().port }

// Contact returns the line's contact, or [relay.NoContact] if the line has none.
func (l *Line) Contact() relay.Contact { return l.parts.Load().contact }

// session is a tuning session. The mutex of Line guards its other fields.
type session struct {
	*testcall.Session
	busy      bool
	idleTimer *time.Timer // ends a session that has been idle too long
}

// basis identifies the settings for which the count of holds that stayed is valid.
func basis(p *supervision.Policy) string { return fmt.Sprint(p.Interval, p.Steps) }

// newLine makes a line and restores the state that the journal saved.
func newLine(c *config.Line, contact relay.Contact, j *journal.Journal, epoch time.Time,
	log *zap.Logger) (*Line, bridge.LineOptions) {
	l := &Line{
		name: c.Name, journal: j, epoch: epoch, log: log.With(zap.String("line", c.Name)),
		basis: basis(&c.Policy), interval: c.Policy.Interval, callInfos: map[supervision.CallID]callrecord.CallInfo{},
		incidents: map[supervision.Incident]callrecord.Incident{}, trustAfter: trustAfter,
	}
	l.parts.Store(&parts{c: c, contact: contact})
	l.ctx, l.stop = context.WithCancel(context.Background())
	var kept supervision.SavedState
	var trust journal.Trust
	if j != nil {
		was := j.SavedLine(c.Name)
		trust = was.Trust
		if again := was.Second.TestAgain(time.Now()); again != "" {
			l.log.Warn("the adapter's second server has to be tested again, which calls for help need while the daemon is down: `clearback check --live --second "+c.Name+"`",
				zap.String("because", again))
		}
		if was.Basis == l.basis {
			kept.Stayed = was.Stayed
		}
		if left := time.Until(was.CallbackBy); left > 0 {
			kept.CallbackBy = supervision.Instant(time.Since(epoch) + min(left, c.Policy.CallbackWindow))
		}
		restoreOpenings(&kept, &was, epoch)
	}
	p := trusted(c, trust)
	l.checkedAs, l.sensed = checkedAs(c, trust), p.SenseTrusted
	l.recorder, l.stayed = callrecord.NewRecorder(c.Name), kept.Stayed > 0
	return l, bridge.LineOptions{
		Name: c.Name, Policy: p, Contact: contact, Epoch: epoch, Logger: log, Saved: kept,
		Record: l.record, Save: l.save, Fault: l.setFault,
		// An input that was never confirmed, or reads the wrong way round, would end every opening as a seizure.
		Sense: p.SenseTrusted,
	}
}

// record takes each event and effect of the line. It runs on the line's goroutine.
func (l *Line) record(e callrecord.Entry) {
	if e.Effect.Report == supervision.ReportTrustWithdrawn {
		l.trustWithdrawn(e.Effect.Call)
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	accounts, incidents := l.recorder.Take(e)
	l.metrics.Record(&e, accounts, incidents)
	if l.journal != nil { // mu is held, so that states arrive in order
		l.journal.Append(e, accounts, incidents)
	}
	if e.Event.Kind == supervision.CallAnswered {
		l.testTrust(e.Event.Call)
	}
	for i := range accounts {
		a := &accounts[i]
		if a.ClearedBy == callrecord.ClearedByFarEnd && !a.Answered.IsZero() &&
			!a.Cleared.Before(l.lastClearing.Cleared) {
			l.lastClearing = *a
		}
		if !a.Ended.IsZero() && a.Outcome != callrecord.OutcomeInProgress {
			delete(l.callInfos, a.Call)
		}
	}
	for i := range incidents {
		n := &incidents[i]
		l.tellIncident(n)
		switch {
		case n.Ended.IsZero():
			l.incidents[n.Reason] = *n
		case n.Began.Equal(l.incidents[n.Reason].Began):
			delete(l.incidents, n.Reason)
		}
	}
}

// setCallInfo records the parties of a call.
func (l *Line) setCallInfo(n callrecord.CallInfo) {
	l.mu.Lock()
	s := l.session
	if s != nil {
		n.Test = s.Owns(n)
	}
	l.callInfos[n.Call] = n
	if a := l.recorder.AddCallInfo(n); a != nil && l.journal != nil {
		l.journal.AppendAccount(*a)
	}
	l.mu.Unlock()
	if s != nil {
		s.CallInfo(n)
	}
}

// setCallMedia records what was received in a call that has ended.
func (l *Line) setCallMedia(call supervision.CallID, m callrecord.Media) {
	l.metrics.Media(&m)
	l.mu.Lock()
	defer l.mu.Unlock()
	if a := l.recorder.AddMedia(call, m); a != nil && l.journal != nil {
		l.journal.AppendAccount(*a)
	}
}

// save writes the state that outlives the process to the journal. It runs on the line's goroutine.
func (l *Line) save(kept supervision.SavedState) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.stayed = kept.Stayed > 0
	if l.journal == nil {
		return
	}
	state := journal.SavedLine{Line: l.name, Stayed: kept.Stayed, Basis: l.basis}
	if kept.CallbackBy > 0 {
		state.CallbackBy = l.epoch.Add(time.Duration(kept.CallbackBy))
	}
	if kept.Recent > 0 {
		state.Recent, state.RecentAt = kept.Recent, l.epoch.Add(time.Duration(kept.RecentAt))
	}
	if kept.NoOpeningBy > 0 {
		state.NoOpeningBy = l.epoch.Add(time.Duration(kept.NoOpeningBy))
	}
	l.journal.SaveLine(state)
}

// restoreOpenings restores the record of recent openings. Openings of the last minute count as if made now, even if the
// clock was set.
func restoreOpenings(kept *supervision.SavedState, was *journal.SavedLine, epoch time.Time) {
	now := supervision.Instant(time.Since(epoch))
	if age := time.Since(was.RecentAt); was.Recent > 0 && age.Abs() < time.Minute {
		kept.Recent, kept.RecentAt = was.Recent, now
	}
	if left := time.Until(was.NoOpeningBy); left > 0 {
		kept.NoOpeningBy = now.Add(min(left, supervision.BreakerPause))
	}
}

// setInterval changes the interval in use. It sets the steps as the next reading of the file will set them, so that the
// count of holds that stayed survives a restart. Steps derived from the line's window follow the interval. Of steps
// that were chosen in the file, the longer ones stay.
func (l *Line) setInterval(interval time.Duration) error {
	l.setting.Lock()
	defer l.setting.Unlock()
	c := *l.Config()
	c.Policy = l.line.Policy()
	if slices.Equal(c.Policy.Steps, c.StepsAbove(c.Policy.Interval)) {
		c.Policy.Steps = c.StepsAbove(interval)
	} else {
		c.Policy.Steps = slices.DeleteFunc(slices.Clone(c.Policy.Steps),
			func(s time.Duration) bool { return s <= interval })
	}
	c.Policy.Interval = interval
	if faults := c.Policy.Check(); len(faults) > 0 {
		words := make([]string, len(faults))
		for i, f := range faults {
			words[i] = f.String()
		}
		return fmt.Errorf("line %s: %s", c.Name, strings.Join(words, "; "))
	}
	l.mu.Lock()
	l.basis, l.interval = basis(&c.Policy), interval
	l.mu.Unlock()
	l.line.SetPolicy(c.Policy)
	return nil
}

// contactNotice passes a controller's notice to the line and records whether the controller has trouble.
func (l *Line) contactNotice(n relay.Notice) {
	l.line.Notice(n)
	l.mu.Lock()
	defer l.mu.Unlock()
	switch n.Kind {
	case relay.LinkBack, relay.CloseConfirmed:
		l.controller, l.troubled = "", time.Time{}
	default:
		l.controller, l.troubled = n.Kind.String(), n.Since
	}
}

// endSession ends the tuning session s, if it is still under way.
func (l *Line) endSession(s *session, why string) {
	l.mu.Lock()
	if s == nil || l.session != s {
		l.mu.Unlock()
		return
	}
	l.session, l.stopped = nil, why
	s.idleTimer.Stop()
	l.mu.Unlock()
	if err := s.End(); err != nil {
		l.log.Warn("ending the tuning session", zap.Error(err))
	}
}

// adapterCalled ends the session because the adapter has asked for a call.
func (l *Line) adapterCalled(number string) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if s := l.session; s != nil && !l.ending {
		l.work.Go(func() { l.endSession(s, "the adapter asked for "+number) })
	}
}

// end ends the tuning session and waits for it and for the goroutines in work. After that nothing begins on the line.
func (l *Line) end(why string) {
	l.mu.Lock()
	l.ending = true
	l.stop()
	s := l.session
	l.mu.Unlock()
	l.endSession(s, why)
	l.work.Wait()
}

// bind returns the address for a test call's far end. With direct media the adapter must be able to reach the address.
func (l *Line) bind() netip.Addr {
	s := l.SIP().Status()
	at := s.ServiceAddr.Addr()
	if l.Config().Media == "direct" {
		at = s.AdapterAddr.Addr()
	}
	if !at.IsValid() || at.IsUnspecified() {
		return netip.AddrFrom4([4]byte{127, 0, 0, 1})
	}
	return at
}
