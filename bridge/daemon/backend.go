package daemon

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"slices"
	"strings"
	"time"

	"go.uber.org/zap"

	"clearback/bridge/control"
	"clearback/bridge/journal"
	"clearback/bridge/sipua"
	"clearback/bridge/sipua/registration"
	"clearback/bridge/testcall"
	"clearback/supervision"
	"clearback/supervision/callrecord"
)

const (
	// pulseTimeout is the time limit of a manual interruption with its check: at most 3 s open, 5 s of guard time and
	// 10 s of recognition.
	pulseTimeout = 20 * time.Second
	// sessionIdleLimit is how long a tuning session may be idle before it is ended. The line's ordinary calls are
	// refused during a session, so an abandoned session must not last.
	sessionIdleLimit = 5 * time.Minute
	// recordTimeout is how long a trial waits for the journal. The journal writes every 100 ms.
	recordTimeout = 5 * time.Second
)

// backend gives the control socket access to the running daemon.
type backend struct {
	d       *Daemon
	started time.Time
	config  string // the path of the configuration file
	version string
	journal string // the path of the journal
}

// Daemon implements control.Backend.
func (h *backend) Daemon() control.Daemon {
	out := h.state(h.d.all())
	out.Edited = h.d.reloads.edited()
	return out
}

// state is Daemon for these lines, without what needs the disk.
func (h *backend) state(lines []*Line) control.Daemon {
	out := control.Daemon{API: control.Version, Version: h.version, Started: h.started, Config: h.config,
		Problems: h.d.addresses.problems()}
	if j := h.d.journal; j != nil {
		was := j.Health()
		out.Journal = control.Journal{Path: h.journal, Problem: was.Problem, Since: was.Since, Dropped: was.Dropped,
			Queued: was.Queued, Written: was.Written}
	}
	for _, l := range lines {
		out.Lines = append(out.Lines, l.status())
	}
	out.Waiting = h.d.reloads.waitingOrLeft()
	if last, ok := h.d.agent.Refusal(); ok {
		out.Refused = refusal(last)
	}
	counts := h.d.agent.Counts()
	out.Counts = networkCounts(&counts)
	return out
}

// status returns the line's present state.
func (l *Line) status() control.Line {
	v, p, now := l.line.View(), l.line.Policy(), l.parts.Load()
	c, s := now.c, now.port.Status()
	received := make([]*callrecord.Media, len(v.Calls))
	for i, up := range v.Calls {
		received[i] = now.port.Media(up.Call)
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	out := control.Line{
		Name:    l.name,
		Service: serviceStatus(c.Service.Register, s.Service),
		Adapter: control.Adapter{Bound: s.Bound, UserAgent: l.userAgent},
		Calls:   []control.Call{}, Loop: v.Loop.String(),
		Contact: control.Contact{Driver: c.Contact.Driver, Controller: c.Contact.Controller,
			Kind: now.contact.Kind().String(), Problem: l.controller, Since: l.troubled},
		Interval: control.Interval{Milliseconds: v.Interval.Milliseconds(), Configured: l.interval.Milliseconds(),
			Stayed: v.Stayed},
		Verify:     control.Verify{By: c.Verify.By, Trusted: v.ProbeTrusted || p.SenseTrusted},
		LifeSafety: p.LifeSafety, Tuning: l.session != nil, Location: c.Location,
	}
	if second := c.Service.Second; second != nil {
		is := serviceStatus(second.Register, s.Second)
		out.Second = &is
	}
	if s.Bound {
		out.Adapter.Address = s.Binding.Destination.String()
		out.Adapter.Until = s.Binding.Expires
		out.Adapter.Since = s.Binding.Registered
	}
	out.Adapter.Heard = s.Heard
	if !s.Refusal.At.IsZero() {
		out.Adapter.Refused = refusal(s.Refusal)
	}
	for i, up := range v.Calls {
		n := l.callInfos[up.Call]
		out.Calls = append(out.Calls, control.Call{
			Call: uint64(up.Call), State: callState(up), Emergency: up.Emergency, Number: n.Party.Number,
			Direction: directionWord(n.Direction), Media: received[i],
		})
	}
	if !l.lastClearing.Cleared.IsZero() {
		out.LastClearing = &control.Clearing{
			Call: uint64(l.lastClearing.Call), At: l.lastClearing.Cleared,
			Age: time.Since(l.lastClearing.Cleared).Milliseconds(), Outcome: l.lastClearing.Outcome.String(),
		}
	}
	if v.Fault != supervision.IncidentNone {
		out.Fault = v.Fault.String()
	}
	if v.Incident != supervision.IncidentNone {
		n := l.incidents[v.Incident]
		out.Incident = &control.Incident{Reason: v.Incident.String(), Since: n.Began,
			Advice: strings.ReplaceAll(callrecord.Advice(v.Incident, v.Suppression, n.Flash), "LINE", l.name)}
		if !n.Began.IsZero() {
			out.Incident.Age = time.Since(n.Began).Milliseconds()
		}
		if v.Suppression != supervision.SuppressionNone {
			out.Incident.Rule = v.Suppression.String()
		}
	}
	out.CallbackUntil, out.SecondServer = l.callbackUntil(v), l.secondServerLocked()
	if v.NoOpeningBy > 0 {
		until := l.epoch.Add(time.Duration(v.NoOpeningBy))
		out.NoOpeningUntil = &until
	}
	return out
}

func refusal(r registration.Refusal) *control.Refusal {
	return &control.Refusal{At: r.At, Age: time.Since(r.At).Milliseconds(), From: r.From.String(), User: r.User,
		Why: r.Why}
}

func serviceStatus(registers bool, s registration.Status) control.Service {
	return control.Service{Registers: registers, Registered: s.Registered, Until: s.Until, Problem: s.Problem,
		Since: s.Since, Heard: s.Heard}
}

func callState(c supervision.CallView) string {
	switch {
	case c.Waiting:
		return "waiting"
	case c.Clearing:
		return "clearing"
	case c.Answered:
		return "answered"
	default:
		return "offered"
	}
}

func directionWord(d callrecord.Direction) string {
	if d == callrecord.DirectionUnknown {
		return ""
	}
	return d.String()
}

// named returns the line with the given name. Its error lists the lines that exist.
func (h *backend) named(line string) (*Line, error) {
	if l := h.d.Line(line); l != nil {
		return l, nil
	}
	var known []string
	for _, l := range h.d.all() {
		known = append(known, l.name)
	}
	return nil, &control.Error{Code: http.StatusNotFound, Reason: control.ReasonNoLine,
		Text: fmt.Sprintf("there is no line %q; there are %v", line, known)}
}

// SetInterval implements control.Backend.
func (h *backend) SetInterval(line string, interval time.Duration) error {
	h.d.reloads.mu.Lock() // a reload may be about to set the policy of the file
	defer h.d.reloads.mu.Unlock()
	l, err := h.named(line)
	if err != nil {
		return err
	}
	if err := l.setInterval(interval); err != nil {
		return &control.Error{Code: http.StatusUnprocessableEntity, Reason: control.ReasonRefused, Text: err.Error()}
	}
	h.d.reloads.takeInterval(l, interval)
	return nil
}

// BeginTrials implements control.Backend.
func (h *backend) BeginTrials(line string) error {
	l, err := h.named(line)
	if err != nil {
		return err
	}
	if p := l.line.Policy(); p.LifeSafety {
		return &control.Error{Code: http.StatusConflict, Reason: control.ReasonRefused, Text: line +
			" is marked life_safety: its loop is never opened, so there is nothing to tune"}
	}
	if l.Config().Contact.Driver == "none" {
		return &control.Error{Code: http.StatusConflict, Reason: control.ReasonRefused, Text: line +
			" has no contact (contact.driver: none), so there is nothing to tune"}
	}
	if err := l.mayRing(); err != nil {
		return err
	}
	if err := l.reserve(); err != nil {
		return err
	}
	s, err := testcall.Begin(testcall.Options{Name: line, Line: l.line, Port: trialPort{l.SIP(), l.adapterCalled},
		Bind: l.bind(), Logger: l.log})
	l.mu.Lock()
	l.beginning = false
	left := l.ending
	if err == nil && !left {
		own := &session{Session: s}
		own.idleTimer = time.AfterFunc(sessionIdleLimit, func() {
			l.log.Warn("the tuning session was idle for too long and is ended", zap.Duration("after", sessionIdleLimit))
			l.endSession(own, "it was idle for "+sessionIdleLimit.String())
		})
		l.session, l.stopped = own, ""
	}
	l.mu.Unlock()
	switch {
	case err != nil:
		return trialError(err)
	case left:
		return errors.Join(errEnding(line), s.End())
	}
	return nil
}

// mayRing returns an error if the line must not be rung for a trial now. It must not be rung in the call-back window or
// while the line has a call. An answered ordinary call that is being cleared does not count.
func (l *Line) mayRing() error {
	v := l.line.View()
	why := ""
	up := slices.IndexFunc(v.Calls, func(c supervision.CallView) bool {
		return !c.Clearing || !c.Answered ||
			c.Emergency
	})
	switch {
	case l.callbackUntil(v) != nil:
		why = l.refusal(supervision.SuppressedCallback, v)
	case up >= 0:
		why = callPhrase(v.Calls[up]) + "; a line is tuned only while it has no call"
	default:
		return nil
	}
	return &control.Error{Code: http.StatusConflict, Reason: control.ReasonRefused, Text: l.name + ": " + why}
}

// reserve marks a session as beginning. While the session opens its sockets, mu is not held, so the mark keeps a second
// session out.
func (l *Line) reserve() error {
	l.mu.Lock()
	defer l.mu.Unlock()
	if err := l.busyLocked(); err != nil {
		return err
	}
	l.beginning = true
	return nil
}

// busyLocked returns why the line can be neither tuned nor opened by hand, or nil.
func (l *Line) busyLocked() error {
	switch {
	case l.ending:
		return errEnding(l.name)
	case l.session != nil || l.beginning:
		return errTuning(l.name)
	case l.secondTest != nil:
		return errTestingSecondServer(l.name)
	case l.changing:
		return &control.Error{Code: http.StatusConflict, Reason: control.ReasonBusy, Text: l.name +
			": a reload is changing the line; try again"}
	}
	return nil
}

// tuning reports whether the line has a tuning session, or one is beginning.
func (l *Line) tuning() bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.session != nil || l.beginning
}

// errTuning is the error for a request during a tuning session. The session of a killed client lasts up to
// sessionIdleLimit.
func errTuning(line string) error {
	return &control.Error{Code: http.StatusConflict, Reason: control.ReasonBusy,
		Text: fmt.Sprintf("%s: a tuning session is under way; it ends with its command, or %s after its last step",
			line, sessionIdleLimit)}
}

// errEnding is the error for a request while the daemon is ending.
func errEnding(line string) error {
	return &control.Error{Code: http.StatusServiceUnavailable, Reason: control.ReasonStopped, Text: line +
		": the daemon is ending; every loop is being closed"}
}

// trialPort is a testcall.Port that ends the session as soon as the adapter has asked for a call, so that the next call
// passes.
type trialPort struct {
	*sipua.Line
	adapterCalled func(number string)
}

// BlockOutbound implements testcall.Port.
func (p trialPort) BlockOutbound(told func(number string, emergency bool)) (stop func()) {
	return p.Line.BlockOutbound(func(number string, emergency bool) {
		told(number, emergency)
		p.adapterCalled(number)
	})
}

// withSession runs one step of the line's tuning session.
func (h *backend) withSession(line string, step func(*Line, *session) error) error {
	l, err := h.named(line)
	if err != nil {
		return err
	}
	l.mu.Lock()
	s := l.session
	switch {
	case s == nil && l.stopped != "":
		defer l.mu.Unlock()
		return &control.Error{Code: http.StatusConflict, Reason: control.ReasonStopped, Text: line +
			": the session was ended: " + l.stopped}
	case s == nil:
		l.mu.Unlock()
		return &control.Error{Code: http.StatusConflict, Reason: control.ReasonRefused, Text: line +
			": there is no tuning session; begin one"}
	case s.busy:
		l.mu.Unlock()
		return &control.Error{Code: http.StatusConflict, Reason: control.ReasonBusy, Text: line +
			": the session is busy with another step"}
	}
	s.busy = true
	s.idleTimer.Stop()
	l.mu.Unlock()
	err = step(l, s)
	l.mu.Lock()
	s.busy = false
	if l.session == s {
		s.idleTimer.Reset(sessionIdleLimit)
	}
	l.mu.Unlock()
	if err != nil {
		return trialError(err)
	}
	return nil
}

// trialError turns a trial's error into one that has a code and a reason.
func trialError(err error) error {
	if told := (*control.Error)(nil); errors.As(err, &told) {
		return err
	}
	e := &control.Error{Code: http.StatusConflict, Reason: control.ReasonFailed,
		Text: strings.TrimPrefix(err.Error(), "trial: ")}
	switch {
	case errors.Is(err, context.Canceled): // the client has gone, or the daemon is ending
		e.Code, e.Reason, e.Text = http.StatusServiceUnavailable, control.ReasonStopped, "the daemon is ending"
	case errors.Is(err, testcall.ErrStopped):
		e.Reason = control.ReasonStopped
	case errors.Is(err, testcall.ErrRefused), errors.Is(err, testcall.ErrNotAnswered),
		errors.Is(err, testcall.ErrNearEndHungUp):
		e.Reason = control.ReasonRefused
	default:
		e.Code = http.StatusInternalServerError
	}
	return e
}

// Ring implements control.Backend.
func (h *backend) Ring(ctx context.Context, line string) (call uint64, err error) {
	err = h.withSession(line, func(l *Line, s *session) error {
		if err := l.mayRing(); err != nil {
			return err
		}
		id, err := s.Ring(ctx)
		call = uint64(id)
		return err
	})
	return call, err
}

// Clear implements control.Backend.
func (h *backend) Clear(ctx context.Context, line string, interval time.Duration,
	pulseDiallingOff bool) (out control.Trial, err error) {
	err = h.withSession(line, func(_ *Line, s *session) error {
		r, err := s.Clear(ctx, interval, pulseDiallingOff)
		out = control.Trial{
			Call: uint64(r.Call), Asked: r.Asked.Milliseconds(), Measured: r.Measured.Microseconds(),
			Hook: r.Hook.String(), Why: r.Why,
		}
		if r.By != supervision.VerificationNone {
			out.By = r.By.String()
		}
		return err
	})
	return out, err
}

// SaveTrial implements control.Backend.
func (h *backend) SaveTrial(line string, a control.TrialAnswer) error {
	if _, err := h.named(line); err != nil {
		return err
	}
	if h.d.journal == nil {
		return nil
	}
	answer, ok := map[string]journal.Answer{
		"cleared": journal.AnswerCleared, "stayed": journal.AnswerStayed, "unknown": journal.AnswerUnknown,
	}[a.Cleared]
	if !ok {
		return &control.Error{Code: http.StatusBadRequest, Reason: control.ReasonBadBody,
			Text: fmt.Sprintf("cleared %q; allowed are cleared, stayed and unknown", a.Cleared)}
	}
	t := journal.Trial{
		Session: a.Session, Line: line, At: time.Now(), Call: a.Trial.Call, Catch: a.Trial.Asked == 0,
		Asked:    time.Duration(a.Trial.Asked) * time.Millisecond,
		Measured: time.Duration(a.Trial.Measured) * time.Microsecond,
		Cleared:  answer, RangUp: a.RangUp,
	}
	for _, by := range []supervision.Verification{supervision.VerificationProbe, supervision.VerificationSense} {
		if a.Trial.By == by.String() {
			t.By = by
		}
	}
	h.d.journal.AppendTrial(t)
	return h.awaitJournal()
}

// awaitJournal waits until the journal is on disk, for at most recordTimeout. A resumed session then finds all its
// trials.
func (h *backend) awaitJournal() error {
	tick := time.NewTicker(10 * time.Millisecond)
	defer tick.Stop()
	for limit := time.After(recordTimeout); ; {
		was := h.d.journal.Health()
		if was.Queued == 0 {
			return nil
		}
		select {
		case <-tick.C:
		case <-limit:
			return &control.Error{Code: http.StatusInternalServerError, Reason: control.ReasonFailed,
				Text: "the trial is not recorded yet: " + was.Problem}
		}
	}
}

// EndTrials implements control.Backend.
func (h *backend) EndTrials(line string) error {
	l, err := h.named(line)
	if err != nil {
		return err
	}
	l.mu.Lock()
	s := l.session
	l.mu.Unlock()
	l.endSession(s, "")
	return nil
}
