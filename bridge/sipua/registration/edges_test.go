package registration

import (
	"context"
	"errors"
	"fmt"
	"net/netip"
	"strings"
	"testing"
	"time"

	"github.com/emiago/sipgo/sip"
	"github.com/stretchr/testify/require"

	"clearback/bridge/sipua/endpoint"
)

// The other tests use our numbers by name. This test repeats their values, so that none changes by mistake.
func TestConstants(t *testing.T) {
	t.Parallel()
	const s = time.Second
	for _, c := range []struct{ want, is time.Duration }{
		{60 * s, minExpires}, {3600 * s, defaultExpires}, {120 * s, maxExpires}, {s, unregisterTimeout},
		{2 * s, firstRetry}, {60 * s, lastRetry}, {300 * s, slowRetry},
		{3600 * s, maxRetryAfter}, {10 * s, lead}, {300 * s, nonceLife}, {s, firstWait}, {60 * s, longestWait},
		{900 * s, forgetFailures}, {60 * s, refusedEvery},
	} {
		require.Equal(t, c.want, c.is)
	}
	for _, c := range []struct{ want, is int }{
		{5, freeFailures}, {48, usersPerHost}, {30, sharedFailures}, {8192, maxLoginSources}, {12, nonceSalt},
		{16, nonceMAC}, {36, nonceLen}, {64, maxLoggedUser},
	} {
		require.Equal(t, c.want, c.is)
	}
}

func TestParseDeltaSeconds(t *testing.T) {
	t.Parallel()
	for in, want := range map[string]int64{"0": 0, " 60 ": 60, "3000000000": 3000000000, "4294967295": 4294967295,
		"4294967296": 4294967295, "99999999999999999999": 4294967295, "-1": -1, "-99999999999999999999": -1, "": -1,
		"x": -1, "1.5": -1} {
		d, ok := seconds(in)
		require.Equal(t, want >= 0, ok, in)
		require.Equal(t, time.Duration(max(want, 0))*time.Second, d, in)
	}
}

// registering returns a REGISTER with these header fields.
func registering(t *testing.T, lines ...string) *sip.Request {
	t.Helper()
	m, err := sip.NewParser().ParseSIP([]byte("REGISTER sip:x SIP/2.0\r\n" + strings.Join(append(lines, ""), "\r\n") +
		"\r\n"))
	require.NoError(t, err)
	return m.(*sip.Request)
}

// bindingRequestOf returns what a REGISTER asks for (RFC 3261 sections 10.2 and 10.3).
func TestBindingRequest(t *testing.T) {
	t.Parallel()
	const s = time.Second
	a, b := "Contact: <sip:a@192.0.2.1>", "Contact: <sip:b@192.0.2.2>"
	for _, c := range []struct {
		lines   []string
		user    string
		expires time.Duration
		code    int
	}{
		{[]string{a}, "a", 120 * s, 0},
		{[]string{a, "Expires: 60"}, "a", 60 * s, 0}, {[]string{a, "Expires: 59"}, "", 0, 423},
		{[]string{a, "Expires: 0"}, "a", 0, 0}, {[]string{a, "Expires: 1"}, "", 0, 423},
		{[]string{a, "Expires: 120"}, "a", 120 * s, 0}, {[]string{a, "Expires: 119"}, "a", 119 * s, 0},
		{[]string{a, "Expires: x"}, "a", 120 * s, 0},
		{[]string{a + ";expires=70", "Expires: 90"}, "a", 70 * s, 0},
		{[]string{a + ";expires=x", "Expires: 90"}, "a", 90 * s, 0},
		{[]string{a, b}, "a", 120 * s, 0}, {[]string{a + ";q=0.5", b}, "b", 120 * s, 0},
		{[]string{a + ";q=0.5", b + ";q=0.5"}, "a", 120 * s, 0},
		{[]string{a + ";q=2", b + ";q=0.9"}, "a", 120 * s, 0}, {[]string{b, a + ";q=1.5"}, "b", 120 * s, 0},
		{[]string{a + ";q=-1", b + ";q=0.9"}, "a", 120 * s, 0}, {[]string{a + ";q=0", b + ";q=1"}, "b", 120 * s, 0},
		{[]string{a + ";expires=0", b + ";q=0"}, "b", 120 * s, 0},
		{[]string{b + ";q=0", a + ";expires=0"}, "b", 120 * s, 0},
		{[]string{a + ";expires=0", b + ";expires=0"}, "a", 0, 0},
		{[]string{"Contact: *", "Expires: 0"}, "everything", 0, 0}, {[]string{"Contact: *", "Expires: 1"}, "", 0, 400},
		{[]string{"Contact: *"}, "", 0, 400},
		{[]string{a, "Contact: *", "Expires: 0"}, "", 0, 400}, {[]string{"Expires: 60"}, "query", 0, 0},
	} {
		w, code, _ := bindingRequestOf(registering(t, c.lines...))
		user := w.contact.User
		switch {
		case w.everything:
			user = "everything"
		case w.query:
			user = "query"
		}
		require.Equal(t, []any{c.user, c.expires, c.code}, []any{user, w.expires, code}, "%q", c.lines)
	}
}

func uri(t *testing.T, s string) sip.Uri {
	t.Helper()
	var u sip.Uri
	require.NoError(t, sip.ParseUri(s, &u))
	return u
}

// sameAddress compares what leads to the same device (RFC 3261 section 19.1.4); fixedBinding returns the destination of
// a fixed contact.
func TestSameAddress(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		a, b string
		want bool
	}{
		{"sip:x@box.test", "sip:x@BOX.test:5060", true}, {"sip:x@box.test", "sip:x@box.test;transport=UDP", true},
		{"sip:x@box.test", "sip:X@box.test", false},
		{"sip:x@box.test", "sip:x@box.test:5061", false}, {"sip:x@box.test", "sip:x@box.test;transport=tcp", false},
		{"sip:x@box.test", "sip:x@other.test", false},
	} {
		require.Equal(t, c.want, sameAddress(uri(t, c.a), uri(t, c.b)), "%+v", c)
	}
	for in, want := range map[int]int{0: 5060, -1: 5060, 1: 1, 65535: 65535, 65536: 5060} {
		require.Equal(t, want, portOf(sip.Uri{Port: in}), in)
	}
	for in, want := range map[string]string{
		"sip:x@192.0.2.1": "192.0.2.1:5060 UDP", "sip:x@192.0.2.1:5070;transport=tcp": "192.0.2.1:5070 TCP",
		"sip:x@[2001:db8::1]": "[2001:db8::1]:5060 UDP",
		"sip:x@box.test":      "invalid AddrPort UDP", "sip:x@192.0.2.1;transport=": "192.0.2.1:5060 UDP",
	} {
		b := fixedBinding(uri(t, in))
		require.Equal(t, want, b.Destination.String()+" "+b.Transport, in)
		require.EqualValues(t, 1, b.Generation)
	}
}

// A REGISTER changes the generation of a binding if the Call-ID, the Contact, the destination or the transport is
// different. Removing the binding and querying it do not.
func TestBindingChanged(t *testing.T) {
	t.Parallel()
	now := time.Now()
	registrar := newRegistrar(RegistrarOptions{}, func() time.Time { return now })
	type wished struct{ callID, contact, from, transport string }
	was := wished{"boot-1", "sip:x@box.test", "192.0.2.1:4000", "UDP"}
	take := func(a *account, seq uint32, w wished, what bindingRequest) (changed, ok bool) {
		r := sip.NewRequest(sip.REGISTER, sip.Uri{})
		id := sip.CallIDHeader(w.callID)
		r.AppendHeader(&id)
		r.AppendHeader(&sip.CSeqHeader{SeqNo: seq, MethodName: sip.REGISTER})
		r.SetTransport(w.transport)
		what.contact = uri(t, w.contact)
		changed, _, ok = registrar.apply(a, &endpoint.Request{Request: r, From: netip.MustParseAddrPort(w.from)}, what)
		return changed, ok
	}
	for next, want := range map[wished]bool{
		was: false,
		{"boot-2", was.contact, was.from, was.transport}:           true,
		{was.callID, "sip:y@box.test", was.from, was.transport}:    true,
		{was.callID, was.contact, "192.0.2.1:4001", was.transport}: true,
		{was.callID, was.contact, was.from, "TCP"}:                 true,
		{was.callID, "sip:x@BOX.test:5060", was.from, "udp"}:       false,
		{was.callID, "sip:x@192.0.2.1:4000", was.from, "UDP"}:      true,
		{was.callID, was.contact, "192.0.2.2:4000", was.transport}: true,
		{"boot-2", "sip:y@box.test", "192.0.2.2:4000", "TCP"}:      true,
	} {
		a := &account{}
		changed, ok := take(a, 7, was, bindingRequest{expires: minExpires})
		require.True(t, changed && ok)
		require.EqualValues(t, 1, a.binding.Generation)
		changed, ok = take(a, 8, next, bindingRequest{expires: minExpires})
		require.True(t, ok)
		require.Equal(t, want, changed, "%+v", next)
		require.Equal(t, want, a.binding.Generation == 2, "%+v", next)
		for _, none := range []bindingRequest{{query: true}, {}, {everything: true}} {
			changed, ok = take(a, 9, next, none)
			require.Equal(t, []bool{false, true}, []bool{changed, ok}, "%+v", none)
			require.Equal(t, none.query, now.Before(a.binding.Expires))
			if none.query {
				continue
			}
			_, ok = take(a, 9, next, bindingRequest{expires: minExpires})
			require.False(t, ok, "the number of the removal")
			changed, ok = take(a, 10, next, bindingRequest{expires: minExpires}) // the binding had been removed
			require.Equal(t, []bool{false, true}, []bool{changed, ok})
			changed, ok = take(a, 10, next, none)
			require.Equal(t, []bool{false, false}, []bool{changed, ok}, "an old number")
			a.cseq = 8
		}
	}
	a := &account{}
	take(a, 1, was, bindingRequest{expires: minExpires})
	_, ok := take(a, 2, wished{was.callID, "sip:y@box.test", was.from, was.transport}, bindingRequest{})
	require.True(t, ok)
	require.True(t, now.Before(a.binding.Expires), "it was another Contact")
}

// requestDestination returns the destination of requests to an adapter that registered.
func TestRequestDestination(t *testing.T) {
	t.Parallel()
	for _, c := range []struct{ transport, contact, want string }{
		{"UDP", "sip:x@192.0.2.1:5070", "192.0.2.1:5070"}, {"UDP", "sip:x@192.0.2.2:5070", "192.0.2.1:4000"},
		{"UDP", "sip:x@box.test:5070", "192.0.2.1:4000"},
		{"UDP", "sip:x@[::ffff:192.0.2.1]:5070", "192.0.2.1:5070"}, {"TCP", "sip:x@192.0.2.1:5070", "192.0.2.1:4000"},
	} {
		r := sip.NewRequest(sip.REGISTER, sip.Uri{})
		r.SetTransport(c.transport)
		require.Equal(t, c.want, requestDestination(uri(t, c.contact),
			&endpoint.Request{Request: r, From: netip.MustParseAddrPort("192.0.2.1:4000")}).String(), "%+v", c)
	}
}

// The expiry of our own Contact counts, else Expires, else what we asked for. It is never more than a day (RFC 3261
// section 10.2.4).
func TestGrantedExpires(t *testing.T) {
	t.Parallel()
	c := NewClient(ClientOptions{Contact: sip.ContactHeader{Address: uri(t, "sip:t0ken@192.0.2.1:5060")}})
	require.Equal(t, defaultExpires, c.expires)
	for want, lines := range map[time.Duration]string{
		100 * time.Second: "X: y", 200 * time.Second: "Expires: 200",
		300 * time.Second: "Expires: 200|Contact: <sip:t0ken@192.0.2.1>;expires=300",
		24 * time.Hour:    "Expires: 86401",
		201 * time.Second: "Expires: 201|Contact: <sip:other@192.0.2.1>;expires=300|Contact: <sip:t0ken@192.0.2.2>;expires=300",
		202 * time.Second: "Expires: 202|Contact: <sip:t0ken@192.0.2.1>;expires=x",
	} {
		m, err := sip.NewParser().ParseSIP([]byte("SIP/2.0 200 OK\r\n" + strings.ReplaceAll(lines, "|", "\r\n") +
			"\r\n\r\n"))
		require.NoError(t, err)
		require.Equal(t, want, c.granted(m.(*sip.Response), 100*time.Second), lines)
	}
	for v, want := range map[string]bool{"1800": true, "86400": true, "86401": false, "x": false} {
		res := sip.NewResponse(423, "")
		res.AppendHeader(sip.NewHeader("Min-Expires", v))
		_, ok := minimum(res)
		require.Equal(t, want, ok, v)
	}
	least, ok := minimum(sip.NewResponse(423, ""))
	require.False(t, ok)
	require.Zero(t, least)
	for code, slow := range map[int]bool{499: true, 500: false, 599: false, 600: true} {
		require.Equal(t, slow, newRefusal(sip.NewResponse(code, "")).slow, code)
	}
}

// A registrar that keeps challenging, grants no time, or demands no more time than it was asked for, causes a failure.
func TestMisbehavingRegistrars(t *testing.T) {
	t.Parallel()
	s := newService(t, onLoopback)
	own, err := endpoint.Open(endpoint.Options{Listen: local, UDP: true}, handler(func(*endpoint.Request) {}))
	require.NoError(t, err)
	defer own.Close()
	c := NewClient(ClientOptions{Endpoint: own, Registrar: uri(t, "sip:pbx.example"),
		Contact: *own.Contact("t0ken", "UDP"), Destination: s.e.Addr().String()})
	for name, one := range map[string]struct {
		answer func(*endpoint.Request, int)
		asked  int // number of requests
		slow   bool
		text   string
	}{
		"again and again": {func(r *endpoint.Request, n int) {
			r.Reply(401, "Unauthorized", sip.NewHeader("WWW-Authenticate",
				fmt.Sprintf(`Digest realm="pbx", nonce="%d", stale=true`, n)))
		}, 6, true, "the registrar answered 401 repeatedly"},
		"nothing": {func(r *endpoint.Request, _ int) { r.Reply(200, "OK", sip.NewHeader("Expires", "0")) }, 1, false,
			"200 but granted no time"},
		"too brief": {func(r *endpoint.Request, _ int) {
			r.Reply(423, "Interval Too Brief", sip.NewHeader("Min-Expires", "600"))
		}, 1, true, "423 Interval Too Brief"},
		"too brief, without a number": {func(r *endpoint.Request, _ int) { r.Reply(423, "Interval Too Brief") }, 1,
			true, "423 Interval Too Brief"},
		"no challenge": {func(r *endpoint.Request,
			_ int) {
			r.Reply(407, "Proxy Authentication Required")
		}, 1, true, "407 Proxy Authentication Required: "},
	} {
		done := make(chan error, 1) // result of the registration
		go func() {
			_, err := c.register(context.Background(), 600*time.Second)
			done <- err
		}()
		for n := range one.asked {
			one.answer(s.next(t), n)
		}
		err := <-done
		require.ErrorContains(t, err, one.text, name)
		require.Equal(t, name == "no challenge", errors.Is(err, errNoChallenge), name)
		require.Equal(t, one.slow, failureOf(err).slow, name)
		require.Empty(t, s.came, name)
	}
}

// Each pair of address and user has its own wait, which grows up to a minute. All pairs are removed in time.
func TestFailedLoginBounds(t *testing.T) {
	t.Parallel()
	here, now := netip.MustParseAddr("192.0.2.1"), time.Unix(1000, 0)
	g := newFailedLogins()
	for range freeFailures - 1 {
		g.failed(now, here, "x", false)
		require.False(t, g.blocked(now, here, "x", false))
	}
	for _, seconds := range []int{1, 2, 4, 8, 16, 32, 60, 60, 60, 60, 60, 60} {
		g.failed(now, here, "x", false)
		pause := time.Duration(seconds) * time.Second
		require.True(t, g.blocked(now.Add(pause-1), here, "x", false), seconds)
		require.False(t, g.blocked(now.Add(pause), here, "x", false), seconds)
	}
	for range 60 {
		g.failed(now, here, "x", false)
	}
	require.True(t, g.blocked(now.Add(longestWait-1), here, "x", false), "however many failures there were")
	require.False(t, g.blocked(now, here, "y", false))
	require.False(t, g.blocked(now, netip.MustParseAddr("192.0.2.2"), "x", false))
	require.True(t, g.blocked(now, netip.MustParseAddr("::ffff:192.0.2.1"), "x", false), "the same host")
	require.True(t, g.blocked(now, here, "x", true))
	g.failed(now.Add(forgetFailures), here, "x", false)
	require.True(t, g.blocked(now.Add(forgetFailures+time.Minute-1), here, "x", false), "not yet removed")
	again := now.Add(2*forgetFailures + 1)
	g.failed(again, here, "x", false)
	require.False(t, g.blocked(again, here, "x", false), "forgotten")
	g.succeeded(here, "x")
	g.succeeded(here, "x")
	require.Empty(t, g.pairs)
	require.Empty(t, g.hosts)
	long := strings.Repeat("u", 64)
	g.failed(now, here, long+"a", false)
	require.Len(t, g.pairs, 1)
	g.failed(now, here, long+"b", false)
	require.Len(t, g.pairs, 1, "long names are cut")
	for i := range usersPerHost - 1 {
		require.False(t, g.blocked(now, here, "new", false))
		g.failed(now, here, fmt.Sprint(i), false)
	}
	require.True(t, g.blocked(now, here, "new", false))
	require.False(t, g.blocked(now, here, "new", true), "the user exists")
	require.True(t, g.blocked(now.Add(forgetFailures), here, "new", false))
	require.False(t, g.blocked(now.Add(forgetFailures+1), here, "new", false))
}

// Our REGISTER has a rising CSeq number, a registrar without a user part, and its time only in Expires (RFC 3261
// section 10.2). It has a Content-Length, without which it could not be sent over TCP (section 18.3).
func TestRegisterRequest(t *testing.T) {
	t.Parallel()
	contact := sip.ContactHeader{Address: uri(t, "sip:t0ken@192.0.2.1:5060;transport=tcp")}
	contact.Params.Add("expires", "7")
	c := NewClient(ClientOptions{Contact: contact, AOR: uri(t, "sip:5550100@pbx.example"),
		Registrar: uri(t, "sip:ignored:too@pbx.example:5070")})
	for n := range uint32(2) {
		r := c.request(90 * time.Second)
		require.Equal(t, n+1, r.CSeq().SeqNo)
		require.Equal(t, "sip:pbx.example:5070", r.Recipient.String())
		require.Empty(t, r.Recipient.Password)
		require.Equal(t, "<sip:t0ken@192.0.2.1:5060;transport=tcp>", r.Contact().Value())
		require.Equal(t, "90", r.GetHeader("Expires").Value())
		require.Equal(t, "TCP", r.Transport(), "as our Contact has it")
		require.Equal(t, "pbx.example:5070", r.Destination())
		require.Equal(t, c.callID, r.CallID().Value())
		require.Equal(t, c.tag, r.From().Params.GetOr("tag", ""))
		require.Equal(t, "5550100", r.From().Address.User)
		require.Equal(t, "5550100", r.To().Address.User)
		require.False(t, r.To().Params.Has("tag"))
		require.Equal(t, "0", r.GetHeader("Content-Length").Value())
	}
	require.Equal(t, "7", contact.Params.GetOr("expires", ""), "the caller's request is unchanged")
	c = NewClient(ClientOptions{Contact: contact, Registrar: uri(t, "sip:pbx.example;transport=udp"),
		Destination: "192.0.2.9:5080"})
	r := c.request(0)
	require.Equal(t, "UDP", r.Transport())
	require.Equal(t, "192.0.2.9:5080", r.Destination())
	require.Equal(t, "0", r.GetHeader("Expires").Value())
	require.WithinDuration(t, time.Now(), c.Status().Since, time.Minute, "not registered since the start")
}

// If several accounts have the same user name, the first one is used.
func TestAccountsOfOneUser(t *testing.T) {
	t.Parallel()
	r := NewRegistrar(RegistrarOptions{Realm: "millrace.example", Accounts: []Account{
		{Line: "box-office", User: "same", Password: "footlights"},
		{Line: "stage-door", User: "same", Password: "limelight"}}})
	require.Equal(t, "box-office", r.table().byUser["same"].Line)
	require.Equal(t, "same", r.table().byLine["stage-door"].User)
}

// An unknown line has no binding. UserAgent is called with the line and the User-Agent of an adapter that registers,
// not for a REGISTER that is refused.
func TestNamedAdapter(t *testing.T) {
	t.Parallel()
	d := newTestRegistrar(t, stageDoor())
	_, bound := d.Binding("nowhere")
	require.False(t, bound)
	w := dial(t, "udp", d.e)
	require.Equal(t, 200, w.register(w.contact()).Code())
	require.Empty(t, d.agents)
	require.Equal(t, 200, w.register(w.contact(), "User-Agent: box 1").Code())
	require.Equal(t, "stage-door box 1", <-d.agents)
	b, _ := d.Binding("stage-door")
	require.Equal(t, "box 1", b.UserAgent)
	require.Equal(t, 400, w.register("Contact: <sip:>").Code())
	require.Equal(t, 423, w.register(w.contact(), "Expires: 1", "User-Agent: box 2").Code())
	require.Equal(t, 200, w.register(w.contact(), "User-Agent: box 3").Code())
	require.Equal(t, "stage-door box 3", <-d.agents)
}

// A call of Retry counts only if it follows the last attempt, and only if another attempt may help.
func TestRetryRequests(t *testing.T) {
	t.Parallel()
	c := NewClient(ClientOptions{})
	c.Retry()
	c.Retry()
	silence := context.DeadlineExceeded
	wishes := c.retryRequests(silence)
	require.NotNil(t, wishes)
	require.Empty(t, wishes, "the attempt has served the earlier calls")
	c.Retry()
	c.Retry()
	require.Len(t, wishes, 1)
	c.retryRequests(silence)
	require.Empty(t, wishes)
	require.NotNil(t, c.retryRequests(&refusal{code: 500}))
	require.Nil(t, c.retryRequests(nil))
	require.Nil(t, c.retryRequests(&refusal{retryAdvice: retryAdvice{slow: true}}))
	require.Nil(t, c.retryRequests(&refusal{retryAdvice: retryAdvice{retryAfter: time.Nanosecond}}))
}
