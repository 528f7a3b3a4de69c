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
	attemptTime = 30 * time.Second // of one attempt, unless the way has its own limit
	firstPause  = 10 * time.Second // after the first failure
	longPause   = 10 * time.Minute // after many
	urgentPause = time.Minute      // after many, while an urgent message waits
	giveUp      = 7 * 24 * time.Hour
	// firstAttempts is how many attempts a message about an emergency call has before every other one.
	firstAttempts = 10
	leaveTime     = 5 * time.Second // for an attempt on a way that was replaced
	leastTries    = time.Second     // see Close
	// handOverTime is how long another process may use the folder before that counts as a failure to read it.
	handOverTime = time.Minute
)

// carry carries what is put for a way, one message at a time, until the queue is closed or the way is replaced.
func (q *Queue) carry(r *route) {
	limit := attemptTime
	if w, ok := r.way.(interface{ AttemptTime() time.Duration }); ok {
		limit = w.AttemptTime()
	}
	pause := time.Duration(0)
	for {
		e, m, over := q.next(r)
		if over {
			return
		}
		if e == nil {
			select {
			case <-r.more:
			case <-r.open.Done():
			case <-q.leaving:
			}
			continue
		}
		answer, err := r.send(m, limit)
		longest := q.attempted(r, e, answer, err)
		if longest == 0 {
			pause = 0
			continue
		}
		pause = min(max(2*pause, firstPause), longest)
		if urgent := r.wait(pause, m.Urgent, q.leaving); urgent {
			pause = 0
		}
	}
}

// send makes one attempt. If an ordinary message takes longer than attemptTime, a waiting urgent message breaks off the
// attempt. The other side may then get the ordinary message twice.
func (r *route) send(m *alarm.Message, limit time.Duration) (answer string, err error) {
	ctx, cancel := context.WithTimeout(r.attempts, limit)
	defer cancel()
	if !m.Urgent {
		defer time.AfterFunc(attemptTime, func() {
			select {
			case <-r.urgent:
				signal(r.urgent) // put the signal back, for wait
				cancel()
			case <-ctx.Done():
			}
		}).Stop()
	}
	return r.way.Send(ctx, m)
}

// wait waits for at most the pause, shortened at random by up to a fifth, so that many sites do not come back at the
// same moment. An urgent message or [route.retry] ends the wait: at once if the failed message was ordinary; if it was
// urgent, no earlier than firstPause after the wait began.
func (r *route) wait(pause time.Duration, afterUrgent bool, leaving <-chan struct{}) (urgent bool) {
	least := time.NewTimer(pause - time.Duration(rand.Int64N(int64(pause/5))))
	defer least.Stop()
	soon := time.NewTimer(min(firstPause, pause))
	defer soon.Stop()
	then, retried := r.urgent, r.retried // nil until they may end the wait
	if afterUrgent {
		then, retried = nil, nil
	}
	for {
		select {
		case <-least.C:
			return false
		case <-r.open.Done():
			return false
		case <-leaving:
			return false
		case <-soon.C:
			then, retried = r.urgent, r.retried
		case <-then:
			return true
		case <-retried:
			return true
		}
	}
}

// next chooses the message for the next attempt: one about an emergency call, then another urgent one, then the one
// with the fewest attempts, then the first. After an urgent one has failed, one that has not failed, or is not urgent,
// has its turn, so that one which fails again and again holds up no other. While the queue is being closed, it chooses
// only urgent messages that nobody has tried yet. over means that no attempt begins any more.
func (q *Queue) next(r *route) (e *entry, m *alarm.Message, over bool) {
	q.mu.Lock()
	defer q.mu.Unlock()
	if r.open.Err() != nil {
		return nil, nil, true
	}
	for _, c := range []chan struct{}{r.urgent, r.retried} {
		select {
		case <-c: // it is about what is chosen from now
		default:
		}
	}
	q.supersede(r)
	choice := r.ready()
	if q.closed {
		choice = slices.DeleteFunc(choice, func(e *entry) bool { return !e.Message.Urgent || e.attempts > 0 })
	}
	if len(choice) == 0 {
		return nil, nil, q.closed
	}
	failed := func(e *entry) bool { return e.Message.Urgent && e.attempts > 0 }
	if r.urgentFailed {
		if others := slices.DeleteFunc(slices.Clone(choice), failed); len(others) > 0 {
			choice = others
		}
	}
	r.sending = slices.MinFunc(choice, func(a, b *entry) int {
		return cmp.Or(a.turn()-b.turn(), a.attempts-b.attempts)
	})
	if !r.sending.Message.Urgent && r.urgentWaits() { // it does not wait for longer than attemptTime
		signal(r.urgent)
	}
	return r.sending, r.sending.Message, false
}

func (r *route) urgentWaits() bool {
	return slices.ContainsFunc(r.waiting, func(e *entry) bool { return e.Message.Urgent })
}

// ready returns what may be sent now. A way that needs only the newest state of each alarm gets the states of one alarm
// in their order.
func (r *route) ready() (all []*entry) {
	if !r.newestOnly {
		return slices.Clone(r.waiting)
	}
	earlier := map[string]bool{}
	for _, e := range r.waiting {
		if !slices.ContainsFunc(e.Message.Alarms, func(a alarm.Alarm) bool { return earlier[a.Key] }) {
			all = append(all, e)
		}
		for _, a := range e.Message.Alarms {
			earlier[a.Key] = true
		}
	}
	return all
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

// attempted notes the result of an attempt. It returns the longest pause that the way needs now; 0: none.
func (q *Queue) attempted(r *route, e *entry, answer string, err error) (longest time.Duration) {
	q.mu.Lock()
	defer q.mu.Unlock()
	r.sending = nil
	if r == q.routes[e.Way] { // it has not been replaced meanwhile
		e.attempts++
	}
	r.urgentFailed = err != nil && e.Message.Urgent
	about := []zap.Field{zap.String("id", e.Message.ID), zap.String("subject", e.Message.Subject)}
	if err == nil {
		if now := q.routes[e.Way]; now != nil { // another one, if the way was replaced meanwhile
			now.accepted(q, e)
		}
		r.log.Info("alarm sent", append(about, zap.String("answer", answer))...)
		return 0
	}
	var p *Permanent
	permanent := errors.As(err, &p)
	if r.open.Err() != nil && (r != q.routes[e.Way] || !permanent && r.attempts.Err() != nil) {
		return 0 // the way was replaced, or the queue is being closed
	}
	if r.status.Since.IsZero() || permanent && !e.refused {
		r.log.Error("cannot send an alarm", append(about, zap.Bool("retry", !permanent), zap.Error(err))...)
	}
	if !permanent || !e.refused { // one that is refused again says nothing new about the way
		if r.status.Since.IsZero() {
			r.status.Since = time.Now()
		}
		r.status.Failure = err.Error()
	}
	if permanent {
		r.status.Attempts.Refused++
	} else {
		r.status.Attempts.Failed++
	}
	switch {
	case time.Since(e.since) > giveUp:
		q.drop(r, e, "nobody has accepted it for a week")
	case permanent:
		q.refuse(r, e)
		return 0
	}
	if r.urgentWaits() {
		return urgentPause
	}
	return longPause
}

// accepted forgets a message that the other side has accepted.
func (r *route) accepted(q *Queue, e *entry) {
	r.status.Attempts.Accepted++
	r.forget(q, e)
	if r.newestOnly {
		for _, older := range slices.Concat(r.waiting, r.refused) {
			if older.Seq < e.Seq {
				r.shorten(q, older, e.Message)
			}
		}
	}
	if !r.status.Since.IsZero() {
		r.log.Info("alarms are accepted again", zap.Int("waiting", len(r.waiting)))
		r.status.Failure, r.status.Since = "", time.Time{}
	}
}

// shorten removes from an entry the alarms that a newer message has told. Sent later, it would bring back their old
// state.
func (r *route) shorten(q *Queue, e *entry, newer *alarm.Message) {
	m := *e.Message // the original belongs to other ways too
	m.Alarms = slices.DeleteFunc(slices.Clone(m.Alarms), func(a alarm.Alarm) bool {
		return slices.ContainsFunc(newer.Alarms, func(b alarm.Alarm) bool { return a.Key == b.Key })
	})
	switch {
	case len(m.Alarms) == len(e.Message.Alarms):
	case len(m.Alarms) == 0:
		r.forget(q, e)
	default:
		e.Message = &m
		if q.store != nil {
			q.save(e, nil)
		}
	}
}

// refuse sets a message aside that the other side has refused. Its file stays: the next queue may have better settings.
// A refusal may pass too, such as that of a proxy whose server starts again, so an urgent message is tried again.
func (q *Queue) refuse(r *route, e *entry) {
	e.refused = true
	r.waiting = without(r.waiting, e)
	r.refused = append(r.refused, e)
	if e.Message.Urgent {
		e.again = time.AfterFunc(longPause, func() {
			q.mu.Lock()
			defer q.mu.Unlock()
			if now := q.routes[e.Way]; now != nil && !q.closed && slices.Contains(now.refused, e) {
				now.retry(e)
			}
		})
	}
	if len(r.refused) > maxRefused {
		q.drop(r, slices.MinFunc(r.refused, lessDispensable), "too many alarms were refused")
	}
}

// retry lets messages that were refused wait again.
func (r *route) retry(all ...*entry) {
	for _, e := range all {
		if e.again != nil {
			e.again.Stop()
		}
		r.refused = without(r.refused, e)
		r.waiting = append(r.waiting, e)
	}
	slices.SortStableFunc(r.waiting, bySeq)
	signal(r.more)
	signal(r.retried) // somebody may have cured what makes the attempts fail
	if r.urgentWaits() {
		signal(r.urgent)
	}
}

func bySeq(a, b *entry) int { return cmp.Compare(a.Seq, b.Seq) }

// lessDispensable puts what may be dropped first: what has the lowest rank, then what is older.
func lessDispensable(a, b *entry) int { return rank(b.Message) - rank(a.Message) }

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
		return lessDispensable(a, b)
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

// supersede removes what a way that only needs the newest state of each alarm does not need any more, also of what was
// refused: otherwise the old state of an alarm could follow the newer one.
func (q *Queue) supersede(r *route) {
	if !r.newestOnly {
		return
	}
	newest := map[string]uint64{}
	for _, e := range r.waiting {
		for _, a := range e.Message.Alarms {
			newest[a.Key] = max(newest[a.Key], e.Seq)
		}
	}
	for _, e := range slices.Concat(r.waiting, r.refused) {
		needed := func(a alarm.Alarm) bool { return newest[a.Key] <= e.Seq }
		if len(e.Message.Alarms) > 0 && e != r.sending && !slices.ContainsFunc(e.Message.Alarms, needed) {
			r.forget(q, e)
		}
	}
}
