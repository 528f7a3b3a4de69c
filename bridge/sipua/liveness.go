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
// services use none; a hold cannot be seen either, since the adapter goes on sending. So the service is asked about
// each answered call, and what it says proves:
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
// It is not done for emergency calls, which liveness_emergency.go looks after, nor for what [call.exemptFromLiveness]
// names.

// livenessMethods are the ways to ask, in the order in which they are tried: UPDATE without an offer changes nothing
// (RFC 3311), OPTIONS in a dialog neither (RFC 3261 section 11), and a re-INVITE may collide with one of the peer's.
var livenessMethods = [...]sip.RequestMethod{sip.UPDATE, sip.OPTIONS, sip.INVITE}

// methodSupport is how the service answers a method in this dialog.
type methodSupport uint8

const (
	supportUnknown   methodSupport = iota
	supportConfirmed               // it was answered 2xx
	supportNone                    // it was refused in a call that was up, or is not supported
)

// liveness is what is known of whether the far end is there. It is of the service's leg, and owned by the call's
// mailbox.
type liveness struct {
	timer           *time.Timer // when to look; nil: nobody looks
	lastCheck       time.Time   // when the last question began; before the first, when the call was answered
	checked         bool        // there was a question
	lost            bool        // the service was seen to answer nobody, and that was logged
	support         map[sip.RequestMethod]methodSupport
	current         *livenessCheck // under way; nil: none
	askedSilence    time.Time      // the silence that was asked about last, by its beginning
	reportedSilence time.Time      // the silence that was reported last, by its beginning
}

// livenessCheck is one question and what was answered to it.
type livenessCheck struct {
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
	now      *livenessRequest
}

// livenessRequest is one request of a question.
type livenessRequest struct {
	q        *livenessCheck
	m        sip.RequestMethod
	answered bool // its answer is there, or it timed out
	service  serviceState
}

// serviceState is what became of asking the service about something else than the call, at the time of an inquiry.
type serviceState uint8

const (
	serviceNotAsked serviceState = iota // it was not asked
	serviceAwaited                      // its answer is awaited
	serviceAnswers                      // it answered
	serviceSilent                       // it did not
)

// exemptFromLiveness reports whether no far end of the call is ever taken for vanished: in an emergency call, on a line
// that protects life, and while the emergency centre may call back on that line.
func (c *call) exemptFromLiveness() bool {
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
	l.alive.lastCheck = time.Now()
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
	v.timer, v.current = nil, nil
}

// answered notes that the service answered a request in the dialog.
func (l *leg) answered(m sip.RequestMethod, code int) {
	if l.side != media.ServiceSide {
		return
	}
	if code/100 == 2 {
		l.learnSupport(m, supportConfirmed)
	}
	if code != sip.StatusRequestTimeout && code != sip.StatusServiceUnavailable {
		l.account.noteHeard()
	}
}

// quietSince is since when nothing is heard of the leg's media, zero if nothing ever was. While this process stood
// still it heard nobody.
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
	if !v.checked {
		return v.lastCheck.Add(t.firstLivenessCheck)
	}
	next, last := v.lastCheck.Add(t.livenessEvery), v.lastCheck.Add(t.livenessEveryWithMedia)
	if all := l.methods(); len(all) > 2 && v.support[all[0]] != supportConfirmed &&
		v.support[all[1]] != supportConfirmed {
		next = next.Add(-t.final) // the question may take a third request
	}
	if fresh := l.c.path.lastHeard(l.side).Add(t.fresh); fresh.After(next) {
		next = fresh
	}
	if next.After(last) {
		next = last
	}
	since := l.quietSince()
	if at := since.Add(t.mediaSilence); !since.IsZero() && !since.Equal(v.askedSilence) && at.Before(next) {
		next = at
	}
	if at := since.Add(t.silenceReport); !since.IsZero() && !since.Equal(v.reportedSilence) && at.Before(next) {
		next = at
	}
	return next
}

// look asks if it is time.
func (l *leg) look() {
	v, now := &l.alive, time.Now()
	since := l.quietSince()
	switch quiet := !since.IsZero() && !since.Equal(v.askedSilence) && now.Sub(since) >= l.c.a.times.mediaSilence; {
	case now.Before(l.dueLook()):
	case l.c.exemptFromLiveness():
		v.lastCheck, v.askedSilence = now, since // a silence that goes on is reported when the call is spared no longer
	case !since.IsZero() && !since.Equal(v.reportedSilence) && now.Sub(since) >= l.c.a.times.silenceReport:
		v.reportedSilence = since
		l.reportFarEndSilent(now.Sub(since))
	case quiet:
		v.askedSilence = since
		if l.c.path.expectsSound() {
			l.checkLiveness(supervision.EvidenceMediaLost)
		}
	default:
		l.checkLiveness(supervision.EvidenceServiceLost)
	}
	if next := l.dueLook(); next.After(now) {
		l.lookAt(next)
	} else {
		l.lookAt(now.Add(l.c.a.times.fresh)) // an earlier question has no answer yet
	}
}

// reportFarEndSilent reports a far end of which nothing has been heard for that long without a reason, and ends its
// call if the user consented. The service's word that the call is up says nothing about who is behind it.
func (l *leg) reportFarEndSilent(silent time.Duration) {
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

// checkLiveness asks whether the service still knows the call, unless that is being asked.
func (l *leg) checkLiveness(evidence supervision.Evidence) {
	if l.alive.current == nil && l.state == legUp && !l.clearing && !l.c.exemptFromLiveness() {
		l.tryNext(l.newLivenessCheck(evidence))
	}
}

func (l *leg) newLivenessCheck(evidence supervision.Evidence) *livenessCheck {
	v := &l.alive
	v.current = &livenessCheck{evidence: evidence, began: time.Now(), left: l.methods()}
	v.lastCheck, v.checked = v.current.began, true
	return v.current
}

// methods are the ways to ask this service.
func (l *leg) methods() []sip.RequestMethod {
	body, _ := l.c.path.lastSent(l.side)
	var all []sip.RequestMethod
	for _, m := range livenessMethods {
		if l.alive.support[m] == supportNone || m == sip.UPDATE && !l.session.updates || m == sip.INVITE &&
			body == nil {
			continue
		}
		all = append(all, m)
	}
	return all
}

// tryNext sends the next request of a question, or ends the question.
func (l *leg) tryNext(q *livenessCheck) {
	if l.alive.current != q {
		return
	}
	if len(q.left) == 0 && q.silent == 1 && !q.repeated && (!q.answered || q.quiet != sip.OPTIONS) { // there is no second method
		q.left, q.repeated = []sip.RequestMethod{q.quiet}, true
	}
	switch {
	case l.state != legUp || l.clearing:
		l.alive.current = nil
		return
	case len(q.left) == 0:
		l.alive.current = nil // nothing is proved
		if q.lost {
			l.account.noteLost(l)
		}
		return
	case q.left[0] != sip.OPTIONS && l.refreshCollides(q.left[0]):
		l.c.after(l.c.a.times.second, func() { l.tryNext(q) })
		return
	}
	n := &livenessRequest{q: q, m: q.left[0]}
	q.left, q.now = q.left[1:], n
	l.c.after(l.c.a.times.t2, func() { l.askService(n) })
	if n.m == sip.OPTIONS {
		l.send(l.build(n.m), func(res *sip.Response, err error) { l.livenessAnswered(n, codeOf(res, err)) })
		return
	}
	l.refreshBy(n.m, func(code int) { l.livenessAnswered(n, code) })
}

// codeOf is the status code of an answer, 0 for none.
func codeOf(res *sip.Response, err error) int {
	if err != nil {
		return 0
	}
	return res.StatusCode
}

// livenessAnswered takes what was answered to a request; 0 is no answer.
func (l *leg) livenessAnswered(n *livenessRequest, code int) {
	q := n.q
	if l.alive.current != q || q.now != n || l.state != legUp || l.clearing {
		return
	}
	n.answered, q.code = true, code
	switch {
	case code/100 == 2:
		for _, other := range q.refused {
			l.learnSupport(other, supportNone)
		}
		l.alive.current = nil
	case code == sip.StatusCallTransactionDoesNotExists:
		l.unknownTo(q, n.m)
	case code == 0 || code == sip.StatusRequestTimeout:
		q.refused = append(q.refused, n.m)
		l.askService(n)
		l.silence(n)
	default:
		q.refused = append(q.refused, n.m)
		if code == sip.StatusMethodNotAllowed || code == sip.StatusNotImplemented {
			l.learnSupport(n.m, supportNone)
		} else {
			q.answered = true
		}
		l.tryNext(q)
	}
}

// learnSupport notes how the service answers a method. What it once answered with 2xx stays a way to ask.
func (l *leg) learnSupport(m sip.RequestMethod, h methodSupport) {
	switch {
	case l.alive.support[m] == supportConfirmed:
		return
	case l.alive.support == nil:
		l.alive.support = map[sip.RequestMethod]methodSupport{}
	}
	l.alive.support[m] = h
}

// unknownTo takes a 481.
func (l *leg) unknownTo(q *livenessCheck, m sip.RequestMethod) {
	if !slices.Contains(q.unknown, m) {
		q.unknown = append(q.unknown, m)
	}
	sounds := l.c.path.lastHeard(l.side).After(q.began.Add(-l.c.a.times.fresh)) // then only what has to match the dialog counts
	if l.alive.support[m] == supportConfirmed || len(q.unknown) > 1 &&
		!(sounds && slices.Contains(q.left, sip.INVITE)) {
		l.farEndGone(q)
	} else {
		q.refused = append(q.refused, m)
		l.tryNext(q)
	}
}

// silence looks what follows from an inquiry without an answer, once it is known whether the service serves.
func (l *leg) silence(n *livenessRequest) {
	q := n.q
	if l.alive.current != q || q.now != n || !n.answered || n.service == serviceAwaited {
		return
	}
	if n.service == serviceAnswers || q.code == sip.StatusRequestTimeout { // who says 408 is there
		q.silent, q.quiet = q.silent+1, n.m
		q.trusted = q.trusted || l.alive.support[n.m] == supportConfirmed
	} else {
		q.lost = true
	}
	switch {
	case q.silent < 2, !q.trusted && len(q.left) > 0:
		l.tryNext(q)
	case l.c.path.lastHeard(l.side).After(q.began):
		l.alive.current = nil
	default:
		l.farEndGone(q)
	}
}

// askService asks the service for something else than the call, so that its silence can be told from the call's. Only
// an answer counts that comes soon enough for the inquiry to be repeated twice after it: a service that came back too
// late for that has not ignored it.
func (l *leg) askService(n *livenessRequest) {
	if n.service != serviceNotAsked || l.alive.current != n.q || n.q.now != n {
		return
	}
	n.service = serviceAwaited
	a, s, began := l.c.a, l.account, time.Now()
	a.work.start(func() {
		serves := s.answersWithin(a.times.final-3*a.times.t2) || s.spokeSince(began) // it may answer all but this
		l.c.post(func() {
			n.service = serviceSilent
			if serves {
				n.service = serviceAnswers
			}
			l.silence(n)
		})
	})
}

// farEndGone ends a call whose far end is gone.
func (l *leg) farEndGone(q *livenessCheck) {
	l.alive.current = nil
	switch {
	case l.s.ep.Resumed().After(q.began): // what was not heard may wait to be read, and what was heard may be old
		l.checkLiveness(q.evidence)
	case !l.c.exemptFromLiveness():
		l.goneBy(q.evidence, q.code)
	}
}

// checkService looks at what became of a request of ours to the service, as doubt does: it begins a question, and a 481
// counts as the first answer to it.
func (l *leg) checkService(m sip.RequestMethod, code int, since time.Time, evidence supervision.Evidence) {
	silent := code == 0 || code == sip.StatusRequestTimeout
	switch {
	case !silent && code != sip.StatusCallTransactionDoesNotExists,
		silent && l.c.path.lastHeard(l.side).After(since),
		l.alive.current != nil, l.state != legUp, l.clearing, l.c.exemptFromLiveness():
		return
	}
	q := l.newLivenessCheck(evidence)
	if silent || l.s.ep.Resumed().After(since) { // the service may have been lost then, and come back since, or the answer is old
		l.tryNext(q)
		return
	}
	q.code = code
	l.unknownTo(q, m)
}

// noteLost notes that the service answers nobody, not even about a call: its calls are asked when it is back.
func (s *account) noteLost(l *leg) {
	if !l.alive.lost {
		l.alive.lost = true // once a call is enough
		l.c.line.log.Warn("the service does not answer, so nobody knows whether a call is still up; it is asked when the service is back",
			zap.Uint64("call", uint64(l.c.id)))
	}
	s.noteSilent()
}

// inCallbackWindow reports whether the emergency centre may call back on this line: an emergency call is on it, or was
// within the window.
func (l *Line) inCallbackWindow() bool {
	return l.emergencyCalls.any() || l.callbacks.Load() > 0 || int64(time.Since(l.a.epoch)) < l.callbackUntil.Load()
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
				l.checkLiveness(supervision.EvidenceServiceLost)
			}
		})
	}
}

// hasCalls reports whether calls are up that the service would be asked about.
func (s *account) hasCalls() bool {
	return s.line.ordinary.Load() > 0
}
