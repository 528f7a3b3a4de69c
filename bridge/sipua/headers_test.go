package sipua

import (
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/emiago/sipgo/sip"
	"github.com/stretchr/testify/require"

	"clearback/bridge/media"
	"clearback/supervision"
)

// These tests parse and write header fields at the limits of what the standards allow.

// with returns a request with header fields of one name.
func with(name string, values ...string) *sip.Request {
	r := sip.NewRequest(sip.INVITE, sip.Uri{})
	for _, v := range values {
		r.AppendHeader(sip.NewHeader(name, v))
	}
	return r
}

func TestNamesOptions(t *testing.T) {
	require.True(t, hasOption(with("Supported", "timer, 100REL ,x"), "Supported", reliable100))
	require.True(t, hasOption(with("Supported", "timer", "100rel"), "Supported", reliable100))
	require.False(t, hasOption(with("Supported", "100rel2"), "Supported", reliable100))
	require.False(t, hasOption(with("Require", "100rel"), "Supported", reliable100))
}

// RFC 3262 section 7.1: RSeq is a number below 2^32, and has a meaning only if 100rel is required.
func TestRSeq(t *testing.T) {
	for v, want := range map[string]uint32{"7": 7, " 4294967295 ": 4294967295, "4294967296": 0, "x": 0, "": 0} {
		res := sip.NewResponse(180, "Ringing")
		res.AppendHeader(sip.NewHeader("RSeq", v))
		require.Zero(t, rseq(res), v)
		res.AppendHeader(sip.NewHeader("Require", reliable100))
		require.Equal(t, want, rseq(res), v)
	}
}

// RFC 3420: a message/sipfrag about a transfer begins with a status line.
func TestStatusLine(t *testing.T) {
	for in, want := range map[string]string{
		"SIP/2.0 200\r\n":            "SIP/2.0 200 ", // some omit the space before an empty phrase (section 25.1)
		"SIP/2.0 200 OK\r\nX: y\r\n": "SIP/2.0 200 OK", "SIP/2.0 100 Trying": "SIP/2.0 100 Trying",
		"sip/2.0 699 x\n": "SIP/2.0 699 x", "SIP/2.0 180": "SIP/2.0 180 ",
		"SIP/2.0 486 Busy Here now": "SIP/2.0 486 Busy Here now", "SIP/2.0 099 x": "", "SIP/2.0 700 x": "",
		"SIP/2.0 20 x": "", "SIP/2.0 2000 x": "", "SIP/2.0 2x0 y": "",
		"SIP/3.0 200 OK": "", "SIP/2.0": "", "": "", "INVITE sip:a SIP/2.0": "", "SIP/2.0 200 " +
			strings.Repeat("x", 99): "SIP/2.0 200 " + strings.Repeat("x", 80),
	} {
		require.Equal(t, want, statusLine([]byte(in)), in)
	}
}

// RFC 3515 section 2.1, RFC 3891 section 6.1, RFC 3261 section 25.1.
func TestParseReferTo(t *testing.T) {
	for in, want := range map[string]string{
		"<sip:5550151@pbx>":      "sip:5550151@pbx",
		"sip:5550151@pbx;x=y":    "sip:5550151@pbx",
		" sip:5550151@pbx ":      "sip:5550151@pbx",
		`"Bo" <sip:a@b;x=y>;z=1`: "sip:a@b;x=y",
		"<sip:5?5@b>":            "sip:5?5@b",
		"<sip:a@b?Subject=x>":    "sip:a@b",
		"<sip:a@b?replaces=1%3Bto-tag%3D2%3Bfrom-tag%3D3>":                              "sip:a@b replaces {1 2 3 false}",
		"<sip:a@b?X=y&Replaces=1%3Bfrom-tag%3D3%3B%20TO-TAG%20%3D%202%20%3Bearly-only>": "sip:a@b replaces {1 2 3 true}",
		"<sip:a@b":                            "Bad Refer-To",
		"<sip:a b>":                           "Bad Refer-To",
		"<sip:a\"@b>":                         "Bad Refer-To",
		"sip:a>@b":                            "Bad Refer-To",
		"<>":                                  "Bad Refer-To",
		"<sip:a@b?Replaces=%zz>":              "Bad Replaces",
		"<sip:a@b?Replaces=1%3Bto-tag%3D2>":   "Bad Replaces",
		"<sip:a@b?Replaces=1%3Bfrom-tag%3D2>": "Bad Replaces",
		"<sip:a@b?Replaces=%3Bto-tag%3D2%3Bfrom-tag%3D3>": "Bad Replaces",
		"<sip:a@b>, <sip:c@d>":                            "One Refer-To Is Needed",
	} {
		to, fault := readReferTo(with("Refer-To", in))
		got := fault
		if fault == "" {
			got = to.uri.String()
			if r := to.replaces; r != nil {
				got += " replaces {" + r.callID + " " + r.toTag + " " + r.fromTag + " " +
					map[bool]string{true: "true", false: "false"}[r.early] + "}"
			}
		}
		require.Equal(t, want, got, in)
	}
	for _, r := range []*sip.Request{with("Refer-To"), with("Refer-To", "<sip:a@b>", "<sip:a@b>")} {
		_, fault := readReferTo(r)
		require.Equal(t, "One Refer-To Is Needed", fault)
	}
	require.Equal(t, "azAZ09-_.!~*'()%3B%3D%40%20%2F%3A%60%7B%5B%C3%BC", escaped("azAZ09-_.!~*'();=@ /:`{[ü"))
}

func TestHostPort(t *testing.T) {
	for in, want := range map[string]string{
		"sip:a@pbx:5070": "pbx:5070", "sip:pbx": "pbx:5060", "sip:pbx:1": "pbx:1", "sip:pbx;transport=tls": "pbx:5061",
		"sip:pbx;transport=": "pbx:5060",
	} {
		var u sip.Uri
		require.NoError(t, sip.ParseUri(in, &u))
		require.Equal(t, want, hostPort(u, "udp"), in)
	}
}

// The phrases are those of RFC 3261 section 21. Other codes come from the far end and keep its phrase.
func TestPhrases(t *testing.T) {
	for code, want := range map[int]string{
		403: "Forbidden", 408: "Request Timeout", 480: "Temporarily Unavailable", 486: "Busy Here",
		487: "Request Terminated", 502: "Bad Gateway",
		503: "Service Unavailable", 599: "Refused",
	} {
		require.Equal(t, want, reason(code))
	}
	require.Equal(t, "adapter", sideName(media.AdapterSide).String())
	require.Equal(t, "service", sideName(media.ServiceSide).String())
	require.Equal(t, media.ServiceSide, other(media.AdapterSide))
	require.Equal(t, media.AdapterSide, other(media.ServiceSide))
}

// RFC 3326 section 2, and our limits for Reason.
func TestReasonBounds(t *testing.T) {
	for in, want := range map[string]string{
		"SIP;cause=100": "SIP;cause=100", "SIP;cause=699": "SIP;cause=699", "sip;cause=99": "",
		"Q.850;cause=1": "Q.850;cause=1", "q.850;cause=128": "", "x;cause=0": "x;cause=0",
		"x;cause=999": "x;cause=999", "x;cause=1000": "", "x;cause=65536": "",
		"sixteenletters16;cause=1": "sixteenletters16;cause=1", "seventeenletter17;cause=1": "",
		"a-z.AZ09!%*_+`'~;cause=1": "a-z.AZ09!%*_+`'~;cause=1", "a@;cause=1": "", "a{;cause=1": "", "a[;cause=1": "",
		"a/;cause=1": "", "a:;cause=1": "",
		`x;text="a;b";cause=1`: `x;cause=1;text="a;b"`, "x; CAUSE = 5 ; TEXT = hi ": `x;cause=5;text="hi"`,
		`x;cause=1;text=""`: "x;cause=1",
	} {
		require.Equal(t, want, readReason(in), in)
	}
	var all []string
	for _, h := range reasons(with("Reason", "a;cause=1, b;cause=2, bad, c;cause=3", "d;cause=4, e;cause=5")) {
		all = append(all, h.Value())
	}
	require.Equal(t, []string{"a;cause=1", "b;cause=2", "c;cause=3", "d;cause=4"}, all)
	require.Equal(t, []string{"a", ` "b, \" c" `, "d"}, splitQuoted(`a, "b, \" c" ,d`, ','))
	require.Equal(t, []string{`a\`, `b`}, splitQuoted(`a\,b`, ','), "an escape has no meaning outside quotes")
	require.Equal(t, []string{""}, splitQuoted("", ','))
}

func TestPassedHeaderBounds(t *testing.T) {
	passed := func(names []string, from sip.Message) (values []string) {
		to := sip.NewRequest(sip.INVITE, sip.Uri{})
		passHeaders(names, from, to)
		for _, h := range to.Headers() {
			values = append(values, h.Name()+" "+h.Value())
		}
		return values
	}
	x := func(n int) string { return strings.Repeat("x", n) }
	require.Len(t, passed([]string{"Y"}, with("Y", x(512))), 1)
	require.Empty(t, passed([]string{"Y"}, with("Y", x(513))))
	require.Equal(t, []string{"Y a", "Y c b"}, passed([]string{"Y"}, with("Y", "a", "b\x01", "c\tb", "\xff", "d\x7f")))
	require.Len(t, passed([]string{"Y"}, with("Y", x(511), x(511), x(511))), 3, "1,536 octets with their names")
	require.Len(t, passed([]string{"Y"}, with("Y", x(511), x(511), x(512))), 2)
	require.Equal(t, []string{"Y " + x(512), "Y " + x(512), "Y z"},
		passed([]string{"Y"}, with("Y", x(512), x(512), x(510), "z")), "a shorter one still fits")
	require.Equal(t, "aü", boundedText("a\x00ü\u0085\xff", 3))
	require.Equal(t, "a", boundedText("aü", 2))
	require.Equal(t, "aü", boundedText("aüb", 3))
	require.Equal(t, `a\\b`, quotedName(`a\\b`))
	require.Equal(t, `ab`, quotedName(`a"b\`))
}

// A Date counts if its sender's clock was within two seconds of ours. A delay within the last whole second is not late.
// A delay longer than all retransmissions means that a clock was set.
func TestDateAgeBounds(t *testing.T) {
	begin := time.Date(2026, 3, 2, 10, 0, 0, 0, time.UTC)
	by := func(tag string, field, value string) *sip.Request {
		r := with(field, value)
		r.AppendHeader(&sip.FromHeader{Params: sip.HeaderParams{{K: "tag", V: tag}}})
		return r
	}
	said := func(tag string) sip.Message { return by(tag, "Date", begin.Format(rfc1123Date)) }
	var d clockOffset
	require.Zero(t, d.late(said("a"), begin.Add(10*time.Second), time.Minute), "no earlier Date")
	d.learn(by("a", "Subject", "x"), begin)
	d.learn(by("a", "Date", "soon"), begin)
	for _, wrong := range []time.Duration{2*time.Second + 1, -2*time.Second - 1} {
		d.learn(said("a"), begin.Add(wrong))
	}
	require.Empty(t, d.least)
	for _, took := range []time.Duration{2 * time.Second, time.Second, 1500 * time.Millisecond, 2*time.Second + 1} {
		d.learn(said("a"), begin.Add(took))
	}
	d.learn(said("b"), begin.Add(-2*time.Second))
	require.Equal(t, map[string]time.Duration{"a": time.Second, "b": -2 * time.Second}, d.least)
	for after, want := range map[time.Duration]time.Duration{
		time.Second: 0, 2 * time.Second: 0, 2*time.Second + 1: 1, 13 * time.Second: 11 * time.Second,
		34 * time.Second: 32 * time.Second, 34*time.Second + 1: 0,
	} {
		require.Equal(t, want, d.late(said("a"), begin.Add(after), 32*time.Second), after)
	}
	require.Zero(t, d.late(said("c"), begin.Add(10*time.Second), time.Minute), "an unknown clock")
	require.Zero(t, d.late(by("a", "Subject", "x"), begin.Add(10*time.Second), time.Minute))
	res := sip.NewResponse(200, "OK")
	require.Empty(t, peerTag(res))
	res.AppendHeader(&sip.ToHeader{Params: sip.HeaderParams{{K: "tag", V: "a"}}})
	require.Equal(t, "a", peerTag(res))
}

// recorder records the events of a line without a machine.
type recorder struct {
	seen []string
	// posted: something was posted to the mailbox of the call; see [still]
	posted atomic.Bool
}

func (r *recorder) Post(ev supervision.Event) { r.seen = append(r.seen, text(ev)) }

// Each end's clearing is posted once. The far end's is not posted after the near end's. The near end's is posted even
// after the far end's (they may cross). A lost adapter is posted only if nothing was posted before.
func TestEachEndIsReportedOnce(t *testing.T) {
	reports := map[string]func(*call){
		"far":    func(c *call) { c.clearedBy(media.ServiceSide) },
		"near":   func(c *call) { c.clearedBy(media.AdapterSide) },
		"lost":   func(c *call) { c.peerSilent(media.AdapterSide) },
		"silent": func(c *call) { c.peerSilent(media.ServiceSide) },
		"rings":  func(c *call) { c.ringing() },
		"lifts":  func(c *call) { c.nearEndAnswered() },
		"comes":  func(c *call) { c.arrived = true },
	}
	words := map[string]string{
		"far": "1 far end cleared: bye", "near": "1 near end cleared", "lost": "1 adapter lost",
		"silent": "1 far end cleared: service-lost", "rings": "1 ringing", "lifts": "1 answered",
	}
	for _, c := range []struct{ happens, seen string }{
		{"far far silent", "far"}, {"silent far", "silent"}, {"far near near", "far near"}, {"near far silent", "near"},
		{"near lost", "near"}, {"far lost", "far"},
		{"lost far silent near lost", "lost"}, {"rings", ""}, {"comes rings rings", "rings"},
		{"comes lifts rings lifts", "lifts"}, {"comes rings lifts", "rings lifts"},
	} {
		var r recorder
		one := &call{id: 1, line: &Line{o: LineOptions{Events: &r, LifeSafety: true}}} // it is never checked
		one.legs[media.ServiceSide] = &leg{c: one}
		for what := range strings.FieldsSeq(c.happens) {
			reports[what](one)
		}
		var want []string
		for what := range strings.FieldsSeq(c.seen) {
			want = append(want, words[what])
		}
		require.Equal(t, want, r.seen, c.happens)
	}
}

// RFC 3311 section 5.2, RFC 3261 section 14.2: 500 if the side's own offer is open, 491 if the other side's is.
func TestGlareOfOffers(t *testing.T) {
	for name, c := range map[string]struct {
		set  func(l, p *leg)
		want int
	}{
		"nothing":           {func(l, p *leg) {}, 0},
		"own offer":         {func(l, p *leg) { l.offerAnswer.pending = l }, 500},
		"other's offer":     {func(l, p *leg) { l.offerAnswer.pending = p }, 491},
		"own re-INVITE":     {func(l, p *leg) { l.in = &inviteForwarding{} }, 500},
		"own INVITE":        {func(l, p *leg) { l.in = &inviteForwarding{initial: true} }, 0},
		"other's re-INVITE": {func(l, p *leg) { p.in = &inviteForwarding{} }, 491},
		"other's INVITE":    {func(l, p *leg) { p.in = &inviteForwarding{initial: true} }, 0},
		"our re-INVITE":     {func(l, p *leg) { l.out = &inviteForwarding{} }, 491},
		"our INVITE":        {func(l, p *leg) { l.out = &inviteForwarding{initial: true} }, 0},
		"our refresh": {func(l, p *leg) {
			l.session.underWay = &refresh{req: sip.NewRequest(sip.INVITE,
				sip.Uri{})}
		}, 491},
		"our refresh there": {func(l, p *leg) {
			p.session.underWay = &refresh{req: sip.NewRequest(sip.INVITE,
				sip.Uri{})}
		}, 491},
		"our cancelled refresh":       {func(l, p *leg) { l.session.cancelled = &refresh{} }, 491},
		"our cancelled refresh there": {func(l, p *leg) { p.session.cancelled = &refresh{} }, 491},
		"our UPDATE": {func(l, p *leg) {
			l.session.underWay = &refresh{req: sip.NewRequest(sip.UPDATE,
				sip.Uri{})}
		}, 0},
		"our refresh is over": {func(l, p *leg) {
			l.session.underWay = &refresh{req: sip.NewRequest(sip.INVITE, sip.Uri{}), ack: &sip.Request{}}
		}, 0},
	} {
		one := &call{}
		for side := range one.legs {
			one.legs[side] = &leg{c: one, side: media.Side(side), dialog: &dialog{}}
		}
		l := one.legs[0]
		pair(l.dialog, one.legs[1].dialog)
		c.set(l, one.legs[1])
		require.Equal(t, c.want, l.glare(l.dialog), name)
	}
}

// The tests shorten our own times, so this one checks their real values.
func TestDefaultTimes(t *testing.T) {
	require.Equal(t, times{
		t1: 500 * time.Millisecond, t2: 4 * time.Second, final: 32 * time.Second, ringing: 190 * time.Second,
		silence: 4 * time.Second, silenceAfterLoss: 700 * time.Millisecond,
		emergencySilence: 2 * time.Second, recoveryProbe: 10 * time.Second, keepAlive: 20 * time.Second,
		regEvents: 15 * time.Second, lastingConnection: time.Minute, atRestPoll: 5 * time.Second,
		resubscribe: 30 * time.Second, probe: 2 * time.Second, retryAfter: 10 * time.Second,
		clearPerLine: 2 * time.Second, second: time.Second, emergencyLiveness: 5 * time.Minute, sound: 2 * time.Second,
		closeTimeout:       time.Second,
		leave:              20 * time.Second,
		firstLivenessCheck: 10 * time.Second, livenessEvery: 2 * time.Minute, livenessEveryWithMedia: 15 * time.Minute,
		fresh: 10 * time.Second, mediaSilence: 25 * time.Second,
		silenceReport: 5 * time.Minute, recoveryDelay: 30 * time.Second,
	}, defaultTimes())
	for _, c := range []struct{ want, is int }{
		{32, maxForks}, {70, maxForwards}, {8, maxReferrals}, {4, maxIntervals}, {4, maxReasons}, {80, maxPhrase},
		{512, maxPassedValue}, {1536, maxPassed}, {128, maxUser},
		{199, statusEarlyTerminated}, {422, statusIntervalTooSmall},
	} {
		require.Equal(t, c.want, c.is)
	}
	for _, c := range []struct{ want, is time.Duration }{
		{2 * time.Second, clocksAgree}, {500 * time.Millisecond, minAge}, {10 * time.Second, askAgain},
	} {
		require.Equal(t, c.want, c.is)
	}
}

// After a 491 the side that chose the Call-ID waits 2.1 to 4 s, the other up to 2 s, in steps of 10 ms (RFC 3261
// section 14.1).
func TestGlareRetryTimes(t *testing.T) {
	one := &call{a: &Agent{times: defaultTimes()}}
	ours, theirs := &leg{c: one}, &leg{c: one}
	one.first = &inviteForwarding{inviteAttempt: &inviteAttempt{to: ours}, from: theirs}
	for l, want := range map[*leg][2]time.Duration{ours: {2100 * time.Millisecond, 4 * time.Second},
		theirs: {0, 2 * time.Second}} {
		least, most := time.Hour, time.Duration(0)
		for range 10000 { // the chance that one of some 200 steps is missed is 10^-21
			d := l.glareWait()
			require.Zero(t, d%(10*time.Millisecond))
			least, most = min(least, d), max(most, d)
		}
		require.Equal(t, want, [2]time.Duration{least, most})
	}
}

// A configured interval is asked for, but never one below the minimum of RFC 4028. An emergency call asks for none.
func TestRequestedSessionInterval(t *testing.T) {
	for want, o := range map[int]time.Duration{0: 0, 90: time.Second, 91: 91 * time.Second, 1800: 30 * time.Minute} {
		one := &call{line: &Line{o: LineOptions{SessionExpires: o}}}
		require.Equal(t, want, one.sessionInterval())
		one.emergency = true
		require.Zero(t, one.sessionInterval())
	}
}
