package alarms

import (
	"cmp"
	"context"
	"errors"
	"math/rand/v2"
	"slices"
	"time"

	"clearback/supervision/alarm"

	"go.uber.org/zap"
)

// Our own numbers. A mail server gives up after 4 to 5 days (RFC 5321, section 4.5.4.1).
const (
	attemptTime = 30 * time.Second // of one attempt
	firstPause  = 10 * time.Second // after the first failure
	longPause   = 10 * time.Minute // after many
	giveUp      = 7 * 24 * time.Hour
	// firstAttempts is how many attempts a message about an emergency call has before every other one.
	firstAttempts = 10
)

// carry carries what is put for a way, one message at a time, until the queue is closed.
func (q *Queue) carry(r *route) {
	pause := time.Duration(0)
	for {
		e := q.next(r)
		if q.open.Err() != nil {
			return
		}
		if e == nil {
			select {
			case <-r.more:
			case <-q.open.Done():
				return
			}
			continue
		}
		select {
		case <-r.urgent: // it is among what next chose from
		default:
		}
		ctx, cancel := context.WithTimeout(q.attempts, attemptTime)
		answer, err := r.way.Send(ctx, e.Message)
		cancel()
		if !q.attempted(r, e, answer, err) {
			pause = 0
			continue
		}
		pause = min(max(2*pause, firstPause), longPause)
		if urgent := r.wait(pause, q.open.Done()); urgent {
			pause = 0
		}
	}
}

// wait waits for at most the pause, shortened at random by up to a fifth, so that many sites do not come back at the
// same moment. An urgent message ends it firstPause after its beginning.
func (r *route) wait(pause time.Duration, quit <-chan struct{}) (urgent bool) {
	least := time.NewTimer(pause - time.Duration(rand.Int64N(int64(pause/5))))
	defer least.Stop()
	soon := time.NewTimer(min(firstPause, pause))
	defer soon.Stop()
	select {
	case <-least.C:
		return false
	case <-quit:
		return false
	case <-soon.C:
	}
	select {
	case <-least.C:
		return false
	case <-quit:
		return false
	case <-r.urgent:
		return true
	}
}

// next chooses the message for the next attempt: one about an emergency call, then another urgent one, then the one
// with the fewest attempts, so that one that fails again and again holds up no other, then the first. A way that needs
// only the newest state gets them in order.
func (q *Queue) next(r *route) *entry {
	q.mu.Lock()
	defer q.mu.Unlock()
	q.supersede(r)
	switch {
	case len(r.waiting) == 0:
	case r.newestOnly:
		r.sending = r.waiting[0]
	default:
		r.sending = slices.MinFunc(r.waiting, func(a, b *entry) int {
			return cmp.Or(a.turn()-b.turn(), a.attempts-b.attempts)
		})
	}
	return r.sending
}

// turn is rank, but an emergency call that has failed often waits for its turn among the urgent ones.
func (e *entry) turn() int {
	if e.attempts >= firstAttempts {
		return max(rank(e.Message), 1)
	}
	return rank(e.Message)
}

// rank returns 0 for a message about an emergency call, 1 for another urgent one, and 2 for the others.
func rank(m *alarm.Message) int {
	switch {
	case slices.ContainsFunc(m.Alarms, func(a alarm.Alarm) bool { return a.Class == alarm.ClassEmergency }):
		return 0
	case m.Urgent:
		return 1
	}
	return 2
}

// attempted notes the result of an attempt. It reports whether the way needs a pause.
func (q *Queue) attempted(r *route, e *entry, answer string, err error) (pause bool) {
	q.mu.Lock()
	defer q.mu.Unlock()
	r.sending = nil
	e.attempts++
	about := []zap.Field{zap.String("id", e.Message.ID), zap.String("subject", e.Message.Subject)}
	if err == nil {
		r.status.Accepted++
		r.forget(q, e)
		if !r.status.Since.IsZero() {
			r.log.Info("alarms are accepted again", zap.Int("waiting", len(r.waiting)))
			r.status.Failure, r.status.Since = "", time.Time{}
		}
		r.log.Info("alarm sent", append(about, zap.String("answer", answer))...)
		return false
	}
	var p *Permanent
	permanent := errors.As(err, &p)
	if !permanent && q.attempts.Err() != nil {
		return false // the queue is being closed
	}
	if r.status.Since.IsZero() {
		r.log.Error("cannot send an alarm", append(about, zap.Bool("retry", !permanent), zap.Error(err))...)
		r.status.Since = time.Now()
	}
	r.status.Failure = err.Error()
	switch {
	case permanent:
		r.waiting = without(r.waiting, e)
		r.refused = append(r.refused, e) // its file stays: the next queue may have better settings
		if len(r.refused) > maxRefused {
			q.drop(r, r.refused[0], "too many alarms were refused")
		}
	case time.Since(e.since) > giveUp:
		q.drop(r, e, "it is older than a week")
	}
	return !permanent
}

// add adds an entry to what waits for a way, and drops another one if there are too many.
func (q *Queue) add(r *route, e *entry) {
	if slices.ContainsFunc(r.waiting, func(other *entry) bool { return other.Message.ID == e.Message.ID }) {
		return // put again, or read from the folder after it was put
	}
	r.waiting = append(r.waiting, e)
	if len(r.waiting) > maxWaiting {
		q.supersede(r)
	}
	if len(r.waiting) > maxWaiting {
		q.drop(r, r.dispensable(), "too many alarms are waiting")
	}
	signal(r.more)
	if e.Message.Urgent {
		signal(r.urgent)
	}
}

func signal(c chan<- struct{}) {
	select {
	case c <- struct{}{}:
	default: // a signal is pending
	}
}

// dispensable returns the oldest entry of those with the lowest rank, but not the one that is being sent.
func (r *route) dispensable() *entry {
	return slices.MinFunc(r.waiting, func(a, b *entry) int {
		switch {
		case a == r.sending:
			return 1
		case b == r.sending:
			return -1
		}
		return rank(b.Message) - rank(a.Message)
	})
}

func (q *Queue) drop(r *route, e *entry, why string) {
	r.status.Dropped++
	r.forget(q, e)
	r.log.Error("an alarm is dropped", zap.String("why", why), zap.String("id", e.Message.ID),
		zap.String("subject", e.Message.Subject), zap.Int("dropped", r.status.Dropped))
}

func (r *route) forget(q *Queue, e *entry) {
	r.waiting, r.refused = without(r.waiting, e), without(r.refused, e)
	q.remove(e.piece())
}

func without(all []*entry, e *entry) []*entry {
	return slices.DeleteFunc(all, func(other *entry) bool { return other.Message.ID == e.Message.ID })
}

// supersede removes what a way that only needs the newest state of each alarm does not need any more.
func (q *Queue) supersede(r *route) {
	if !r.newestOnly {
		return
	}
	later := map[string]bool{}
	for _, e := range slices.Backward(slices.Clone(r.waiting)) {
		old := len(e.Message.Alarms) > 0 && e != r.sending &&
			!slices.ContainsFunc(e.Message.Alarms, func(a alarm.Alarm) bool { return !later[a.Key] })
		if old {
			r.forget(q, e)
		}
		for _, a := range e.Message.Alarms {
			later[a.Key] = true
		}
	}
}
