package journal

import (
	"time"

	"go.uber.org/zap"
)

// alarm logs a problem when it begins, when it changes, at an interval while it lasts, and when it is over.
type alarm struct {
	// set once
	log    *zap.Logger
	every  time.Duration
	shared *writerState

	problem    string
	err        error
	since      time.Time
	reportedAt time.Time
}

func (a *alarm) raise(now time.Time, problem string, err error) {
	if a.problem == problem {
		a.err = err
		return
	}
	if a.problem == "" {
		a.since = now
	}
	a.problem, a.err, a.reportedAt = problem, err, now
	a.shared.setProblem(problem, a.since)
	a.log.Error("the journal cannot be written; calls are not affected", zap.String("problem", problem),
		zap.Error(err))
}

func (a *alarm) remind(now time.Time) {
	if a.problem == "" || now.Sub(a.reportedAt) < a.every {
		return
	}
	a.reportedAt = now
	a.log.Error("the journal still cannot be written; calls are not affected",
		zap.String("problem", a.problem), zap.Time("since", a.since), zap.Error(a.err))
}

func (a *alarm) clear(now time.Time) {
	if a.problem == "" {
		return
	}
	a.log.Warn("the journal is written again", zap.String("problem", a.problem),
		zap.Duration("lasted", now.Sub(a.since)))
	a.problem, a.err = "", nil
	a.shared.setProblem("", time.Time{})
}
