package sipua

import (
	"slices"
	"time"

	"github.com/emiago/sipgo/sip"
	"go.uber.org/zap"

	"clearback/bridge/media"
	"clearback/supervision"
)

// This file detects a far end that has vanished without a BYE. Only session timers (RFC 4028) would show it, and most
// services use none. A call on hold looks no different, since the adapter continues to send media. So the service is
// asked about each answered call. Its answer shows:
//
//   - 2xx: the service's leg of the call is up. It does not show whether the far end is still there.
//   - 481: the call is over in two cases. Either the service has answered this method with 2xx in this dialog before,
//     or it answers a second method with 481, and the re-INVITE too while media of the far end arrives. (Some services
//     answer every OPTIONS in a dialog with 481.)
//   - 408 or no answer: the call is over if a second method, sent at once, gets no answer either. This does not count
//     while media of the far end arrives, nor while the service answers nothing at all. Then the service is lost, and
//     not the call. To distinguish the two, OPTIONS outside calls is sent too.
//   - Anything else shows nothing. The next method is tried.
//
// In a call of an earlier process that the service has not confirmed yet, the second method is sent a second after the
// first one. So silence shows within 35 s of the start.
//
// Emergency calls are not checked here: see liveness_emergency.go. Nor are the calls that [call.exemptFromLiveness]
// names.

// livenessMethods are the methods of a check, in the order in which they are tried. UPDATE without an offer changes
// nothing (RFC 3311), nor does OPTIONS in a dialog (RFC 3261 section 11). A re-INVITE may collide with one of the
// peer's.
var livenessMethods = [...]sip.RequestMethod{sip.UPDATE, sip.OPTIONS, sip.INVITE}

// methodSupport is how the service answers a method in this dialog.
type methodSupport uint8

const (
	supportUnknown   methodSupport = iota
	supportConfirmed               // it has been answered with 2xx
	supportNone                    // it was refused in a call that was up, or is not supported
)

// liveness is what is known about whether the far end is still there. It belongs to the service's leg and is owned by
// the call's mailbox.
type liveness struct {
	timer           *time.Timer // the next look; nil: none
	lastCheck       time.Time   // when the last check began; before the first, when the call was answered
	checked         bool        // there was a check
	lost            bool        // the service was found to answer nothing, and that was logged
	support         map[sip.RequestMethod]methodSupport
	current         *livenessCheck // the check in progress; nil: none
	askedSilence    time.Time      // beginning of the last silence that was checked
	reportedSilence time.Time      // beginning of the last silence that was reported
}

// livenessCheck is one check of a call and the answers to it.
type livenessCheck struct {
	evidence       supervision.Evidence // of the clearing if the call turns out to be over
	began          time.Time
	left           []sip.RequestMethod // not yet tried
	refused        []sip.RequestMethod // answered, but not 2xx
	unknown        []sip.RequestMethod // answered with 481
	silent         int                 // requests that got 408 or no answer while the service answered others
	lastUnanswered sip.RequestMethod   // the method of the last of them
	trusted        bool                // the service has answered the method of one of them with 2xx before
	repeated       bool                // lastUnanswered was sent twice, since there is no second method
	answered       bool                // a supported method was refused: the service may ignore every OPTIONS
	serviceLost    bool                // a request got no answer, and the service did not answer others either
	code           int                 // the status code of the last answer
	afterRestart   bool                // it is the check of an adopted call
	eager          bool                // the second request does not wait until the first one has timed out
	awaited        int                 // requests about which nothing is known yet
}

// livenessRequest is one request of a check.
type livenessRequest struct {
	q        *livenessCheck
	m        sip.RequestMethod
	answered bool // the answer has come, or the request timed out
	silent   bool // there was no answer, or 408
	service  serviceState
}

// serviceState is whether the service answers a request outside calls while a check is in progress.
type serviceState uint8

const (
	serviceNotAsked serviceState = iota // no request was sent
	serviceAwaited                      // the answer has not come yet
	serviceAnswers                      // the service answered
	serviceSilent                       // the service did not answer
)

// exemptFromLiveness reports whether the far end of the call is never taken for vanished: in an emergency call, on a
// line that protects life, and during the call-back window of the line. The check of a call after a restart includes
// calls on a line that protects life: the far end's BYE may have been lost.
func (c *call) exemptFromLiveness(afterRestart bool) bool {
	return c.emergency || c.line.o.LifeSafety && !afterRestart || c.line.inCallbackWindow()
}

// watch starts the checks of an answered call.
func (l *leg) watch() {
	switch {
	case l.c.emergency:
		l.c.probeAdapterOnce()
		return
	case l.c.line.o.LifeSafety:
		return
	}
	l.alive.lastCheck = time.Now()
	l.scheduleCheck(l.nextCheck())
}

func (l *leg) scheduleCheck(at time.Time) {
	v := &l.alive
	if v.timer != nil {
		v.timer.Stop()
	}
	if l.state == legOver || l.clearing {
		return
	}
	v.timer = l.c.after(time.Until(at), l.checkIfDue)
}

// stop ends the checks.
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
		if v := l.c.adoption; v != nil {
			v.farKnown = true
		}
	}
	if code != sip.StatusRequestTimeout && code != sip.StatusServiceUnavailable {
		l.account.noteResponse()
	}
}

// quietSince is when the leg's media was last received, or zero if none ever was. If this process stood still after
// that, it is the time when the process resumed: until then it could receive nothing.
func (l *leg) quietSince() time.Time {
	since := l.c.path.quietSince(l.side)
	if at := l.s.ep.Resumed(); !since.IsZero() && at.After(since) {
		return at
	}
	return since
}

// nextCheck is when the next look at the leg is due.
func (l *leg) nextCheck() time.Time {
	v, t := &l.alive, &l.c.a.times
	if !v.checked {
		return v.lastCheck.Add(t.firstLivenessCheck)
	}
	next, last := v.lastCheck.Add(t.livenessEvery), v.lastCheck.Add(t.livenessEveryWithMedia)
	if all := l.methods(); len(all) > 2 && !slices.ContainsFunc(all[:2], l.confirmed) {
		next = next.Add(-t.final) // the check may need a third request
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

// checkIfDue starts a check if one is due.
func (l *leg) checkIfDue() {
	v, now := &l.alive, time.Now()
	since := l.quietSince()
	switch quiet := !since.IsZero() && !since.Equal(v.askedSilence) && now.Sub(since) >= l.c.a.times.mediaSilence; {
	case now.Before(l.nextCheck()):
	case l.c.exemptFromLiveness(false):
		v.lastCheck, v.askedSilence = now, since // the silence is reported once the call is no longer exempt
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
	if next := l.nextCheck(); next.After(now) {
		l.scheduleCheck(next)
	} else {
		l.scheduleCheck(now.Add(l.c.a.times.fresh)) // an earlier check is still in progress
	}
}

// reportFarEndSilent reports that the far end has been silent for that long without a reason, and ends its call if the
// configuration says so. The service's 2xx says nothing about the far end behind it.
func (l *leg) reportFarEndSilent(silent time.Duration) {
	c := l.c
	if l.state != legUp || l.clearing || !c.path.expectsSound() || c.path.mayPause() {
		return
	}
	c.line.log.Warn("the far end has been silent since "+time.Now().Add(-silent).Format("15:04"),
		zap.Uint64("call", uint64(c.id)), zap.Bool("call_ended", c.line.o.ActOnMediaLost))
	c.event(supervision.Event{Kind: supervision.FarEndSilent, Late: silent})
	if c.line.o.ActOnMediaLost {
		l.peerVanishedBy(supervision.EvidenceMediaLost, 0)
	}
}

// checkLiveness asks whether the service still knows the call, unless a check is in progress.
func (l *leg) checkLiveness(evidence supervision.Evidence) {
	l.beginCheck(evidence, false)
}

func (l *leg) beginCheck(evidence supervision.Evidence, afterRestart bool) {
	if l.alive.current == nil && l.state == legUp && !l.clearing && !l.c.exemptFromLiveness(afterRestart) {
		q := l.newLivenessCheck(evidence)
		q.afterRestart = afterRestart
		l.tryNext(q)
	}
}

func (l *leg) newLivenessCheck(evidence supervision.Evidence) *livenessCheck {
	v := &l.alive
	v.current = &livenessCheck{evidence: evidence, began: time.Now(), left: l.methods()}
	v.lastCheck, v.checked = v.current.began, true
	if q := v.current; l.c.adoption != nil && !l.c.adoption.farKnown {
		q.eager = true
		if len(q.left) > 2 && !slices.ContainsFunc(q.left[:2], l.confirmed) {
			q.left = q.left[1:] // the re-INVITE is needed, and could not be sent during UPDATE
		}
	}
	return v.current
}

// confirmed reports whether the service has answered the method with 2xx in this dialog.
func (l *leg) confirmed(m sip.RequestMethod) bool { return l.alive.support[m] == supportConfirmed }

// methods are the methods that can be used with this service.
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

// tryNext sends the next request of a check, or ends the check.
func (l *leg) tryNext(q *livenessCheck) {
	if l.alive.current != q || len(q.left) == 0 && q.awaited > 0 {
		return
	}
	// there is no second method
	if len(q.left) == 0 && q.silent == 1 && !q.repeated && (!q.answered || q.lastUnanswered != sip.OPTIONS) {
		q.left, q.repeated = []sip.RequestMethod{q.lastUnanswered}, true
	}
	switch {
	case len(q.left) == 0:
		l.alive.current = nil // the check proves nothing
		if q.serviceLost {
			l.account.noteLost(l)
		}
		return
	case q.left[0] != sip.OPTIONS && l.refreshCollides(q.left[0]):
		l.c.after(l.c.a.times.second, func() { l.tryNext(q) })
		return
	}
	n := &livenessRequest{q: q, m: q.left[0]}
	q.left, q.awaited = q.left[1:], q.awaited+1
	l.c.after(l.c.a.times.t2, func() {
		if !n.answered {
			l.askService(n)
		}
	})
	if q.eager {
		l.c.after(l.c.a.times.second, func() { l.hurry(n) })
	}
	if n.m == sip.OPTIONS {
		l.send(l.build(n.m), func(res *sip.Response, err error) { l.livenessAnswered(n, codeOf(res, err)) })
		return
	}
	l.refreshBy(n.m, func(code int) { l.livenessAnswered(n, code) })
}

// hurry sends the second request of an eager check if the first one has not been answered. This is the next one, or
// OPTIONS again if there is no other method.
func (l *leg) hurry(n *livenessRequest) {
	q := n.q
	if n.answered || q.awaited > 1 {
		return
	}
	if n.m == sip.OPTIONS && len(q.left) == 0 && !q.repeated && !q.answered {
		q.left, q.repeated = []sip.RequestMethod{n.m}, true
	}
	l.tryNext(q)
}

// codeOf is the status code of a response, or 0 if there is none.
func codeOf(res *sip.Response, err error) int {
	if err != nil {
		return 0
	}
	return res.StatusCode
}

// livenessAnswered takes the answer to a request; 0 means no answer.
func (l *leg) livenessAnswered(n *livenessRequest, code int) {
	q := n.q
	if l.alive.current != q {
		return
	}
	n.answered, q.code = true, code
	n.silent = code == 0 || code == sip.StatusRequestTimeout
	if !n.silent {
		q.awaited--
	}
	switch {
	case code/100 == 2:
		for _, other := range q.refused {
			l.learnSupport(other, supportNone)
		}
		l.alive.current = nil
	case code == sip.StatusCallTransactionDoesNotExists:
		l.unknownTo(q, n.m)
	case n.silent:
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

// learnSupport notes how the service answers a method. A method that was once answered with 2xx stays confirmed.
func (l *leg) learnSupport(m sip.RequestMethod, h methodSupport) {
	switch {
	case l.alive.support[m] == supportConfirmed:
		return
	case l.alive.support == nil:
		l.alive.support = map[sip.RequestMethod]methodSupport{}
	}
	l.alive.support[m] = h
}

// unknownTo handles a 481.
func (l *leg) unknownTo(q *livenessCheck, m sip.RequestMethod) {
	if !slices.Contains(q.unknown, m) {
		q.unknown = append(q.unknown, m)
	}
	// while media arrives, only a re-INVITE proves anything: it has to match the dialog
	sounds := l.c.path.lastHeard(l.side).After(q.began.Add(-l.c.a.times.fresh))
	if l.confirmed(m) || len(q.unknown) > 1 && !(sounds && slices.Contains(q.left, sip.INVITE)) {
		l.farEndGone(q)
	} else {
		q.refused = append(q.refused, m)
		l.tryNext(q)
	}
}

// silence draws the conclusion from a request without an answer, once it is known whether the service answers others.
func (l *leg) silence(n *livenessRequest) {
	q := n.q
	if l.alive.current != q || !n.silent || n.service == serviceAwaited {
		return
	}
	q.awaited--
	if n.service == serviceAnswers || q.code == sip.StatusRequestTimeout { // the sender of a 408 is reachable
		q.silent, q.lastUnanswered = q.silent+1, n.m
		q.trusted = q.trusted || l.confirmed(n.m)
	} else {
		q.serviceLost = true
	}
	switch {
	case q.awaited > 0: // the other one decides
	case q.silent < 2, !q.trusted && len(q.left) > 0:
		l.tryNext(q)
	case l.c.line.o.LifeSafety, l.c.path.lastHeard(l.side).After(q.began): // only a 481 ends a call that protects life
		l.alive.current = nil
	default:
		l.farEndGone(q)
	}
}

// askService sends the service a request outside calls, to distinguish a silent service from a lost call. An answer
// counts only if it comes early enough for two more requests of the check: a service that returns later than that has
// not ignored the check.
func (l *leg) askService(n *livenessRequest) {
	if n.service != serviceNotAsked || l.alive.current != n.q {
		return
	}
	n.service = serviceAwaited
	a, s, began := l.c.a, l.account, time.Now()
	a.work.start(func() {
		serves := s.answersWithin(a.times.final-3*a.times.t2) || s.messageSince(began) // it may ignore only this request
		l.c.post(func() {
			n.service = serviceSilent
			if serves {
				n.service = serviceAnswers
			}
			l.silence(n)
		})
	})
}

// farEndGone ends a call whose far end has vanished.
func (l *leg) farEndGone(q *livenessCheck) {
	l.alive.current = nil
	switch {
	// an answer may still wait to be read, and what was received may be old
	case l.s.ep.Resumed().After(q.began):
		l.beginCheck(q.evidence, q.afterRestart)
	case !l.c.exemptFromLiveness(q.afterRestart):
		l.peerVanishedBy(q.evidence, q.code)
	}
}

// noteLost notes that the service answers nothing at all. Its calls are checked when it is back.
func (s *account) noteLost(l *leg) {
	if !l.alive.lost {
		l.alive.lost = true // once a call is enough
		l.c.line.log.Warn("the service does not answer, so it is unknown whether a call is still up; the call will be checked when the service is back",
			zap.Uint64("call", uint64(l.c.id)))
	}
	s.noteNoResponse()
}

// inCallbackWindow reports whether the emergency centre may call back on this line: an emergency call or a call-back is
// up, or ended within the window.
func (l *Line) inCallbackWindow() bool {
	return l.emergencyCalls.any() || l.callbacks.Load() > 0 || int64(time.Since(l.a.epoch)) < l.callbackUntil.Load()
}

// askCalls checks each answered call at the service. It runs some time after the service came back, so that a restarted
// service has had time to restore its own calls.
func (s *account) askCalls() {
	for _, c := range s.line.a.up() {
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
