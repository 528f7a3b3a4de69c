package sipua

import (
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/emiago/sipgo/sip"
	"github.com/stretchr/testify/require"
	"go.uber.org/zap"

	"clearback/bridge/media"
	"clearback/bridge/sipua/endpoint"
	"clearback/bridge/sipua/sessiontimer"
	"clearback/supervision"
)

// These tests call the parts of a call directly, in each of its states. Code that proceeds where it must do nothing
// fails because there is no network.

// still returns a call that is up on both sides and sends nothing. Functions that are posted to its mailbox do not run.
func still() *call {
	a := &Agent{times: defaultTimes(), epoch: time.Now()}
	seen := &recorder{}
	line := &Line{a: a, log: zap.NewNop(), o: LineOptions{Events: seen}}
	one := &call{a: a, id: 1, line: line}
	one.mailbox = endpoint.NewSerial(func(func()) { seen.posted.Store(true) }, one.failed)
	one.mailbox.Begin()
	for side := range one.legs {
		one.legs[side] = &leg{c: one, side: media.Side(side), state: legUp, transport: "UDP",
			dialog: &dialog{seq: 1, local: &sip.FromHeader{}, remote: &sip.ToHeader{}}}
		one.legs[side].account = &account{line: line, log: line.log}
	}
	pair(one.legs[1].dialog, one.legs[0].dialog)
	one.first = &inviteForwarding{initial: true, from: one.legs[0], inviteAttempt: &inviteAttempt{to: one.legs[1]}}
	return one
}

func header(m sip.Message, name string) string {
	var all []string
	for _, h := range m.GetHeaders(name) {
		all = append(all, h.Value())
	}
	return strings.Join(all, ", ")
}

// RFC 4028 section 7.3: after a 422 the request is sent again with the interval that the 422 names, as long as that
// helps. After that it is sent without an interval.
func TestIntervalTooSmall(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		code                 int
		asked, minSE         string // asked: from the request; minSE: from the response
		raised, known        int
		again                bool
		wantAsked, wantMinSE string
	}{
		"as it says":            {422, "90", "120", 0, 0, true, "120", "120"},
		"with its role":         {422, "90;refresher=uac", "120", 0, 0, true, "120;refresher=uac", "120"},
		"larger before":         {422, "90", "120", 1, 300, true, "300", "300"},
		"no larger":             {422, "90", "90", 0, 0, true, "", ""},
		"one larger":            {422, "90", "91", 0, 0, true, "91", "91"},
		"without a number":      {422, "90", "", 0, 0, true, "", ""},
		"the third time":        {422, "90", "120", 2, 0, true, "120", "120"},
		"the fourth time":       {422, "90", "120", 3, 0, true, "", ""},
		"the fifth time":        {422, "90", "120", 4, 0, false, "90", ""},
		"nothing asked":         {422, "", "120", 0, 0, false, "", ""},
		"another failure":       {423, "90", "120", 0, 0, false, "90", ""},
		"and another":           {421, "90", "120", 0, 0, false, "90", ""},
		"a success, as it were": {200, "90", "120", 0, 0, false, "90", ""},
	} {
		l := still().legs[1]
		l.session.tooSmallCount, l.session.minSE = c.raised, c.known
		req := sip.NewRequest(sip.UPDATE, sip.Uri{})
		req.AppendHeader(&sip.ViaHeader{})
		req.AppendHeader(&sip.FromHeader{})
		req.AppendHeader(&sip.ToHeader{})
		req.AppendHeader(&sip.CSeqHeader{SeqNo: 7, MethodName: sip.UPDATE})
		if c.asked != "" {
			req.AppendHeader(sip.NewHeader("Session-Expires", c.asked))
		}
		res := sip.NewResponse(c.code, "")
		if c.minSE != "" {
			res.AppendHeader(sip.NewHeader("Min-SE", c.minSE))
		}
		require.Equal(t, c.again, l.tooShort(req, res), name)
		require.Equal(t, c.wantAsked, header(req, "Session-Expires"), name)
		require.Equal(t, c.wantMinSE, header(req, "Min-SE"), name)
		if c.again {
			require.EqualValues(t, 8, req.CSeq().SeqNo, name)
			require.EqualValues(t, 8, l.seq, name)
			require.Nil(t, req.Via(), name)
			require.Equal(t, c.raised+1, l.session.tooSmallCount, name)
		} else {
			require.EqualValues(t, 7, req.CSeq().SeqNo, name)
		}
	}
}

// RFC 4028 section 7.1: the session timer header fields of our INVITE and UPDATE.
func TestSessionExpiresInRequests(t *testing.T) {
	t.Parallel()
	const want = 30 * time.Minute
	for name, c := range map[string]struct {
		set     func(*leg)
		side    media.Side
		initial bool
		asked   string
		minSE   string
	}{
		"a call at the service": {func(l *leg) { l.state = legNew }, media.ServiceSide, true, "1800", ""},
		"a call to the adapter": {func(l *leg) { l.state = legNew }, media.AdapterSide, true, "", ""},
		"a change":              {func(*leg) {}, media.ServiceSide, false, "", ""},
		"a change where it is agreed": {func(l *leg) {
			l.session.Session = sessiontimer.Session{Seconds: 100,
				Ours: true}
		}, media.AdapterSide, false, "100;refresher=uac", ""},
		"the peer refreshes": {func(l *leg) { l.session.Session = sessiontimer.Session{Seconds: 100} },
			media.ServiceSide, false, "100;refresher=uas", ""},
		"the peer's side wants more": {func(l *leg) {
			l.session.Session,
				l.session.minSE = sessiontimer.Session{Seconds: 100}, 300
		}, media.ServiceSide, false, "300;refresher=uas", "300"},
		"it wants less": {func(l *leg) {
			l.session.Session,
				l.session.minSE = sessiontimer.Session{Seconds: 100}, 1
		}, media.ServiceSide, false, "100;refresher=uas", "1"},
		"what was agreed before it was": {func(l *leg) {
			l.state, l.session.Session = legCalling,
				sessiontimer.Session{Seconds: 100}
		}, media.AdapterSide, true, "", ""},
		"the shortest": {func(l *leg) { l.session.Session = sessiontimer.Session{Seconds: 1} },
			media.ServiceSide, false, "1;refresher=uas", ""},
		"an emergency call": {func(l *leg) { l.state, l.c.emergency = legNew, true }, media.ServiceSide,
			true, "", ""},
	} {
		l := still().legs[c.side]
		l.c.line.o.SessionExpires = want
		c.set(l)
		req := sip.NewRequest(sip.INVITE, sip.Uri{})
		l.askSession(req, c.initial)
		require.Equal(t, sessionTimer, header(req, "Supported"), name)
		require.Equal(t, c.asked, header(req, "Session-Expires"), name)
		require.Equal(t, c.minSE, header(req, "Min-SE"), name)
	}
}

// A timer runs only for a leg that is up, and only one at a time. It ends with the session. If we refresh, the refresh
// comes before the end.
func TestSessionTimers(t *testing.T) {
	t.Parallel()
	res := sip.NewResponse(200, "OK")
	res.AppendHeader(sip.NewHeader("Session-Expires", "100;refresher=uac"))
	synctest.Test(t, func(t *testing.T) {
		for name, c := range map[string]struct {
			set  func(*leg)
			runs bool
		}{
			"up": {func(*leg) {}, true}, "clearing": {func(l *leg) { l.clearing = true }, false},
			"calling": {func(l *leg) { l.state = legCalling }, false},
			"over":    {func(l *leg) { l.state = legOver }, false},
		} {
			l := still().legs[1]
			c.set(l)
			req, agreed := sip.NewRequest(sip.UPDATE, sip.Uri{}), sip.NewResponse(200, "OK")
			req.AppendHeader(sip.NewHeader("Supported", "timer"))
			req.AppendHeader(sip.NewHeader("Session-Expires", "1;refresher=uac")) // an emergency call may ask for that
			l.agreeSession(req, agreed)
			require.Equal(t, c.runs, l.session.ends != nil, name)
			require.Equal(t, c.runs, header(agreed, "Session-Expires") != "", name)
			l.session.stop()
			l.learnSession(res)
			require.Equal(t, c.runs, l.session.ends != nil, name)
			require.Equal(t, c.runs, l.session.due != nil, name)
			if !c.runs {
				continue
			}
			require.InDelta(t, 100, time.Until(l.session.until).Seconds(), 40, name)
			l.session.tooSmallCount = 3
			l.learnSession(sip.NewResponse(200, "OK"))
			require.Nil(t, l.session.ends, "no interval is in force")
			require.Nil(t, l.session.due)
			require.Zero(t, l.session.tooSmallCount)
			l.refreshIn(time.Second)
			require.Nil(t, l.session.due, "there is no session to refresh")
		}
		for name, set := range map[string]func(*leg){
			"over": func(l *leg) { l.state = legOver }, "clearing": func(l *leg) { l.clearing = true },
			"under way": func(l *leg) { l.session.underWay = &refresh{} },
		} {
			l := still().legs[1]
			l.learnSession(res)
			set(l)
			due := l.session.due
			l.refresh()
			require.Same(t, due, l.session.due, name)
			l.session.stop()
		}
	})
}

// When a lost first service is no longer tried first, and when it is tried again.
func TestLostService(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		a := &Agent{times: defaultTimes(), epoch: time.Now()}
		a.calls = nil
		line := &Line{a: a, log: zap.NewNop()}
		s := &account{line: line, log: line.log}
		line.accounts = []*account{s}
		require.False(t, s.lost())
		require.Equal(t, 4*time.Second, s.silenceLimit())
		<-time.After(time.Minute)
		s.noteNoResponse()
		require.False(t, s.down.Load(), "there is no other service")
		require.EqualValues(t, 1, a.counts.silences.Load())
		require.True(t, s.lost())
		require.Equal(t, 700*time.Millisecond, s.silenceLimit())
		<-time.After(10*time.Second - 1)
		require.True(t, s.lost())
		<-time.After(1)
		require.False(t, s.lost())
		require.Equal(t, 4*time.Second, s.silenceLimit())
		s.noteNoResponse()
		s.noteResponse()
		require.False(t, s.lost())
		require.Zero(t, s.silentUntil.Load())
		s.down.Store(true)
		require.True(t, s.lost())
		s.noteResponse()
		require.False(t, s.lost())
	})
}

// Calls that never pass to another service, and a call that is never checked.
func TestCallStaysAtItsService(t *testing.T) {
	t.Parallel()
	for name, set := range map[string]func(x *inviteForwarding){
		"a change":            func(x *inviteForwarding) { x.initial = false },
		"no other service":    func(x *inviteForwarding) { x.untried = nil },
		"towards the adapter": func(x *inviteForwarding) { x.to.side = media.AdapterSide },
		"clearing":            func(x *inviteForwarding) { x.to.clearing = true },
		"answered":            func(x *inviteForwarding) { x.from.state = legUp },
		"refused":             func(x *inviteForwarding) { x.finalSent = true },
		"ringing":             func(x *inviteForwarding) { x.provisionalSent = true },
	} {
		one := still()
		x := one.first
		x.from.state, x.to.state, x.untried = legIncoming, legCalling, []*account{{}}
		set(x)
		require.False(t, x.failover(), name)
		require.Same(t, one.legs[media.ServiceSide], x.to, name)
	}
	for name, set := range map[string]func(l *leg){
		"over": func(l *leg) { l.state = legOver }, "clearing": func(l *leg) { l.clearing = true },
		"emergency": func(l *leg) { l.c.emergency = true },
		"asked":     func(l *leg) { l.alive.current = &livenessCheck{} },
	} {
		l := still().legs[media.ServiceSide]
		set(l)
		asked := l.alive.current
		l.checkLiveness(supervision.EvidenceServiceLost)
		require.Same(t, asked, l.alive.current, name)
		if l.state == legOver || l.clearing {
			l.scheduleCheck(time.Now())
			require.Nil(t, l.alive.timer, name)
		}
	}
	for code, away := range map[int]bool{401: true, 407: true, 503: true, 404: false, 486: false, 500: false,
		603: false} {
		x := still().first
		require.Equal(t, away, x.serviceRejects(code), code)
		x.to.c.emergency = true
		require.True(t, x.serviceRejects(code), code)
	}
}

// A challenge is answered only if it comes from the service, with 401 or 407.
func TestChallengesThatAreAnswered(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		side media.Side
		code int
		want bool
	}{
		{media.ServiceSide, 401, true}, {media.ServiceSide, 407, true}, {media.ServiceSide, 403, false},
		{media.AdapterSide, 401, false}, {media.AdapterSide, 407, false},
	} {
		l := still().legs[c.side]
		l.account.ServiceAccount = ServiceAccount{User: "5550100", Secret: "limelight"}
		req := sip.NewRequest(sip.INFO, sip.Uri{Scheme: "sip", Host: "pbx.example"})
		req.AppendHeader(&sip.FromHeader{})
		req.AppendHeader(&sip.ToHeader{})
		req.AppendHeader(&sip.CSeqHeader{SeqNo: 7, MethodName: sip.INFO})
		res := sip.NewResponse(c.code, "")
		for _, name := range []string{"WWW-Authenticate", "Proxy-Authenticate"} {
			res.AppendHeader(sip.NewHeader(name, `Digest realm="pbx.example", nonce="n"`))
		}
		require.Equal(t, c.want, l.challenged(req, res), "%+v", c)
		if c.want {
			require.EqualValues(t, 8, l.seq)
		}
		require.False(t, l.challenged(req, res), "the same credentials a second time")
	}
}

// Reliable responses come in order, separately in each dialog (RFC 3262 section 4).
func TestOrderOfReliableResponses(t *testing.T) {
	t.Parallel()
	x := &inviteForwarding{inviteAttempt: &inviteAttempt{}}
	a, b := &dialog{}, &dialog{}
	for i, c := range []struct {
		d    *dialog
		n    uint32
		want bool
	}{{a, 5, true}, {a, 5, false}, {a, 7, false}, {a, 6, true}, {b, 1, true}, {b, 3, false}, {a, 7, true}, {b, 2, true},
		{a, 6, false}} {
		require.Equal(t, c.want, x.inOrder(c.d, c.n), i)
	}
}

// The 200 waits only for the PRACK of a response with a session description (RFC 3262 section 3). In an emergency call
// it waits for no PRACK.
func Test200WaitsForPrack(t *testing.T) {
	t.Parallel()
	described, plain := &provisionalResponse{described: true, reliable: true, res: sip.NewResponse(183, "")},
		&provisionalResponse{reliable: true}
	for name, c := range map[string]struct {
		set   func(x *inviteForwarding, t *reliableProvisionals)
		waits bool
	}{
		"nothing":        {func(*inviteForwarding, *reliableProvisionals) {}, false},
		"unacknowledged": {func(_ *inviteForwarding, t *reliableProvisionals) { t.unacknowledged = described }, true},
		"waiting": {func(_ *inviteForwarding, t *reliableProvisionals) {
			t.unacknowledged, t.waiting = plain, []*provisionalResponse{plain, described}
		}, true},
		"no description": {func(_ *inviteForwarding, t *reliableProvisionals) {
			t.unacknowledged, t.waiting = plain, []*provisionalResponse{plain}
		}, false},
		"not reliable": {func(_ *inviteForwarding, t *reliableProvisionals) {
			t.unacknowledged, t.waiting = plain, []*provisionalResponse{{described: true}}
		}, false},
		"ended": {func(_ *inviteForwarding, t *reliableProvisionals) { t.unacknowledged, t.ended = described, true },
			false},
		"another INVITE": {func(_ *inviteForwarding, t *reliableProvisionals) {
			t.unacknowledged, t.x = described, &inviteForwarding{}
		}, false},
		"emergency": {func(x *inviteForwarding, t *reliableProvisionals) {
			t.unacknowledged, x.from.c.emergency = described, true
		}, false},
	} {
		x := still().first
		d := x.to.dialog
		d.other.provisionals = &reliableProvisionals{x: x, d: d.other}
		c.set(x, d.other.provisionals)
		ran := false
		x.whenAcknowledged(d, func() { ran = true })
		require.Equal(t, !c.waits, ran, name)
		require.Equal(t, c.waits, d.other.provisionals.afterPrack != nil, name)
	}
	x := still().first
	ran := false
	x.whenAcknowledged(x.to.dialog, func() { ran = true })
	require.True(t, ran, "no PRACK is outstanding")
	(*reliableProvisionals)(nil).stop()
}

// A transfer may name a dialog of a call that is up, or of a ringing call if it asks for that (RFC 3891 section 3).
func TestReplacesTargets(t *testing.T) {
	t.Parallel()
	dialogs := func(l *leg) {
		l.tag, l.remote.Params = "ours", sip.HeaderParams{{K: "tag", V: "theirs"}}
		p := l.peer()
		p.tag, p.callID, p.remote.Params, p.target = "ours2", "id2", sip.HeaderParams{{K: "tag", V: "theirs2"}},
			sip.Uri{Scheme: "sip", User: "x", Host: "pbx.example", Headers: sip.HeaderParams{{K: "Subject", V: "free"}}}
	}
	early := replacesHeader{toTag: "ours", fromTag: "theirs", early: true}
	up := replacesHeader{toTag: "ours", fromTag: "theirs"}
	for name, c := range map[string]struct {
		set  func(l *leg)
		of   replacesHeader
		want string
	}{
		"up": {func(*leg) {}, up, "id2;to-tag=theirs2;from-tag=ours2"},
		"ringing": {func(l *leg) { l.state, l.peer().state = legIncoming, legCalling }, early,
			"id2;to-tag=theirs2;from-tag=ours2;early-only"},
		"ringing, whether or not": {func(l *leg) { l.state = legIncoming }, up, "id2;to-tag=theirs2;from-tag=ours2"},
		"up, only if it rings":    {func(*leg) {}, early, ""},
		"over":                    {func(l *leg) { l.state = legOver }, up, ""},
		"clearing":                {func(l *leg) { l.clearing = true }, up, ""},
		"over there":              {func(l *leg) { l.peer().state = legOver }, up, ""},
		"clearing there":          {func(l *leg) { l.peer().clearing = true }, up, ""},
		"another tag":             {func(*leg) {}, replacesHeader{toTag: "other", fromTag: "theirs"}, ""},
		"the other's tag":         {func(*leg) {}, replacesHeader{toTag: "ours", fromTag: "other"}, ""},
		"a fork that ended":       {func(l *leg) { l.over = true }, up, ""},
		"nobody there":            {func(l *leg) { l.other = nil }, up, ""},
		"nobody there says who":   {func(l *leg) { l.peer().remote.Params = nil }, up, ""},
		"one of several that rings": {func(l *leg) {
			one := *l.dialog
			l.early, l.dialog = []*dialog{&one},
				&dialog{}
			l.state = legIncoming
		}, early, "id2;to-tag=theirs2;from-tag=ours2;early-only"},
	} {
		l := still().legs[media.AdapterSide]
		dialogs(l)
		c.set(l)
		at, contact, account := l.dialogAtPeer(&c.of)
		require.Equal(t, c.want, at, name)
		require.Equal(t, c.want != "", contact == "sip:x@pbx.example", name)
		require.Equal(t, c.want != "", account != nil, name)
	}
}

// A NOTIFY belongs to the transfer that it names, or to the first one (RFC 3515 section 2.4.6).
func TestReferralOfNotify(t *testing.T) {
	t.Parallel()
	l := still().legs[1]
	require.Nil(t, l.referral(""))
	for _, seq := range []uint32{7, 10} {
		req := sip.NewRequest(sip.REFER, sip.Uri{})
		req.AppendHeader(&sip.CSeqHeader{SeqNo: seq, MethodName: sip.REFER})
		l.referrals = append(l.referrals, &referral{req: req})
	}
	first, second := l.referrals[0], l.referrals[1]
	require.Same(t, first, l.referral(""))
	require.Same(t, first, l.referral("7"))
	require.Same(t, second, l.referral("10"))
	require.Nil(t, l.referral("8"))
	l.forgetReferral(first)
	require.Equal(t, []*referral{second}, l.referrals)
	l.forgetReferral(first)
	require.Len(t, l.referrals, 1)
}

// A dialog is found by both tags. An RFC 2543 peer has no tag.
func TestDialogMatchesTags(t *testing.T) {
	t.Parallel()
	d := &dialog{tag: "ours"}
	require.False(t, d.matches("ours", ""), "there is no peer yet")
	d.remote = &sip.ToHeader{}
	require.True(t, d.matches("ours", ""))
	require.False(t, d.matches("other", ""))
	d.remote.Params = sip.HeaderParams{{K: "tag", V: "theirs"}}
	require.True(t, d.matches("ours", "theirs"))
	require.False(t, d.matches("ours", ""))
	require.False(t, d.matches("other", "theirs"))
	d.target.Host = "before"
	d.retarget(nil)
	d.retarget(&sip.ContactHeader{Address: sip.Uri{Wildcard: true}})
	require.Equal(t, "before", d.target.Host)
	d.retarget(&sip.ContactHeader{Address: sip.Uri{Host: "after"}})
	require.Equal(t, "after", d.target.Host)
	l := &leg{early: []*dialog{{}, {over: true}, {}}}
	require.Equal(t, 2, l.live())
}

// The destination of a request when the adapter's TCP connection has just closed.
func TestFallbackDestination(t *testing.T) {
	t.Parallel()
	req := sip.NewRequest(sip.BYE, sip.Uri{Scheme: "sip", Host: "192.0.2.1", Port: 5070})
	for _, c := range []struct {
		side            media.Side
		transport, want string
	}{{media.AdapterSide, "TCP", "192.0.2.1:5070"}, {media.AdapterSide, "tcp", "192.0.2.1:5070"},
		{media.AdapterSide, "UDP", ""}, {media.ServiceSide, "TCP", ""}} {
		l := still().legs[c.side]
		l.transport = c.transport
		require.Equal(t, c.want, l.fallbackDest(req), "%+v", c)
	}
}
