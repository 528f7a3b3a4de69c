package sipua

import (
	"errors"
	"testing"
	"testing/synctest"
	"time"

	"github.com/emiago/sipgo/sip"
	"github.com/stretchr/testify/require"

	"clearback/bridge/media"
	"clearback/bridge/sipua/endpoint"
	"clearback/bridge/sipua/sessiontimer"
	"clearback/supervision"
)

// Handlers that are called too late do nothing. A handler that proceeds even so fails because there is no network, or
// shows in the events.
func TestLateCallsOfHandlersDoNothing(t *testing.T) {
	t.Parallel()
	ok, busy, ringing := sip.NewResponse(200, "OK"), sip.NewResponse(486, "Busy Here"), sip.NewResponse(180, "Ringing")
	for name, f := range map[string]func(x *inviteForwarding){
		"a failure after the final response": func(x *inviteForwarding) { x.finalSent = true; x.reject(busy) },
		"a refusal after it":                 func(x *inviteForwarding) { x.finalSent = true; x.refuse(480) },
		"a CANCEL after it":                  func(x *inviteForwarding) { x.finalSent = true; x.handleCancel(0) },
		"our CANCEL of what was not sent":    func(x *inviteForwarding) { x.cancel() },
		"no answer to what was answered":     func(x *inviteForwarding) { x.endTransaction(); x.failed(errors.New("late")) },
		"a rejection after it": func(x *inviteForwarding) {
			x.endTransaction()
			x.response(endpoint.Response{Response: busy})
		},
		"Timer C of it":               func(x *inviteForwarding) { x.endTransaction(); x.timerCFired() },
		"silence of it":               func(x *inviteForwarding) { x.endTransaction(); x.serviceSilent() },
		"silence of who was heard":    func(x *inviteForwarding) { x.heard = true; x.serviceSilent() },
		"silence towards who is gone": func(x *inviteForwarding) { x.from.state = legOver; x.serviceSilent() },
		"an ACK of nothing":           func(x *inviteForwarding) { x.acknowledge(nil, nil) },
		"a second ACK": func(x *inviteForwarding) {
			x.won, x.answeredTag, x.acks = true, "a", map[string]*sip.Request{"a": {}}
			x.acknowledge(nil, nil)
		},
		"a provisional response of what ended": func(x *inviteForwarding) { x.endTransaction(); x.provisional(ringing) },
		"a 199 of nobody":                      func(x *inviteForwarding) { x.handleEarlyTerminated(nil, ringing, 1) },
		"a 199 in a change": func(x *inviteForwarding) {
			x.initial = false
			x.handleEarlyTerminated(x.to.dialog,
				ringing, 1)
		},
		"a repeat of what was acknowledged": func(x *inviteForwarding) { x.answerAgain() },
		"a repeat towards who is gone": func(x *inviteForwarding) {
			x.from.in, x.from.state = x,
				legOver
			x.answerAgain()
		},
		"an offer twice": func(x *inviteForwarding) { x.to.c.arrived = true; x.passToAdapter() },
		"an offer of what is being cleared": func(x *inviteForwarding) {
			x.to.c.arrived, x.to.state, x.to.clearing = true, legNew, true
			x.passToAdapter()
		},
		"an offer of the adapter's own": func(x *inviteForwarding) { x.to.state = legNew; x.passToAdapter() },
		"a call that was passed on":     func(x *inviteForwarding) { x.from.state = legIncoming; x.passToService() },
		"a call that is answered":       func(x *inviteForwarding) { x.to.state = legNew; x.passToService() },
		"a refusal of what was offered": func(x *inviteForwarding) { x.to.c.refuse(486) },
		"the end of a leg that is over": func(x *inviteForwarding) {
			x.to.state, x.to.answer = legOver, supervision.AnswerConfirmed
			x.to.finish(supervision.AnswerNone)
		},
		"a clearing twice":             func(x *inviteForwarding) { x.to.clearing = true; x.to.clear() },
		"a clearing of what is over":   func(x *inviteForwarding) { x.to.state = legOver; x.to.clear() },
		"the end of a call that is up": func(x *inviteForwarding) { x.to.c.releaseIfEnded() },
		"the end of a call half up":    func(x *inviteForwarding) { x.to.state = legOver; x.to.c.releaseIfEnded() },
		"the end of a call half over":  func(x *inviteForwarding) { x.from.state = legOver; x.to.c.releaseIfEnded() },
		"the end of a call twice": func(x *inviteForwarding) {
			x.from.state, x.to.state, x.to.c.done = legOver, legOver, true
			x.to.c.releaseIfEnded()
		},
		"a session of a leg that is over":  func(x *inviteForwarding) { x.to.state = legOver; x.to.sessionExpired(0) },
		"a session of a leg being cleared": func(x *inviteForwarding) { x.to.clearing = true; x.to.sessionExpired(0) },
		"silence of a leg that is over": func(x *inviteForwarding) {
			x.to.c.path.sentDescriptions[0].body, x.to.c.path.sentDescriptions[1].body = []byte(near()), []byte(far())
			x.to.state = legOver
			x.to.reportFarEndSilent(time.Hour)
		},
		"silence of a leg being cleared": func(x *inviteForwarding) {
			x.to.c.path.sentDescriptions[0].body, x.to.c.path.sentDescriptions[1].body = []byte(near()), []byte(far())
			x.to.clearing = true
			x.to.reportFarEndSilent(time.Hour)
		},
		"a refresh that nobody waits for": func(x *inviteForwarding) {
			(&refresh{l: x.to}).outcome(nil,
				errors.New("late"))
		},
		"a refresh of a leg that is over": func(x *inviteForwarding) {
			x.to.session.underWay = &refresh{l: x.to}
			x.to.state = legOver
			x.to.session.underWay.outcome(nil, errors.New("late"))
		},
		"a refresh of a leg being cleared": func(x *inviteForwarding) {
			x.to.session.underWay = &refresh{l: x.to}
			x.to.clearing = true
			x.to.session.underWay.outcome(nil, errors.New("late"))
		},
		"a repeat of what was taken": func(x *inviteForwarding) {
			(&reliableProvisionals{x: x, d: x.from.dialog}).repeat(&provisionalResponse{})
		},
		"a repeat of a fork that ended": func(x *inviteForwarding) {
			one := &provisionalResponse{}
			(&reliableProvisionals{x: x, d: x.from.dialog, unacknowledged: one, ended: true}).repeat(one)
		},
		"a repeat of the 200 whose ACK waits": func(x *inviteForwarding) { x.won = true; x.success(ok) },
	} {
		one := still()
		ok.RemoveHeader("To")
		ok.AppendHeader(&sip.ToHeader{})
		require.NotPanics(t, func() { f(one.first) }, name)
		require.Empty(t, one.line.o.Events.(*recorder).seen, name)
		require.Zero(t, one.a.counts.silences.Load(), name)
		require.Nil(t, one.legs[1].out, name)
		require.False(t, one.line.o.Events.(*recorder).posted.Load(), name)
	}
}

// The outcome of a clearing is posted once, and only if it was requested.
func TestOutcomeIsReportedOnce(t *testing.T) {
	t.Parallel()
	one := still()
	l, seen := one.legs[media.AdapterSide], one.line.o.Events.(*recorder)
	l.answer = supervision.AnswerConfirmed
	l.reportCleared()
	require.Empty(t, seen.seen)
	l.report = true
	l.reportCleared()
	l.reportCleared()
	require.Equal(t, []string{"1 adapter leg cleared: confirmed"}, seen.seen)
}

// How a leg ended first is what is reported, also to who asks for it after a second end: a BYE of ours that crossed the
// adapter's has its answer, or none, later.
func TestFirstOutcomeCounts(t *testing.T) {
	t.Parallel()
	one := still()
	l, seen := one.legs[media.AdapterSide], one.line.o.Events.(*recorder)
	l.finish(supervision.AnswerConfirmed)
	l.finish(supervision.AnswerNone)
	l.report = true
	l.clear()
	require.Equal(t, []string{"1 adapter leg cleared: confirmed"}, seen.seen)
}

// An expired session ends the call. In an emergency call the session starts again instead (RFC 4028 section 10).
func TestSessionTimerExpiry(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		for side, want := range map[media.Side]string{media.ServiceSide: "1 far end cleared: session-expired",
			media.AdapterSide: "1 adapter lost"} {
			for _, emergency := range []bool{false, true} {
				one := still()
				one.emergency = emergency
				l, seen := one.legs[side], one.line.o.Events.(*recorder)
				l.beginSession(sessiontimer.Session{Seconds: 100})
				ends := l.session.ends
				// its BYE waits
				l.in = &inviteForwarding{initial: true, from: l, inviteAttempt: &inviteAttempt{to: l.peer()}}
				l.sessionExpired(0)
				if emergency {
					require.Empty(t, seen.seen)
					require.False(t, l.clearing)
					require.NotNil(t, l.session.ends)
					require.NotSame(t, ends, l.session.ends)
					l.session.stop()
					continue
				}
				require.Equal(t, []string{want}, seen.seen)
				require.True(t, l.clearing && l.byeWaits)
				require.Nil(t, l.session.ends)
			}
		}
	})
}

// The delay after a refused refresh: what the peer asks for, but at most half of the remaining time. If only the method
// was refused, there is no delay.
func TestRefreshRetryTimes(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		for name, c := range map[string]struct {
			code    int
			headers []string
			left    time.Duration
			want    time.Duration
		}{
			"half of what is left": {486, nil, 100 * time.Second, 50 * time.Second},
			"a second at least":    {486, nil, time.Second, time.Second},
			"what the peer asks for": {500, []string{"10"}, 100 * time.Second, 10*time.Second +
				100*time.Millisecond},
			"no more than half": {500, []string{"60"}, 100 * time.Second, 50 * time.Second},
			"nothing":           {500, []string{" 0 "}, 100 * time.Second, 100 * time.Millisecond},
			"less than nothing": {500, []string{"-1"}, 100 * time.Second, 50 * time.Second},
			"nonsense":          {500, []string{"soon"}, 100 * time.Second, 50 * time.Second},
			"without a word":    {500, nil, 100 * time.Second, 50 * time.Second},
			"an hour at most": {500, []string{"99999999"}, 10 * time.Hour, time.Hour +
				100*time.Millisecond},
			"another failure that asks so": {503, []string{"10"}, 100 * time.Second, 50 * time.Second},
		} {
			one := still()
			l := one.legs[media.ServiceSide]
			l.session.ends, l.session.until = time.NewTimer(time.Hour*20), time.Now().Add(c.left)
			req := sip.NewRequest(sip.INVITE, sip.Uri{})
			res := sip.NewResponse(c.code, "")
			for _, v := range c.headers {
				res.AppendHeader(sip.NewHeader("Retry-After", v))
			}
			l.refreshAgain(&refresh{l: l, req: req}, res)
			posted := &one.line.o.Events.(*recorder).posted
			<-time.After(c.want - 1)
			synctest.Wait()
			require.False(t, posted.Load(), name)
			<-time.After(1)
			synctest.Wait()
			require.True(t, posted.Load(), name)
			l.session.stop()
		}
	})
}

// A refresh by re-INVITE waits for every other exchange in progress on either side (RFC 4028 section 7.4).
func TestRefreshWaits(t *testing.T) {
	t.Parallel()
	for name, set := range map[string]func(l, p *leg){
		"their change":     func(l, _ *leg) { l.in = &inviteForwarding{} },
		"our change":       func(l, _ *leg) { l.out = &inviteForwarding{} },
		"a change there":   func(_, p *leg) { p.in = &inviteForwarding{} },
		"a change thither": func(_, p *leg) { p.out = &inviteForwarding{} },
		"an open offer":    func(l, p *leg) { l.offerAnswer.pending = p },
		"a refresh there": func(_, p *leg) {
			p.session.underWay = &refresh{req: sip.NewRequest(sip.INVITE,
				sip.Uri{})}
		},
		"a cancelled refresh":       func(l, _ *leg) { l.session.cancelled = &refresh{} },
		"a cancelled refresh there": func(_, p *leg) { p.session.cancelled = &refresh{} },
	} {
		one := still()
		l := one.legs[media.ServiceSide]
		one.path.sentDescriptions[media.ServiceSide].body = []byte("v=0\r\n")
		l.session.ends = time.NewTimer(time.Hour)
		set(l, l.peer())
		l.refresh()
		require.NotNil(t, l.session.due, name)
		require.Nil(t, l.session.underWay, name)
		l.session.stop()
	}
}
