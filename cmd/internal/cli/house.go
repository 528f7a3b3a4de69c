package cli

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"slices"
	"strings"
	"time"

	"go.uber.org/zap"

	"clearback/bridge/journal"
	"clearback/bridge/sipua"
	"clearback/bridge/status"
	"clearback/bridge/trial"
	"clearback/supervision"
	"clearback/supervision/story"
)

const (
	// pulseFor bounds an interruption by hand with its check: 3 s open, 5 s of guard time, 10 s of recognition at most.
	pulseFor = 20 * time.Second
	// sessionFor is how long a tuning session may rest before it is ended: while it lasts, the line's ordinary calls are refused, so that somebody
	// who walked away must not leave it behind.
	sessionFor = 5 * time.Minute
	// recordFor is how long a trial waits for the journal, which writes every 100 ms.
	recordFor = 5 * time.Second
)

// house is the running daemon as the control socket sees it.
type house struct {
	d       *Daemon
	started time.Time
	config  string
	journal string
}

// Daemon implements status.House.
func (h *house) Daemon() status.Daemon {
	out := status.Daemon{API: status.Version, Version: versionText(), Started: h.started, Config: h.config}
	if j := h.d.journal; j != nil {
		was := j.Health()
		out.Journal = status.Journal{Path: h.journal, Problem: was.Problem, Since: was.Since, Dropped: was.Dropped, Queued: was.Queued}
	}
	for _, k := range h.d.desks {
		out.Lines = append(out.Lines, k.status())
	}
	counts := h.d.agent.Counts()
	out.Counts = networkCounts(&counts)
	return out
}

// status is what the line is doing now.
func (k *desk) status() status.Line {
	v, p, s := k.line.View(), k.line.Policy(), k.port.Status()
	k.mu.Lock()
	defer k.mu.Unlock()
	out := status.Line{
		Name:    k.c.Name,
		Service: serviceStatus(k.c.Service.Register, s.Service.Registered, s.Service.Until, s.Service.Problem),
		Adapter: status.Adapter{Bound: s.Bound, UserAgent: k.userAgent},
		Calls:   []status.Call{}, Loop: v.Loop,
		Contact:    status.Contact{Driver: k.c.Contact.Driver, Controller: k.c.Contact.Controller, Kind: k.contact.Kind().String(), Problem: k.controller},
		Interval:   status.Interval{Milliseconds: v.Interval.Milliseconds(), Configured: k.interval.Milliseconds(), Stayed: v.Stayed},
		Verify:     status.Verify{By: k.c.Verify.By, Trusted: p.ProbeTrusted || p.SenseTrusted},
		LifeSafety: p.LifeSafety, Tuning: k.session != nil, Location: k.c.Location,
	}
	if second := k.c.Service.Second; second != nil {
		is := serviceStatus(second.Register, s.Second.Registered, s.Second.Until, s.Second.Problem)
		out.Second = &is
	}
	if s.Bound {
		out.Adapter.Address = s.Binding.Destination.String()
		out.Adapter.Until = s.Binding.Expires
	}
	for _, c := range v.Calls {
		n := k.notes[c.Call]
		out.Calls = append(out.Calls, status.Call{
			Call: uint64(c.Call), State: callState(c), Emergency: c.Emergency, Number: n.Party.Number, Direction: directionWord(n.Direction),
		})
	}
	if !k.last.Cleared.IsZero() {
		out.LastClearing = &status.Clearing{
			Call: uint64(k.last.Call), At: k.last.Cleared, Age: time.Since(k.last.Cleared).Milliseconds(), Outcome: k.last.Outcome.String(),
		}
	}
	if v.Fault != supervision.IncidentNone {
		out.Fault = v.Fault.String()
	}
	if v.Incident != supervision.IncidentNone {
		n := k.incidents[v.Incident]
		out.Incident = &status.Incident{Reason: v.Incident.String(), Since: n.Began, Advice: strings.ReplaceAll(story.Advice(v.Incident, v.Suppression, n.Flash), "LINE", k.c.Name)}
		if !n.Began.IsZero() {
			out.Incident.Age = time.Since(n.Began).Milliseconds()
		}
		if v.Suppression != supervision.SuppressionNone {
			out.Incident.Rule = v.Suppression.String()
		}
	}
	out.CallbackUntil = k.callbackUntil(v)
	if v.NoOpeningBy > 0 {
		until := k.epoch.Add(time.Duration(v.NoOpeningBy))
		out.NoOpeningUntil = &until
	}
	return out
}

func serviceStatus(registers, registered bool, until time.Time, problem string) status.Service {
	return status.Service{Registers: registers, Registered: registered, Until: until, Problem: problem}
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

func directionWord(d story.Direction) string {
	if d == story.DirectionUnknown {
		return ""
	}
	return d.String()
}

// desk looks a line up.
func (h *house) desk(line string) (*desk, error) {
	var known []string
	for _, k := range h.d.desks {
		if k.c.Name == line {
			return k, nil
		}
		known = append(known, k.c.Name)
	}
	return nil, &status.Error{Code: http.StatusNotFound, Reason: status.ReasonNoLine, Text: fmt.Sprintf("there is no line %q; there are %v", line, known)}
}

// SetInterval implements status.House.
func (h *house) SetInterval(line string, interval time.Duration) error {
	k, err := h.desk(line)
	if err != nil {
		return err
	}
	if err := k.setInterval(interval); err != nil {
		return &status.Error{Code: http.StatusUnprocessableEntity, Reason: status.ReasonRefused, Text: err.Error()}
	}
	return nil
}

// BeginTrials implements status.House.
func (h *house) BeginTrials(line string) error {
	k, err := h.desk(line)
	if err != nil {
		return err
	}
	if p := k.line.Policy(); p.LifeSafety {
		return &status.Error{Code: http.StatusConflict, Reason: status.ReasonRefused, Text: line + " is marked life_safety: its loop is never opened, so there is nothing to tune"}
	}
	if k.c.Contact.Driver == "none" {
		return &status.Error{Code: http.StatusConflict, Reason: status.ReasonRefused, Text: line + " has no contact (contact.driver: none), so there is nothing to tune"}
	}
	if err := k.free(); err != nil {
		return err
	}
	if err := k.reserve(); err != nil {
		return err
	}
	s, err := trial.Begin(trial.Options{Name: line, Line: k.line, Port: heldPort{k.port, k.asked}, Bind: k.bind(), Logger: k.log})
	k.mu.Lock()
	k.beginning = false
	left := k.left
	if err == nil && !left {
		own := &session{Session: s}
		own.rest = time.AfterFunc(sessionFor, func() {
			k.log.Warn("the tuning session rested for too long and is ended", zap.Duration("after", sessionFor))
			k.shut(own, "nothing was asked of it for "+sessionFor.String())
		})
		k.session, k.stopped = own, ""
	}
	k.mu.Unlock()
	switch {
	case err != nil:
		return trialError(err)
	case left:
		return errors.Join(errEnding(line), s.End())
	}
	return nil
}

// free says why the line is not to be rung for a trial now: the emergency centre may be about to call back, or it has a call. A call
// whose clearing waits for no more than the adapter's answer is none.
func (k *desk) free() error {
	v := k.line.View()
	why := ""
	up := slices.IndexFunc(v.Calls, func(c supervision.CallView) bool { return !c.Clearing || !c.Answered || c.Emergency })
	switch {
	case k.callbackUntil(v) != nil:
		why = k.refusal(supervision.SuppressedCallback, v)
	case up >= 0:
		why = callPhrase(v.Calls[up]) + "; a line is tuned only while it has no call"
	default:
		return nil
	}
	return &status.Error{Code: http.StatusConflict, Reason: status.ReasonRefused, Text: k.c.Name + ": " + why}
}

// reserve keeps a place for a session that is being begun: sockets are opened meanwhile, and mu is not held for that.
func (k *desk) reserve() error {
	k.mu.Lock()
	defer k.mu.Unlock()
	switch {
	case k.left:
		return errEnding(k.c.Name)
	case k.session != nil || k.beginning:
		return errTuning(k.c.Name)
	}
	k.beginning = true
	return nil
}

// errTuning is for whoever comes second. A client that was killed leaves its session behind for so long.
func errTuning(line string) error {
	return &status.Error{Code: http.StatusConflict, Reason: status.ReasonBusy,
		Text: fmt.Sprintf("%s: a tuning session is under way; it ends with its command, or %s after its last step", line, sessionFor)}
}

// errEnding: nothing is begun any more.
func errEnding(line string) error {
	return &status.Error{Code: http.StatusServiceUnavailable, Reason: status.ReasonStopped, Text: line + ": the daemon is ending; every loop is being closed"}
}

// heldPort ends the session as soon as the adapter has asked for a call, so that the next one passes.
type heldPort struct {
	*sipua.Line
	asked func(number string)
}

// HoldBack implements trial.Port.
func (p heldPort) HoldBack(told func(number string, emergency bool)) (stop func()) {
	return p.Line.HoldBack(func(number string, emergency bool) {
		told(number, emergency)
		p.asked(number)
	})
}

// with runs one step of a session.
func (h *house) with(line string, step func(*desk, *session) error) error {
	k, err := h.desk(line)
	if err != nil {
		return err
	}
	k.mu.Lock()
	s := k.session
	switch {
	case s == nil && k.stopped != "":
		defer k.mu.Unlock()
		return &status.Error{Code: http.StatusConflict, Reason: status.ReasonStopped, Text: line + ": the session is stopped: " + k.stopped}
	case s == nil:
		k.mu.Unlock()
		return &status.Error{Code: http.StatusConflict, Reason: status.ReasonRefused, Text: line + ": there is no tuning session; begin one"}
	case s.busy:
		k.mu.Unlock()
		return &status.Error{Code: http.StatusConflict, Reason: status.ReasonBusy, Text: line + ": the session is at work"}
	}
	s.busy = true
	s.rest.Stop()
	k.mu.Unlock()
	err = step(k, s)
	k.mu.Lock()
	s.busy = false
	if k.session == s {
		s.rest.Reset(sessionFor)
	}
	k.mu.Unlock()
	if err != nil {
		return trialError(err)
	}
	return nil
}

// trialError gives a trial's error its word.
func trialError(err error) error {
	if told := (*status.Error)(nil); errors.As(err, &told) {
		return err
	}
	e := &status.Error{Code: http.StatusConflict, Reason: status.ReasonFailed, Text: strings.TrimPrefix(err.Error(), "trial: ")}
	switch {
	case errors.Is(err, context.Canceled): // the client has gone, or this
		e.Code, e.Reason, e.Text = http.StatusServiceUnavailable, status.ReasonStopped, "the daemon is ending"
	case errors.Is(err, trial.ErrStopped):
		e.Reason = status.ReasonStopped
	case errors.Is(err, trial.ErrRefused), errors.Is(err, trial.ErrNotAnswered), errors.Is(err, trial.ErrGone):
		e.Reason = status.ReasonRefused
	default:
		e.Code = http.StatusInternalServerError
	}
	return e
}

// Ring implements status.House.
func (h *house) Ring(ctx context.Context, line string) (call uint64, err error) {
	err = h.with(line, func(k *desk, s *session) error {
		if err := k.free(); err != nil {
			return err
		}
		id, err := s.Ring(ctx)
		call = uint64(id)
		return err
	})
	return call, err
}

// Clear implements status.House.
func (h *house) Clear(ctx context.Context, line string, interval time.Duration, pulseDiallingOff bool) (out status.Trial, err error) {
	err = h.with(line, func(_ *desk, s *session) error {
		r, err := s.Clear(ctx, interval, pulseDiallingOff)
		out = status.Trial{
			Call: uint64(r.Call), Asked: r.Asked.Milliseconds(), Measured: r.Measured.Microseconds(), Hook: r.Hook.String(), Why: r.Why,
		}
		if r.By != story.VerifiedNot {
			out.By = r.By.String()
		}
		return err
	})
	return out, err
}

// KeepTrial implements status.House.
func (h *house) KeepTrial(line string, a status.TrialAnswer) error {
	if _, err := h.desk(line); err != nil {
		return err
	}
	if h.d.journal == nil {
		return nil
	}
	answer, ok := map[string]journal.Answer{
		"cleared": journal.AnswerCleared, "stayed": journal.AnswerStayed, "unknown": journal.AnswerUnknown,
	}[a.Cleared]
	if !ok {
		return &status.Error{Code: http.StatusBadRequest, Reason: status.ReasonBadBody, Text: fmt.Sprintf("cleared %q; allowed are cleared, stayed and unknown", a.Cleared)}
	}
	t := journal.Trial{
		Session: a.Session, Line: line, At: time.Now(), Call: a.Trial.Call, Catch: a.Trial.Asked == 0,
		Asked: time.Duration(a.Trial.Asked) * time.Millisecond, Measured: time.Duration(a.Trial.Measured) * time.Microsecond,
		Cleared: answer, RangUp: a.RangUp,
	}
	for _, by := range []story.Verified{story.VerifiedByProbe, story.VerifiedBySense} {
		if a.Trial.By == by.String() {
			t.By = by
		}
	}
	h.d.journal.AppendTrial(t)
	return h.recorded()
}

// recorded waits for the disk, for a while: who resumes a session finds all its trials.
func (h *house) recorded() error {
	tick := time.NewTicker(10 * time.Millisecond)
	defer tick.Stop()
	for limit := time.After(recordFor); ; {
		was := h.d.journal.Health()
		if was.Queued == 0 {
			return nil
		}
		select {
		case <-tick.C:
		case <-limit:
			return &status.Error{Code: http.StatusInternalServerError, Reason: status.ReasonFailed, Text: "the trial is not recorded yet: " + was.Problem}
		}
	}
}

// EndTrials implements status.House.
func (h *house) EndTrials(line string) error {
	k, err := h.desk(line)
	if err != nil {
		return err
	}
	k.mu.Lock()
	s := k.session
	k.mu.Unlock()
	k.shut(s, "")
	return nil
}
