package sipua

import (
	"slices"
	"time"

	"github.com/emiago/sipgo/sip"
	"go.uber.org/zap"

	"clearback/bridge/media"
	"clearback/supervision"
)

// This file notices a far end that vanished without a word. Only session timers (RFC 4028) would show it, and most
// services use none; a hold cannot be seen either, since the adapter goes on sending. So the service is asked about each
// answered call, and what it says proves:
//
//   - 2xx: the service's leg of the call is up. It says nothing about who is behind it.
//   - 481: the call is over, if the service answered that method with 2xx in this dialog before, or if it says so to a
//     second method, and to the re-INVITE too while media of the far end comes. (Some services say 481 to every OPTIONS
//     in a dialog.)
//   - 408 and no answer: the call is over, if a second method asked at once has none either. Not while media of the far
//     end comes, and not while the service answers nobody: then the service is lost, and not the call. So the service is
//     asked for something else beside, by OPTIONS outside of calls.
//   - anything else: nothing. The next method is tried.
//
// It is not done for emergency calls, which vanished.go looks after, nor for what [call.spared] names.

// questionMethods are the ways to ask, in the order in which they are tried: UPDATE without an offer changes nothing
// (RFC 3311), OPTIONS in a dialog neither (RFC 3261 section 11), and a re-INVITE may collide with one of the peer's.
var questionMethods = [...]sip.RequestMethod{sip.UPDATE, sip.OPTIONS, sip.INVITE}

// habit is how the service answers a method in this dialog.
type habit uint8

const (
	habitUnknown habit = iota
	confirms           // it was answered 2xx
	useless            // it was refused in a call that was up, or is not supported
)

// liveness is what is known of whether the far end is there. It is of the service's leg, and owned by the call's mailbox.
type liveness struct {
	timer  *time.Timer // when to look; nil: nobody looks
	asked  time.Time   // when the last question began; before the first, when the call was answered
	learnt bool        // there was a question
	lost   bool        // the service was seen to answer nobody, and that was logged
	habits map[sip.RequestMethod]habit
	now    *question // under way; nil: none
	quiet  time.Time // the silence that was asked about last, by its beginning
	told   time.Time // the silence that was reported last, by its beginning
}

// question is one question and what was answered to it.
type question struct {
	evidence supervision.Evidence // of the clearing if the call turns out to be over
	began    time.Time
	left     []sip.RequestMethod // not tried yet
	refused  []sip.RequestMethod // answered, but not 2xx
	unknown  []sip.RequestMethod // answered 481
	silent   int                 // requests that got 408 or no answer while the service served
	quiet    sip.RequestMethod   // of the last of them
	trusted  bool                // one of them is of a method that was answered 2xx before
	repeated bool                // it was used twice, since there is no second method
	answered bool                // a method that the service supports was refused: it may ignore OPTIONS always
	lost     bool                // a request got none, and the service did not serve
	code     int                 // the last answer
	now      *inquiry
}

// inquiry is one request of a question.
type inquiry struct {
	q        *question
	m        sip.RequestMethod
	answered bool // its answer is there, or it timed out
	service  control
}

// control is what became of asking the service about something else than the call, at the time of an inquiry.
type control uint8

const (
	controlNone    control = iota // it was not asked
	controlAwaited                // its answer is awaited
	controlServes                 // it answered
	controlSilent                 // it did not
)

// spared reports whether no far end of the call is ever taken for vanished: in an emergency call, on a line that protects
// life, and while the emergency centre may call back on that line.
func (c *call) spared() bool {
	return c.emergency || c.line.o.LifeSafety || c.line.inCallbackWindow()
}

// watch begins to ask about an answered call.
func (l *leg) watch() {
	switch {
	case l.c.emergency:
		l.c.learnAdapter()
		return
	case l.c.line.o.LifeSafety:
		return
	}
	l.alive.asked = time.Now()
	l.lookAt(l.dueLook())
}

func (l *leg) lookAt(at time.Time) {
	v := &l.alive
	if v.timer != nil {
		v.timer.Stop()
	}
	if l.state == legOver || l.clearing {
		return
	}
	v.timer = l.c.after(time.Until(at), l.look)
}

// stop ends it.
func (v *liveness) stop() {
	if v.timer != nil {
		v.timer.Stop()
	}
	v.timer, v.now = nil, nil
}

// answered notes that the service answered a request in the dialog.
func (l *leg) answered(m sip.RequestMethod, code int) {
	if l.side != media.ServiceSide {
		return
	}
	if code/100 == 2 {
		l.learnHabit(m, confirms)
	}
	if code != sip.StatusRequestTimeout && code != sip.StatusServiceUnavailable {
		l.account.heard()
	}
}

// quietSince is since when nothing is heard of the leg's media, zero if nothing ever was. While this process stood still it
// heard nobody.
func (l *leg) quietSince() time.Time {
	since := l.c.path.quietSince(l.side)
	if at := l.s.ep.Resumed(); !since.IsZero() && at.After(since) {
		return at
	}
	return since
}

// dueLook is when the leg is to be looked at next.
func (l *leg) dueLook() time.Time {
	v, t := &l.alive, &l.c.a.times
	if !v.learnt {
		return v.asked.Add(t.learn)
	}
	next, last := v.asked.Add(t.ask), v.asked.Add(t.askSeldom)
	if all := l.methods(); len(all) > 2 && v.habits[all[0]] != confirms && v.habits[all[1]] != confirms {
		next = next.Add(-t.final) // the question may take a third request
	}
	if fresh := l.c.path.heard(l.side).Add(t.fresh); fresh.After(next) {
		next = fresh
	}
	if next.After(last) {
		next = last
	}
	since := l.quietSince()
	if at := since.Add(t.quiet); !since.IsZero() && !since.Equal(v.quiet) && at.Before(next) {
		next = at
	}
	if at := since.Add(t.deserted); !since.IsZero() && !since.Equal(v.told) && at.Before(next) {
		next = at
	}
	return next
}

// look asks if it is time.
func (l *leg) look() {
	v, now := &l.alive, time.Now()
	since := l.quietSince()
	switch quiet := !since.IsZero() && !since.Equal(v.quiet) && now.Sub(since) >= l.c.a.times.quiet; {
	case now.Before(l.dueLook()):
	case l.c.spared():
		v.asked, v.quiet = now, since // a silence that goes on is reported when the call is spared no longer
	case !since.IsZero() && !since.Equal(v.told) && now.Sub(since) >= l.c.a.times.deserted:
		v.told = since
		l.deserted(now.Sub(since))
	case quiet:
		v.quiet = since
		if l.c.path.expectsSound() {
			l.question(supervision.EvidenceMediaLost)
		}
	default:
		l.question(supervision.EvidenceServiceLost)
	}
	if next := l.dueLook(); next.After(now) {
		l.lookAt(next)
	} else {
		l.lookAt(now.Add(l.c.a.times.fresh)) // an earlier question has no answer yet
	}
}

// deserted reports a far end of which nothing has been heard for that long without a reason, and ends its call if the user
// consented. The service's word that the call is up says nothing about who is behind it.
func (l *leg) deserted(silent time.Duration) {
	c := l.c
	if l.state != legUp || l.clearing || !c.path.expectsSound() || c.path.mayPause() {
		return
	}
	c.line.log.Warn("the far end has been silent since "+time.Now().Add(-silent).Format("15:04"),
		zap.Uint64("call", uint64(c.id)), zap.Bool("call_ended", c.line.o.ActOnMediaLost))
	c.event(supervision.Event{Kind: supervision.FarEndSilent, Late: silent})
	if c.line.o.ActOnMediaLost {
		l.goneBy(supervision.EvidenceMediaLost, 0)
	}
}

// question asks whether the service still knows the call, unless that is being asked.
func (l *leg) question(evidence supervision.Evidence) {
	if l.alive.now == nil && l.state == legUp && !l.clearing && !l.c.spared() {
		l.tryNext(l.newQuestion(evidence))
	}
}

func (l *leg) newQuestion(evidence supervision.Evidence) *question {
	v := &l.alive
	v.now = &question{evidence: evidence, began: time.Now(), left: l.methods()}
	v.asked, v.learnt = v.now.began, true
	return v.now
}

// methods are the ways to ask this service.
func (l *leg) methods() []sip.RequestMethod {
	body, _ := l.c.path.lastSent(l.side)
	var all []sip.RequestMethod
	for _, m := range questionMethods {
		if l.alive.habits[m] == useless || m == sip.UPDATE && !l.session.updates || m == sip.INVITE && body == nil {
			continue
		}
		all = append(all, m)
	}
	return all
}

// tryNext sends the next request of a question, or ends the question.
func (l *leg) tryNext(q *question) {
	if l.alive.now != q {
		return
	}
	if len(q.left) == 0 && q.silent == 1 && !q.repeated && (!q.answered || q.quiet != sip.OPTIONS) { // there is no second method
		q.left, q.repeated = []sip.RequestMethod{q.quiet}, true
	}
	switch {
	case l.state != legUp || l.clearing:
		l.alive.now = nil
		return
	case len(q.left) == 0:
		l.alive.now = nil // nothing is proved
		if q.lost {
			l.account.lostWith(l)
		}
		return
	case q.left[0] != sip.OPTIONS && l.occupied(q.left[0]):
		l.c.after(l.c.a.times.second, func() { l.tryNext(q) })
		return
	}
	n := &inquiry{q: q, m: q.left[0]}
	q.left, q.now = q.left[1:], n
	l.c.after(l.c.a.times.t2, func() { l.askService(n) })
	if n.m == sip.OPTIONS {
		l.send(l.build(n.m), func(res *sip.Response, err error) { l.answeredInquiry(n, codeOf(res, err)) })
		return
	}
	l.refreshBy(n.m, func(code int) { l.answeredInquiry(n, code) })
}

// codeOf is the status code of an answer, 0 for none.
func codeOf(res *sip.Response, err error) int {
	if err != nil {
		return 0
	}
	return res.StatusCode
}

// answeredInquiry takes what was answered to a request; 0 is no answer.
func (l *leg) answeredInquiry(n *inquiry, code int) {
	q := n.q
	if l.alive.now != q || q.now != n || l.state != legUp || l.clearing {
		return
	}
	n.answered, q.code = true, code
	switch {
	case code/100 == 2:
		for _, other := range q.refused {
			l.learnHabit(other, useless)
		}
		l.alive.now = nil
	case code == sip.StatusCallTransactionDoesNotExists:
		l.unknownTo(q, n.m)
	case code == 0 || code == sip.StatusRequestTimeout:
		q.refused = append(q.refused, n.m)
		l.askService(n)
		l.silence(n)
	default:
		q.refused = append(q.refused, n.m)
		if code == sip.StatusMethodNotAllowed || code == sip.StatusNotImplemented {
			l.learnHabit(n.m, useless)
		} else {
			q.answered = true
		}
		l.tryNext(q)
	}
}

// learnHabit notes how the service answers a method. What it once answered with 2xx stays a way to ask.
func (l *leg) learnHabit(m sip.RequestMethod, h habit) {
	switch {
	case l.alive.habits[m] == confirms:
		return
	case l.alive.habits == nil:
		l.alive.habits = map[sip.RequestMethod]habit{}
	}
	l.alive.habits[m] = h
}

// unknownTo takes a 481.
func (l *leg) unknownTo(q *question, m sip.RequestMethod) {
	if !slices.Contains(q.unknown, m) {
		q.unknown = append(q.unknown, m)
	}
	sounds := l.c.path.heard(l.side).After(q.began.Add(-l.c.a.times.fresh)) // then only what has to match the dialog counts
	if l.alive.habits[m] == confirms || len(q.unknown) > 1 && !(sounds && slices.Contains(q.left, sip.INVITE)) {
		l.vanished(q)
	} else {
		q.refused = append(q.refused, m)
		l.tryNext(q)
	}
}

// silence looks what follows from an inquiry without an answer, once it is known whether the service serves.
func (l *leg) silence(n *inquiry) {
	q := n.q
	if l.alive.now != q || q.now != n || !n.answered || n.service == controlAwaited {
		return
	}
	if n.service == controlServes || q.code == sip.StatusRequestTimeout { // who says 408 is there
		q.silent, q.quiet = q.silent+1, n.m
		q.trusted = q.trusted || l.alive.habits[n.m] == confirms
	} else {
		q.lost = true
	}
	switch {
	case q.silent < 2, !q.trusted && len(q.left) > 0:
		l.tryNext(q)
	case l.c.path.heard(l.side).After(q.began):
		l.alive.now = nil
	default:
		l.vanished(q)
	}
}

// askService asks the service for something else than the call, so that its silence can be told from the call's. Only an
// answer counts that comes soon enough for the inquiry to be repeated twice after it: a service that came back too late for
// that has not ignored it.
func (l *leg) askService(n *inquiry) {
	if n.service != controlNone || l.alive.now != n.q || n.q.now != n {
		return
	}
	n.service = controlAwaited
	a, s, began := l.c.a, l.account, time.Now()
	a.work.start(func() {
		serves := s.answersWithin(a.times.final-3*a.times.t2) || s.spokeSince(began) // it may answer all but this
		l.c.post(func() {
			n.service = controlSilent
			if serves {
				n.service = controlServes
			}
			l.silence(n)
		})
	})
}

// vanished ends a call whose far end is gone.
func (l *leg) vanished(q *question) {
	l.alive.now = nil
	switch {
	case l.s.ep.Resumed().After(q.began): // what was not heard may wait to be read, and what was heard may be old
		l.question(q.evidence)
	case !l.c.spared():
		l.goneBy(q.evidence, q.code)
	}
}

// distrust looks at what became of a request of ours to the service, as doubt does: it begins a question, and a 481 counts
// as the first answer to it.
func (l *leg) distrust(m sip.RequestMethod, code int, since time.Time, evidence supervision.Evidence) {
	silent := code == 0 || code == sip.StatusRequestTimeout
	switch {
	case !silent && code != sip.StatusCallTransactionDoesNotExists,
		silent && l.c.path.heard(l.side).After(since),
		l.alive.now != nil, l.state != legUp, l.clearing, l.c.spared():
		return
	}
	q := l.newQuestion(evidence)
	if silent || l.s.ep.Resumed().After(since) { // the service may have been lost then, and come back since, or the answer is old
		l.tryNext(q)
		return
	}
	q.code = code
	l.unknownTo(q, m)
}

// lostWith notes that the service answers nobody, not even about a call: its calls are asked when it is back.
func (s *account) lostWith(l *leg) {
	if !l.alive.lost {
		l.alive.lost = true // once a call is enough
		l.c.line.log.Warn("the service does not answer, so nobody knows whether a call is still up; it is asked when the service is back",
			zap.Uint64("call", uint64(l.c.id)))
	}
	s.silent()
}

// inCallbackWindow reports whether the emergency centre may call back on this line: an emergency call is on it, or was
// within the window.
func (l *Line) inCallbackWindow() bool {
	return l.help.any() || l.callbacks.Load() > 0 || int64(time.Since(l.a.epoch)) < l.callbackUntil.Load()
}

// askCalls asks the service about each answered call at it. It runs some time after the service came back, so that who
// restarted has had time to tell its own calls.
func (s *account) askCalls() {
	for _, c := range s.line.a.up() {
		if c.line != s.line {
			continue
		}
		c.post(func() {
			if l := c.legs[media.ServiceSide]; l.account == s {
				l.question(supervision.EvidenceServiceLost)
			}
		})
	}
}

// hasCalls reports whether calls are up that the service would be asked about.
func (s *account) hasCalls() bool {
	return s.line.ordinary.Load() > 0
}
