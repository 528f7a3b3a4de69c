package registration

import (
	"context"
	"net/netip"
	"strconv"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/emiago/sipgo/sip"
	"github.com/stretchr/testify/require"
	"go.uber.org/zap"
	"go.uber.org/zap/zapcore"
	"go.uber.org/zap/zaptest/observer"

	"clearback/bridge/sipua/endpoint"
	"clearback/bridge/sipua/endpoint/endpointtest"
)

func TestRefreshAfter(t *testing.T) {
	t.Parallel()
	for granted, want := range map[time.Duration]time.Duration{
		time.Hour: 54 * time.Minute, 100 * time.Second: 90 * time.Second, 60 * time.Second: 50 * time.Second,
		20 * time.Second: 10 * time.Second, 15 * time.Second: 7500 * time.Millisecond,
		time.Second: 500 * time.Millisecond,
	} {
		require.Equal(t, want, refreshAfter(granted), granted)
	}
}

func TestRetryAfter(t *testing.T) {
	t.Parallel()
	const s = time.Second
	for _, c := range []struct {
		failures int
		f        retryAdvice
		chance   float64
		want     time.Duration
	}{
		{1, retryAdvice{}, 0, s}, {1, retryAdvice{}, 0.5, 1500 * time.Millisecond}, {2, retryAdvice{}, 0, 2 * s},
		{3, retryAdvice{}, 0, 4 * s},
		{6, retryAdvice{}, 0, 30 * s}, {1000000, retryAdvice{}, 0, 30 * s}, {1000000, retryAdvice{}, 0.5, 45 * s},
		{1, retryAdvice{slow: true}, 0, 150 * s}, {9, retryAdvice{slow: true}, 0.5, 225 * s},
		{1, retryAdvice{retryAfter: 20 * s}, 0, 20 * s}, {1, retryAdvice{retryAfter: 20 * s}, 0.5, 20*s + s/2},
		{9, retryAdvice{retryAfter: s}, 0, 30 * s}, {1, retryAdvice{retryAfter: 1000 * time.Hour}, 0, time.Hour},
	} {
		require.Equal(t, c.want, retryAfter(c.failures, c.f, c.chance), c)
	}
}

// service is a registrar that answers as the test says.
type service struct {
	e    *endpoint.Endpoint
	came chan *endpoint.Request
}

func newService(t *testing.T, o endpoint.Options) *service {
	t.Helper()
	s := &service{came: make(chan *endpoint.Request, 16)} // more than any test receives
	e, err := endpoint.Open(o, handler(func(r *endpoint.Request) { s.came <- r }))
	require.NoError(t, err)
	t.Cleanup(func() { e.Close() })
	s.e = e
	return s
}

func (s *service) next(t *testing.T) *endpoint.Request {
	t.Helper()
	select {
	case r := <-s.came:
		return r
	case <-time.After(testTimeout):
		t.Fatal("no REGISTER arrived")
		return nil
	}
}

// granted answers 200 with several Contacts, among them that of the request.
func granted(r *endpoint.Request, expires int) {
	mine := r.Contact().Clone()
	mine.Params.Add("expires", strconv.Itoa(expires))
	r.Reply(200, "OK", sip.NewHeader("Contact", "<sip:other@192.0.2.1>;expires=7"), mine, sip.NewHeader("Expires", "9"))
}

type running struct {
	*Client
	s       *service
	changed chan Status
	seen    *observer.ObservedLogs
	stop    func() // stop also waits
}

// onLoopback is a socket of this machine.
var onLoopback = endpoint.Options{Listen: local, UDP: true}

// run runs a client and its service on loopback.
func run(t *testing.T, change ...func(*ClientOptions)) *running {
	t.Helper()
	return runOn(t, onLoopback, onLoopback, change...)
}

// runVirtual runs f in a bubble of testing/synctest, with a client and its service on a network in memory.
func runVirtual(t *testing.T, f func(t *testing.T, c *running)) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		var network endpointtest.Network
		on := func(port uint16) endpoint.Options {
			return endpoint.Options{Listen: local, Packets: network.Listen(netip.AddrPortFrom(local.Addr(), port))}
		}
		f(t, runOn(t, on(5060), on(5061)))
	})
}

func runOn(t *testing.T, service, client endpoint.Options, change ...func(*ClientOptions)) *running {
	t.Helper()
	r := &running{s: newService(t, service), changed: make(chan Status, 16)} // more than any test receives
	own, err := endpoint.Open(client, handler(func(*endpoint.Request) {}))
	require.NoError(t, err)
	core, seen := observer.New(zapcore.InfoLevel)
	r.seen = seen
	pbx := sip.Uri{Scheme: "sip", User: "ignored", Host: "pbx.example"}
	o := ClientOptions{Endpoint: own, Registrar: pbx,
		AOR:      sip.Uri{Scheme: "sip", User: "5550100", Host: "pbx.example"},
		AuthUser: "box-office", Password: secret, Contact: *own.Contact("t0ken", "UDP"),
		Destination: r.s.e.Addr().String(),
		Expires:     600 * time.Second, Logger: zap.New(core), Changed: func(s Status) { r.changed <- s }}
	for _, f := range change {
		f(&o)
	}
	r.Client = NewClient(o)
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan struct{})
	go func() {
		defer close(done)
		r.Run(ctx)
	}()
	r.stop = func() {
		cancel()
		<-done
	}
	t.Cleanup(func() {
		r.stop()
		own.Close()
		for _, entry := range seen.All() {
			require.NotContains(t, entry.Message+entry.Level.String(), secret)
		}
	})
	return r
}

const offer = `Digest realm="pbx.example", nonce="n1", algorithm=MD5, qop="auth"`

// A whole registration: challenge, 200, un-registration. All REGISTERs have the same Call-ID and From tag, and rising
// CSeq numbers.
func TestClient(t *testing.T) {
	t.Parallel()
	c := run(t)
	one := c.s.next(t)
	require.Equal(t, "sip:pbx.example", one.Recipient.String())
	require.Equal(t, "600", one.GetHeader("Expires").Value())
	require.Equal(t, "5550100", one.To().Address.User)
	require.Nil(t, one.GetHeader("Authorization"))
	one.Reply(401, "Unauthorized", sip.NewHeader("WWW-Authenticate", offer))
	two := c.s.next(t)
	require.Contains(t, two.GetHeader("Authorization").Value(), `uri="sip:pbx.example"`)
	require.False(t, c.Status().Registered)
	granted(two, 300)
	s := <-c.changed
	require.True(t, s.Registered)
	require.InDelta(t, 300, time.Until(s.Until).Seconds(), 2, "our own Contact's time counts")
	go c.stop()
	three := c.s.next(t)
	require.Equal(t, "0", three.GetHeader("Expires").Value())
	three.Reply(200, "OK")
	s = <-c.changed
	require.False(t, s.Registered)
	require.Empty(t, c.seen.FilterMessageSnippet("un-register").All())
	for i, r := range []*endpoint.Request{two, three} {
		require.Equal(t, one.CallID(), r.CallID())
		require.Equal(t, one.Request.From().Params, r.Request.From().Params)
		require.Equal(t, one.CSeq().SeqNo+uint32(i)+1, r.CSeq().SeqNo)
	}
}

// A short registration is refreshed after half of its time. While refreshes fail, it remains valid until its end.
func TestRefresh(t *testing.T) {
	t.Parallel()
	runVirtual(t, func(t *testing.T, c *running) {
		granted(c.s.next(t), 1)
		start := time.Now()
		require.True(t, (<-c.changed).Registered)
		r := c.s.next(t)
		require.Equal(t, 500*time.Millisecond, time.Since(start))
		r.Reply(500, "Server Internal Error")
		s := <-c.changed
		require.False(t, s.Registered)
		require.Equal(t, time.Second, time.Since(start))
		require.Contains(t, s.Problem, "500")
		granted(c.s.next(t), 60)
		s = <-c.changed
		require.True(t, s.Registered)
		require.Empty(t, s.Problem)
	})
}

// After a 423 the client asks for the time that the registrar demands.
func TestTooBrief(t *testing.T) {
	t.Parallel()
	runVirtual(t, func(t *testing.T, c *running) {
		c.s.next(t).Reply(423, "Interval Too Brief", sip.NewHeader("Min-Expires", "1800"))
		r := c.s.next(t)
		require.Equal(t, "1800", r.GetHeader("Expires").Value())
		granted(r, 1)
		r = c.s.next(t)
		require.Equal(t, "1800", r.GetHeader("Expires").Value())
		granted(r, 1800)
	})
}

// A wrong password is tried once, then rarely. The log reports the problem once, and its end once.
func TestRefused(t *testing.T) {
	t.Parallel()
	c := run(t)
	c.s.next(t).Reply(401, "Unauthorized", sip.NewHeader("WWW-Authenticate", offer))
	c.s.next(t).Reply(401, "Unauthorized", sip.NewHeader("WWW-Authenticate", strings.Replace(offer, "n1", "n2", 1)))
	require.Eventually(t, func() bool { return c.Status().Problem != "" }, testTimeout, time.Millisecond)
	require.Contains(t, c.Status().Problem, "credentials were refused")
	require.Len(t, c.seen.FilterMessage("cannot register at the service; will keep trying").All(), 1)
	next := c.seen.All()[0].ContextMap()["next_try_in"].(time.Duration)
	require.GreaterOrEqual(t, next, slowRetry/2)
	require.Empty(t, c.s.came)
}

// A problem is logged once when it begins and once when it ends.
func TestProblemIsLoggedOnce(t *testing.T) {
	t.Parallel()
	runVirtual(t, func(t *testing.T, c *running) {
		c.s.next(t).Reply(503, "Service Unavailable", sip.NewHeader("Retry-After", "1 (dinner)"))
		start := time.Now()
		c.s.next(t).Reply(500, "Server Internal Error")
		require.GreaterOrEqual(t, time.Since(start), time.Second)
		granted(c.s.next(t), 60)
		<-c.changed
		require.Len(t, c.seen.FilterMessage("cannot register at the service; will keep trying").All(), 1)
		require.Len(t, c.seen.FilterMessage("registered at the service again").All(), 1)
		require.Equal(t, 2, c.seen.Len())
	})
}

// Retry ends the pause after a failure, but not a pause that the service asked for.
func TestRetry(t *testing.T) {
	t.Parallel()
	runVirtual(t, func(t *testing.T, c *running) {
		c.s.next(t).Reply(500, "Server Internal Error")
		synctest.Wait()
		require.NotEmpty(t, c.Status().Problem)
		start := time.Now()
		c.Retry()
		again := c.s.next(t)
		require.Zero(t, time.Since(start))
		again.Reply(503, "Service Unavailable", sip.NewHeader("Retry-After", "1"))
		synctest.Wait()
		require.Contains(t, c.Status().Problem, "503")
		c.Retry()
		start = time.Now()
		granted(c.s.next(t), 60)
		require.GreaterOrEqual(t, time.Since(start), time.Second)
		<-c.changed
	})
}

// Renew registers again within renewWithin, but at most once within renewEvery.
func TestRenew(t *testing.T) {
	t.Parallel()
	runVirtual(t, func(t *testing.T, c *running) {
		// next waits for a REGISTER and returns how long that took since start.
		next := func(start time.Time) time.Duration {
			(<-c.s.came).Reply(200, "OK", sip.NewHeader("Expires", "3600"))
			return time.Since(start)
		}
		c.Renew() // before anything is registered
		next(time.Now())
		<-c.changed
		<-time.After(10 * time.Minute)
		require.Empty(t, c.s.came)

		start := time.Now()
		c.Renew()
		c.Renew()
		require.Less(t, next(start), renewWithin)
		renewed := time.Now()
		<-time.After(20 * time.Second)
		c.Renew()
		took := next(renewed)
		require.GreaterOrEqual(t, took, renewEvery)
		require.Less(t, took, renewEvery+renewWithin)
		start = time.Now()
		require.Equal(t, refreshAfter(time.Hour), next(start), "then as usual")
	})
}

// A registration that is refreshed before the renewal is due needs no other REGISTER.
func TestRenewOfAShortRegistration(t *testing.T) {
	t.Parallel()
	runVirtual(t, func(t *testing.T, c *running) {
		granted(<-c.s.came, 60)
		<-c.changed
		start := time.Now()
		c.Renew()
		for want := refreshAfter(time.Minute); want < 5*time.Minute; want += refreshAfter(time.Minute) {
			granted(<-c.s.came, 60)
			require.Equal(t, want, time.Since(start))
		}
	})
}

// A service that asks for a pause gets it.
func TestRenewDoesNotEndAPause(t *testing.T) {
	t.Parallel()
	runVirtual(t, func(t *testing.T, c *running) {
		granted(<-c.s.came, 600)
		<-c.changed
		<-time.After(2 * time.Minute)
		c.Renew()
		(<-c.s.came).Reply(503, "Service Unavailable", sip.NewHeader("Retry-After", "120"))
		synctest.Wait()
		start := time.Now()
		c.Renew()
		granted(<-c.s.came, 600)
		require.GreaterOrEqual(t, time.Since(start), 2*time.Minute)
	})
}

// The classification of responses.
func TestRefusals(t *testing.T) {
	t.Parallel()
	for code, slow := range map[int]bool{302: true, 400: true, 403: true, 404: true, 408: false, 420: true, 480: false,
		500: false, 501: true, 503: false, 504: false, 505: true, 603: true} {
		require.Equal(t, slow, newRefusal(sip.NewResponse(code, "")).slow, code)
	}
	for in, want := range map[string]time.Duration{"120": 2 * time.Minute, "120;duration=60": 2 * time.Minute,
		"120 (at the interval; please)": 2 * time.Minute, "120 (dinner);duration=60": 2 * time.Minute, "later": 0} {
		res := sip.NewResponse(503, "")
		res.AppendHeader(sip.NewHeader("Retry-After", in)) // RFC 3261 section 20.33
		require.Equal(t, want, newRefusal(res).retryAfter, in)
	}
}

// After a failure the client pauses for 1 to 2 s, after the next one twice as long. A registration ends that: if its
// refresh fails, the pause is 1 to 2 s again.
func TestBackOff(t *testing.T) {
	t.Parallel()
	runVirtual(t, func(t *testing.T, c *running) {
		r := c.s.next(t)
		fail := func(least time.Duration) {
			start := time.Now()
			r.Reply(500, "Server Internal Error")
			r = c.s.next(t)
			require.GreaterOrEqual(t, time.Since(start), least)
			require.Less(t, time.Since(start), 2*least)
		}
		fail(time.Second)
		fail(2 * time.Second)
		granted(r, 1)
		r = c.s.next(t) // the refresh
		fail(time.Second)
	})
}

// If a service never responds, the timeout is a problem, and the un-registration at the end takes at most a second.
func TestServiceSilent(t *testing.T) {
	t.Parallel()
	runVirtual(t, func(t *testing.T, c *running) {
		granted(c.s.next(t), 60)
		<-c.changed
		start := time.Now()
		c.stop()
		require.Equal(t, unregisterTimeout, time.Since(start))
		require.Len(t, c.seen.FilterMessageSnippet("could not un-register").All(), 1)
	})
}

// Unanswered is called each time a service does not respond, not when it refuses. Changed is called when the state
// changes. A granted registration outlasts silence, and ends when the service rejects us.
func TestSilentRegistrar(t *testing.T) {
	t.Parallel()
	var unanswered int
	var told []Status
	c := NewClient(ClientOptions{Unanswered: func() { unanswered++ },
		Changed: func(s Status) { told = append(told, s) }})
	c.succeeded(time.Hour)
	for range 2 {
		c.failed(endpoint.ErrTimeout, time.Second)
	}
	require.Equal(t, 2, unanswered)
	require.True(t, c.Status().Registered)
	require.True(t, c.Status().Silent)
	c.failed(newRefusal(sip.NewResponse(503, "Service Unavailable")), time.Second)
	require.True(t, c.Status().Registered)
	require.False(t, c.Status().Silent)
	c.failed(newRefusal(sip.NewResponse(403, "Forbidden")), time.Second)
	require.False(t, c.Status().Registered)
	require.Equal(t, 2, unanswered)
	var states [][2]bool
	for _, s := range told {
		states = append(states, [2]bool{s.Registered, s.Silent})
	}
	require.Equal(t, [][2]bool{{true, false}, {true, true}, {true, false}, {false, false}}, states)
	without := NewClient(ClientOptions{})
	without.failed(endpoint.ErrTimeout, time.Second)
	require.True(t, without.Status().Silent)
}

// A registrar that answers 423 to the un-registration is not registered with again.
func TestTooBriefAtTheEnd(t *testing.T) {
	t.Parallel()
	c := run(t)
	granted(c.s.next(t), 60)
	<-c.changed
	go c.stop()
	r := c.s.next(t)
	require.Equal(t, "0", r.GetHeader("Expires").Value())
	r.Reply(423, "Interval Too Brief", sip.NewHeader("Min-Expires", "1800"))
	require.False(t, (<-c.changed).Registered)
	require.Empty(t, c.s.came)
}

// The log reports that the line is registered when that is new, not at each refresh.
func TestRegisteredIsLoggedOnce(t *testing.T) {
	t.Parallel()
	core, seen := observer.New(zapcore.InfoLevel)
	c := NewClient(ClientOptions{Logger: zap.New(core)})
	for range 3 {
		c.succeeded(time.Hour)
	}
	require.Len(t, seen.FilterMessage("registered at the service").All(), 1)
	c.failed(endpoint.ErrTimeout, time.Second)
	for range 3 {
		c.succeeded(time.Hour)
	}
	require.Len(t, seen.FilterMessage("registered at the service again").All(), 1)
	require.Len(t, seen.FilterMessage("registered at the service").All(), 1)
}

// A REGISTER that is pending when the client ends is no failure. Without a registration there is no un-registration.
func TestEndWhileRegistering(t *testing.T) {
	t.Parallel()
	c := run(t)
	c.s.next(t)
	c.stop()
	require.Empty(t, c.Status().Problem)
	require.False(t, c.Status().Registered)
	require.Zero(t, c.seen.Len())
	require.Empty(t, c.changed)
	require.Empty(t, c.s.came)
}
